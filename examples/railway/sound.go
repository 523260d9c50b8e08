package railway

import (
	"io"
	"math"

	"github.com/go-audio/audio"
	"github.com/go-audio/wav"
)

// peakLevel is the largest sample of every sound, -7 dB below full scale.
var peakLevel = math.Pow(10, -7.0/20)

// writeWAV scales a sound to peakLevel and stores it as 16-bit PCM. samples
// holds one slice for each channel.
func writeWAV(w io.WriteSeeker, rate int, samples ...[]float64) error {
	top := 0.0
	for _, channel := range samples {
		for _, v := range channel {
			top = max(top, math.Abs(v))
		}
	}
	gain := 0.0 // silence stays silent
	if top > 0 {
		gain = peakLevel / top
	}
	const pcm = 1
	enc := wav.NewEncoder(w, rate, 16, len(samples), pcm)
	data := make([]int, 0, len(samples)*len(samples[0]))
	for i := range samples[0] {
		for _, channel := range samples {
			data = append(data, int(math.Round(channel[i]*gain*32767)))
		}
	}
	buf := &audio.IntBuffer{Format: &audio.Format{NumChannels: len(samples), SampleRate: rate}, Data: data, SourceBitDepth: 16}
	if err := enc.Write(buf); err != nil {
		return err
	}
	return enc.Close()
}

// A band is a two-pole resonant filter, the state-variable form: it keeps what
// lies near one frequency.
type band struct{ low, mid float64 }

func (b *band) next(in, hz, q, rate float64) float64 {
	f := 2 * math.Sin(math.Pi*hz/rate)
	high := in - b.low - b.mid/q
	b.mid += f * high
	b.low += f * b.mid
	return b.mid
}

// filmSound is the sound of the feature: chuffs locked to the wheels, a
// rumble, a whistle before each shot's middle, wheels over rail joints.
func filmSound(rate int) (left, right []float64) {
	n := filmFrames * rate / filmRate
	left, right = make([]float64, n), make([]float64, n)
	fs := float64(rate)
	var breath, body, hiss, rumble, knock band
	const drive = 2.4
	const cut = float64(viaductPictures) / filmRate
	for i := range n {
		t := float64(i) / fs
		white := hash(i, 301)*2 - 1
		// One chuff in four is a little stronger, as on a real engine.
		k := math.Floor(t * chuffRate)
		age := t - k/chuffRate
		strength := .8 + .2*hash(int(k), 302)
		if int(k)%chuffsPerTurn == 0 {
			strength = 1
		}
		puff := strength * ease(age/.012) * math.Exp(-age*17)
		near := .42 + .58*ease((t-cut+.1)/.2)
		v := puff * (1.5*breath.next(white, 420+240*near, 1.1, fs) + 1.1*body.next(white, 150, 1.6, fs))
		v += .10 * puff * hiss.next(white, 2600, .8, fs)
		v += .35 * rumble.next(white, 62, 2, fs)
		// Two wheel sets a carriage knock over each joint.
		const jointRate = .92
		for _, lag := range []float64{0, .13} {
			a := math.Mod(t+1-lag, 1/jointRate)
			v += .5 * math.Exp(-a*55) * knock.next(white, 310, 5, fs)
		}
		v *= near

		w := whistle(t-.75, 1.25)*.16 + whistle(t-4.35, .35)*.13 + whistle(t-4.85, .75)*.13
		// The train crosses from the left to the middle; equal power.
		side := .5 + .25*math.Sin(math.Pi*(ease(t/cut)-.5))*2*.6
		if t > cut {
			side = .5 + .35*ease((t-cut-.8)/1.6)
		}
		fade := ease(t/.25) * (1 - ease((t-5.45)/.55))
		s, c := math.Sincos(side * math.Pi / 2)
		left[i], right[i] = fade*(v+w)*c, fade*(v+w)*s
		// The valley answers the whistle from the other side.
		if late := i - rate*37/100; late >= 0 {
			echo := .22 * (whistle(t-.75-.37, 1.25)*.16 + whistle(t-4.85-.37, .75)*.13)
			left[i] += fade * echo * s
			right[i] += fade * echo * c
		}
	}
	// A rounded limit tames the sharpest puffs, so that the rest is louder
	// once the whole is brought to its level.
	for i := range n {
		left[i], right[i] = math.Tanh(drive*left[i]), math.Tanh(drive*right[i])
	}
	return left, right
}

// whistle is a soft chord of organ-like pipes, t seconds after it begins, long
// seconds of full sound.
func whistle(t, long float64) float64 {
	if t < 0 || t > long+.5 {
		return 0
	}
	loud := ease(t/.14) * (1 - ease((t-long)/.5))
	bend := 1 - .03*(1-ease(t/.18)) - .025*ease((t-long)/.5)
	v := 0.0
	// F4, A4, C5 and D5 in equal temperament, A4 = 440 Hz.
	for j, half := range []float64{-4, 0, 3, 5} {
		hz := 440 * math.Exp2(half/12)
		phase := 2*math.Pi*hz*t*bend + .25*math.Sin(2*math.Pi*5.2*t+float64(j))
		v += math.Sin(phase) + .28*math.Sin(2*phase) + .1*math.Sin(3*phase)
	}
	return loud * v / 4 * 2.2
}

// chime is the station's announcement: three falling tones of a struck bar.
func chime(rate int) []float64 {
	out := make([]float64, rate*3)
	// E5, C5, G4 in equal temperament, A4 = 440 Hz.
	for j, half := range []float64{7, 3, -2} {
		hz := 440 * math.Exp2(half/12)
		start := .08 + .52*float64(j)
		for i := int(start * float64(rate)); i < len(out); i++ {
			t := float64(i)/float64(rate) - start
			out[i] += ease(t/.006) * (math.Exp(-2.3*t)*math.Sin(2*math.Pi*hz*t) +
				.30*math.Exp(-4.5*t)*math.Sin(2*math.Pi*2*hz*t) +
				.12*math.Exp(-9*t)*math.Sin(2*math.Pi*3.98*hz*t))
		}
	}
	for i := range out { // nothing is cut off
		out[i] *= 1 - ease((float64(i)/float64(rate)-2.4)/.58)
	}
	return out
}
