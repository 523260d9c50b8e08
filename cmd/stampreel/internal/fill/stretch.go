package fill

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"

	"example.org/stampreel/budget"
	"example.org/stampreel/container"
	"example.org/stampreel/transcode"
	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/quality"
	"example.org/stampreel/transcode/source"
)

// A Stretch is a part of a source in memory, its pictures at the size of a player's panel. It
// can be packed with one setting after another, and held against what came out, while the
// source is decoded but once.
type Stretch struct {
	From, To source.Ratio // seconds of the source; To 0/1 for its end
	Whole    bool         // it is all of the source that is wanted

	kind     string
	film     bool
	beside   bool // the sound comes from a file of its own
	info     *source.PicturesInfo
	pictures []source.Timed
	heard    *source.SoundInfo
	samples  []float32
}

// Pictures is how many pictures of the source it has.
func (st *Stretch) Pictures() int { return len(st.pictures) }

// Rate is that of the source's pictures, 0/1 for a still and for a sound.
func (st *Stretch) Rate() source.Ratio {
	if st.info == nil {
		return source.Ratio{Num: 0, Den: 1}
	}
	return st.info.Rate
}

// Still says that nothing moves in it: a picture, or sound alone.
func (st *Stretch) Still() bool { return st.info == nil || st.info.Still }

// HasSound says whether a clip of it has sound.
func (st *Stretch) HasSound() bool { return st.heard != nil }

// WithoutBars returns the settings with the black bars of a source as a crop, where they are
// to be cut off.
func (s *Settings) WithoutBars(ctx context.Context, job Job) Settings {
	without := *s
	if s.Bars && s.Crop == (picture.Crop{}) {
		if bars, err := s.findBars(ctx, job); err == nil && bars != nil {
			without.Crop = bars.Crop
		}
	}
	without.Bars = false
	return without
}

// Stretch takes in the part of a job's source between these settings' From and To, of at most
// so many pictures, behind which it ends.
func (s *Settings) Stretch(ctx context.Context, job Job, most int) (*Stretch, error) {
	own := *s
	own.Loudness, own.Meter = 0, false // neither changes what is stored, or how much
	in, closeAll, err := own.open(ctx, job)
	if err != nil {
		return nil, err
	}
	defer closeAll()
	st := &Stretch{From: s.From, To: s.To, kind: in.Media.Kind, film: in.Media.Film, beside: in.Sound != nil}
	if in.Media.Pictures != nil {
		if err := st.record(ctx, in.Media.Pictures, s.panel().Framing(), most); err != nil {
			return nil, named(job.Source, err)
		}
	}
	heard := in.Media.Sound
	if in.Sound != nil {
		heard = in.Sound.Sound
	}
	if heard != nil && s.Player.HasSound() && !s.NoSound {
		if err := st.listen(ctx, heard, most); err != nil {
			return nil, named(job.Source, err)
		}
	}
	return st, nil
}

// seconds is the time of a tick.
func (st *Stretch) seconds(tick int64) float64 { return float64(tick) * st.info.Tick.Float() }

func (st *Stretch) record(ctx context.Context, p source.Pictures, f picture.Framing, most int) error {
	info := p.Info()
	st.info = &info
	framer, err := picture.NewFramer(f)
	if err != nil {
		return err
	}
	for {
		t, err := p.Next(ctx)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		at := st.seconds(t.At)
		late := st.To.Num > 0 && at >= st.To.Float() && !info.Still
		if full := len(st.pictures) >= most; late || full {
			t.Release()
			if full && !late {
				st.To = source.Ratio{Num: t.At * info.Tick.Num, Den: info.Tick.Den}
			}
			return nil
		}
		if t.Until <= t.At && !info.Still || !info.Still && st.seconds(t.Until) <= st.From.Float() {
			t.Release()
			continue
		}
		framed := &picture.Framed{}
		err = framer.Frame(framed, t.Picture)
		if err == nil {
			st.pictures = append(st.pictures, source.Timed{Picture: picture.Picture{Framed: framed}, At: t.At, Until: t.Until})
		}
		t.Release()
		if err != nil {
			return err
		}
	}
}

// mostSound is how much sound is taken in, in seconds.
const mostSound = 30

func (st *Stretch) listen(ctx context.Context, s source.Sound, most int) error {
	info := s.Info()
	if info.Rate < 1 || info.Channels < 1 {
		return nil
	}
	skip := max(0, int64(st.From.Float()*float64(info.Rate))-info.First)
	end := st.From.Float() + mostSound
	if st.To.Num > 0 {
		end = min(end, st.To.Float()+0.5) // the resampler looks ahead
	}
	want := int64((end - st.From.Float()) * float64(info.Rate))
	buf := make([]float32, 4096*info.Channels)
	first := info.First
	for want > 0 {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := s.Read(buf)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		gone := min(skip, int64(n))
		skip, first = skip-gone, first+gone
		take := min(int64(n)-gone, want)
		st.samples = append(st.samples, buf[gone*int64(info.Channels):(gone+take)*int64(info.Channels)]...)
		want -= take
	}
	info.First = first
	if st.To.Num == 0 && st.info == nil && want == 0 { // a long sound by itself
		st.To = source.Ratio{Num: int64(1000 * end), Den: 1000}
	}
	st.heard = &info
	return nil
}

// media plays it once more.
func (st *Stretch) media() *source.Media {
	var p source.Pictures
	var s source.Sound
	if st.info != nil {
		p = &seenAgain{st: st}
	}
	if st.heard != nil {
		s = &heardAgain{st: st, left: st.samples}
	}
	m := source.Made(st.kind, p, s, nil)
	m.Film = st.film
	return m
}

type seenAgain struct {
	st *Stretch
	at int
}

func (a *seenAgain) Info() source.PicturesInfo { return *a.st.info }
func (a *seenAgain) Close() error              { return nil }
func (a *seenAgain) Next(ctx context.Context) (*source.Timed, error) {
	if a.at == len(a.st.pictures) {
		return nil, io.EOF
	}
	t := a.st.pictures[a.at]
	a.at++
	return &t, ctx.Err()
}

type heardAgain struct {
	st   *Stretch
	left []float32
}

func (h *heardAgain) Info() source.SoundInfo { return *h.st.heard }
func (h *heardAgain) Close() error           { return nil }
func (h *heardAgain) Read(dst []float32) (int, error) {
	if len(h.left) == 0 {
		return 0, io.EOF
	}
	n := copy(dst[:len(dst)/h.st.heard.Channels*h.st.heard.Channels], h.left)
	h.left = h.left[n:]
	return n / h.st.heard.Channels, nil
}

// PackedStretch is a stretch as it was packed.
type PackedStretch struct {
	Clip    budget.Clip // one that goes on for ever, if the source does beyond the stretch
	Seconds float64
	Bytes   int64 // of its beats
	Beats   int64
	file    string
}

// PackStretch packs a stretch with these settings into a folder, under a name. With Auto and no
// quality its pictures are exact.
func (s *Settings) PackStretch(ctx context.Context, st *Stretch, folder, name string) (*PackedStretch, error) {
	own := *s
	own.From, own.To, own.Loudness, own.Meter, own.Bars, own.SoftenFlashes, own.Workers = st.From, st.To, 0, false, false, false, 1
	if own.Loop == nil && st.beside {
		no := false
		own.Loop = &no // as the pictures of a separate sound do not loop
	}
	// As from a pipe: nothing that comes out is refused for another trial.
	packed, err := own.packInput(ctx, transcode.Input{Media: st.media()}, Job{Source: "-", Clip: filepath.Join(folder, name+ClipExtension)}, trial{exact: s.Coding == Auto && s.Quality == 0})
	if err != nil {
		return nil, err
	}
	p := &PackedStretch{file: packed.Files[0], Beats: packed.Result.Beats}
	h, clip, err := Load(ctx, p.file)
	if err != nil {
		return nil, err
	}
	if len(packed.Files) > 1 {
		return nil, fmt.Errorf("fill: a stretch of %d parts, want one", len(packed.Files))
	}
	clip.Loops = clip.Loops || !st.Whole
	p.Clip = clip
	p.Seconds = container.BeatTime(h.Rate(), h.Beats).Seconds()
	p.Bytes = int64(h.FileSectors-h.BeatsSector) * container.SectorBytes
	return p, nil
}

// CompareStretch holds what the panel shows of a packed stretch against some of its source's
// own pictures, by their numbers, in rising order: in the middle of the time in which the
// source shows a picture. A picture that the clip leaves out is so held against the one that
// stays in its place.
func (s *Settings) CompareStretch(ctx context.Context, st *Stretch, p *PackedStretch, which []int, visit func(quality.Score)) error {
	r, f, err := Open(p.file)
	if err != nil {
		return err
	}
	defer f.Close()
	h := r.Header()
	look := s.panel()
	renderer, err := picture.NewRenderer(look)
	if err != nil {
		return err
	}
	meter := quality.NewMeter(look.Width, look.Height)
	ideal, shown := make([]float64, 3*look.Width*look.Height), make([]float64, 3*look.Width*look.Height)
	panel := container.NewPanel(&h)
	var b container.Beat
	next := int64(0)
	for _, n := range which {
		if err := ctx.Err(); err != nil {
			return err
		}
		t := &st.pictures[n]
		middle := (st.seconds(t.At)+st.seconds(t.Until))/2 - st.From.Float()
		beat := min(max(int64(math.Floor(middle*h.Rate().Float()+1e-9)), 0), int64(h.Beats)-1)
		for ; next <= beat; next++ {
			if err := r.Show(h.FirstBeat+uint32(next), panel, &b); err != nil {
				return err
			}
		}
		l, err := renderer.Ideal(t.Picture)
		if err != nil {
			return err
		}
		l.Codes(ideal)
		img, err := Picture(&h, panel.Pixels)
		if err != nil {
			return err
		}
		Codes(shown, img)
		visit(meter.Compare(ideal, shown))
	}
	return nil
}
