package transcode

import (
	"context"
	"fmt"
	"image"
	"io"
	"math"

	"example.org/stampreel/container"
	"example.org/stampreel/container/sample"
	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/sound"
	"example.org/stampreel/transcode/source"
)

// meterRate is how many pictures a second a drawn level has, where the panel
// takes them.
const meterRate = 25

// A meter is pictures of how loud the sound is: one for each beat, of the very
// samples that are heard in that beat. It has no end.
type meter struct {
	rate   container.Ratio // beats a second
	start  int64           // ticks at which beat 0 begins
	timing container.Timing
	beat   uint32

	stream *sound.Stream
	meter  *sound.Meter
	bytes  []byte
	wave   []int16

	dial   *dial
	places []place // on the last picture
	last   *image.NRGBA
}

// meterTicks is how many ticks a second of a rate of N/M has for each of N: with
// four of them a start between two ticks is less than a quarter beat off, and
// each picture still covers the middle of its beat.
const meterTicks = 4

// openMeter starts the pictures of the sound that was opened for them. They show
// it in 16 bits, whatever the DAC has: the hiss of dither is not to be seen.
func (r *runner) openMeter(ctx context.Context) (*meter, error) {
	f := *r.o.Sound
	f.Bits = 16
	if r.in.Meter.Sound == nil {
		return nil, fmt.Errorf("transcode: the source of the meter (%s) has no sound", r.in.Meter.Kind)
	}
	stream, err := r.convert(ctx, r.in.Meter.Sound, f)
	if err != nil {
		return nil, err
	}
	rate := r.clock.rate
	from, _ := r.clock.from.Float64()
	return &meter{
		rate: rate, start: int64(math.Round(from * meterTicks * float64(rate.Num))),
		timing: r.timing,
		stream: stream, meter: sound.NewMeter(float64(f.RateNum)/float64(f.RateDen), f.Channels),
		dial: newDial(r.o.Picture, f.Channels), places: make([]place, f.Channels),
	}, nil
}

func (m *meter) Info() source.PicturesInfo {
	rate := source.Ratio{Num: int64(m.rate.Num), Den: int64(m.rate.Den)}
	return source.PicturesInfo{Width: m.dial.w, Height: m.dial.h, Tick: source.Ratio{Num: 1, Den: meterTicks * rate.Num}, Rate: rate}
}

func (m *meter) Close() error { return nil }

func (m *meter) Next(context.Context) (*source.Timed, error) {
	n := 2 * len(m.places) * m.timing.Samples(m.beat)
	if cap(m.bytes) < n {
		m.bytes, m.wave = make([]byte, 2*n), make([]int16, n)
	}
	p := m.bytes[:n]
	for got := 0; got < n; {
		k, err := m.stream.Read(p[got:])
		got += k
		if err == io.EOF {
			clear(p[got:])
			break
		}
		if err != nil {
			return nil, err
		}
	}
	if err := sample.DecodeS16(m.wave[:n/2], p); err != nil {
		return nil, err
	}
	changed := m.last == nil
	for ch, l := range m.meter.Measure(m.wave[:n/2]) {
		if now := m.dial.place(l); m.last == nil || now != m.places[ch] {
			m.places[ch], changed = now, true
		}
	}
	if changed {
		m.last = m.dial.draw(m.places)
	}
	at := m.start + int64(m.beat)*meterTicks*int64(m.rate.Den)
	m.beat++
	return &source.Timed{Picture: picture.Picture{Image: m.last}, At: at, Until: at + meterTicks*int64(m.rate.Den)}, nil
}
