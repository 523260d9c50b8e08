//go:build !nosystem && (linux || darwin || windows) && (amd64 || arm64)

package system

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/bits"
	"slices"
	"time"
	"unsafe"
)

// sound decodes a track and sends it as one row of samples from the source's
// time zero on.
func (w *worker) sound() error {
	behind := "audioconvert ! audioresample ! capsfilter name=shape caps=audio/x-raw,format=F32LE,layout=interleaved,channels=[1,2]"
	p, err := openPipeline(w, "audio/x-raw", behind)
	if err != nil {
		return err
	}
	// A decoder may need what comes before the first sample to make it right.
	const margin = 500_000_000
	if err := p.play(w, max(w.From-margin, 0)); err != nil {
		return err
	}
	sample, err := p.next()
	switch {
	case err == io.EOF && w.From > 0:
		return &EndedError{Why: "no sample of it"}
	case err == io.EOF:
		return &DamagedError{Why: "no sample of it can be decoded"}
	case err != nil:
		return err
	}
	r, err := w.newRow(p, sample)
	if err != nil {
		return err
	}
	w.json(msgInfo, soundInfo{r.rate, r.channels, r.next})
	var end ending
	for n := 0; ; n++ {
		if n%1000 == 0 {
			w.send(msgBusy)
			p.trouble(0)
		}
		err := r.add(sample)
		miniUnref(sample)
		if err != nil {
			end.Damaged = whyNoMore(err)
			break
		}
		if r.next >= r.end {
			break
		}
		if sample, err = p.next(); err == io.EOF {
			break
		} else if err != nil {
			end.Damaged = whyNoMore(err)
			break
		}
	}
	end.At, end.Gaps = int64(r.at(r.next)), r.gaps
	w.json(msgEnd, end)
	return nil
}

// soundInfo is what a worker says before the first samples.
type soundInfo struct {
	Rate, Channels int
	First          int64
}

// row puts decoded samples in a row without gaps.
type row struct {
	w              *worker
	p              *pipeline
	rate, channels int
	next, end      int64 // number of the sample frame that comes next, and of the first that does not
	placed         bool  // the first samples are where they belong
	gaps           []Gap
	silence        []float32
}

func (w *worker) newRow(p *pipeline, sample unsafe.Pointer) (*row, error) {
	s := capsStructure(sampleCaps(sample), 0)
	var rate, channels int32
	if !structureInt(s, "rate", &rate) || !structureInt(s, "channels", &channels) || rate < 1 || channels < 1 {
		return nil, errors.New("sound without a rate")
	}
	// It stays so, whatever the stream does later.
	shape := binGetByName(p.all, "shape")
	setObjectArg(shape, "caps", fmt.Sprintf("audio/x-raw,format=F32LE,layout=interleaved,rate=%d,channels=%d", rate, channels))
	objectUnref(shape)
	r := &row{w: w, p: p, rate: int(rate), channels: int(channels), end: math.MaxInt64}
	r.next = r.number(w.From)
	if w.To > 0 {
		r.end = r.number(w.To) + 1
	}
	return r, nil
}

// jump is how far a time may lie from where the samples before it end without
// the row being broken: timestamps are rounded to a millisecond in Matroska, and
// to a frame in poorer files.
const jump = 5_000_000 // nanoseconds

// maxGap is how long a stream may hold nothing and go on behind it; where more is
// missing, its times are in error.
const maxGap = int64(time.Hour)

// at is the time of a sample frame.
func (r *row) at(n int64) uint64 {
	hi, lo := bits.Mul64(uint64(n), 1_000_000_000)
	q, _ := bits.Div64(hi, lo, uint64(r.rate))
	return q
}

// number is the sample frame at a time, to the nearest.
func (r *row) number(at int64) int64 {
	hi, lo := bits.Mul64(uint64(at), uint64(r.rate))
	lo, carry := bits.Add64(lo, 500_000_000, 0)
	q, _ := bits.Div64(hi+carry, lo, 1_000_000_000)
	return int64(q)
}

// add sends the samples of a buffer where they belong.
func (r *row) add(sample unsafe.Pointer) error {
	buffer := sampleBuffer(sample)
	if buffer == nil {
		return errors.New("a sample without sound")
	}
	var m gstMap
	if !bufferMap(buffer, &m, mapRead) {
		return errors.New("sound that cannot be read")
	}
	defer bufferUnmap(buffer, &m)
	samples := unsafe.Slice((*float32)(unsafe.Pointer(m.data)), m.size/4)
	if at, known := r.p.at(sample, buffer.pts); known {
		late, tolerance := r.number(max(at, 0))-r.next, r.number(jump)
		switch {
		case late > r.number(maxGap):
			return fmt.Errorf("its times go on %s later", time.Duration(r.at(late)).Round(time.Second))
		case late > 0 && (late > tolerance || !r.placed):
			if from := int64(r.at(r.next)); r.placed && at-from >= longGap && len(r.gaps) < mostGaps {
				const margin = longGap / 10
				end := int64(buffer.pts)
				lost := fedWithin(end-(at-from)+margin, end-margin) >= lostFrom
				r.gaps = append(r.gaps, Gap{time.Duration(from), time.Duration(at), lost})
			}
			r.quiet(late)
		case late < 0 && (late < -tolerance || !r.placed):
			samples = samples[min(int(-late)*r.channels, len(samples)):]
		}
	}
	r.placed = r.placed || len(samples) > 0
	r.put(samples)
	return nil
}

func (r *row) put(samples []float32) {
	samples = samples[:min(len(samples), int(min(r.end-r.next, math.MaxInt32))*r.channels)]
	// Some files hold all of their sound in one piece.
	for piece := range slices.Chunk(samples, maxSamples/r.channels*r.channels) {
		r.w.send(msgSound, bytesOf(piece))
		r.next += int64(len(piece) / r.channels)
	}
}

// quiet sends silence.
func (r *row) quiet(frames int64) {
	const block = 4096
	if r.silence == nil {
		r.silence = make([]float32, block*r.channels)
	}
	for frames > 0 {
		n := min(frames, block)
		r.put(r.silence[:int(n)*r.channels])
		frames -= n
	}
}
