package sample

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"
)

// plain is the encoder everyone writes first: the nearest nibble of each
// sample, the index going on from beat to beat.
type plain struct{ index [2]uint8 }

func (p *plain) Encode(dst []byte, src []int16, channels int) []byte {
	samples := len(src) / channels
	beat := make([]byte, ADPCMBytes(samples, channels))
	for c := range channels {
		value := int32(src[c])
		binary.LittleEndian.PutUint16(beat[4*c:], uint16(value))
		beat[4*c+2] = p.index[c]
		for k := range samples - 1 {
			want := int32(src[(k+1)*channels+c])
			best, bestValue, bestMiss := 0, int32(0), int32(math.MaxInt32)
			for n := range 16 {
				move := moves[p.index[c]][n&7]
				if n&8 != 0 {
					move = -move
				}
				v := min(max(value+move, math.MinInt16), math.MaxInt16)
				if miss := max(v-want, want-v); miss < bestMiss {
					best, bestValue, bestMiss = n, v, miss
				}
			}
			value, p.index[c] = bestValue, follow[p.index[c]][best&7]
			beat[4*channels+k/8*4*channels+4*c+k%8/2] |= byte(best) << (k % 2 * 4)
		}
	}
	return append(dst, beat...)
}

// squaredError encodes src in beats of 1/25 second, decodes them and sums the
// squared error over all channels.
func squaredError(t testing.TB, encode func(dst []byte, src []int16, channels int) []byte, src []int16, rate, channels int) float64 {
	t.Helper()
	sum, samples := 0.0, len(src)/channels
	for i, from := 0, 0; from < samples; i++ {
		to := min((i+1)*rate/25, samples)
		part := src[from*channels : to*channels]
		back := make([]int16, len(part))
		if err := DecodeADPCM(back, encode(nil, part, channels), to-from, channels); err != nil {
			t.Fatal(err)
		}
		for k, s := range part {
			d := float64(s) - float64(back[k])
			sum += d * d
		}
		from = to
	}
	return sum
}

// gain returns the signal to noise ratio of the plain encoder and by how much
// the search is better, both in dB.
func gain(t testing.TB, src []int16, rate, channels int) (plainSNR, better float64) {
	power := 0.0
	for _, s := range src {
		power += float64(s) * float64(s)
	}
	var search ADPCMEncoder
	var greedy plain
	noise := squaredError(t, greedy.Encode, src, rate, channels)
	less := squaredError(t, search.Encode, src, rate, channels)
	return 10 * math.Log10(power/noise), 10 * math.Log10(noise/less)
}

// sounds are made, not recorded: what is hard for a step that adapts.
func sounds() map[string][]int16 {
	const n = 22050
	make16 := func(f func(s float64) float64) []int16 {
		out := make([]int16, n)
		for i := range out {
			out[i] = int16(math.Round(min(max(f(float64(i)/22050), -1), 1) * 32767))
		}
		return out
	}
	r := rand.New(rand.NewPCG(4, 4))
	low := 0.0
	return map[string][]int16{
		"sine 440 Hz":      make16(func(s float64) float64 { return 0.8 * math.Sin(2*math.Pi*440*s) }),
		"sine 5 kHz":       make16(func(s float64) float64 { return 0.8 * math.Sin(2*math.Pi*5000*s) }),
		"quiet sine":       make16(func(s float64) float64 { return 0.01 * math.Sin(2*math.Pi*300*s) }),
		"sweep":            make16(func(s float64) float64 { return 0.7 * math.Sin(2*math.Pi*(50+4000*s)*s) }),
		"white noise":      make16(func(float64) float64 { return 0.2 * r.NormFloat64() }),
		"dark noise":       make16(func(float64) float64 { low = 0.97*low + 0.03*r.NormFloat64(); return 2 * low }),
		"square 110 Hz":    make16(func(s float64) float64 { return 0.6 * math.Copysign(1, math.Sin(2*math.Pi*110*s)) }),
		"clicks":           make16(func(s float64) float64 { return 0.9 * math.Exp(-math.Mod(s, 0.13)*90) * math.Sin(2*math.Pi*1800*s) }),
		"plucked":          make16(func(s float64) float64 { return 0.7 * math.Exp(-math.Mod(s, 0.25)*9) * math.Sin(2*math.Pi*660*s) }),
		"chord":            make16(func(s float64) float64 { return 0.25 * (math.Sin(1382*s) + math.Sin(1741*s) + math.Sin(2071*s)) }),
		"full-scale noise": make16(func(float64) float64 { return math.Copysign(1, r.Float64()-0.5) }),
	}
}

// The search is better than the plain encoder on every sound that was made.
func TestSearchBeatsThePlainEncoder(t *testing.T) {
	mean, all := 0.0, sounds()
	for name, src := range all {
		snr, better := gain(t, src, 22050, 1)
		t.Logf("%-17s plain %5.1f dB, search %+5.2f dB", name, snr, better)
		if better < 0.5 {
			t.Errorf("%s: %.2f dB better than the plain encoder, want at least 0.5", name, better)
		}
		mean += better / float64(len(all))
	}
	t.Logf("mean of %d: %+.2f dB", len(all), mean)
	if mean < 2.5 {
		t.Errorf("%.2f dB better on average, want at least 2.5", mean)
	}
	a, b := all["plucked"], all["white noise"]
	stereo := make([]int16, 0, 2*len(a))
	for i := range a {
		stereo = append(stereo, a[i], b[i])
	}
	if _, better := gain(t, stereo, 22050, 2); better < 0.5 {
		t.Errorf("stereo: %.2f dB better than the plain encoder, want at least 0.5", better)
	}
}

// exhaustive tries every start index and every nibble.
func exhaustive(wave []int16) int64 {
	least := int64(math.MaxInt64)
	var try func(value int32, index uint8, k int, cost int64)
	try = func(value int32, index uint8, k int, cost int64) {
		if cost >= least {
			return
		}
		if k == len(wave) {
			least = cost
			return
		}
		for n := range 16 {
			move := moves[index][n&7]
			if n&8 != 0 {
				move = -move
			}
			v := min(max(value+move, math.MinInt16), math.MaxInt16)
			miss := int64(v) - int64(wave[k])
			try(v, follow[index][n&7], k+1, cost+miss*miss)
		}
	}
	for index := range steps {
		try(int32(wave[0]), uint8(index), 1, 0)
	}
	return least
}

// With two samples the search is exhaustive; with a few it finds the best
// coding nearly always.
func TestSearchFindsTheBestOfAllCodings(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	var e ADPCMEncoder
	same, rounds, cost, least := 0, 0, 0.0, 0.0
	for samples := 2; samples <= 5; samples++ {
		for range 60 {
			wave := make([]int16, samples)
			spread := math.Exp(10 * r.Float64())
			for i := range wave {
				wave[i] = int16(min(max(spread*r.NormFloat64(), -32768), 32767))
			}
			back := make([]int16, samples)
			if err := DecodeADPCM(back, e.Encode(nil, wave, 1), samples, 1); err != nil {
				t.Fatal(err)
			}
			got := int64(0)
			for i := range wave {
				d := int64(wave[i]) - int64(back[i])
				got += d * d
			}
			want := exhaustive(wave)
			if got < want || samples == 2 && got != want {
				t.Fatalf("%v: squared error %d, the least is %d", wave, got, want)
			}
			if got == want {
				same++
			}
			rounds++
			scale := spread * spread * float64(samples)
			cost += float64(got) / scale
			least += float64(want) / scale
		}
	}
	t.Logf("the best coding in %d of %d; squared error %.4f times the least", same, rounds, cost/least)
	if same < rounds*8/10 || cost > 1.1*least {
		t.Errorf("the best coding in %d of %d, squared error %.4f times the least; want 80 %%, 1.1", same, rounds, cost/least)
	}
}

func TestEveryLengthComesBack(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	var e ADPCMEncoder
	for _, channels := range []int{1, 2} {
		for samples := 0; samples <= 40; samples++ {
			src := make([]int16, samples*channels)
			for i := range src {
				src[i] = int16(8000*math.Sin(float64(i/channels)*0.3) + 100*r.NormFloat64())
			}
			beat := e.Encode([]byte("before"), src, channels)
			if string(beat[:6]) != "before" || len(beat)-6 != ADPCMBytes(samples, channels) {
				t.Fatalf("%d bytes for %d samples", len(beat)-6, samples)
			}
			dst := make([]int16, len(src))
			if err := DecodeADPCM(dst, beat[6:], samples, channels); err != nil {
				t.Fatal(err)
			}
			for i := range src {
				limit := 1200.0
				if i < channels {
					limit = 0
				}
				if d := math.Abs(float64(src[i]) - float64(dst[i])); d > limit {
					t.Errorf("%d samples, %d channels: sample %d is %d, was %d", samples, channels, i, dst[i], src[i])
				}
			}
		}
	}
}

func TestSilenceAndAFlatLevelAreExact(t *testing.T) {
	var e ADPCMEncoder
	for _, level := range []int16{0, 1, -1, 12345, 32767, -32768} {
		src, dst := make([]int16, 882), make([]int16, 882)
		for i := range src {
			src[i] = level
		}
		beat := e.Encode(nil, src, 1)
		if err := DecodeADPCM(dst, beat, 882, 1); err != nil {
			t.Fatal(err)
		}
		for i, s := range dst {
			if s != level {
				t.Fatalf("level %d: sample %d is %d", level, i, s)
			}
		}
	}
}

// What a beat becomes does not depend on the beats before, on the other
// channel, or on the encoder's age.
func TestSameSamplesBecomeTheSameBytes(t *testing.T) {
	all := sounds()
	a, b := all["clicks"], all["dark noise"]
	var used, fresh ADPCMEncoder
	long := used.Encode(nil, b, 1)
	used.Encode(nil, a[:9000], 2)
	if !bytes.Equal(long, used.Encode(nil, b, 1)) || !bytes.Equal(long, fresh.Encode(nil, b, 1)) {
		t.Error("the same samples became other bytes")
	}
	left, stereo := used.Encode(nil, a[:900], 1), make([]int16, 0, 1800)
	for i := range 900 {
		stereo = append(stereo, a[i], b[i])
	}
	both := used.Encode(nil, stereo, 2)
	for i := range left {
		if both[i/4*8+i%4] != left[i] {
			t.Fatalf("byte %d of the left channel depends on the right", i)
		}
	}
}

// One beat longer than the window is coded about as well as short beats.
func TestLongBeatsLoseLittleAtTheSeams(t *testing.T) {
	for name, src := range sounds() {
		if testing.Short() && name != "sweep" && name != "chord" {
			continue
		}
		var e ADPCMEncoder
		short := squaredError(t, e.Encode, src, 22050, 1)
		long := squaredError(t, e.Encode, src, 25*len(src), 1)
		if len(src) < 5*window || long > 1.15*short {
			t.Errorf("%s: one beat of %d samples has %.2f times the squared error of short ones, want 1.15 at most", name, len(src), long/short)
		}
	}
}

func TestEncoderDoesNotAllocateInSteadyState(t *testing.T) {
	src := sounds()["sweep"][:1764]
	var e ADPCMEncoder
	dst := e.Encode(nil, src, 2)
	if n := testing.AllocsPerRun(20, func() { dst = e.Encode(dst[:0], src, 2) }); n != 0 {
		t.Errorf("%v allocations a beat, want none", n)
	}
}

// FuzzEncodeADPCM encodes any samples: each beat decodes, its first sample is
// exact, and its error is finite by the widest step.
func FuzzEncodeADPCM(f *testing.F) {
	f.Add([]byte{0, 0x80, 0xff, 0x7f, 0, 0x80, 0xff, 0x7f}, true)
	f.Add([]byte{1, 0}, false)
	f.Add([]byte{}, true)
	f.Add(bytes.Repeat([]byte{0xff, 0x7f, 0, 0, 3, 0, 9, 1}, 50), false)
	f.Fuzz(func(t *testing.T, raw []byte, stereo bool) {
		channels := 1
		if stereo {
			channels = 2
		}
		src := make([]int16, len(raw)/2/channels*channels)
		if err := DecodeS16(src, raw[:2*len(src)]); err != nil {
			t.Fatal(err)
		}
		var e ADPCMEncoder
		beat := e.Encode(nil, src, channels)
		dst := make([]int16, len(src))
		if err := DecodeADPCM(dst, beat, len(src)/channels, channels); err != nil {
			t.Fatal(err)
		}
		for c := range min(channels, len(src)) {
			if dst[c] != src[c] {
				t.Fatalf("first sample %d, want %d", dst[c], src[c])
			}
		}
		if !bytes.Equal(beat, e.Encode(nil, src, channels)) {
			t.Fatal("encodes otherwise the second time")
		}
	})
}

// The x-real-time figure is for mono at 22,050 Hz in beats of 1/25 second.
func BenchmarkEncodeADPCM(b *testing.B) {
	all := sounds()
	for _, name := range []string{"plucked", "sweep", "white noise", "full-scale noise", "clicks"} {
		src := all[name]
		run := func(b *testing.B, encode func(dst []byte, src []int16, channels int) []byte) {
			dst := make([]byte, 0, 1000)
			n := 0
			for b.Loop() {
				from := n * 882 % (len(src) - 882)
				dst = encode(dst[:0], src[from:from+882], 1)
				n++
			}
			b.ReportMetric(float64(n)/25/b.Elapsed().Seconds(), "x-real-time")
		}
		b.Run(name+"/search", func(b *testing.B) { run(b, new(ADPCMEncoder).Encode) })
		b.Run(name+"/plain", func(b *testing.B) { run(b, new(plain).Encode) })
	}
}

func BenchmarkDecodeADPCM(b *testing.B) {
	src := sounds()["sweep"][:882]
	beat, dst := new(ADPCMEncoder).Encode(nil, src, 1), make([]int16, 882)
	n := 0
	for b.Loop() {
		if err := DecodeADPCM(dst, beat, 882, 1); err != nil {
			b.Fatal(err)
		}
		n++
	}
	b.ReportMetric(float64(n)/25/b.Elapsed().Seconds(), "x-real-time")
}
