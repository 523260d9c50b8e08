package transcode

import (
	"errors"
	"fmt"

	"example.org/stampreel/container"
	"example.org/stampreel/container/frame/jpeg"
	"example.org/stampreel/transcode/quality"
	"example.org/stampreel/transcode/rate"
)

// rungs are the JPEG images of a picture, one of each of rate.Qualities, the best first;
// those that are better than wanted are empty.
type rungs struct {
	images [len(rate.Qualities)][]byte
	stats  [len(rate.Qualities)]jpeg.Stats
}

// A ladder makes them. It is not safe for concurrent use.
type ladder struct {
	encoder *jpeg.Encoder
	width   int
}

func sampling(s *container.Settings) jpeg.Sampling {
	if s.PixelFormat.Channels() == 1 {
		return jpeg.Grey
	}
	return jpeg.Share
}

func newLadder(s *container.Settings) (*ladder, error) {
	e, err := jpeg.NewEncoder(s.Width, s.Height, sampling(s))
	return &ladder{e, s.Width}, err
}

func (l *ladder) climb(r *rungs, rgb []byte, best int) (err error) {
	for q, quality := range rate.Qualities {
		if q < best {
			continue
		}
		if r.images[q], r.stats[q], err = l.encoder.Append(nil, rgb, l.width, quality); err != nil {
			return err
		}
	}
	return nil
}

// pace prepares the choice of a quality for each beat.
func (r *runner) pace() error {
	if r.o.Pace == nil {
		return nil
	}
	place, soundBytes := r.w.Layout()
	player, err := r.o.Pace(r.settings, soundBytes)
	switch {
	case errors.Is(err, rate.ErrNoRoom):
		return nil
	case err != nil:
		return err
	}
	r.soundMost = soundBytes
	r.o.Best = min(max(r.o.Best, 0), len(rate.Qualities)-1)
	r.paced = rate.NewController(player, place, r.o.Best)
	r.achieved = Achieved{WorstSSIM: 1}
	r.meter = newMeter(&r.settings)
	return nil
}

// beatOf is a beat that stores a frame, as the controller knows it.
func (r *runner) beatOf(f *container.Frame, s jpeg.Stats, windows int) rate.Beat {
	const sector = container.SectorBytes
	b := rate.Beat{
		Sectors:    (container.BeatHeaderBytes+r.soundMost+sector-1)/sector + (len(f.Bytes)+sector-1)/sector,
		SoundBytes: int64(r.soundMost), FrameBytes: int64(len(f.Bytes)), Windows: windows, Coding: f.Coding,
		Blocks: s.Blocks, Coefficients: s.Coefficients,
	}
	if f.Coding != container.Repeat {
		if b.PanelBytes = int64(f.PanelBytes); b.PanelBytes == 0 {
			b.PanelBytes = int64(len(f.Bytes))
		}
	}
	return b
}

// choices are the beats that may store a job's picture.
func (r *runner) choices(j *job) []rate.Beat {
	if j.beats == 0 {
		return nil
	}
	all := make([]rate.Beat, len(rate.Qualities))
	for q := range all {
		k := max(q, r.o.Best)
		all[q] = r.beatOf(&container.Frame{Coding: container.JPEG, Bytes: j.rungs.images[k], PanelBytes: int(r.coder.raw)}, j.rungs.stats[k], 1)
	}
	return all
}

// paceBeat is coder.code with the quality that suits the player.
func (r *runner) paceBeat(same bool) (container.Frame, error) {
	repeat := r.beatOf(&container.Frame{}, jpeg.Stats{}, 0)
	if same && !r.w.KeyDue() {
		r.paced.Take(&repeat)
		r.achieved.add(r.score, 1)
		return container.Frame{}, nil
	}
	j := r.shown
	r.see = append(r.see[:0], r.choices(j))
	stays := []rate.Beat{repeat}
	for range r.left - 1 {
		if len(r.see) == rate.Lookahead {
			break
		}
		r.see = append(r.see, stays)
	}
	for _, next := range r.ahead {
		if len(r.see) == rate.Lookahead {
			break
		}
		if next.same {
			r.see = append(r.see, stays)
		} else {
			if next.may == nil {
				next.may = r.choices(next)
			}
			r.see = append(r.see, next.may)
		}
		for k := int64(1); k < next.beats && len(r.see) < rate.Lookahead; k++ {
			r.see = append(r.see, stays)
		}
	}
	c := r.coder
	frame, beat, err := r.inQuality(j, r.see[0], r.paced.Choose(r.see))
	if err != nil {
		return frame, err
	}
	if _, err := c.decoder.Decode(c.showing, frame.Bytes); err != nil {
		return frame, fmt.Errorf("transcode: a JPEG frame does not decode: %w", err)
	}
	// Whatever is stored, the panel shows the same.
	exact, _, err := c.exact(c.showing, r.w.KeyDue())
	if err != nil {
		return frame, err
	}
	windows := 1
	switch exact.Coding {
	case container.Repeat:
		windows = 0
	case container.Tiles, container.KeyTiles:
		windows = c.windows
	}
	if other := r.beatOf(&exact, jpeg.Stats{}, windows); r.paced.Costs(&other, &beat) {
		frame, beat = exact, other
	} else if c.tiles != nil {
		if err := c.tiles.Set(c.showing); err != nil {
			return frame, err
		}
	}
	r.paced.Take(&beat)
	if r.score, err = r.meter.compare(j.frame, c.showing); err != nil {
		return frame, err
	}
	r.achieved.add(r.score, 1)
	return frame, nil
}

// inQuality stores a picture in a quality; in a lower one that plays where it turns out to be
// more than was expected, and in the least where none does.
func (r *runner) inQuality(j *job, choices []rate.Beat, quality int) (f container.Frame, b rate.Beat, err error) {
	c := r.coder
	f = container.Frame{Coding: container.JPEG, PanelBytes: int(c.raw)}
	least := rate.Qualities[len(rate.Qualities)-1]
	for step := 1; quality > least && len(choices) > 1; step *= 2 {
		var stats jpeg.Stats
		if c.image, stats, err = c.jpeg.Append(c.image[:0], j.frame, c.width, quality); err != nil {
			return f, b, err
		}
		f.Bytes = c.image
		if b = r.beatOf(&f, stats, 1); r.paced.Allows(&b) {
			return f, b, nil
		}
		quality = max(quality-step, least)
	}
	f.Bytes, b = j.rungs.images[len(rate.Qualities)-1], choices[len(choices)-1]
	return f, b, nil
}

// Achieved is how near the panel comes to the pictures of a clip before they were coded, its
// dithering included, over all beats.
type Achieved struct {
	MeanSSIM, WorstSSIM float64
	MeanPSNR, WorstPSNR float64 // decibels; the mean is that of the mean error; at most 99
	mse, worst, ssim    float64 // sums, and the largest error
	beats               int64
}

func (a *Achieved) add(s quality.Score, beats int64) {
	a.mse += float64(s.MSE * float64(beats))
	a.ssim += float64(s.SSIM * float64(beats))
	a.worst, a.WorstSSIM = max(a.worst, s.MSE), min(a.WorstSSIM, s.SSIM)
	a.beats += beats
}

func (a *Achieved) mean() *Achieved {
	psnr := func(mse float64) float64 { return min(quality.Score{MSE: mse}.PSNR(), 99) }
	a.MeanSSIM, a.MeanPSNR, a.WorstPSNR = a.ssim/float64(a.beats), psnr(a.mse/float64(a.beats)), psnr(a.worst)
	return a
}

// A coded meters how near the panel's pixels come to a picture of 24 bits a pixel.
type coded struct {
	s           *container.Settings
	meter       *quality.Meter
	ideal, seen []float64
}

func newMeter(s *container.Settings) *coded {
	n := 3 * s.Width * s.Height
	return &coded{s, quality.NewMeter(s.Width, s.Height), make([]float64, n), make([]float64, n)}
}

func (m *coded) compare(rgb, panel []byte) (quality.Score, error) {
	img, err := m.s.PixelFormat.Image(panel, m.s.Width, m.s.Height)
	if err != nil {
		return quality.Score{}, err
	}
	for i := range m.s.Width * m.s.Height {
		for ch := range 3 {
			m.ideal[3*i+ch], m.seen[3*i+ch] = float64(rgb[3*i+ch]), float64(img.Pix[4*i+ch])
		}
	}
	return m.meter.Compare(m.ideal, m.seen), nil
}
