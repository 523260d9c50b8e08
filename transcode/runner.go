package transcode

import (
	"context"
	"fmt"
	"image"
	"image/color"
	"io"
	"math"
	"math/big"
	"sync/atomic"

	"example.org/stampreel/container"
	"example.org/stampreel/container/sample"
	"example.org/stampreel/transcode/flash"
	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/quality"
	"example.org/stampreel/transcode/rate"
	"example.org/stampreel/transcode/sound"
	"example.org/stampreel/transcode/source"
)

// runner is the state of one Run.
type runner struct {
	in       Input
	o        Options
	settings container.Settings
	clock    clock
	total    int64 // beats, 0 when not known
	most     int64 // beats that a clip may have

	pictures   source.Pictures
	stream     *sound.Stream // nil without sound
	ear        *ear          // the same
	soundInfo  source.SoundInfo
	untilSound bool // the clip ends with its sound

	w          *container.Writer
	coder      *coder
	paced      *rate.Controller // nil where all is of one quality
	achieved   Achieved
	meter      *coded
	score      quality.Score // of what the panel shows
	soundMost  int           // bytes of sound in a beat
	see        [][]rate.Beat
	ordered    <-chan *job
	ahead      []*job // rendered, behind the one that is written
	shown      *job   // that one
	left       int64  // beats of it, the next one included
	flash      *flash.Analyzer
	frames     chan []byte      // frame buffers to be used again
	timing     container.Timing // of the sound
	sound      []byte
	wave       []int16 // the same for the encoder
	coded      []byte
	adpcm      sample.ADPCMEncoder
	soundEnded bool
	goesOn     bool  // the sound of a film, behind its pictures
	silence    int64 // bytes of silence that were added
	until      int64 // ticks of the source handed out, all rounds of an animation
	enough     atomic.Bool
	stop       context.CancelFunc
	result     Result
}

// plain is what shows when there is only sound.
type plain struct{ c color.Color }

func (plain) Info() source.PicturesInfo {
	return source.PicturesInfo{Width: 1, Height: 1, Frames: 1, Tick: source.Ratio{Num: 1, Den: 1}, Still: true}
}

func (p plain) Next(context.Context) (*source.Timed, error) {
	dot := image.NewNRGBA(image.Rect(0, 0, 1, 1))
	dot.Set(0, 0, p.c)
	return &source.Timed{Picture: picture.Picture{Image: dot}}, nil
}

func (plain) Close() error { return nil }

// prepare opens the sound, chooses the rate and fills in the clip's settings.
func (r *runner) prepare(ctx context.Context) error {
	var snd source.Sound
	if r.in.Media != nil {
		r.pictures, snd = r.in.Media.Pictures, r.in.Media.Sound
	}
	if r.in.Sound != nil {
		if snd = r.in.Sound.Sound; snd == nil {
			return fmt.Errorf("transcode: the second source (%s) has no sound", r.in.Sound.Kind)
		}
	}
	if r.o.Sound == nil {
		snd = nil
	}
	var info *source.PicturesInfo
	metered := false
	if r.pictures != nil {
		i := r.pictures.Info()
		info = &i
	} else if snd == nil {
		return fmt.Errorf("transcode: nothing to pack: no picture, and no sound that the player could play")
	} else if metered = r.in.Meter != nil; metered {
		info = &source.PicturesInfo{Rate: source.Ratio{Num: meterRate, Den: 1}}
	}
	rate, err := chooseRate(info, snd != nil, r.o.Rate, r.o.RateLimit)
	if err != nil {
		return err
	}
	if snd != nil {
		wish := rate
		if rate = besideSound(wish, r.o.Sound); rate != wish && r.o.Rate.Num != 0 {
			r.result.Warnings = append(r.result.Warnings, fmt.Sprintf("%v pictures a second in place of %v, which a clip cannot state beside %d/%d samples a second", rate, wish, r.o.Sound.RateNum, r.o.Sound.RateDen))
		}
	}
	if snd != nil {
		r.timing = timing(r.o.Sound, rate)
	}
	r.clock = clock{rate: rate, from: ratio(r.o.From)}
	if r.o.To.Num != 0 && ratio(r.o.To).Cmp(r.clock.from) <= 0 {
		return ErrNothingLeft
	}
	r.settings = container.Settings{
		Width: r.o.Picture.Width, Height: r.o.Picture.Height, PixelFormat: r.o.Picture.Format,
		Turn: r.o.Picture.Turn, Rate: rate, Loops: r.o.Loops, PartSectors: r.o.PartSectors,
	}
	if r.o.Picture.Turn%2 == 1 {
		r.settings.Width, r.settings.Height = r.settings.Height, r.settings.Width
	}
	if snd != nil && r.o.Loudness != 0 && r.in.Measure != nil {
		if err := r.level(ctx); err != nil {
			return err
		}
	}
	r.flash = flash.New(r.settings.Width, r.settings.Height, r.settings.Loops)
	if r.coder, err = newCoder(r.o.Coding, &r.settings); err != nil {
		return err
	}
	if metered {
		if r.pictures, err = r.openMeter(ctx); err != nil {
			return err
		}
	} else if r.pictures == nil {
		background := r.o.Picture.Background
		if background == nil {
			background = color.Black
		}
		r.pictures = plain{background}
		info = &source.PicturesInfo{Still: true}
	}
	if snd != nil {
		if err := r.openSound(ctx, snd); err != nil {
			return err
		}
		forever := info.LoopsForever && r.in.Sound != nil && r.in.Again != nil
		r.untilSound = info.Still && info.Duration.Num == 0 || forever || metered
	}
	r.most = int64(math.Ceil(MaxHours * 3600 * rate.Float()))
	if r.total = r.expect(info); r.total > r.most {
		return &LengthError{Hours: float64(r.total) / rate.Float() / 3600}
	}
	r.settings.ExpectedBeats = uint32(min(r.total, container.MaxFileSectors))
	return nil
}

func ratio(t source.Ratio) *big.Rat {
	if t.Num == 0 || t.Den == 0 {
		return new(big.Rat)
	}
	return new(big.Rat).SetFrac64(t.Num, t.Den)
}

// expect returns about how many beats there will be, 0 when nothing tells.
func (r *runner) expect(info *source.PicturesInfo) int64 {
	end := ratio(info.Duration)
	if r.stream != nil {
		heard := new(big.Rat).SetFrac64(r.soundInfo.Frames, int64(r.soundInfo.Rate))
		if r.untilSound || r.in.film() && end.Sign() > 0 && heard.Cmp(end) > 0 {
			end = heard
		}
	}
	if to := ratio(r.o.To); to.Sign() > 0 && (end.Sign() == 0 || to.Cmp(end) < 0) {
		end = to
	}
	if end.Sign() == 0 {
		return 0
	}
	return r.clock.beforeTime(end)
}

// openSound starts the conversion to the DAC's samples.
func (r *runner) openSound(ctx context.Context, snd source.Sound) error {
	f := *r.o.Sound
	if r.o.ADPCM {
		f.Bits = 16
		r.o.Sound = &f
	}
	r.soundInfo = snd.Info()
	var err error
	if r.stream, err = r.convert(ctx, snd, f); err != nil {
		return err
	}
	r.settings.SoundCoding = container.S16
	perSecond := float64(float64(f.RateNum) / float64(f.RateDen) * float64(f.FrameBytes()))
	switch {
	case r.o.ADPCM:
		r.settings.SoundCoding = container.IMAADPCM
		perSecond /= 4
	case f.Bits == 8:
		r.settings.SoundCoding = container.U8
	}
	r.settings.Channels = f.Channels
	exact := new(big.Rat).SetFrac64(f.RateNum, f.RateDen)
	if exact.Num().Int64() > 1<<31-1 || exact.Denom().Int64() > 65535 {
		return fmt.Errorf("transcode: sample rate %v Hz: its terms are too large for a clip, at most 2147483647/65535", exact)
	}
	r.settings.SampleRate = container.Ratio{Num: uint32(exact.Num().Int64()), Den: uint32(exact.Denom().Int64())}
	r.settings.SoundLead = leadBeats(r.clock.rate, perSecond, r.o.SoundBuffer)
	r.ear, err = newEar(&r.settings)
	return err
}

// timing counts the samples of beats; it is zero where a clip cannot state the sample rate.
func timing(f *sound.Format, rate container.Ratio) container.Timing {
	s := new(big.Rat).SetFrac64(f.RateNum, max(f.RateDen, 1))
	p, q := s.Num().Int64(), s.Denom().Int64()
	if p > container.MaxProduct || q > container.MaxProduct {
		return container.Timing{}
	}
	if p, q = p*int64(rate.Den), q*int64(rate.Num); p > container.MaxProduct || q > container.MaxProduct {
		return container.Timing{}
	}
	return container.Timing{P: uint32(p), Q: uint32(q)}
}

// convert skips to From and starts the conversion to a format, up to To.
func (r *runner) convert(ctx context.Context, snd source.Sound, f sound.Format) (*sound.Stream, error) {
	info := snd.Info()
	skip := new(big.Rat).Mul(r.clock.from, new(big.Rat).SetInt64(int64(info.Rate)))
	behind := new(big.Int).Div(skip.Num(), skip.Denom()).Int64() - info.First
	if err := discard(ctx, snd, behind, info.Channels); err != nil {
		return nil, err
	}
	stream, err := sound.NewStream(snd, info.Rate, info.Channels, f, r.o.SoundOptions)
	if err == nil && r.o.To.Num != 0 && r.timing.Q != 0 {
		stream.End(int64(r.timing.FirstSample(uint32(min(r.clock.beforeTime(ratio(r.o.To)), math.MaxUint32)))))
	}
	return stream, err
}

func discard(ctx context.Context, snd source.Sound, frames int64, channels int) error {
	buf := make([]float32, 4096*channels)
	for frames > 0 {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := snd.Read(buf[:min(frames, 4096)*int64(channels)])
		frames -= int64(n)
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// read hands out each picture with the beats that show it. A picture that stays
// until the sound ends gets all beats that a clip may have, and one more, with
// which write finds the sound too long.
func (r *runner) read(ctx context.Context, todo, ordered chan<- *job) error {
	limit := r.most + 1
	if r.o.To.Num != 0 {
		limit = min(limit, r.clock.beforeTime(ratio(r.o.To)))
	}
	given := int64(0)
	send := func(t *source.Timed, beats int64) error {
		j := &job{timed: t, first: given, beats: beats, done: make(chan struct{})}
		given += beats
		select {
		case todo <- j:
		case <-ctx.Done():
			t.Release()
			return ctx.Err()
		}
		select {
		case ordered <- j:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	pictures, round := r.pictures, int64(0)
	info := pictures.Info()
	var again *source.Media // the source opened once more
	var short *source.Timed // the last picture that no beat shows
	defer func() {
		short.Release()
		if again != nil {
			again.Close()
		}
	}()
	for given < limit {
		t, err := pictures.Next(ctx)
		if err == io.EOF {
			if given == 0 && short != nil && r.o.From.Num == 0 && !r.untilSound {
				// All of it is over before the middle of the first beat.
				t, short = short, nil
				return send(t, 1)
			}
			if !r.untilSound || info.Still {
				return nil
			}
			if again != nil {
				again.Close()
			}
			if again, err = r.in.Again(ctx); err != nil {
				return err
			}
			if again.Pictures == nil {
				return fmt.Errorf("transcode: the source changed while it was read: it has no pictures any more")
			}
			if r.until == round {
				return fmt.Errorf("transcode: the animation takes no time: it cannot repeat until its sound ends")
			}
			pictures, round = again.Pictures, r.until
			continue
		}
		if err != nil {
			return err
		}
		if info.Still && r.untilSound {
			return send(t, limit-given)
		}
		r.until = round + t.Until
		end := min(r.clock.before(r.until, info.Tick), limit)
		if end <= given { // no beat has its middle in this picture
			short.Release()
			short = t
			continue
		}
		if end > r.most && !r.untilSound {
			t.Release()
			return &LengthError{}
		}
		if err := send(t, end-given); err != nil {
			return err
		}
	}
	return nil
}
