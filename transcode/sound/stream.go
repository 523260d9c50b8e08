// Package sound turns sound of any rate and channel count into the bytes a
// small DAC takes. Three steps: mix the channels down, change the rate, round
// to levels. The rate of a microcontroller's DAC is a clock divided by an
// integer, rarely a whole number of hertz, so rates are ratios and positions
// are counted in integers; the filter is a windowed sinc, so nothing above
// either Nyquist frequency folds back as a whistle. Eight bits leave 48 dB
// between full scale and one level: dither turns the distortion of rounding
// into an even hiss, and silence stays silent.
package sound

import (
	"errors"
	"fmt"
	"io"
	"math"
)

// Format is what the DAC takes.
type Format struct {
	RateNum, RateDen int64 // real rate in Hz as a ratio, 1,000 to 192,000
	Channels         int   // 1 or 2, interleaved
	Bits             int   // 8: unsigned, silence is 128; 16: signed little-endian
}

// FrameBytes returns the bytes of one sample of every channel.
func (f Format) FrameBytes() int { return f.Channels * f.Bits / 8 }

// Frames returns how many sample frames inFrames at inRate Hz become:
// ceil(inFrames·R/inRate).
func (f Format) Frames(inFrames, inRate int64) (int64, error) {
	up, down, err := ratio(inRate, f.RateNum, f.RateDen)
	if err != nil {
		return 0, err
	}
	return scaleUp(inFrames, up, down), nil
}

func (f Format) check() error {
	if f.Channels != 1 && f.Channels != 2 {
		return fmt.Errorf("sound: %d output channels, want 1 or 2", f.Channels)
	}
	if f.Bits != 8 && f.Bits != 16 {
		return fmt.Errorf("sound: %d bits a sample, want 8 or 16", f.Bits)
	}
	return nil
}

// A Reader gives interleaved samples, -1 to 1, in whole frames: dst holds a
// multiple of the channels. It returns io.EOF at the end, with or after the
// last frames.
type Reader interface {
	Read(dst []float32) (frames int, err error)
}

// Options are choices of quality; the zero value is the default.
type Options struct {
	Quality Quality
	Dither  Dither
	Seed    uint64 // of the dither noise; the same seed gives the same bytes

	Gain   float64 `json:",omitempty"` // in dB, before all else; 0 leaves the level as it is
	LowCut float64 `json:",omitempty"` // in Hz, what lies below is taken away; 0 for none
	Limit  bool    `json:",omitempty"` // keeps the wave at the DAC below Ceiling
	Fade   int64   `json:",omitempty"` // frames at the DAC, whose ends are faded; 0 fades nothing
}

// Stats counts what happened to the sound so far.
type Stats struct {
	InFrames  int64   // read from the source
	OutFrames int64   // given to the caller
	Invalid   int64   // source samples that were not a number, infinite or beyond ±2^20; taken as 0
	Clipped   int64   // output samples that lay more than half a level beyond full scale
	Limited   float64 // dB that the limiter took away at most
}

// MaxGain is how far the level may be changed, in dB.
const MaxGain = 60

const (
	blockFrames = 2048
	invalidFrom = 1 << 20 // no scale of PCM reaches this; sums of less stay finite
	idleReads   = 100     // empty reads in a row before giving up
)

// A Stream reads DAC samples made from a source. Memory is bounded and does
// not depend on the length. Not safe for concurrent use.
type Stream struct {
	src        Reader
	inChannels int
	format     Format
	resampler  *Resampler
	quantiser  *quantiser
	gains      [][]float32 // before resampling
	spread     [][]float32 // after resampling

	raw      []float32 // one block of the source
	mixed    []float32 // the same after mixing
	ready    []float32 // what of mixed the resampler has not taken
	slow     []float32 // resampled
	wide     []float32 // resampled, in the channels of the DAC
	level    float32   // gain
	cut      *cut      // nil for none
	limit    *limiter  // nil for none
	fade     *fade     // nil for none
	done     []float32 // levelled, not yet quantised; a part of levelled
	levelled []float32

	srcErr error // from the source: io.EOF or a failure; nil while it lasts
	err    error // of the stream
	stats  Stats
}

// NewStream returns a stream of src, which has inRate Hz and inChannels, in
// format f.
func NewStream(src Reader, inRate, inChannels int, f Format, o Options) (*Stream, error) {
	if err := f.check(); err != nil {
		return nil, err
	}
	if int(o.Dither) >= len(ditherNames) {
		return nil, fmt.Errorf("sound: unknown dither %d", o.Dither)
	}
	inner := min(inChannels, f.Channels)
	gains, err := Gains(inChannels, inner)
	if err != nil {
		return nil, err
	}
	spread, err := Gains(inner, f.Channels)
	if err != nil {
		return nil, err
	}
	r, err := NewResampler(int64(inRate), f.RateNum, f.RateDen, inner, o.Quality)
	if err != nil {
		return nil, err
	}
	if !(math.Abs(o.Gain) <= MaxGain) {
		return nil, fmt.Errorf("sound: gain of %g dB, want %d at most", o.Gain, MaxGain)
	}
	s := &Stream{
		src: src, inChannels: inChannels, format: f,
		resampler: r,
		quantiser: newQuantiser(f, o.Dither, o.Seed),
		gains:     gains, spread: spread,
		raw:   make([]float32, blockFrames*inChannels),
		mixed: make([]float32, blockFrames*inner),
		slow:  make([]float32, blockFrames*inner),
		wide:  make([]float32, blockFrames*f.Channels),
		level: float32(math.Pow(10, o.Gain/20)),
	}
	rate := float64(f.RateNum) / float64(f.RateDen)
	if o.LowCut != 0 {
		if s.cut, err = newCut(o.LowCut, rate, f.Channels); err != nil {
			return nil, err
		}
	}
	if o.Limit {
		s.limit = newLimiter(rate, f.Channels)
	}
	if o.Fade > 0 {
		s.fade = newFade(o.Fade, rate, f.Channels)
	}
	return s, nil
}

// Stats returns the counts so far.
func (s *Stream) Stats() Stats {
	s.stats.Clipped = s.quantiser.clipped
	if s.limit != nil {
		s.stats.Limited = max(-20*math.Log10(s.limit.lowest), 0)
	}
	return s.stats
}

// Read fills dst with whole frames of DAC bytes and returns how many bytes.
// At the end it returns io.EOF, after ceil(inFrames·R/inRate) frames in all. A
// failing source gives its error after the frames that were complete before
// it. A dst shorter than a frame gives io.ErrShortBuffer.
func (s *Stream) Read(dst []byte) (n int, err error) {
	size := s.format.FrameBytes()
	if len(dst) < size {
		return 0, io.ErrShortBuffer
	}
	for len(dst)-n >= size && s.err == nil {
		inner := len(s.gains)
		room := min((len(dst)-n)/size, blockFrames)
		if frames := min(room, len(s.done)/s.format.Channels); frames > 0 {
			n += s.quantise(dst[n:], s.done[:frames*s.format.Channels])
			s.done = s.done[frames*s.format.Channels:]
			continue
		}
		read, wrote := s.resampler.Resample(s.slow[:room*inner], s.ready, s.srcErr == io.EOF)
		s.ready = s.ready[read*inner:]
		if wrote > 0 {
			wide := s.wide[:wrote*s.format.Channels]
			mix(wide, s.slow[:wrote*inner], s.spread)
			s.shape(wide)
			if s.limit == nil {
				n += s.quantise(dst[n:], wide)
			} else {
				s.done = s.limit.limit(s.room(), wide)
			}
		}
		if wrote < room {
			switch {
			case s.srcErr == nil:
				s.fetch()
			case s.limit != nil && s.limit.given < s.limit.taken:
				s.done = s.limit.flush(s.done)
			case len(s.done) == 0:
				s.err = s.srcErr
			}
		}
	}
	if n > 0 {
		return n, nil
	}
	return 0, s.err
}

// quantise writes frames and returns how many bytes they take.
func (s *Stream) quantise(dst []byte, frames []float32) int {
	if s.fade != nil {
		s.fade.fade(frames)
	}
	s.quantiser.quantise(dst, frames)
	n := len(frames) / s.format.Channels
	s.stats.OutFrames += int64(n)
	return n * s.format.FrameBytes()
}

// room is where the limiter puts its frames: the last ones are quantised by now.
func (s *Stream) room() []float32 {
	if s.levelled == nil {
		s.levelled = make([]float32, 0, 2*blockFrames*s.format.Channels)
	}
	return s.levelled[:0]
}

// shape gives resampled frames their level and takes away what the speaker cannot
// give.
func (s *Stream) shape(frames []float32) {
	if s.level != 1 {
		for i := range frames {
			frames[i] *= s.level
		}
	}
	if s.cut != nil {
		s.cut.filter(frames)
	}
}

// fetch reads, cleans and mixes the next block of the source.
func (s *Stream) fetch() {
	for range idleReads {
		frames, err := s.src.Read(s.raw)
		if frames < 0 || frames > blockFrames {
			s.srcErr = fmt.Errorf("sound: source claims %d frames, room is for %d", frames, blockFrames)
			return
		}
		if err != nil && !errors.Is(err, io.EOF) {
			err = fmt.Errorf("sound: after %d source frames: %w", s.stats.InFrames+int64(frames), err)
		} else if err != nil {
			err = io.EOF
		}
		s.srcErr = err
		raw := s.raw[:frames*s.inChannels]
		for i, x := range raw {
			if !(x > -invalidFrom && x < invalidFrom) {
				raw[i] = 0
				s.stats.Invalid++
			}
		}
		s.ready = s.mixed[:frames*len(s.gains)]
		mix(s.ready, raw, s.gains)
		s.stats.InFrames += int64(frames)
		if frames > 0 || err != nil {
			return
		}
	}
	s.srcErr = fmt.Errorf("sound: after %d source frames: %w", s.stats.InFrames, io.ErrNoProgress)
}
