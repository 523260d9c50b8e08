// Package loudness measures how loud sound is to the ear, after ITU-R BS.1770
// and EBU R 128: each channel goes through a filter that imitates head and ear
// (K-weighting), and its mean power counts in blocks of 400 ms that overlap by
// three quarters. Integrated loudness leaves out blocks that are silent and those
// that are 10 LU below the rest, so that pauses do not make speech softer.
// Loudness range (EBU Tech 3342) is the distance of soft from loud passages. True
// peak is how high the wave rises, between samples too: that is what a DAC makes
// of them. LUFS count from full scale; a LU is a decibel.
//
// A Meter keeps a histogram and no blocks, so its memory does not depend on the
// length.
package loudness

import (
	"fmt"
	"math"

	"example.org/stampreel/transcode/portable"
)

// Gates and windows of BS.1770-4 and Tech 3342.
const (
	absoluteGate = -70.0 // LUFS
	relativeGate = -10.0 // LU below the mean of what passes the absolute gate
	rangeGate    = -20.0 // the same, for the range
	offset       = -0.691

	hopSeconds     = 0.01
	momentaryHops  = 40  // 400 ms
	shortTermHops  = 300 // 3 s
	blockHops      = 10  // from one gated block to the next
	softest        = 0.10
	loudest        = 0.95
	surroundWeight = 1.41
)

// Resolution of the histograms in LU. The power of each block is summed exactly;
// what is rounded is which side of a gate a block lies on, and the range.
const Resolution = 0.01

const (
	histogramTop = 50.0 // LUFS; louder blocks count in the last bin
	bins         = int((histogramTop - absoluteGate) / Resolution)
)

// Limits of a Meter.
const (
	MinRate     = 1_000.0
	MaxRate     = 768_000.0
	MaxChannels = 64
)

// A Meter measures sound that is given to it piece by piece. Not safe for
// concurrent use.
type Meter struct {
	rate     float64
	faster   int       // samples weighted for each one of the sound
	weights  []float64 // of each channel
	filters  []weighter
	peaks    []Peaks
	peakless bool // no true peak is wanted, which is most of the work: for tests of loudness alone

	frames  int64 // of all that was added
	hop     int64 // hops that are complete
	nextHop int64 // frames at its end
	sum     float64
	since   int64 // frames in sum
	powers  [shortTermHops]float64
	counts  [shortTermHops]int64

	momentary, shortTerm       float64 // power; negative before there is a window
	maxMomentary, maxShortTerm float64
	peak                       float64

	blocks, windows histogram
}

// Weights returns what each channel of a layout counts, by number of channels in
// the order of WAVE files: front left, right, centre, low frequency effects, then
// surrounds. Effects count nothing, surrounds 1.41; five channels are 5.0 and
// more than eight count 1 each.
func Weights(channels int) []float64 {
	w := make([]float64, channels)
	for i := range w {
		w[i] = 1
	}
	switch {
	case channels == 4 || channels == 5:
		for i := channels - 2; i < channels; i++ {
			w[i] = surroundWeight
		}
	case channels >= 6 && channels <= 8:
		w[3] = 0
		for i := 4; i < channels; i++ {
			w[i] = surroundWeight
		}
	}
	return w
}

// NewMeter returns a meter of sound of rate Hz, whose channels count as Weights
// say.
func NewMeter(rate float64, channels int) (*Meter, error) {
	if channels < 1 || channels > MaxChannels {
		return nil, fmt.Errorf("loudness: %d channels, want 1 to %d", channels, MaxChannels)
	}
	if !(rate >= MinRate && rate <= MaxRate) {
		return nil, fmt.Errorf("loudness: rate of %g Hz, want %g to %g", rate, MinRate, MaxRate)
	}
	m := &Meter{rate: rate, weights: Weights(channels), filters: make([]weighter, channels), peaks: make([]Peaks, channels), momentary: -1, shortTerm: -1, maxMomentary: -1, maxShortTerm: -1}
	// At a low rate the filters would be bent (0.2 dB at 1 kHz and 8 kHz): there
	// they see the samples between the samples too.
	m.faster = 1
	for m.faster < Oversampling && float64(rate*float64(m.faster)) < 40000 {
		m.faster *= 2
	}
	stages := kWeighting(float64(rate * float64(m.faster)))
	for i := range m.filters {
		m.filters[i].stages = stages
	}
	m.nextHop = m.hopEnd(0)
	m.blocks.init()
	m.windows.init()
	return m, nil
}

// hopEnd is where a hop ends: the rate need not be a multiple of 100 Hz, and no
// error adds up.
func (m *Meter) hopEnd(hop int64) int64 {
	return int64(math.Round(float64(hop+1) * hopSeconds * m.rate))
}

// Add takes whole frames, interleaved, full scale ±1. What is no number counts as
// silence.
func (m *Meter) Add(samples []float32) {
	channels := len(m.weights)
	for ; len(samples) >= channels; samples = samples[channels:] {
		for ch := range channels {
			x := float64(samples[ch])
			if math.IsNaN(x) || math.IsInf(x, 0) {
				x = 0
			}
			if floor := m.peak; !m.peakless || m.faster > 1 {
				if m.peakless {
					floor = math.Inf(1)
				}
				m.peak = max(m.peak, m.peaks[ch].nextOver(x, floor, Oversampling/m.faster))
			}
			w := m.weights[ch]
			switch {
			case w == 0:
			case m.faster == 1:
				y := m.filters[ch].next(x)
				m.sum += float64(w * y * y)
			default:
				sum := 0.0
				for k := 0; k < Oversampling; k += Oversampling / m.faster {
					y := m.filters[ch].next(m.peaks[ch].wave[k])
					sum += float64(y * y)
				}
				m.sum += w * sum / float64(m.faster)
			}
		}
		m.since++
		if m.frames++; m.frames == m.nextHop {
			m.endHop()
		}
	}
}

func (m *Meter) endHop() {
	slot := m.hop % shortTermHops
	m.powers[slot], m.counts[slot] = m.sum, m.since
	m.sum, m.since = 0, 0
	m.hop++
	m.nextHop = m.hopEnd(m.hop)
	gated := m.hop%blockHops == 0
	for i := range m.filters {
		m.filters[i].settle()
	}
	if m.hop >= momentaryHops {
		m.momentary = m.mean(momentaryHops)
		m.maxMomentary = max(m.maxMomentary, m.momentary)
		if gated {
			m.blocks.add(m.momentary)
		}
	}
	if m.hop >= shortTermHops {
		m.shortTerm = m.mean(shortTermHops)
		m.maxShortTerm = max(m.maxShortTerm, m.shortTerm)
		if gated {
			m.windows.add(m.shortTerm)
		}
	}
}

// mean is the power of the last hops.
func (m *Meter) mean(hops int64) float64 {
	sum, n := 0.0, int64(0)
	for h := m.hop - hops; h < m.hop; h++ {
		sum += m.powers[h%shortTermHops]
		n += m.counts[h%shortTermHops]
	}
	return sum / float64(n)
}

// Integrated is the loudness of all of it in LUFS; negative infinity for silence
// and for less than 400 ms.
func (m *Meter) Integrated() float64 {
	return lufs(m.blocks.meanAbove(m.blocks.gate(relativeGate)))
}

// Range is the loudness range in LU; 0 for less than 3 s.
func (m *Meter) Range() float64 {
	return m.windows.spread(m.windows.gate(rangeGate))
}

// Momentary and ShortTerm are the loudness of the last 400 ms and 3 s in LUFS;
// negative infinity for silence and before there was as much.
func (m *Meter) Momentary() float64 { return lufs(m.momentary) }
func (m *Meter) ShortTerm() float64 { return lufs(m.shortTerm) }

// MaxMomentary and MaxShortTerm are the largest of them so far.
func (m *Meter) MaxMomentary() float64 { return lufs(m.maxMomentary) }
func (m *Meter) MaxShortTerm() float64 { return lufs(m.maxShortTerm) }

// TruePeak is how high the wave rose in any channel, in decibels of full scale
// (dBTP), up to the end, behind which it takes silence.
func (m *Meter) TruePeak() float64 {
	most := m.peak
	for _, p := range m.peaks {
		for range peakTaps {
			most = max(most, p.Next(0))
		}
	}
	return portable.Decibels(most)
}

func lufs(power float64) float64 {
	if power <= 0 {
		return math.Inf(-1)
	}
	return offset + float64(portable.Decibels(power)/2)
}

// A histogram holds powers by their loudness, from the absolute gate up.
type histogram struct {
	count []int64
	power []float64
}

func (h *histogram) init() {
	h.count, h.power = make([]int64, bins), make([]float64, bins)
}

func (h *histogram) add(power float64) {
	l := lufs(power)
	if l < absoluteGate {
		return
	}
	bin := min(int((l-absoluteGate)/Resolution), bins-1)
	h.count[bin]++
	h.power[bin] += power
}

// gate returns the first bin that passes a gate below the mean of all.
func (h *histogram) gate(below float64) int {
	l := lufs(h.meanAbove(0)) + below
	if !(l > absoluteGate) {
		return 0
	}
	return min(int(math.Round((l-absoluteGate)/Resolution)), bins-1)
}

func (h *histogram) meanAbove(bin int) float64 {
	n, sum := int64(0), 0.0
	for i := bin; i < bins; i++ {
		n += h.count[i]
		sum += h.power[i]
	}
	if n == 0 {
		return 0
	}
	return sum / float64(n)
}

// spread is the distance of the softest tenth from the loudest twentieth of what
// lies from a bin up.
func (h *histogram) spread(bin int) float64 {
	n := int64(0)
	for _, c := range h.count[bin:] {
		n += c
	}
	if n == 0 {
		return 0
	}
	at := func(part float64) int {
		rank := int64(math.Round(float64(n-1) * part))
		for i := bin; ; i++ {
			if rank -= h.count[i]; rank < 0 {
				return i
			}
		}
	}
	return float64(float64(at(loudest)-at(softest)) * Resolution)
}
