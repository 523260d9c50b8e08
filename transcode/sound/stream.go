// Package sound turns sound of any rate and channel count into the bytes a
// small DAC takes. Mix the channels down, change the rate, take away what the
// speaker cannot give, set the level, fade the ends, round to levels. The rate of a microcontroller's DAC is a clock divided by an
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

	"example.org/stampreel/transcode/portable"
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

	Lift     float64 `json:",omitempty"` // in Hz, of what lies below harmonics are added; 0 adds none
	LowCut   float64 `json:",omitempty"` // in Hz, what lies below is taken away; 0 for none
	Compress bool    `json:",omitempty"` // brings loud and soft nearer to each other
	Gain     float64 `json:",omitempty"` // in dB, behind all of these; 0 leaves the level as it is
	Limit    bool    `json:",omitempty"` // keeps the wave at the DAC below Ceiling
	Fade     bool    `json:",omitempty"` // fades both ends in a few ms, so that they do not click
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

// A stage changes frames at the DAC's rate and channels. What it gives may come late; as
// many frames leave it as went in.
type stage interface {
	run(dst, src []float32) []float32 // appends what is done to dst
	flush(dst []float32) []float32    // appends what is left
}

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

	raw     []float32 // one block of the source
	mixed   []float32 // the same after mixing
	ready   []float32 // what of mixed the resampler has not taken
	slow    []float32 // resampled
	wide    []float32 // resampled, in the channels of the DAC
	stages  []stage
	between [2][]float32 // stages
	limit   *limiter     // one of stages; nil for none
	fade    *fade        // nil for none

	done    []float32 // frames that are to be quantised
	first   int       // of done, the sample that is next
	drained bool      // no more comes to done
	end     int64     // frames there are to be; negative when that is not known

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
		end:   -1,
	}
	rate := float64(f.RateNum) / float64(f.RateDen)
	if o.Lift != 0 {
		lift, err := newLift(o.Lift, rate, f.Channels)
		if err != nil {
			return nil, err
		}
		s.stages = append(s.stages, lift)
	}
	if o.LowCut != 0 {
		cut, err := newCut(o.LowCut, rate, f.Channels)
		if err != nil {
			return nil, err
		}
		s.stages = append(s.stages, cut)
	}
	if o.Compress {
		s.stages = append(s.stages, newCompressor(rate, f.Channels))
	}
	if o.Gain != 0 {
		s.stages = append(s.stages, gain(portable.FromDecibels(o.Gain)))
	}
	if o.Limit {
		s.limit = newLimiter(rate, f.Channels)
		s.stages = append(s.stages, s.limit)
	}
	if o.Fade {
		s.fade = newFade(rate)
	}
	return s, nil
}

// Stats returns the counts so far.
func (s *Stream) Stats() Stats {
	s.stats.Clipped = s.quantiser.clipped
	if s.limit != nil {
		s.stats.Limited = max(-portable.Decibels(s.limit.lowest), 0)
	}
	return s.stats
}

// Read fills dst with whole frames of DAC bytes and returns how many bytes.
// At the end it returns io.EOF, after ceil(inFrames·R/inRate) frames in all, or as many
// as End says. A failing source gives its error after the frames that were complete before
// it. A dst shorter than a frame gives io.ErrShortBuffer.
func (s *Stream) Read(dst []byte) (n int, err error) {
	size := s.format.FrameBytes()
	if len(dst) < size {
		return 0, io.ErrShortBuffer
	}
	for len(dst)-n >= size && s.err == nil {
		room := min((len(dst)-n)/size, blockFrames)
		frames := room
		if s.fade != nil {
			frames += len(s.fade.gains) // whether they are the last has to be known
		}
		frames = min(room, s.fill(frames))
		if frames == 0 {
			if s.err = s.srcErr; s.end >= 0 && s.stats.OutFrames >= s.end {
				s.err = io.EOF
			}
			break
		}
		n += s.quantise(dst[n:], frames)
	}
	if n > 0 {
		return n, nil
	}
	return 0, s.err
}

// End says that the sound ends after so many frames of the stream, if not before.
func (s *Stream) End(frames int64) {
	if s.end < 0 || frames < s.end {
		s.end = max(frames, s.stats.OutFrames)
	}
}

// Left returns how many frames are left to be read, or most, if there are as many.
func (s *Stream) Left(most int) int {
	return min(most, s.fill(most))
}

// fill converts sound until so many frames wait, or all that there are, and returns how
// many that are.
func (s *Stream) fill(frames int) int {
	channels, inner := s.format.Channels, len(s.gains)
	for !s.drained && (len(s.done)-s.first)/channels < frames {
		read, wrote := s.resampler.Resample(s.slow, s.ready, s.srcErr == io.EOF)
		s.ready = s.ready[read*inner:]
		if wrote > 0 {
			wide := s.wide[:wrote*channels]
			mix(wide, s.slow[:wrote*inner], s.spread)
			s.run(0, wide)
		}
		if wrote < blockFrames {
			if s.srcErr == nil {
				s.fetch()
				continue
			}
			for i, stage := range s.stages {
				s.between[i%2] = stage.flush(s.between[i%2][:0])
				s.run(i+1, s.between[i%2])
			}
			s.drained = true
		}
	}
	waiting := (len(s.done) - s.first) / channels
	if s.end >= 0 {
		waiting = int(min(int64(waiting), s.end-s.stats.OutFrames))
	}
	return waiting
}

// run runs frames through the stages from one on, to done.
func (s *Stream) run(from int, frames []float32) {
	for i := from; i < len(s.stages); i++ {
		s.between[i%2] = s.stages[i].run(s.between[i%2][:0], frames)
		frames = s.between[i%2]
	}
	if s.first > len(s.done)/2 { // at most half of it is moved, so each frame about once
		s.done = s.done[:copy(s.done, s.done[s.first:])]
		s.first = 0
	}
	s.done = append(s.done, frames...)
}

// quantise writes frames of done and returns how many bytes they take.
func (s *Stream) quantise(dst []byte, frames int) int {
	channels := s.format.Channels
	src := s.done[s.first : s.first+frames*channels]
	if s.fade != nil {
		end := s.end
		if s.drained && s.srcErr == io.EOF {
			all := s.stats.OutFrames + int64((len(s.done)-s.first)/channels)
			if end < 0 || all < end {
				end = all
			}
		}
		s.fade.run(src, channels, s.stats.OutFrames, end)
	}
	s.quantiser.quantise(dst, src)
	s.first += len(src)
	s.stats.OutFrames += int64(frames)
	return frames * s.format.FrameBytes()
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
