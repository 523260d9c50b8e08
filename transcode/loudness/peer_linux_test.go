package loudness

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.org/stampreel/transcode/source"
)

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
	cmd := exec.Command(cc, "-E", "-x", "c", "-")
	cmd.Stdin = strings.NewReader("#include <ebur128.h>\n")
	if cmd.Run() != nil {
		missing(t, "ebur128.h (Debian's libebur128-dev)")
	}
	path = filepath.Join(t.TempDir(), "peer")
	if text, err := exec.Command(cc, "-O2", "-Wall", "-o", path, filepath.Join("testdata", "peer.c"), "-lebur128", "-lm").CombinedOutput(); err != nil {
		t.Fatalf("cc: %v\n%s", err, text)
	}
	return path
}

// askPeer has libebur128 read samples.
func askPeer(t *testing.T, peer string, rate, channels int, samples []float32) (loudness, width, peak float64) {
	t.Helper()
	in := make([]byte, 0, 4*len(samples))
	for _, v := range samples {
		in = binary.NativeEndian.AppendUint32(in, math.Float32bits(v))
	}
	cmd := exec.Command(peer, fmt.Sprint(rate), fmt.Sprint(channels))
	cmd.Stdin = bytes.NewReader(in)
	text, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := fmt.Sscan(string(text), &loudness, &width, &peak); err != nil {
		t.Fatalf("%q: %v", text, err)
	}
	return loudness, width, peak
}

// libebur128 (1.2.6) reads noise with pauses within 0.1 LU of what is read here; its
// true peak oversamples less. Its range takes a window each second and not ten, so
// the two agree where levels last, as in Tech 3342.
func TestAnotherLibraryReadsTheSame(t *testing.T) {
	peer := buildPeer(t)
	const stepped = 16000
	rates := []int{48000, 44100, 32000, 96000, stepped}
	if testing.Short() {
		rates = rates[:1]
	}
	for seed, rate := range rates {
		channels := []int{1, 2, 6}[seed%3]
		samples := programme(12*rate, channels, uint64(seed))
		if rate == stepped {
			samples, channels = build(stepped, []part{both(-20, 20), both(-33, 20), both(-26, 15)})
		}
		loudness, width, peak := askPeer(t, peer, rate, channels, samples)
		m := newMeter(t, float64(rate), channels)
		m.Add(samples)
		t.Logf("%d Hz, %d channels: %.3f LUFS, %.2f LU, %.2f dBTP; libebur128 %.3f, %.2f, %.2f", rate, channels, m.Integrated(), m.Range(), m.TruePeak(), loudness, width, peak)
		near(t, "loudness", m.Integrated(), loudness, 0.1, 0.1)
		if rate == stepped {
			near(t, "range", m.Range(), width, 0.1, 0.1)
		}
		near(t, "true peak", m.TruePeak(), peak, 0.3, 0.7)
	}
}

// The same of real speech and music (.ci/fetch-media), at their own rates, the first half
// minute of each.
func TestAnotherLibraryReadsRealSoundTheSame(t *testing.T) {
	if testing.Short() {
		t.Skip("a program in C: nothing for the race detector")
	}
	dir := os.Getenv("STAMPREEL_MEDIA")
	if dir == "" {
		cache, err := os.UserCacheDir()
		if err != nil {
			missing(t, "a cache folder")
		}
		dir = filepath.Join(cache, "stampreel-media")
	}
	peer, tried, worst := buildPeer(t), map[string]int{}, 0.0
	for _, c := range []struct{ what, pattern string }{
		{"speech", "alsa-utils/usr/share/sounds/alsa/*_*.wav"},
		{"speech", "forensics-samples-files/usr/share/forensics-samples/original-files/audio1/debian.[wm][ap][v3]"},
		{"music", "scratch/usr/share/scratch/Media/Sounds/Music Loops/*.mp3"},
		{"music", "sonic-pi-samples/usr/share/sonic-pi/samples/loop_*.flac"},
	} {
		paths, err := filepath.Glob(filepath.Join(dir, filepath.FromSlash(c.pattern)))
		if err != nil {
			t.Fatal(err)
		}
		if len(paths) == 0 {
			missing(t, "real sound, fetched by .ci/fetch-media: "+c.pattern)
		}
		for _, path := range paths {
			m, err := source.Open(t.Context(), path, source.Options{NoPictures: true})
			if err != nil {
				t.Fatal(err)
			}
			info := m.Sound.Info()
			samples := make([]float32, 0, 30*info.Rate*info.Channels)
			for len(samples) < cap(samples) {
				n, err := m.Sound.Read(samples[len(samples):min(len(samples)+4096*info.Channels, cap(samples))])
				samples = samples[:len(samples)+n*info.Channels]
				if err == io.EOF {
					break
				}
				if err != nil {
					t.Fatalf("%s: %v", path, err)
				}
			}
			m.Close()
			if len(samples) < info.Rate*info.Channels {
				continue // less than a second
			}
			want, _, _ := askPeer(t, peer, info.Rate, info.Channels, samples)
			meter := newLoudnessMeter(t, float64(info.Rate), info.Channels)
			meter.Add(samples)
			d := math.Abs(meter.Integrated() - want)
			if worst = max(worst, d); !(d <= 0.1) {
				t.Errorf("%s, %d Hz: %.3f LUFS, libebur128 %.3f", filepath.Base(path), info.Rate, meter.Integrated(), want)
			}
			tried[c.what]++
		}
	}
	t.Logf("%v, at most %.3f LU apart", tried, worst)
	if tried["speech"] < 8 || tried["music"] < 20 {
		t.Errorf("%v are read, want 8 of speech and 20 of music", tried)
	}
}
