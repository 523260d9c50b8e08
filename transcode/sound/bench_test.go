package sound

import (
	"fmt"
	"testing"
)

var benchRatios = []struct {
	name         string
	in, num, den int64
}{
	{"44100-48000", 44100, 48000, 1},
	{"48000-44100", 48000, 44100, 1},
	{"48000-22050", 48000, 22050, 1},
	{"44100-22050", 44100, 22050, 1},
	{"44100-16000", 44100, 16000, 1},
	{"8000-44100", 8000, 44100, 1},
	{"44100-375000_17", 44100, 375000, 17},
	{"44100-80MHz_3628", 44100, 80_000_000, 3628},
}

// Minput/s counts millions of source frames a second.
func BenchmarkResample(b *testing.B) {
	for _, channels := range []int{1, 2} {
		for _, r := range benchRatios {
			b.Run(fmt.Sprintf("%s/%dch", r.name, channels), func(b *testing.B) {
				s, err := NewResampler(r.in, r.num, r.den, channels, Quality{})
				if err != nil {
					b.Fatal(err)
				}
				src := noise(4096*channels, 1)
				dst := make([]float32, s.OutFrames(4200)*int64(channels))
				s.Resample(dst, src, false)
				b.ReportAllocs()
				b.ResetTimer()
				out := 0
				for range b.N {
					read, wrote := s.Resample(dst, src, false)
					if read != 4096 {
						b.Fatalf("read %d frames of 4096", read)
					}
					out += wrote
				}
				b.ReportMetric(float64(b.N)*4096/b.Elapsed().Seconds()/1e6, "Minput/s")
				b.ReportMetric(float64(out)/b.Elapsed().Seconds()/1e6, "Moutput/s")
			})
		}
	}
}

// What making the table costs once a stream.
func BenchmarkNewResampler(b *testing.B) {
	for _, r := range benchRatios {
		b.Run(r.name, func(b *testing.B) {
			for range b.N {
				if _, err := NewResampler(r.in, r.num, r.den, 1, Quality{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkDot(b *testing.B) {
	row, in := noise(352, 1), noise(352, 2)
	for name, f := range map[string]func(a, b []float32) float32{"this machine": dot, "portable": dotPortable} {
		b.Run(name, func(b *testing.B) {
			for range b.N {
				f(row, in)
			}
			b.ReportMetric(float64(b.N)*352/b.Elapsed().Seconds()/1e6, "Mproducts/s")
		})
	}
}

func BenchmarkQuantise(b *testing.B) {
	for _, d := range []Dither{Triangular, Shaped, Round} {
		b.Run(d.String(), func(b *testing.B) {
			q := newQuantiser(Format{RateNum: 22050, RateDen: 1, Channels: 2, Bits: 8}, d, 1)
			src := noise(4096, 1)
			dst := make([]byte, 4096)
			for range b.N {
				q.quantise(dst, src)
			}
			b.ReportMetric(float64(b.N)*4096/b.Elapsed().Seconds()/1e6, "Msamples/s")
		})
	}
}

// What each stage behind the resampler costs, for one channel at 22,050 Hz.
func BenchmarkStage(b *testing.B) {
	const rate = 22050
	cut, err := newCut(250, rate, 1)
	if err != nil {
		b.Fatal(err)
	}
	lift, err := newLift(250, rate, 1)
	if err != nil {
		b.Fatal(err)
	}
	for _, s := range []struct {
		name  string
		stage stage
	}{{"low cut", cut}, {"lift", lift}, {"compressor", newCompressor(rate, 1)}, {"limiter", newLimiter(rate, 1)}} {
		b.Run(s.name, func(b *testing.B) {
			src, dst := noise(4096, 1), make([]float32, 0, 8192)
			b.ReportAllocs()
			for b.Loop() {
				s.stage.run(dst, src)
			}
			b.ReportMetric(float64(b.N)*4096/rate/b.Elapsed().Seconds(), "×real-time")
		})
	}
}
