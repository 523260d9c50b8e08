package budget

import (
	"errors"
	"math"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container/playback"
)

// NeedPoint is a rate that a read-ahead buffer asks for.
type NeedPoint struct {
	ReadAhead int64   // bytes, sound held ahead included
	Rate      float64 // bytes a second, +Inf where no rate is enough
}

// NeedCurve is what clips need at the typical pause of a player's card, for a row of
// buffers: of each, the most that any of the clips needs. The buffer is taken as a ring.
// The curve knows nothing of wirings: requests and steps are not in it, as they are in a
// [Verdict].
type NeedCurve struct {
	Points []NeedPoint
	player *playerfile.Player
}

// NewNeedCurve begins a curve from 4 KiB to 4 MiB, in steps of the fourth root of 2.
func NewNeedCurve(p *playerfile.Player) *NeedCurve {
	n := &NeedCurve{player: p}
	for step := 0; step <= 40; step++ {
		n.Points = append(n.Points, NeedPoint{ReadAhead: int64(4096 * math.Pow(2, float64(step)/4))})
	}
	return n
}

// Add raises the curve to what one more clip needs.
func (n *NeedCurve) Add(c Clip) error {
	s, err := c.check()
	if err != nil {
		return err
	}
	d := playback.Demand[int64]{Loop: c.Loops, Stall: n.player.Stall().Value.Seconds() / c.interval()}
	for b := range c.Beats {
		d.Cost = append(d.Cost, int64(b.Sectors)*card.SectorBytes)
	}
	for i := range n.Points {
		at := &n.Points[i]
		q := *n.player
		q.Memory.ReadAhead.Value, q.Memory.Buffers.Value = at.ReadAhead, 0
		l := newLink(&c, s, &q)
		d.Buffer, d.Reading = l.buffer, l.reading
		need, err := d.Need()
		switch {
		case errors.Is(err, playback.ErrNoRate) || err == nil && !l.fits():
			at.Rate = math.Inf(1)
		case err != nil:
			return err
		default:
			at.Rate = max(at.Rate, float64(need.PerSecond(c.RateNum, c.RateDen)))
		}
	}
	return nil
}
