package transcode

import (
	"fmt"
	"math/big"

	"example.org/stampreel/container"
	"example.org/stampreel/transcode/sound"
	"example.org/stampreel/transcode/source"
)

// Defaults of the clock of a clip.
const (
	// StillRate is how many beats a second a still with sound gets; one without
	// sound gets one.
	StillRate = 10
	// leastSoundRate keeps the sound of one beat short where a source changes
	// its picture seldom.
	leastSoundRate = 5
	// LeadSeconds is how far sound is stored ahead of its picture: longer than
	// the longest pause that the SD specification allows a read, twice over.
	LeadSeconds = 0.2
)

// clock counts the beats of a clip against the ticks of its source. Beat i
// shows the picture that its source shows in the middle of the beat, which
// leaves timestamps half a beat of freedom to be imprecise.
type clock struct {
	rate container.Ratio // beats a second
	from *big.Rat        // seconds of the source at beat 0
}

// before returns how many beats have their middle before the given tick of the
// source.
func (c *clock) before(at int64, tick source.Ratio) int64 {
	t := new(big.Rat).SetFrac(new(big.Int).Mul(big.NewInt(at), big.NewInt(tick.Num)), big.NewInt(tick.Den))
	return c.beforeTime(t)
}

// beforeTime is the same for a time in seconds: ⌈(t − from)·rate − ½⌉.
func (c *clock) beforeTime(t *big.Rat) int64 {
	t = new(big.Rat).Sub(t, c.from)
	t.Mul(t, big.NewRat(int64(c.rate.Num), int64(c.rate.Den)))
	t.Sub(t, big.NewRat(1, 2))
	n := new(big.Int).Neg(t.Num())
	n.Div(n, t.Denom()) // Euclidean: rounds down for a positive divisor
	return max(-n.Int64(), 0)
}

// chooseRate returns the beats a second of a clip: what is asked for, else the
// source's own rate, slowed by a whole number (each second, third … picture,
// so that motion stays even) until it is within the limit.
func chooseRate(info *source.PicturesInfo, hasSound bool, asked, limit source.Ratio) (container.Ratio, error) {
	if asked.Num != 0 {
		if r := asked.Float(); r < 1 || r > container.MaxBeatRate {
			return container.Ratio{}, fmt.Errorf("transcode: rate of %g beats a second, want 1 to %d", r, container.MaxBeatRate)
		}
		return nearest(new(big.Rat).SetFrac64(asked.Num, asked.Den), maxRateNum, maxRateDen), nil
	}
	least := int64(1)
	own := new(big.Rat)
	if info != nil && info.Rate.Num > 0 && info.Rate.Den > 0 {
		own.SetFrac64(info.Rate.Num, info.Rate.Den)
		if hasSound {
			least = leastSoundRate
		}
	} else if hasSound {
		own.SetInt64(StillRate)
	} else {
		own.SetInt64(1)
	}
	top := new(big.Rat).SetInt64(container.MaxBeatRate)
	if limit.Num > 0 && limit.Den > 0 {
		if l := new(big.Rat).SetFrac64(limit.Num, limit.Den); l.Cmp(top) < 0 {
			top = l
		}
	}
	one := new(big.Rat).SetInt64(1)
	if top.Cmp(one) < 0 { // even a beat a second is too fast for the panel; the check will say so
		top = one
	}
	r := new(big.Rat).Set(own)
	if k := ceilDiv(own, top); k > 1 {
		r.Quo(own, new(big.Rat).SetInt64(k))
	}
	if min := new(big.Rat).SetInt64(least); r.Cmp(min) < 0 {
		// A source slower than that gets beats that repeat its pictures.
		k := ceilDiv(min, r)
		if faster := new(big.Rat).Mul(r, new(big.Rat).SetInt64(k)); faster.Cmp(top) <= 0 {
			r = faster
		} else if r.Cmp(one) < 0 {
			r = one
		}
	}
	return nearest(r, maxRateNum, maxRateDen), nil
}

// ceilDiv returns ⌈a/b⌉ for positive a and b.
func ceilDiv(a, b *big.Rat) int64 {
	q := new(big.Rat).Quo(a, b)
	n := new(big.Int).Sub(new(big.Int).Add(q.Num(), q.Denom()), big.NewInt(1))
	return n.Div(n, q.Denom()).Int64()
}

// besideSound returns a rate that a clip can state beside the given samples a
// second: the rate itself, or one close to it in smaller terms where the
// products of theirs would go past what the format allows. Beats of another
// length show the same pictures at the same time, so nothing drifts.
func besideSound(rate container.Ratio, f *sound.Format) container.Ratio {
	if f.RateNum <= 0 || f.RateDen <= 0 {
		return rate // sound refuses it
	}
	s := new(big.Rat).SetFrac64(f.RateNum, f.RateDen)
	num, den := s.Num().Int64(), s.Denom().Int64()
	return nearest(big.NewRat(int64(rate.Num), int64(rate.Den)), min(maxRateNum, max(container.MaxProduct/den, container.MaxBeatRate)), min(maxRateDen, max(container.MaxProduct/num, 1)))
}

// The largest terms of a rate that the format allows.
const maxRateNum, maxRateDen = 1000000, 100000

// nearest returns r, or the closest ratio whose terms are within the limits (of
// the convergents of its continued fraction).
func nearest(r *big.Rat, maxNum, maxDen int64) container.Ratio {
	if r.Num().IsInt64() && r.Denom().IsInt64() && r.Num().Int64() <= maxNum && r.Denom().Int64() <= maxDen {
		return container.NewRatio(uint32(r.Num().Int64()), uint32(r.Denom().Int64()))
	}
	p0, q0, p1, q1 := int64(0), int64(1), int64(1), int64(0)
	x := new(big.Rat).Set(r)
	for {
		whole := new(big.Int).Div(x.Num(), x.Denom())
		if !whole.IsInt64() || whole.Int64() > maxNum {
			break
		}
		a := whole.Int64()
		p2, q2 := a*p1+p0, a*q1+q0
		if p2 > maxNum || q2 > maxDen {
			break
		}
		p0, q0, p1, q1 = p1, q1, p2, q2
		x.Sub(x, new(big.Rat).SetInt(whole))
		if x.Sign() == 0 {
			break
		}
		x.Inv(x)
	}
	return container.NewRatio(uint32(p1), uint32(q1))
}

// leadBeats returns the sound lead: about LeadSeconds, at least one beat, and
// less when the sound held ahead would take more than the given bytes (0: no
// limit).
func leadBeats(rate container.Ratio, bytesPerSecond float64, mostBytes int64) int {
	lead := int(float64(LeadSeconds*rate.Float()) + 0.5)
	lead = min(max(lead, 1), container.MaxSoundLead)
	for lead > 1 && mostBytes > 0 && float64(lead+1)/rate.Float()*bytesPerSecond > float64(mostBytes) {
		lead--
	}
	return lead
}
