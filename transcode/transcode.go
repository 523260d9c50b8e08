// Package transcode turns one source into one clip: it reads timed pictures and
// sound, gives every beat the picture and the samples that belong to it, and
// hands them to a [container.Writer] in order.
//
// The work runs as a bounded pipeline: one goroutine reads the source and
// decides which beats each picture gets, several render pictures to panel
// bytes, one writes. Pictures that no beat shows are never rendered, a picture
// that stays is rendered once. Memory does not depend on the length of the
// source, the result does not depend on the number of workers, and cancelling
// the context ends all of them.
package transcode

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/big"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"example.org/stampreel/container"
	"example.org/stampreel/container/sample"
	"example.org/stampreel/transcode/flash"
	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/rate"
	"example.org/stampreel/transcode/sound"
	"example.org/stampreel/transcode/source"
)

// Input is what a clip is made from.
type Input struct {
	// Pictures; its Media may have sound too. Nil Pictures give a clip of the
	// background colour, or of Meter, that lasts as long as the sound.
	Media *source.Media
	// Separate sound, instead of the one in Media; nil for none.
	Sound *source.Media
	// The sound that is heard, opened once more, to be drawn as a level meter where
	// there are no pictures; nil for none.
	Meter *source.Media
	// The same, opened once more to be measured for Options.Loudness; nil leaves the
	// level as it is.
	Measure *source.Media
	// Opens the pictures once more, for an animation that repeats until its
	// sound ends; nil when that is not possible.
	Again func(context.Context) (*source.Media, error)
}

// Options say what the clip is to be.
type Options struct {
	Picture picture.Options

	// Beats a second; 0/0 means the source's rate, within RateLimit.
	Rate source.Ratio
	// The most pictures a second the panel can take; 0/0 means no limit.
	RateLimit source.Ratio

	// Samples for the DAC; nil means a clip without sound.
	Sound *sound.Format
	// Stores them as IMA ADPCM, which decodes to 16 bits whatever Sound has.
	ADPCM        bool
	SoundOptions sound.Options
	// Loudness in LUFS that the sound gets, through one gain for all of it, with a
	// limiter behind; 0 leaves the level as it is.
	Loudness float64
	// Bytes of sound that a player can hold ahead; 0 means no limit.
	SoundBuffer int64

	Coding Coding // of the pictures
	// Gives the player that pictures are paced for, where they are JPEG of whatever quality
	// plays: package rate chooses it for each beat. It is told of the clip's settings and of the
	// most bytes of sound in a beat. Nil, or rate.ErrNoRoom, stores all in Coding.JPEG.
	Pace func(s container.Settings, soundBytes int) (rate.Player, error)
	Best int // of rate.Qualities, which no picture goes beyond

	// Passages whose contrast is lowered, in rising order, none within another.
	Soften []Softening

	Loops bool
	// Seconds of the source between which the clip lies; To 0/0 means the end.
	From, To source.Ratio

	// Sectors of a part, beyond which the clip is split; 0 means what a FAT32
	// file holds.
	PartSectors int64

	// Gives the free area of each header, once all else is known; may be nil.
	Extension func(*Result) [container.ExtensionBytes]byte

	Workers int // goroutines that render; 0 means 1
	// Called for each beat written, from one goroutine. Total is 0 when the
	// length is not known.
	Progress func(beats, total int64)
}

// Result says what became of the source.
type Result struct {
	Headers []container.Header // one a part
	Beats   int64
	// Of what was read of the source, a part is missing or damaged; Warnings say
	// what.
	Incomplete bool
	Rendered   int64     // pictures rendered
	Repeats    int64     // beats that repeat the picture before
	Tiled      int64     // beats that store tiles
	JPEG       int64     // beats that store JPEG
	Late       int64     // beats that are not in time even in the least quality, with Options.Pace
	Achieved   *Achieved // of the pictures, where they were paced; else nil
	Sound      sound.Stats
	Level      *Level       // of the source's sound, with Options.Loudness; else nil
	Heard      *Heard       // of the clip's sound; nil without
	Flash      flash.Report // flashing pictures, of the clip as it is packed
	Warnings   []string
}

// Softening is a passage of the clip whose contrast is lowered.
type Softening struct {
	From, To time.Duration // of the pictures that begin in it
	picture.Soft
}

// ErrNothingLeft says that no beat lies between From and To.
var ErrNothingLeft = errors.New("transcode: the source has no picture in the part asked for")

// MaxHours is how long a clip may last. A few bytes can claim years (a video at
// a picture each million seconds, an animation of long delays), and would fill
// any card with one picture.
const MaxHours = 24

// A LengthError says that a source lasts longer than a clip may.
type LengthError struct {
	Hours float64 // of the source; 0 when it is not known
}

func (e *LengthError) Error() string {
	if e.Hours == 0 {
		return fmt.Sprintf("transcode: the source goes on for more than the %d hours that a clip may last", MaxHours)
	}
	return fmt.Sprintf("transcode: the source lasts %.4g hours, at most %d fit a clip", e.Hours, MaxHours)
}

// Tries returns what to do.
func (e *LengthError) Tries() []string { return []string{"take a part of it with --from and --to"} }

// job is one picture and the beats that show it.
type job struct {
	timed *source.Timed
	first int64 // beat of the clip
	beats int64
	frame []byte      // as coder.code takes it
	same  bool        // as the job before
	rungs rungs       // where pictures are paced
	may   []rate.Beat // of the rungs, once asked for
	done  chan struct{}
}

// Run makes a clip. create gives an empty file for each part, 0 first. On an
// error what was created is of no use.
func Run(ctx context.Context, in Input, create func(part int) (io.WriteSeeker, error), o Options) (*Result, error) {
	r := &runner{in: in, o: o}
	if err := r.prepare(ctx); err != nil {
		return nil, err
	}
	w, err := container.NewPartsWriter(create, r.settings)
	if err != nil {
		return nil, err
	}
	r.w = w
	if err := r.pace(); err != nil {
		return nil, err
	}

	renderers := make([]*picture.Renderer, max(o.Workers, 1))
	for i := range renderers {
		if renderers[i], err = picture.NewRenderer(o.Picture); err != nil {
			return nil, err
		}
	}
	if err := r.pipeline(ctx, renderers); err != nil {
		return nil, err
	}
	return r.finish(ctx)
}

// pipeline takes all pictures and all sound to the writer.
func (r *runner) pipeline(ctx context.Context, renderers []*picture.Renderer) error {
	workers := len(renderers)
	g, ctx := errgroup.WithContext(ctx)
	ctx, r.stop = context.WithCancel(ctx)
	defer r.stop()
	todo := make(chan *job, workers)    // to be rendered, any order
	ordered := make(chan *job, workers) // the same, in the order of the clip
	r.frames = make(chan []byte, 3*workers)
	g.Go(func() error {
		defer close(todo)
		defer close(ordered)
		err := r.read(ctx, todo, ordered)
		if r.enough.Load() {
			return nil
		}
		return err
	})
	for _, renderer := range renderers {
		g.Go(func() error {
			var ladder *ladder
			if r.paced != nil {
				var err error
				if ladder, err = newLadder(&r.settings); err != nil {
					return err
				}
			}
			for j := range todo {
				if err := r.render(renderer, ladder, j); err != nil {
					return err
				}
			}
			return nil
		})
	}
	r.ordered = ordered
	g.Go(func() error { return r.write(ctx) })
	return g.Wait()
}

// render makes of a picture what is stored of it, or what may be: the ladder is nil but
// where pictures are paced.
func (r *runner) render(renderer *picture.Renderer, ladder *ladder, j *job) error {
	defer close(j.done)
	defer j.timed.Release()
	select {
	case j.frame = <-r.frames:
	default:
		size := renderer.FrameBytes()
		if r.coder.jpeg != nil {
			size = renderer.RGBBytes()
		}
		j.frame = make([]byte, size)
	}
	renderer.Soften(r.softAt(j.first))
	if r.coder.jpeg != nil {
		if err := renderer.RenderRGB(j.frame, j.timed.Picture); err != nil || ladder == nil {
			return err
		}
		return ladder.climb(&j.rungs, j.frame, r.o.Best)
	}
	return renderer.Render(j.frame, j.timed.Picture)
}

// softAt is how soft a picture is that begins with a beat.
func (r *runner) softAt(beat int64) picture.Soft {
	at := container.BeatTime(r.settings.Rate, uint32(beat))
	for _, s := range r.o.Soften {
		if s.From <= at && at < s.To {
			return s.Soft
		}
	}
	return picture.Soft{Contrast: 1}
}

// write gives the writer each job's beats in order.
func (r *runner) write(ctx context.Context) error {
	var last []byte // the frame that the panel shows
	var next *job   // nil behind the last
	j, err := r.next(ctx)
	for ; err == nil && j != nil; j = next {
		r.result.Rendered++
		same := j.same
		if last != nil {
			select {
			case r.frames <- last:
			default:
			}
		}
		last = j.frame
		r.shown = j
		for k := range j.beats {
			least := 0
			if r.untilSound {
				// Less than a sample of the source comes from the rounding up of
				// lengths, there and here, and would make a beat of silence.
				f := r.o.Sound
				least = 3 + int((f.RateNum-1)/(f.RateDen*int64(r.soundInfo.Rate)))
			}
			if k == j.beats-1 {
				if next, err = r.next(ctx); err != nil {
					return err
				}
				if next == nil {
					r.endSound()
				}
			}
			at := r.now()
			r.left = j.beats - k
			more, err := r.beat(ctx, last, same || k > 0, least)
			if err != nil {
				return err
			}
			if !more {
				r.enough.Store(true)
				r.stop()
				return nil
			}
			if !same && k == 0 {
				r.flash.AddFrame(r.settings.PixelFormat, r.coder.panel(last), at)
			}
		}
	}
	for last != nil && r.goesOn && err == nil && ctx.Err() == nil {
		r.endSound()
		r.left = 1
		if _, err := r.beat(ctx, last, true, 0); err != nil {
			return err
		}
	}
	if err != nil {
		return err
	}
	return ctx.Err()
}

// next returns the next job, once it and what has to be seen behind it are rendered; nil
// behind the last.
func (r *runner) next(ctx context.Context) (*job, error) {
	see := 1
	if r.paced != nil {
		see = rate.Lookahead + 1
	}
	for len(r.ahead) < see {
		var j *job
		select {
		case j = <-r.ordered:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		if j == nil {
			break
		}
		select {
		case <-j.done:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		before := r.shown
		if n := len(r.ahead); n > 0 {
			before = r.ahead[n-1]
		}
		j.same = before != nil && bytes.Equal(j.frame, before.frame)
		r.ahead = append(r.ahead, j)
	}
	if len(r.ahead) == 0 {
		return nil, nil
	}
	j := r.ahead[0]
	r.ahead = slices.Delete(r.ahead, 0, 1)
	return j, nil
}

// endSound is called before a beat behind which no picture comes. The last picture of a
// film stays until its sound has ended, to the nearest beat; else the sound ends with this
// beat, which it has to know before its last samples are taken.
func (r *runner) endSound() {
	r.goesOn = false
	if r.stream == nil {
		return
	}
	now := r.w.Samples()
	limit := r.most + 1
	if r.o.To.Num != 0 {
		limit = r.clock.beforeTime(ratio(r.o.To))
	}
	if following := int64(r.w.Beats()) + 1; r.in.film() && following < limit {
		after := r.timing.Samples(uint32(following))
		r.goesOn = r.stream.Left(now+after) >= now+max(after/2, 1)
	}
	if !r.goesOn {
		r.stream.End(r.stream.Stats().OutFrames + int64(now))
	}
}

// now is the time of the next beat in the clip.
func (r *runner) now() time.Duration {
	return container.BeatTime(r.settings.Rate, r.w.Beats())
}

// film tells whether pictures and sound are one recording.
func (in *Input) film() bool { return in.Media != nil && in.Media.Film && in.Sound == nil }

// beat writes one beat with the given frame, of which the panel may have the
// same already. When fewer than the least samples are left for it, it writes
// nothing and more is false.
func (r *runner) beat(ctx context.Context, frame []byte, same bool, least int) (more bool, err error) {
	if err := ctx.Err(); err != nil {
		return false, err
	}
	samples, heard, err := r.samples()
	if err != nil {
		return false, err
	}
	if heard < least && (heard == 0 || r.w.Beats() > 0) {
		return false, nil
	}
	if int64(r.w.Beats()) == r.most {
		return false, &LengthError{}
	}
	var stored container.Frame
	if r.paced != nil {
		stored, err = r.paceBeat(same)
	} else {
		stored, err = r.coder.code(frame, same, r.w.KeyDue())
	}
	if err != nil {
		return false, err
	}
	switch stored.Coding {
	case container.Repeat:
		r.result.Repeats++
	case container.Tiles, container.KeyTiles:
		r.result.Tiled++
	case container.JPEG:
		r.result.JPEG++
	}
	if r.ear != nil {
		if err := r.ear.hear(samples, r.w.Samples()); err != nil {
			return false, err
		}
	}
	if err := r.w.Write(stored, samples); err != nil {
		return false, err
	}
	if r.o.Progress != nil {
		r.o.Progress(int64(r.w.Beats()), r.total)
	}
	return true, nil
}

// samples returns the sound of the next beat, padded with silence behind the
// end, and how many samples a channel there were.
func (r *runner) samples() (p []byte, heard int, err error) {
	if r.stream == nil {
		return nil, 0, nil
	}
	n := r.w.Samples() * r.o.Sound.FrameBytes()
	if cap(r.sound) < n {
		r.sound = make([]byte, 2*n)
	}
	p = r.sound[:n]
	got := 0
	for got < n && !r.soundEnded {
		m, err := r.stream.Read(p[got:])
		got += m
		if err == io.EOF {
			r.soundEnded = true
		} else if err != nil {
			return nil, 0, err
		}
	}
	heard = got / r.o.Sound.FrameBytes()
	if got < n {
		silence := r.settings.SoundCoding.Silence()
		for i := got; i < n; i++ {
			p[i] = silence
		}
		r.silence += int64(n - got)
	}
	if !r.o.ADPCM {
		return p, heard, nil
	}
	r.wave = append(r.wave[:0], make([]int16, n/2)...)
	if err := sample.DecodeS16(r.wave, p); err != nil {
		return nil, 0, err
	}
	r.coded = r.adpcm.Encode(r.coded[:0], r.wave, r.o.Sound.Channels)
	return r.coded, heard, nil
}

func (r *runner) finish(ctx context.Context) (*Result, error) {
	if r.w.Beats() == 0 {
		return nil, ErrNothingLeft
	}
	// What is left of a pipe is read for the identity, and may never end.
	identity := make(chan [16]byte, 1)
	go func() { identity <- Identity(r.in, r.o.From, r.o.To) }()
	select {
	case id := <-identity:
		r.w.SetIdentity(id)
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	r.result.Beats = int64(r.w.Beats())
	if r.paced != nil {
		r.result.Late, r.result.Achieved = r.paced.Late(), r.achieved.mean()
	}
	r.flash.Again(r.now())
	r.result.Flash = r.flash.Report()
	for _, m := range []*source.Media{r.in.Media, r.in.Sound} {
		if m != nil && m.Warnings != nil {
			r.result.Warnings = append(r.result.Warnings, m.Warnings()...)
		}
		r.result.Incomplete = r.result.Incomplete || m.Incomplete()
	}
	if r.stream != nil {
		r.result.Sound, r.result.Heard = r.stream.Stats(), r.ear.heard()
		r.warnOfSound()
	}
	if r.o.Extension != nil {
		r.w.SetExtension(r.o.Extension(&r.result))
	}
	headers, err := r.w.Close()
	if err != nil {
		return nil, err
	}
	r.result.Headers = headers
	return &r.result, nil
}

// warnOfSound says where sound and pictures end apart, and what was clipped.
func (r *runner) warnOfSound() {
	perSecond := float64(r.o.Sound.FrameBytes()) * float64(r.o.Sound.RateNum) / float64(r.o.Sound.RateDen)
	warn := func(format string, args ...any) {
		r.result.Warnings = append(r.result.Warnings, fmt.Sprintf(format, args...))
	}
	// What a beat or two lack is the rounding of lengths.
	if quiet := float64(r.silence) / perSecond; quiet > 0.1 && !r.untilSound {
		warn("the sound ends %.1f s before the picture: silence follows", quiet)
	}
	info := r.soundInfo
	left := float64(info.Frames)/float64(info.Rate) - r.o.From.Float() - float64(r.result.Beats)/r.settings.Rate.Float()
	if r.o.To.Num == 0 && !r.untilSound && info.Frames > 0 && left > 0.1 {
		warn("the sound goes on for %.1f s after the last picture: left out", left)
	}
	if n := r.result.Sound.Clipped; n > 0 {
		warn("samples of the sound louder than full scale, which are clipped: %d", n)
	}
	if n := r.result.Sound.Invalid; n > 0 {
		warn("samples of the sound that are not numbers, and play as silence: %d", n)
	}
}

// Identity returns the identity of a clip, which comes from all bytes of its
// sources and the trim. What was not read of them yet is read now.
func Identity(in Input, from, to source.Ratio) (id [16]byte) {
	h := sha256.New()
	for _, m := range []*source.Media{in.Media, in.Sound} {
		var sum [32]byte
		if m != nil {
			sum = m.Sum()
		}
		h.Write(sum[:])
	}
	for _, t := range []source.Ratio{from, to} {
		q := new(big.Rat)
		if t.Num != 0 && t.Den != 0 {
			q.SetFrac64(t.Num, t.Den)
		}
		binary.Write(h, binary.LittleEndian, [2]int64{q.Num().Int64(), q.Denom().Int64()})
	}
	copy(id[:], h.Sum(nil))
	return id
}
