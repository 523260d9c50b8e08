package viewer

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/quality"
)

// Source is what the one clip of a page is held against: the file it was made of, and
// what pack was told of its pictures.
type Source struct {
	Name     string // that the page shows
	Path     string
	Settings fill.Settings
}

// before is a source while it is looked at. It walks through its pictures in order,
// as playing does; for a beat elsewhere it begins anew there.
type before struct {
	source Source
	clip   *Clip
	header container.Header
	round  bool
	ctx    context.Context // of the server

	mu   sync.Mutex // one answer at a time
	walk *walk      // nil before the first, and when it has ended
	last step       // that it gave

	scores scores
}

// step is a picture at its final size, in linear light, and the beats that it stays;
// those of a clip's part begin where the part does.
type step struct {
	first, end int64
	framed     picture.Framed
}

// walk is one way through a source.
type walk struct {
	steps chan step
	stop  context.CancelFunc
	err   error // why it ended; to be read once steps is closed
}

// reach is how many beats a walk is gone on with rather than begun anew.
const reach = 50

// at returns the picture of a beat, as the whole source counts them.
func (b *before) at(beat int64) (*step, error) {
	if b.last.first <= beat && beat < b.last.end {
		return &b.last, nil
	}
	if b.walk != nil && (beat < b.last.first || beat > b.last.end+reach) {
		b.walk.stop()
		b.walk = nil
	}
	if b.walk == nil {
		b.begin(beat)
	}
	for s := range b.walk.steps {
		b.last = s
		if beat < s.end {
			return &b.last, nil
		}
	}
	err := b.walk.err
	b.walk = nil
	if err == nil {
		err = &request{http.StatusNotFound, "the source has no picture here"}
	}
	return nil, err
}

func (b *before) begin(beat int64) {
	ctx, stop := context.WithCancel(b.ctx)
	w := &walk{steps: make(chan step), stop: stop}
	b.walk, b.last = w, step{}
	framer, err := picture.NewFramer(b.source.Settings.Look(&b.header, b.round).Framing())
	if err != nil {
		w.err = err
		close(w.steps)
		return
	}
	go func() {
		defer stop()
		defer close(w.steps)
		w.err = b.source.Settings.Pictures(ctx, b.source.Path, &b.header, uint32(beat), func(first, beats int64, p picture.Picture) error {
			s := step{first: first, end: first + beats}
			if err := framer.Frame(&s.framed, p); err != nil {
				return err
			}
			select {
			case w.steps <- s:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		})
	}()
}

// close ends a walk that is under way.
func (b *before) close() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.walk != nil {
		b.walk.stop()
		for range b.walk.steps {
		}
		b.walk = nil
	}
}

// opaque is a picture of sRGB codes of 8 bits, as the page takes them.
func opaque(l *picture.Linear, codes []float64) []byte {
	l.Codes(codes)
	pix := make([]byte, 0, 4*l.W*l.H)
	for c := codes; len(c) > 0; c = c[3:] {
		for _, v := range c[:3] {
			pix = append(pix, byte(math.Round(v)))
		}
		pix = append(pix, 255)
	}
	return pix
}

// serveBefore answers as servePixels does, with what the source has: scaled and toned,
// and not cut to the panel's levels.
func (s *Server) serveBefore(w http.ResponseWriter, r *http.Request, o *opened) error {
	from, count, err := o.span(r)
	if err != nil {
		return err
	}
	b := s.before
	b.mu.Lock()
	defer b.mu.Unlock()
	renderer, err := picture.NewRenderer(b.source.Settings.Look(&o.header, b.round))
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/octet-stream")
	size := int(o.header.Width) * int(o.header.Height) * 4
	codes := make([]float64, size/4*3)
	given, before := 0, (*picture.Framed)(nil)
	for n := from; n < from+count && (n == from || given+size <= mostBytes); n++ {
		if r.Context().Err() != nil {
			return nil
		}
		kind, body := byte(shown), []byte(nil)
		found, err := b.at(int64(o.header.FirstBeat + n))
		switch {
		case err != nil:
			kind, body, before = damaged, []byte(words(err)), nil
		case before != nil && &found.framed.Pix[0] == &before.Pix[0]:
			kind = stays
		default:
			ideal, err := renderer.Ideal(picture.Picture{Framed: &found.framed})
			if err != nil {
				return err
			}
			body = opaque(ideal, codes)
			kept := found.framed
			before = &kept
		}
		if err := record(w, kind, body); err != nil {
			return nil
		}
		given += len(body)
	}
	return nil
}

// scores are how near each beat comes to its source. They are worked out from the
// first one that asks on, while the page is looked at.
type scores struct {
	once sync.Once
	mu   sync.Mutex
	psnr []float32 // by beat of the file, in decibels, at most 99
	ssim []float32
	done bool
	err  error
}

// scored is what is known so far, from a beat on.
type scored struct {
	From int       `json:"from"`
	PSNR []float32 `json:"psnr_db"`
	SSIM []float32 `json:"ssim"`
	Done bool      `json:"done"`
	Err  string    `json:"error,omitempty"` // why there are no more
}

// perfect stands for a beat without any error, which has no logarithm.
const perfect = 99

func decibels(s quality.Score) float32 { return float32(min(s.PSNR(), perfect)) }

func (b *before) compare() {
	r, f, err := fill.Open(b.clip.Path)
	if err == nil {
		defer f.Close()
		err = b.source.Settings.Compare(b.ctx, b.source.Path, r, b.round, func(_ uint32, score quality.Score) error {
			b.scores.mu.Lock()
			defer b.scores.mu.Unlock()
			b.scores.psnr, b.scores.ssim = append(b.scores.psnr, decibels(score)), append(b.scores.ssim, float32(score.SSIM))
			return nil
		})
	}
	b.scores.mu.Lock()
	defer b.scores.mu.Unlock()
	b.scores.done, b.scores.err = true, err
}

func (s *Server) serveScores(w http.ResponseWriter, r *http.Request, o *opened) error {
	from, err := strconv.Atoi(r.URL.Query().Get("from"))
	if err != nil || from < 0 || from > int(o.header.Beats) {
		return &request{http.StatusBadRequest, fmt.Sprintf("from=%s: the clip has beats 0 to %d", r.URL.Query().Get("from"), o.header.Beats-1)}
	}
	b := s.before
	b.scores.once.Do(func() { go b.compare() })
	b.scores.mu.Lock()
	known := scored{From: from, PSNR: []float32{}, SSIM: []float32{}, Done: b.scores.done}
	if from < len(b.scores.psnr) {
		known.PSNR, known.SSIM = b.scores.psnr[from:], b.scores.ssim[from:] // what stands there stays as it is
	}
	if b.scores.err != nil && !errors.Is(b.scores.err, context.Canceled) {
		known.Err = words(b.scores.err)
	}
	b.scores.mu.Unlock()
	return answer(w, known)
}

// toneFlags are the flags of pack for a tone.
func toneFlags(t *picture.Tone) []struct {
	name string
	at   *float64
} {
	return []struct {
		name string
		at   *float64
	}{{"brightness", &t.Brightness}, {"contrast", &t.Contrast}, {"gamma", &t.Gamma}, {"saturation", &t.Saturation}}
}

// tried is a look that is tried on one picture.
type tried struct {
	PSNR  float32 `json:"psnr_db"` // to the same tone with endless levels
	SSIM  float64 `json:"ssim"`
	Flags string  `json:"flags"` // of pack, with which a clip gets this look; "" for the usual one
}

// look reads the dither and the tone that are to be tried.
func (b *before) look(q url.Values) (picture.Options, error) {
	o := b.source.Settings.Look(&b.header, b.round)
	if o.Tone == (picture.Tone{}) {
		o.Tone = picture.DefaultTone()
	}
	if name := q.Get("dither"); name != "" {
		d, err := picture.ParseDither(name)
		if err != nil {
			return o, &request{http.StatusBadRequest, err.Error()}
		}
		o.Dither = d
	}
	for _, f := range toneFlags(&o.Tone) {
		if text := q.Get(f.name); text != "" {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				return o, &request{http.StatusBadRequest, fmt.Sprintf("%s=%s is no number", f.name, text)}
			}
			*f.at = v
		}
	}
	return o, nil
}

// flags are those of pack that differ from what it does by itself.
func flags(o *picture.Options) string {
	var list []string
	if o.Dither != picture.DefaultDither(o.Format) {
		list = append(list, "--dither "+o.Dither.String())
	}
	usual := picture.DefaultTone()
	for i, f := range toneFlags(&o.Tone) {
		if *f.at != *toneFlags(&usual)[i].at {
			list = append(list, fmt.Sprintf("--%s %s", f.name, strconv.FormatFloat(*f.at, 'f', -1, 64)))
		}
	}
	return strings.Join(list, " ")
}

// serveTried answers with two records: what the panel would show of a beat with another
// dither and tone, stored raw or in tiles, and facts of it.
func (s *Server) serveTried(w http.ResponseWriter, r *http.Request, o *opened) error {
	beat, _, err := o.span(r)
	if err != nil {
		return err
	}
	b := s.before
	look, err := b.look(r.URL.Query())
	if err != nil {
		return err
	}
	renderer, err := picture.NewRenderer(look)
	if err != nil {
		return &request{http.StatusBadRequest, err.Error()}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	found, err := b.at(int64(o.header.FirstBeat + beat))
	if err != nil {
		return err
	}
	frame := make([]byte, renderer.FrameBytes())
	if err := renderer.Render(frame, picture.Picture{Framed: &found.framed}); err != nil {
		return err
	}
	img, err := fill.Picture(&o.header, frame)
	if err != nil {
		return err
	}
	ideal, err := renderer.Ideal(picture.Picture{Framed: &found.framed})
	if err != nil {
		return err
	}
	size := img.Bounds().Size()
	score := compareOnce(ideal, img, size)
	facts, err := json.Marshal(tried{decibels(score), score.SSIM, flags(&look)})
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/octet-stream")
	if err := record(w, shown, img.Pix); err == nil {
		record(w, told, facts)
	}
	return nil
}

// told is the kind of a record of facts, as JSON.
const told = 'f'

func compareOnce(ideal *picture.Linear, img *image.NRGBA, size image.Point) quality.Score {
	a, b := make([]float64, 3*size.X*size.Y), make([]float64, 3*size.X*size.Y)
	ideal.Codes(a)
	fill.Codes(b, img)
	return quality.NewMeter(size.X, size.Y).Compare(a, b)
}

// held answers where a source was given.
func (s *Server) held(answer func(http.ResponseWriter, *http.Request, *opened) error) func(http.ResponseWriter, *http.Request, *opened) error {
	return func(w http.ResponseWriter, r *http.Request, o *opened) error {
		if s.before == nil {
			return &request{http.StatusNotFound, "no source was given: preview CLIP --source FILE"}
		}
		return answer(w, r, o)
	}
}

// beforeFacts is what the page says of a source, and where its controls stand at first.
type beforeFacts struct {
	Name       string   `json:"name"`
	Dithers    []string `json:"dithers"`
	Dither     string   `json:"dither"`
	Brightness float64  `json:"brightness"`
	Contrast   float64  `json:"contrast"`
	Gamma      float64  `json:"gamma"`
	Saturation float64  `json:"saturation"`
}

func (b *before) facts() *beforeFacts {
	if b == nil {
		return nil
	}
	o, _ := b.look(nil) // nothing is asked for that could be wrong
	f := &beforeFacts{b.source.Name, nil, o.Dither.String(), o.Tone.Brightness, o.Tone.Contrast, o.Tone.Gamma, o.Tone.Saturation}
	for _, d := range picture.Dithers() {
		f.Dithers = append(f.Dithers, d.String())
	}
	return f
}

// Compare has the page hold its clip, which has to be the only one, against a source. To be
// called before Serve.
func (s *Server) Compare(source Source) error {
	if len(s.clips) != 1 {
		return fmt.Errorf("a source is held against one clip, not %d", len(s.clips))
	}
	r, f, err := fill.Open(s.clips[0].Path)
	if err != nil {
		return err
	}
	f.Close()
	b := &before{source: source, clip: &s.clips[0], header: r.Header()}
	size := playerfile.Size{W: int(b.header.Width), H: int(b.header.Height)}
	if b.header.Turn%2 == 1 {
		size.W, size.H = size.H, size.W
	}
	b.round = s.player.Panel.Shape.Value == playerfile.Round && s.player.Panel.Size.Value == size
	s.before = b
	return nil
}
