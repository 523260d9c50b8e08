package sound

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// peerRates are conversions to real rates of DACs, at which package sound is held
// against libsamplerate (0.2.2) and libsoxr (0.1.3).
var peerRates = []conversion{{44100, 16000, 1}, {44100, 375000, 17}, {48000, 15625, 1}}

func (c conversion) String() string {
	if c.den == 1 {
		return fmt.Sprintf("%d-%d", c.in, c.num)
	}
	return fmt.Sprintf("%d-%d_%d", c.in, c.num, c.den)
}

// missing skips the test by the name of what it lacks, or fails it where
// everything has to be there.
func missing(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
		t.Fatalf("missing: %s", what)
	}
	t.Skipf("missing: %s", what)
}

// buildPeer compiles testdata/peer.c.
func buildPeer(t testing.TB) (path string) {
	t.Helper()
	cc, err := exec.LookPath("cc")
	if err != nil {
		missing(t, "cc, a C compiler")
	}
	for _, header := range []string{"samplerate.h", "soxr.h"} {
		cmd := exec.Command(cc, "-E", "-x", "c", "-")
		cmd.Stdin = strings.NewReader("#include <" + header + ">\n")
		if cmd.Run() != nil {
			missing(t, header+" (Debian's libsamplerate0-dev and libsoxr-dev)")
		}
	}
	path = filepath.Join(t.TempDir(), "peer")
	if text, err := exec.Command(cc, "-O2", "-Wall", "-o", path, filepath.Join("testdata", "peer.c"), "-lsamplerate", "-lsoxr").CombinedOutput(); err != nil {
		t.Fatalf("cc: %v\n%s", err, text)
	}
	return path
}

// runPeer converts src with another library and returns the output and the CPU
// time of one of so many rounds, 0 for no rounds.
func runPeer(t testing.TB, path, library string, src []float32, c conversion, channels, rounds int) ([]float32, time.Duration) {
	t.Helper()
	in := make([]byte, 0, 4*len(src))
	for _, v := range src {
		in = binary.NativeEndian.AppendUint32(in, math.Float32bits(v))
	}
	cmd := exec.Command(path, library, strconv.FormatInt(c.in, 10), strconv.FormatFloat(c.rate(), 'g', -1, 64), strconv.Itoa(channels), strconv.Itoa(rounds))
	var stdout, stderr bytes.Buffer
	cmd.Stdin, cmd.Stdout, cmd.Stderr = bytes.NewReader(in), &stdout, &stderr
	err := cmd.Run()
	spent, bad := strconv.ParseInt(strings.TrimSpace(stderr.String()), 10, 64)
	if err != nil || bad != nil {
		t.Fatalf("%s: %v\n%s", library, err, stderr.Bytes())
	}
	out := make([]float32, stdout.Len()/4)
	for i := range out {
		out[i] = math.Float32frombits(binary.NativeEndian.Uint32(stdout.Bytes()[4*i:]))
	}
	return out, time.Duration(spent)
}

// threadTime is the CPU time of this thread, which must be locked.
func threadTime(t testing.TB) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_THREAD, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkBesideOtherLibraries converts the same five seconds here and with
// libsamplerate's best and libsoxr's HQ quality in turn, each with one thread,
// float to float in blocks of 4096 frames, without the making of tables. CPU
// time counts, not the time on the clock. Wanted are 8 times libsamplerate's
// speed and 0.05 of libsoxr's.
func BenchmarkBesideOtherLibraries(b *testing.B) {
	peer := buildPeer(b)
	const seconds, block = 5, 4096
	for _, c := range peerRates {
		for _, channels := range []int{1, 2} {
			b.Run(fmt.Sprintf("%v/%dch", c, channels), func(b *testing.B) {
				src := noise(seconds*int(c.in)*channels, 1)
				dst := make([]float32, 2*block*channels)
				runtime.LockOSThread()
				defer runtime.UnlockOSThread()
				var here, best, hq time.Duration
				for b.Loop() {
					r, err := NewResampler(c.in, c.num, c.den, channels, Quality{})
					if err != nil {
						b.Fatal(err)
					}
					begin, made := threadTime(b), 0
					for rest := src; ; {
						n := min(len(rest), block*channels)
						read, wrote := r.Resample(dst, rest[:n], n == len(rest))
						rest = rest[read*channels:]
						made += wrote
						if len(rest) == 0 && wrote < len(dst)/channels {
							break
						}
					}
					here += threadTime(b) - begin
					if int64(made) != r.OutFrames(int64(len(src)/channels)) {
						b.Fatalf("%d frames", made)
					}
					_, spent := runPeer(b, peer, "samplerate-best", src, c, channels, 1)
					best += spent
					_, spent = runPeer(b, peer, "soxr-hq", src, c, channels, 20)
					hq += spent
				}
				b.ReportMetric(0, "ns/op")
				b.ReportMetric(float64(here.Microseconds())/float64(b.N*seconds), "µs/s")
				b.ReportMetric(float64(best)/float64(here), "×samplerate-best")
				b.ReportMetric(float64(hq)/float64(here), "×soxr-HQ")
			})
		}
	}
}

// band is noise of n samples, a power of two, that repeats and has the same power
// at every frequency up to the given part of the Nyquist frequency and none above.
func band(n int, part, rms float64) []float32 {
	g := rand.New(rand.NewPCG(4, 4))
	x := make([]complex128, n)
	top := int(part * float64(n) / 2)
	for k := 1; k < top; k++ {
		s, c := math.Sincos(2 * math.Pi * g.Float64())
		x[k] = complex(c, s)
	}
	fft(x)
	out := make([]float32, n)
	scale := rms / math.Sqrt(float64(top)/2)
	for i, v := range x {
		out[i] = float32(scale * real(v))
	}
	return out
}

// differ returns how far a lies from b in dB of b's power, without the ends.
func differ(t *testing.T, a, b []float32) float64 {
	t.Helper()
	if d := len(a) - len(b); d < -8 || d > 8 {
		t.Fatalf("%d and %d frames", len(a), len(b))
	}
	n := min(len(a), len(b))
	var rest, all float64
	for i := n / 8; i < n-n/8; i++ {
		d := float64(a[i]) - float64(b[i])
		rest, all = rest+d*d, all+float64(b[i])*float64(b[i])
	}
	return 10 * math.Log10(rest/all)
}

// What is inside the pass band comes out as libsoxr's VHQ (28 bits) and
// libsamplerate's best quality give it, sample for sample at the same times, but
// for the 110 dB wanted here; what is above comes out of none. Samples are floats
// of 24 bits, which alone leave some 140 dB.
func TestOtherLibrariesGiveTheSameSamples(t *testing.T) {
	peer := buildPeer(t)
	for _, c := range peerRates {
		pass := 0.91 * c.lowerNyquist() / (float64(c.in) / 2)
		for _, s := range []struct {
			name string
			src  []float32
		}{
			{"997 Hz", sine(1<<17, 997, float64(c.in), 0.9)},
			{"sweep", sweep(1<<17, 0, 0.91*c.lowerNyquist(), float64(c.in))},
			{"noise in the band", band(1<<17, pass, 0.1)},
		} {
			here := resample(t, s.src, c.in, c.num, c.den, 1, Quality{})
			for _, library := range []string{"soxr-vhq", "samplerate-best"} {
				there, _ := runPeer(t, peer, library, s.src, c, 1, 0)
				d := differ(t, here, there)
				t.Logf("%v, %-17s %.1f dB from %s", c, s.name, d, library)
				if d > -110 {
					t.Errorf("%v, %s: %.1f dB from %s, want -110", c, s.name, d, library)
				}
			}
		}
		// Beyond the lower Nyquist frequency: what is left, against what went in.
		above := sweep(1<<17, 1.01*c.lowerNyquist(), float64(c.in)/2, float64(c.in))
		vhq, _ := runPeer(t, peer, "soxr-vhq", above, c, 1, 0)
		left := func(x []float32) float64 {
			return 10 * math.Log10(power(x[len(x)/8:len(x)*7/8])/power(above[len(above)/8:len(above)*7/8]))
		}
		here := left(resample(t, above, c.in, c.num, c.den, 1, Quality{}))
		t.Logf("%v, sweep above       %.1f dB are left, by soxr-vhq %.1f dB", c, here, left(vhq))
		if here > -110 {
			t.Errorf("%v: %.1f dB are left of a sweep above the band, want -110", c, here)
		}
	}
}

// power is the mean square.
func power(x []float32) float64 {
	sum := 0.0
	for _, v := range x {
		sum += float64(v) * float64(v)
	}
	return sum / float64(len(x))
}
