package fill

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"image/color"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
	"example.org/stampreel/container/cardfs"
	"example.org/stampreel/container/frame/jpeg"
	"example.org/stampreel/transcode"
	"example.org/stampreel/transcode/flash"
	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/rate"
	"example.org/stampreel/transcode/sound"
	"example.org/stampreel/transcode/source"
)

// Settings are how sources become clips for one player.
type Settings struct {
	Player *playerfile.Player

	Fit        picture.Fit
	Crop       picture.Crop
	Background color.Color // nil is black
	Tone       picture.Tone
	Dither     *picture.Dither // nil: what suits the pixel format

	Rate     source.Ratio // beats a second; 0/0: the source's, within what the panel takes
	Hold     source.Ratio // seconds a still is shown; 0/0: as long as its sound, else DefaultHold
	From, To source.Ratio // seconds
	Loop     *bool        // nil: as the source says
	NoSound  bool
	// Which sound of several, counted from 1; 0: the source's own choice.
	SoundTrack int
	// Where there are not so many, the first one is taken.
	TrackOrFirst bool
	// A sound that comes alone shows its level.
	Meter bool
	// Black bars that are part of the pictures are cut off, where no Crop is set.
	Bars bool
	// Passages that flash too much get less contrast, until they do not.
	SoftenFlashes bool
	// A source of which a part is missing or damaged is an error.
	Strict bool

	// How pictures are stored, and how far they may be off where that saves tiles.
	Coding Coding
	Ignore int
	// Of JPEG, 1 to 100, for all pictures alike. 0 chooses it for each, so that the player
	// is never late. With Auto pictures are exact where those play.
	Quality int
	// The share of the card's rate and of a beat's time that stays to spare where no Quality
	// is fixed; nil is budget.TightMargin.
	Margin *float64

	SoundDither sound.Dither
	Loudness    float64 // LUFS that each clip gets; 0, and not DefaultLoudness, leaves the level as it is
	Compress    bool    // loud and soft passages come nearer to each other
	LiftLows    bool    // harmonics of what lies below the player's low cut are added
	PlainSound  bool    // neither the player's low cut nor faded ends: for test clips
	ADPCM       bool    // sound as IMA ADPCM, a quarter of 16-bit
	Matrix      *picture.Matrix
	FullRange   *bool
	PartSectors int64 // of 512 bytes, beyond which a clip is split; 0: what FAT32 takes
	Workers     int
}

// DefaultLoudness in LUFS is how loud clips are unless something else is asked for: the upper
// end of what AES TD1004 recommends for small loudspeakers and headphones, -20 to -16 (from
// memory). At EBU R 128's -23, a speaker the size of a thumb is lost in a room's noise, and an
// 8-bit DAC's hiss is 7 dB nearer; much louder, and the limiter would be heard.
const DefaultLoudness = -16

// directCurrent in Hz: what lies below moves a speaker and is not heard. It is taken away
// where the player file asks for no higher cut.
const directCurrent = 5

// Coding says how pictures may be stored.
type Coding int

// Auto takes for each beat what costs the player least: tiles only where its file says
// how fast it decodes them.
const (
	Auto  Coding = iota
	Raw          // raw frames
	Tiles        // tiles wherever they are no larger than a raw frame
	JPEG         // JPEG of Settings.Quality
)

// DefaultQuality is that of JPEG: at the size of such panels hardly anybody tells it from
// the picture (common practice, no source).
const DefaultQuality = 80

// Codings are all of them, by the names users write.
func Codings() map[string]Coding {
	return map[string]Coding{"auto": Auto, "raw": Raw, "tiles": Tiles, "jpeg": JPEG}
}

// paces tells whether the quality of each picture is chosen so that the clip plays.
func (s *Settings) paces() bool {
	return s.Quality == 0 && (s.Coding == JPEG || s.Coding == Auto && budget.DecodesJPEG(s.Player))
}

// lossy tells whether pictures may be JPEG where exact ones do not play.
func (s *Settings) lossy() bool { return s.Coding == Auto && (s.Quality > 0 || s.paces()) }

// margin is what has to be left to spare.
func (s *Settings) margin() float64 {
	if s.Margin != nil {
		return *s.Margin
	}
	return budget.TightMargin
}

// enough tells whether a clip plays with the margin.
func (s *Settings) enough(v *budget.Verdict) bool {
	if s.Margin == nil {
		return v.Typical.Word == budget.Plays
	}
	return v.Typical.Word != budget.Stutters && float64(v.Typical.Margin) >= *s.Margin
}

// pace is the player as the transcoder is told of it.
func (s *Settings) pace(c container.Settings, soundBytes int) (rate.Player, error) {
	clip := budget.Clip{
		Width: c.Width, Height: c.Height, Turn: c.Turn, Pixels: c.PixelFormat,
		RateNum: int64(c.Rate.Num), RateDen: int64(c.Rate.Den), SampleDen: 1, Lead: c.SoundLead,
	}
	w, err := budget.NewPace(clip, s.Player, int64(soundBytes), s.margin())
	if err != nil {
		return rate.Player{}, err
	}
	if w == nil {
		return rate.Player{}, rate.ErrNoRoom
	}
	return rate.Player{
		Bucket: w.Bucket, Sectors: w.Sectors, Longest: w.Longest,
		Load: func(b *rate.Beat, place int64, first bool) (l rate.Load) {
			l.Cost, l.Over, l.Busy, l.Handling = w.Load(budget.Beat{
				Sectors: b.Sectors, SoundBytes: b.SoundBytes, FrameBytes: b.FrameBytes, PanelBytes: b.PanelBytes,
				Windows: b.Windows, Coding: b.Coding, Blocks: b.Blocks, Coefficients: b.Coefficients,
			}, place, first)
			return l
		},
	}, nil
}

// coding is what the transcoder is told.
func (s *Settings) coding() transcode.Coding {
	if s.Coding == JPEG {
		return transcode.Coding{JPEG: cmp.Or(s.Quality, DefaultQuality), Always: true}
	}
	c := transcode.Coding{Tiles: s.Coding == Tiles || s.Coding == Auto && budget.DecodesTiles(s.Player), Always: s.Coding == Tiles}
	if c.Tiles {
		c.Ignore = s.Ignore
		c.TileCost, c.RawCost = budget.TileCost(s.Player)
	}
	if s.lossy() {
		c.JPEG = cmp.Or(s.Quality, DefaultQuality)
		c.JPEGCost.Block, c.JPEGCost.Coefficient, c.JPEGCost.Byte = budget.JPEGCost(s.Player)
		_, c.RawCost = budget.TileCost(s.Player)
	}
	return c
}

// files are those of a job.
func (j *Job) files() []string {
	if j.Sound == "" {
		return []string{j.Source}
	}
	return []string{j.Source, j.Sound}
}

// SourceChangedError says that a source was written while it was packed, so that the clip
// would be of neither the old nor the new one. Nothing is kept of it.
type SourceChangedError struct{ Path string }

func (e *SourceChangedError) Error() string {
	return fmt.Sprintf("fill: %s has changed while it was packed, and nothing of it is kept", e.Path)
}

// Tries returns what to do.
func (e *SourceChangedError) Tries() []string {
	return []string{"once more when whatever writes it has ended"}
}

// DefaultHold is how many seconds a still without sound is shown.
const DefaultHold = 5

// Job is one source and the clip it becomes.
type Job struct {
	Source string // "-": Y4M from Stdin
	Sound  string // separate sound; "" for none
	Clip   string
	Stdin  io.Reader
	// What stands under Clip already is kept when the same would come out.
	Refill bool
	// With Refill, where no clip stands there: the one of that identity and those settings
	// that stands under a name nobody wants any more; "" for none. May be nil.
	Former func(identity [16]byte, settings [32]byte) string
	// Whether that one may become this one: each can become but one.
	Take func(clip string) bool
	// A folder in which the clip is packed and verified before it is copied to where Clip
	// lies, by whoever holds Writing; "" packs it where Clip lies.
	Stage   string
	Writing *sync.Mutex
	Expect  func(beats int64) // told once the length is known; may be nil
	Beats   func(n int64)     // told of each beats packed; may be nil
	Wrote   func(bytes int64) // told of what is copied from Stage to the card; may be nil
}

// Packed is a clip that was written, verified and judged.
type Packed struct {
	Kept bool // from an earlier fill, of the same source and settings
	// The name of the clip until now, where it was another one.
	Was string
	// What was cut off with Settings.Bars; nil when there was nothing.
	Bars    *picture.Bars
	BarsErr error // why they could not be sought; nil
	Kind    string
	Files   []string // one a part
	// Pictures a second of the source; 0/1 for a still.
	SourceRate source.Ratio
	Headers    []container.Header
	Bytes      int64
	Result     *transcode.Result
	Flashes    Flashes
	Softened   []transcode.Softening // with Settings.SoftenFlashes
	Verdict    budget.Verdict        // of the part that is nearest to stuttering
	// Where quality was to be chosen and even the least one does not play with the margin:
	// how near that comes; else nil.
	Least *budget.Verdict

	rawIsBetter bool // that part would be further from it with raw frames
}

// Pack makes one clip. It is written under a temporary name, verified byte by
// byte, and gets its name last; when anything fails there is no new file and an
// old one of that name is untouched.
func (s *Settings) Pack(ctx context.Context, job Job) (*Packed, error) {
	if s.Bars && s.Crop == (picture.Crop{}) {
		bars, trouble := s.findBars(ctx, job)
		without := *s
		if bars != nil {
			without.Crop = bars.Crop
		}
		without.Bars = false
		p, err := without.Pack(ctx, job)
		if p != nil {
			p.Bars, p.BarsErr = bars, trouble
		}
		return p, err
	}
	if s.SoftenFlashes && job.Source == "-" {
		return nil, &PipeError{}
	}
	stamp := ""
	if job.Source != "-" {
		var err error
		if stamp, _, err = stampOf(job.files()...); err != nil {
			return nil, fmt.Errorf("fill: %w", err)
		}
	}
	if job.Refill {
		if p, err := s.kept(ctx, job); p != nil || err != nil {
			return p, err
		}
	}
	in, closeAll, err := s.open(ctx, job)
	if err != nil {
		return nil, err
	}
	t := trial{refuseTiles: again(job), refuseFlashes: s.SoftenFlashes && again(job), stamp: stamp}
	// Exact pictures are better than those of any quality, if they play.
	t.exact = s.lossy() && again(job)
	t.refuseExact = t.exact
	var least *budget.Verdict
	exactly := false // raw frames were the better of the exact ones
	var lowered passages
	for n := 1; ; n++ {
		p, err := s.packInput(ctx, in, job, t)
		closeAll()
		var refused *refusedError
		if !errors.As(err, &refused) {
			if p != nil && p.Least == nil {
				p.Least = least
			}
			return p, err
		}
		if refused.least != nil {
			least = refused.least
		}
		switch {
		case refused.exact != nil: // how near exact ones come is what JPEG is held against
			exactly = t.raw
			t.exact, t.refuseExact, t.beat, t.raw = false, false, refused.exact, false
		case refused.slower:
			t.best = min(t.best+slower, len(rate.Qualities)-1)
		case refused.jpeg:
			t.exact, t.beat, t.raw = true, nil, exactly
		case refused.raw:
			t.raw = true
		default:
			lowered = lowered.lower(&refused.flashing, refused.length)
			t.soft, t.refuseFlashes = lowered.softenings(), n < mostSoftenings
		}
		if job.Beats != nil {
			job.Beats(-refused.beats)
		}
		if in, closeAll, err = s.open(ctx, job); err != nil {
			return nil, err
		}
	}
}

// again tells whether a source can be read more than once.
func again(j Job) bool { return j.Source != "-" }

// slower is by how much the best quality goes down where a clip does not play: looking ahead
// did not see far enough, or the clip goes on at its start, where its bytes are less free.
const slower = 3

// A trial is one way to pack a source. What comes out is refused, and the source read and
// packed anew, where that is wanted.
type trial struct {
	soft []transcode.Softening // passages of less contrast
	raw  bool                  // raw frames where the choice would be free
	// No JPEG, whatever quality is enough; a clip of such pictures that does not play with a
	// margin is refused, if JPEG is to be tried.
	exact, refuseExact bool
	beat               *budget.Verdict // of exact pictures: JPEG that comes no nearer is refused
	// The best quality, of rate.Qualities, where it is chosen; a clip that does not play with
	// that is refused as long as there is a lower one.
	best int
	// A clip that flashes too much is refused.
	refuseFlashes bool
	// One that does not play with a margin is refused, if raw frames come nearer to it.
	refuseTiles bool
	// Of the source's files as they were opened, see stampOf; "" where they are none.
	stamp string
}

// refusedError says that a clip was not kept, as another trial will do better.
type refusedError struct {
	flashing flash.Report
	length   time.Duration
	raw      bool            // raw frames do better
	exact    *budget.Verdict // of exact pictures, which do not play
	least    *budget.Verdict // of the least quality, which does not play
	slower   bool            // less quality at the start does better
	jpeg     bool            // which comes no nearer than they; if nothing of all this, the pictures flash
	beats    int64
}

func (e *refusedError) Error() string { return "another trial is wanted" }

// PipeError says that what has to be read several times comes from a pipe.
type PipeError struct{}

func (*PipeError) Error() string {
	return "softening flashes reads the source several times, and standard input can be read but once"
}

// Tries returns what to do.
func (*PipeError) Tries() []string { return []string{"give a file as the source"} }

// findBars looks for black bars in the pictures of a job; nil when there are
// none, or when it has to be read from a pipe, which can be read but once.
func (s *Settings) findBars(ctx context.Context, job Job) (*picture.Bars, error) {
	if job.Source == "-" {
		return nil, nil
	}
	panel := s.panel()
	framing := panel.Framing()
	m, err := source.Open(ctx, job.Source, source.Options{Rate: s.Rate, Matrix: s.Matrix, FullRange: s.FullRange, Framing: &framing, From: s.From, To: s.To, NoSound: true})
	var nothing *source.NothingWantedError
	if errors.As(err, &nothing) {
		return nil, nil // a sound
	}
	if err != nil {
		return nil, err
	}
	defer m.Close()
	bars, found, err := m.Bars(ctx)
	if err != nil || !found {
		return nil, err
	}
	return &bars, nil
}

// open opens what a job is made from.
func (s *Settings) open(ctx context.Context, job Job) (in transcode.Input, closeAll func(), err error) {
	panel := s.panel()
	framing := panel.Framing()
	o := source.Options{
		Hold: s.Hold, Rate: s.Rate, Stdin: job.Stdin, Matrix: s.Matrix, FullRange: s.FullRange,
		Framing: &framing, From: s.From, To: s.To, SoundTrack: s.SoundTrack, TrackOrFirst: s.TrackOrFirst,
	}
	hears := !s.NoSound && s.Player.HasSound()
	o.NoSound = !hears || job.Sound != ""
	var opened []*source.Media
	closeAll = func() {
		for _, m := range opened {
			m.Close()
		}
	}
	openOne := func(path string, o source.Options) (*source.Media, error) {
		m, err := source.Open(ctx, path, o)
		if err != nil {
			closeAll()
			return nil, err
		}
		opened = append(opened, m)
		return m, nil
	}
	first := o
	first.SumAhead = true
	in.Media, err = openOne(job.Source, first)
	var nothing *source.NothingWantedError
	switch soundAlone := errors.As(err, &nothing) || err == nil && in.Media.Pictures == nil; {
	case soundAlone && job.Sound != "":
		closeAll()
		return in, nil, &NothingError{job.Source, "it has no pictures for the sound of " + job.Sound + " to go with",
			"name the pictures first and their sound after them"}
	case errors.As(err, &nothing) && s.NoSound:
		return in, nil, &NothingError{job.Source, "it holds " + nothing.Holds + ", and no sound is wanted", "leave --no-sound out"}
	case errors.As(err, &nothing) && !s.Player.HasSound():
		return in, nil, &NothingError{job.Source, "it holds " + nothing.Holds + ", and " + s.Player.Name.Value + " has no speaker",
			"pack it for a player with one"}
	case err != nil:
		return in, nil, err
	}
	beside := source.Options{NoPictures: true, From: s.From, To: s.To, SoundTrack: s.SoundTrack, TrackOrFirst: s.TrackOrFirst}
	if job.Sound != "" && hears {
		in.Sound, err = openOne(job.Sound, beside)
		if errors.As(err, &nothing) {
			return in, nil, &NothingError{job.Sound, "it holds " + nothing.Holds + " and no sound", "leave it out"}
		}
		if err != nil {
			return in, nil, err
		}
		in.Again = func(ctx context.Context) (*source.Media, error) { return source.Open(ctx, job.Source, o) }
	}
	hasSound := hears && (in.Sound != nil || in.Media.Sound != nil)
	heard := job.Source
	if in.Sound != nil {
		heard = job.Sound
	}
	if s.Loudness != 0 && hasSound {
		if in.Measure, err = openOne(heard, beside); err != nil {
			return in, nil, err
		}
	}
	if s.Meter && hasSound && in.Media.Pictures == nil {
		if in.Meter, err = openOne(heard, beside); err != nil {
			return in, nil, err
		}
	}
	if in.Media.Pictures != nil && in.Media.Pictures.Info().Still && s.Hold.Num == 0 && !hasSound {
		o.Hold = source.Ratio{Num: DefaultHold, Den: 1}
		if in.Media, err = openOne(job.Source, o); err != nil {
			return in, nil, err
		}
	}
	return in, closeAll, nil
}

// NothingError says that a file has nothing of what it is given for.
type NothingError struct{ Path, Why, Try string }

func (e *NothingError) Error() string { return fmt.Sprintf("fill: %s: %s", e.Path, e.Why) }

// Tries returns what to do.
func (e *NothingError) Tries() []string { return []string{e.Try} }

// PackInput makes one clip, as [Settings.Pack] does, of a source that is open
// already or that code makes. The source stays the caller's to close.
func (s *Settings) PackInput(ctx context.Context, in transcode.Input, job Job) (*Packed, error) {
	return s.packInput(ctx, in, job, trial{})
}

// packInput is PackInput as a trial, which may end with a *refusedError.
func (s *Settings) packInput(ctx context.Context, in transcode.Input, job Job, t trial) (*Packed, error) {
	o := s.options(in.Media, in.Sound != nil)
	sum := s.sumOf(&o)
	o.Soften = t.soft
	if t.raw || s.lossy() || s.paces() { // what comes out depends on all of the player
		var err error
		if sum, err = s.sumOfRaw(&o); err != nil {
			return nil, err
		}
	}
	if s.paces() && !t.exact && (s.Coding == JPEG || t.beat != nil) {
		o.Pace, o.Best = s.pace, t.best
	}
	if t.exact {
		o.Coding.JPEG, o.Coding.JPEGCost = 0, transcode.JPEGCost{}
	}
	if t.raw {
		o.Coding = transcode.Coding{}
	}
	o.Extension = func(r *transcode.Result) [container.ExtensionBytes]byte {
		return note{r.Incomplete, sum, flashesOf(&r.Flash), soundOf(r)}.extension()
	}
	if job.Beats != nil || job.Expect != nil {
		told := false
		o.Progress = func(beats, total int64) {
			if !told && job.Expect != nil {
				job.Expect(total)
			}
			told = true
			if job.Beats != nil {
				job.Beats(1)
			}
		}
	}

	var files []*cardfs.File
	defer func() {
		for _, f := range files {
			f.Abort()
		}
	}()
	p := &Packed{Kind: in.Media.Kind, Softened: t.soft}
	if in.Media.Pictures != nil {
		p.SourceRate = in.Media.Pictures.Info().Rate
	}
	var err error
	p.Result, err = transcode.Run(ctx, in, func(part int) (io.WriteSeeker, error) {
		f, err := cardfs.CreateIn(job.Stage, PartName(job.Clip, part))
		if err == nil {
			files = append(files, f)
		}
		return f, err
	}, o)
	if err != nil {
		return nil, named(job.Source, err)
	}
	p.Flashes = flashesOf(&p.Result.Flash)
	if t.refuseFlashes && !p.Flashes.Passes() {
		h := p.Result.Headers[0]
		return nil, &refusedError{flashing: p.Result.Flash, length: container.BeatTime(h.Rate(), h.AllBeats), beats: p.Result.Beats}
	}
	if s.Strict && p.Result.Incomplete {
		return nil, &IncompleteError{job.Source, p.Result.Warnings}
	}
	for i, f := range files {
		if err := p.add(ctx, s, f.File, PartName(job.Clip, i), p.Result.Headers[i]); err != nil {
			return nil, err
		}
	}
	if p.Result.Achieved != nil && (p.Result.Late > 0 || !s.enough(&p.Verdict)) {
		least := p.Verdict
		p.Least = &least
	}
	switch {
	case p.Least != nil && again(job) && t.best < len(rate.Qualities)-1:
		return nil, &refusedError{slower: true, beats: p.Result.Beats}
	case t.beat != nil && !worse(t.beat, &p.Verdict):
		return nil, &refusedError{jpeg: true, least: p.Least, beats: p.Result.Beats}
	case t.refuseTiles && s.Coding == Auto && p.Result.JPEG == 0 && p.Result.Tiled > 0 && p.rawIsBetter:
		return nil, &refusedError{raw: true, beats: p.Result.Beats}
	case t.refuseExact && !s.enough(&p.Verdict):
		return nil, &refusedError{exact: &p.Verdict, beats: p.Result.Beats}
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if t.stamp != "" {
		if now, _, err := stampOf(job.files()...); err != nil || now != t.stamp {
			return nil, &SourceChangedError{job.Source}
		}
	}
	if job.Stage != "" {
		copied, err := job.copyToCard(ctx, files, p.Files)
		files = append(files, copied...) // to be dropped if they do not get their names
		if err != nil {
			return nil, err
		}
		if err := commit(copied, p.Files); err != nil {
			return nil, err
		}
	} else if err := commit(files, p.Files); err != nil {
		return nil, err
	}
	removeOldParts(job.Clip, len(files))
	return p, nil
}

// copyToCard copies the parts of a clip to the card, each in one piece where the file
// system can, in large writes. One clip at a time is copied, so that no other lies between
// its pieces.
func (j *Job) copyToCard(ctx context.Context, parts []*cardfs.File, names []string) (copied []*cardfs.File, err error) {
	j.Writing.Lock()
	defer j.Writing.Unlock()
	buf := make([]byte, 4<<20)
	for i, part := range parts {
		size, err := part.Seek(0, io.SeekEnd)
		if err == nil {
			_, err = part.Seek(0, io.SeekStart)
		}
		if err != nil {
			return copied, err
		}
		f, err := cardfs.Create(names[i])
		if err != nil {
			return copied, err
		}
		copied = append(copied, f)
		if err := f.Reserve(size); err != nil {
			return copied, err
		}
		if _, err := io.CopyBuffer(&toldWriter{f, j.Wrote}, &cancelled{ctx, struct{ io.Reader }{part}}, buf); err != nil {
			return copied, err
		}
	}
	return copied, nil
}

// toldWriter tells how much is written.
type toldWriter struct {
	io.Writer
	done func(bytes int64)
}

func (t *toldWriter) Write(b []byte) (int, error) {
	n, err := t.Writer.Write(b)
	if t.done != nil {
		t.done(int64(n))
	}
	return n, err
}

// commit gives the parts of a clip their names, the first part last, so that
// the name of the clip stands only when all of it does. When one fails, those
// that have theirs go again.
func commit(files []*cardfs.File, names []string) error {
	for i, f := range slices.Backward(files) {
		if err := f.Commit(); err != nil {
			for _, name := range names[i+1:] {
				os.Remove(name)
			}
			return err
		}
	}
	return nil
}

// removeOldParts deletes what a longer clip of the same name has left behind
// the given number of parts.
func removeOldParts(clip string, parts int) {
	for ; ; parts++ {
		name := PartName(clip, parts)
		r, f, err := Open(name)
		if err != nil {
			return
		}
		f.Close()
		if h := r.Header(); int(h.Part) != parts || os.Remove(name) != nil {
			return
		}
	}
}

// named puts the source's name before errors that name no file.
func named(path string, err error) error {
	var other *os.PathError
	if strings.Contains(err.Error(), path) || errors.As(err, &other) {
		return err
	}
	return fmt.Errorf("%s: %w", path, err)
}

// PartName is the name of a part: the clip's own for the first, then
// "film.part2.srq".
func PartName(clip string, part int) string {
	if part == 0 {
		return clip
	}
	ext := filepath.Ext(clip)
	return fmt.Sprintf("%s.part%d%s", strings.TrimSuffix(clip, ext), part+1, ext)
}

// panel joins what the player's panel is with what was asked for.
func (s *Settings) panel() picture.Options {
	panel := s.Player.Panel
	o := picture.Options{
		Width: panel.Size.Value.W, Height: panel.Size.Value.H, Turn: panel.Mounted.Value,
		Round: panel.Shape.Value == playerfile.Round, Format: panel.Pixels.Value,
		Fit: s.Fit, Crop: s.Crop, Background: s.Background, Tone: s.Tone,
		Dither: picture.DefaultDither(panel.Pixels.Value),
	}
	if s.Dither != nil {
		o.Dither = *s.Dither
	}
	return o
}

// options joins what the player is with what was asked for.
func (s *Settings) options(media *source.Media, separateSound bool) transcode.Options {
	o := transcode.Options{
		Picture: s.panel(),
		Rate:    s.Rate, From: s.From, To: s.To,
		SoundOptions: sound.Options{Dither: s.SoundDither},
		Loudness:     s.Loudness,
		ADPCM:        s.ADPCM,
		Coding:       s.coding(),
		SoundBuffer:  s.Player.Memory.ReadAhead.Value / 2,
		PartSectors:  s.PartSectors,
		Workers:      s.Workers,
	}
	num, den := budget.PictureRate(s.Player)
	o.RateLimit = source.Ratio{Num: num, Den: den}
	if s.Player.HasSound() && !s.NoSound && (media.Sound != nil || separateSound) {
		num, den := s.Player.SampleRate()
		o.Sound = &sound.Format{RateNum: num, RateDen: den, Channels: int(s.Player.Sound.Channels.Value), Bits: int(s.Player.Sound.Bits.Value)}
		if !s.PlainSound {
			o.SoundOptions.LowCut = max(lowCut(s.Player), directCurrent)
			if s.LiftLows {
				o.SoundOptions.Lift = o.SoundOptions.LowCut
			}
			o.SoundOptions.Compress = s.Compress
			o.SoundOptions.Limit = s.Compress || s.LiftLows // both may raise peaks
			o.SoundOptions.Fade = true
		}
	}
	if media.Pictures == nil {
		o.Picture.Crop = picture.Crop{} // of a sound there is nothing to crop
	}
	switch {
	case s.Loop != nil:
		o.Loops = *s.Loop
	case media.Pictures != nil:
		o.Loops = media.Pictures.Info().LoopsForever && !separateSound
	}
	if o.Loops { // a clip goes on at its start, where a fade would be a gap
		o.SoundOptions.Fade = false
	}
	return o
}

// Verify checks every byte of a clip and returns what the budget has to know
// of it: some twenty bytes a beat.
func Verify(ctx context.Context, f io.ReaderAt, size int64) (budget.Clip, error) {
	var beats []beat
	h, err := container.Verify(ctx, f, size, func(b *container.Beat, p *container.Panel) {
		beats = append(beats, beatOf(&b.BeatHeader, p.Windows, p.Stats))
	})
	if err != nil {
		return budget.Clip{}, err
	}
	return budgetClip(h, beats), nil
}

// Load reads the headers of all beats of a clip, and of JPEG its images, whose decoding
// takes what they hold; no other payload.
func Load(ctx context.Context, path string) (container.Header, budget.Clip, error) {
	r, f, err := Open(path)
	if err != nil {
		return container.Header{}, budget.Clip{}, err
	}
	defer f.Close()
	h := r.Header()
	beats := make([]beat, 0, min(h.Beats, 1<<16))
	var b container.Beat
	var panel *container.Panel // for JPEG
	for n := range h.Beats {
		if n%1024 == 0 && ctx.Err() != nil {
			return container.Header{}, budget.Clip{}, ctx.Err()
		}
		if err := r.ReadHeader(h.FirstBeat+n, &b); err != nil {
			return container.Header{}, budget.Clip{}, fmt.Errorf("%s: %w", path, err)
		}
		windows, err := r.Windows(&b)
		var stats jpeg.Stats
		if err == nil && b.FrameCoding == container.JPEG {
			if panel == nil {
				panel = container.NewPanel(&h)
			}
			if err = r.Read(h.FirstBeat+n, &b); err == nil {
				err = panel.Show(&b)
			}
			stats = panel.Stats
		}
		if err != nil {
			return container.Header{}, budget.Clip{}, fmt.Errorf("%s: %w", path, err)
		}
		beats = append(beats, beatOf(&b.BeatHeader, windows, stats))
	}
	return h, budgetClip(h, beats), nil
}

// beat is a beat header cut to what the budget needs.
type beat struct {
	frameBytes, panelBytes uint32
	coefficients           uint32 // of JPEG
	sectors, windows       uint16
	blocks                 uint16 // of JPEG, of 8 by 8 values
	coding                 container.FrameCoding
}

func beatOf(b *container.BeatHeader, windows int, s jpeg.Stats) beat {
	return beat{b.FrameBytes, b.PanelBytes, uint32(s.Coefficients), b.Sectors, uint16(windows), uint16(min(s.Blocks, math.MaxUint16)), b.FrameCoding}
}

func budgetClip(h container.Header, beats []beat) budget.Clip {
	c := budget.Clip{
		Width: int(h.Width), Height: int(h.Height), Turn: int(h.Turn), Pixels: h.PixelFormat,
		RateNum: int64(h.RateNum), RateDen: int64(h.RateDen), SampleDen: 1,
		Channels: int(h.Channels), Lead: int(h.SoundLead), Loops: h.Loop() && !h.Continues() && h.Part == 0,
		Alone: h.FrameCodings>>container.Tiles&1 == 0, SoundHeld: h.SoundHeld(), Place: int64(h.BeatsSector),
	}
	if h.SoundCoding != container.NoSound {
		c.SampleNum, c.SampleDen, c.SampleBits = int64(h.SampleRateNum), int64(h.SampleRateDen), 8*h.SoundCoding.SampleBytes()
		if h.SoundCoding == container.IMAADPCM {
			c.SampleBits, c.SoundCoded = 16, true
		}
	}
	c.Beats = func(yield func(budget.Beat) bool) {
		for i, b := range beats {
			if !yield(budget.Beat{
				Sectors: int(b.sectors), SoundBytes: int64(h.StoredSoundBytes(h.FirstBeat + uint32(i))),
				FrameBytes: int64(b.frameBytes), PanelBytes: int64(b.panelBytes), Windows: int(b.windows), Coding: b.coding,
				Blocks: int(b.blocks), Coefficients: int(b.coefficients),
			}) {
				return
			}
		}
	}
	return c
}
