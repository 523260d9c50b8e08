package railway

import (
	"bufio"
	"context"
	"crypto/sha256"
	"errors"
	"image"
	"image/png"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/go-audio/wav"
)

// reel is one run of Write that the tests share.
var reel struct {
	once  sync.Once
	dir   string
	names []string
	err   error
}

func TestMain(m *testing.M) {
	code := m.Run()
	if reel.dir != "" {
		os.RemoveAll(reel.dir)
	}
	os.Exit(code)
}

func sharedReel(t *testing.T) (dir string, names []string) {
	t.Helper()
	reel.once.Do(func() {
		if reel.dir, reel.err = os.MkdirTemp("", "railway"); reel.err == nil {
			reel.names, reel.err = Write(context.Background(), reel.dir)
		}
	})
	if reel.err != nil {
		t.Fatal(reel.err)
	}
	return reel.dir, reel.names
}

func filesIn(t *testing.T, dir string) []string {
	t.Helper()
	var names []string
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			name, _ := filepath.Rel(dir, path)
			names = append(names, filepath.ToSlash(name))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	slices.Sort(names)
	return names
}

func TestTheNamesReturnedAreTheFilesWritten(t *testing.T) {
	dir, names := sharedReel(t)
	sorted := slices.Sorted(slices.Values(names))
	if got := filesIn(t, dir); !slices.Equal(got, sorted) {
		t.Errorf("files %q, names returned %q", got, sorted)
	}
	for _, want := range []string{Film, FilmSound, Express, Sign, Poster, Announcement, "station-clock/frame-0000.png", "station-clock/frame-0059.png"} {
		if !slices.Contains(names, want) {
			t.Errorf("%s is missing", want)
		}
	}
	if len(names) != 6+clockFrames {
		t.Errorf("%d files, want %d", len(names), 6+clockFrames)
	}
}

func TestTwoRunsGiveTheSameBytes(t *testing.T) {
	first, names := sharedReel(t)
	second := t.TempDir()
	if _, err := Write(context.Background(), second); err != nil {
		t.Fatal(err)
	}
	seen := map[[32]byte]string{}
	for _, name := range names {
		a, err := os.ReadFile(filepath.Join(first, name))
		if err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(filepath.Join(second, name))
		if err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(a)
		if sum != sha256.Sum256(b) {
			t.Errorf("%s differs between two runs", name)
		}
		if other, ok := seen[sum]; ok {
			t.Errorf("%s and %s are the same", name, other)
		}
		seen[sum] = name
	}
}

// stopAfter is done once its error has been asked for a number of times.
type stopAfter struct {
	context.Context
	left int
}

func (s *stopAfter) Err() error {
	if s.left--; s.left < 0 {
		return context.Canceled
	}
	return nil
}

func TestACancelledRunLeavesNoHalfFile(t *testing.T) {
	for _, asked := range []int{0, 3} { // before the film, and inside it
		dir := t.TempDir()
		names, err := Write(&stopAfter{context.Background(), asked}, dir)
		if !errors.Is(err, context.Canceled) || names != nil {
			t.Errorf("after %d: %q, %v", asked, names, err)
		}
		if left := filesIn(t, dir); len(left) != 0 {
			t.Errorf("after %d: left %q", asked, left)
		}
	}
}

func TestWritingOntoAFileFailsWithItsName(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "taken")
	if err := os.WriteFile(dir, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	_, err := Write(context.Background(), dir)
	if err == nil || !strings.HasPrefix(err.Error(), "railway: "+Film+": ") {
		t.Errorf("error %v", err)
	}
}

func TestStillsHaveTheirSizes(t *testing.T) {
	dir, names := sharedReel(t)
	count := 0
	for _, name := range names {
		if !strings.HasSuffix(name, ".png") {
			continue
		}
		count++
		f, err := os.Open(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(bufio.NewReader(f))
		f.Close()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		want := image.Pt(clockSize, clockSize)
		if name == Poster {
			want = image.Pt(posterWidth, posterHeight)
		}
		if img.Bounds().Size() != want {
			t.Errorf("%s: %v, want %v", name, img.Bounds().Size(), want)
		}
	}
	if count != clockFrames+1 {
		t.Errorf("%d stills, want %d", count, clockFrames+1)
	}
}

func TestSoundsKeepSixDecibelsBelowFullScale(t *testing.T) {
	dir, _ := sharedReel(t)
	for _, want := range []struct {
		name           string
		rate, channels int
		frames         int
	}{
		{FilmSound, 44100, 2, 44100 * 6},
		{Announcement, 22050, 1, 22050 * 3},
	} {
		f, err := os.Open(filepath.Join(dir, want.name))
		if err != nil {
			t.Fatal(err)
		}
		buf, err := wav.NewDecoder(f).FullPCMBuffer()
		f.Close()
		if err != nil {
			t.Fatalf("%s: %v", want.name, err)
		}
		if buf.Format.SampleRate != want.rate || buf.Format.NumChannels != want.channels || buf.SourceBitDepth != 16 {
			t.Errorf("%s: %d Hz, %d channels, %d bits", want.name, buf.Format.SampleRate, buf.Format.NumChannels, buf.SourceBitDepth)
		}
		if buf.NumFrames() != want.frames {
			t.Errorf("%s: %d sample frames, want %d", want.name, buf.NumFrames(), want.frames)
		}
		peak, sum := 0, 0.0
		for _, v := range buf.Data {
			peak = max(peak, v, -v)
			sum += float64(v)
		}
		decibels := 20 * math.Log10(float64(peak)/32768)
		if decibels > -6 || decibels < -8 {
			t.Errorf("%s: peak %.2f dB, want -8 to -6", want.name, decibels)
		}
		if mean := sum / float64(len(buf.Data)); math.Abs(mean) > 32 {
			t.Errorf("%s: mean %.1f is not silence", want.name, mean)
		}
		// No click at either end.
		for _, v := range append(slices.Clone(buf.Data[:8]), buf.Data[len(buf.Data)-8:]...) {
			if v > 64 || v < -64 {
				t.Errorf("%s: begins or ends at %d", want.name, v)
			}
		}
	}
}

func BenchmarkWrite(b *testing.B) {
	dir := b.TempDir()
	for b.Loop() {
		if _, err := Write(context.Background(), dir); err != nil {
			b.Fatal(err)
		}
	}
}
