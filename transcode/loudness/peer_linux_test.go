package loudness

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
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
		var loudness, width, peak float64
		if _, err := fmt.Sscan(string(text), &loudness, &width, &peak); err != nil {
			t.Fatalf("%q: %v", text, err)
		}
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
