package fill

import (
	"context"
	"fmt"
	"math"
	"path/filepath"

	"golang.org/x/sync/errgroup"

	"example.org/stampreel/budget"
	"example.org/stampreel/container"
	"example.org/stampreel/transcode/source"
)

// A Forecast says what a fill would do with one item.
type Forecast struct {
	Item
	Stays   bool    // a clip of the same bytes and settings is there
	Was     string  // the name of that clip until now, where it is another one
	Seconds float64 // of the source, in the part that is taken; 0 where it does not say
	// Bytes that the clip takes: at most, while it is not packed; 0 where nobody knows.
	Bytes int64
	Beats int64 // about, of a clip to be packed
	// Bytes of the clip whose place it takes.
	Old int64
	Err error
}

// Survey looks at what a fill would do, without writing anything. Only when thorough does
// it read sources whose size and times do not say that they are those of a clip.
func Survey(ctx context.Context, folder, card string, items []Item, s Settings, o Options, thorough bool) ([]Forecast, error) {
	all := make([]Forecast, len(items))
	f, err := newFilling(ctx, folder, card, items, s, o)
	if err != nil {
		return nil, err
	}
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(max(o.Workers, 1))
	for i, it := range items {
		g.Go(func() error {
			all[i] = f.foresee(ctx, it, thorough)
			return ctx.Err()
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	return all, nil
}

func (f *filling) foresee(ctx context.Context, it Item, thorough bool) Forecast {
	c := Forecast{Item: it, Err: it.Err}
	if c.Err != nil {
		return c
	}
	s, asked := f.settings(it)
	job := f.job(it)
	stamp, _, err := stampOf(job.files()...)
	if err != nil {
		c.Err = fmt.Errorf("fill: %w", err)
		return c
	}
	stays := func(h *container.Header, bytes int64) Forecast {
		c.Stays, c.Seconds, c.Bytes = true, container.BeatTime(h.Rate(), h.AllBeats).Seconds(), bytes
		return c
	}
	if f.ledger != nil && !f.o.Rehash && !f.o.Repack {
		if p := f.ledger.unchanged(it, stamp, job.Clip, s, asked, f.player); p != nil {
			return stays(&p.Headers[0], p.Bytes)
		}
	}
	c.Old = sizeOfParts(job.Clip)
	if thorough && job.Refill {
		var found *match
		if found, c.Err = s.find(ctx, job); c.Err != nil {
			return c
		}
		if found != nil {
			if found.was == "" {
				return stays(found.header, c.Old)
			}
			if f.former.take(found.was) {
				c.Was = found.was
				return stays(found.header, sizeOfParts(c.Was))
			}
		}
	}
	var h *source.Holding
	if h, c.Err = source.Look(ctx, job.Source, source.Options{Rate: s.Rate}); c.Err != nil {
		return c
	}
	c.Seconds, c.Beats, c.Bytes = s.atMost(h, job.Sound != "")
	return c
}

// atMost is how long a clip of a source becomes, in seconds and in beats, and how many bytes
// it takes at the most: those of raw frames; 0 where the source does not say how long it is.
func (s *Settings) atMost(h *source.Holding, beside bool) (seconds float64, packed, bytes int64) {
	from, to := s.From.Float(), s.To.Float()
	if seconds = h.Seconds; h.Still && seconds == 0 {
		if seconds = s.Hold.Float(); seconds == 0 {
			seconds = DefaultHold
		}
	}
	if to > 0 {
		seconds = min(seconds, to)
	}
	if seconds = max(0, seconds-from); seconds == 0 {
		return 0, 0, 0
	}
	rate := h.Rate
	if s.Rate.Num > 0 {
		rate = s.Rate.Float()
	} else if num, den := budget.PictureRate(s.Player); rate > float64(num)/float64(den) {
		rate = float64(num) / float64(den)
	}
	rate = max(rate, 1)
	beats := math.Ceil(seconds * rate)
	sound := 0.0 // bytes a beat
	if s.Player.HasSound() && !s.NoSound && (len(h.Sounds) > 0 || beside) {
		num, den := s.Player.SampleRate()
		sound = float64(num) / float64(den) * float64(s.Player.Sound.Channels.Value)
		switch {
		case s.ADPCM:
			sound /= 2
		case s.Player.Sound.Bits.Value > 8:
			sound *= 2
		}
		sound /= rate
	}
	sector := func(bytes float64) float64 { return math.Ceil(bytes / container.SectorBytes) }
	panel := s.Player.Panel
	frame := sector(float64(container.RawFrameBytes(panel.Pixels.Value, panel.Size.Value.W, panel.Size.Value.H)))
	pictures := beats
	if h.Still || len(h.Videos) == 0 {
		pictures = math.Ceil(seconds/2) + 1 // a key beat every two seconds
	}
	if s.Meter && len(h.Videos) == 0 {
		pictures = beats
	}
	return seconds, int64(beats), int64(container.SectorBytes * (64 + beats*sector(64+sound) + pictures*frame))
}

// sizeOfParts is what a clip takes with all its parts; 0 where there is none.
func sizeOfParts(clip string) (bytes int64) {
	for part := 0; ; part++ {
		size := SizeOf(PartName(clip, part))
		if size == 0 {
			return bytes
		}
		bytes += size
	}
}

// job is what brings one item onto the card.
func (f *filling) job(it Item) Job {
	return Job{
		Source: filepath.Join(f.folder, filepath.FromSlash(it.Source)),
		Sound:  joined(f.folder, it.Sound),
		Clip:   filepath.Join(f.card, filepath.FromSlash(it.Clip)),
		Refill: !f.o.Repack,
		Former: f.former.find,
	}
}
