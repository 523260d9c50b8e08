package source

import (
	"bytes"
	"context"
	"image"
	"image/gif"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	goaudio "github.com/go-audio/wav"
)

// realFiles lists the fetched media (.ci/fetch-media) whose names end so.
func realFiles(t *testing.T, endings ...string) []string {
	t.Helper()
	dir := os.Getenv("STAMPREEL_MEDIA")
	if dir == "" {
		cache, err := os.UserCacheDir()
		if err != nil {
			missing(t, "a cache folder")
		}
		dir = filepath.Join(cache, "stampreel-media")
	}
	if _, err := os.Stat(dir); err != nil {
		missing(t, "real media, fetched by .ci/fetch-media")
	}
	var paths []string
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		for _, ending := range endings {
			if err == nil && d.Type().IsRegular() && strings.HasSuffix(strings.ToLower(path), ending) {
				paths = append(paths, path)
				break
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return paths
}

// Every real file gives pictures or sound, or an error of a promised type.
func TestRealFilesOpenOrFailClearly(t *testing.T) {
	for _, c := range []struct {
		endings       []string
		opened, clear int // at least
	}{
		{[]string{".gif"}, 700, 20},
		{[]string{".png"}, 590, 1},
		{[]string{".jpg", ".jpeg"}, 95, 1},
		{[]string{".bmp"}, 1, 1},
		{[]string{".wav"}, 90, 3},
		{[]string{".flac"}, 165, 0},
		{[]string{".mp3"}, 47, 0},
	} {
		files := realFiles(t, c.endings...)
		opened, refused := 0, 0
		var kinds = map[string]int{}
		for _, path := range files {
			start := time.Now()
			m, err := Open(background, path, Options{})
			kind := ""
			if err == nil {
				kind = m.Kind
				_, _, err = drain(m)
				m.Close()
			}
			if took := time.Since(start); took > 10*time.Second {
				t.Logf("%s took %v", path, took)
			}
			switch {
			case err == nil:
				opened++
				kinds[kind]++
			case promised(err):
				refused++
				t.Logf("%v", err)
			default:
				t.Errorf("%s: %T %v", path, err, err)
			}
		}
		t.Logf("%v: %d files, %d opened, %d clear errors; %v", c.endings, len(files), opened, refused, kinds)
		if opened < c.opened || refused < c.clear {
			t.Errorf("%v: %d opened and %d clear errors, want at least %d and %d", c.endings, opened, refused, c.opened, c.clear)
		}
	}
}

func TestRealGIFsMatchTheTwinPixelByPixel(t *testing.T) {
	files, frames, animated, opensMore := 0, 0, 0, 0
	for _, path := range realFiles(t, ".gif") {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := gif.DecodeAll(bytes.NewReader(data)); err != nil {
			if m, err := Open(background, path, Options{}); err == nil {
				opensMore++
				m.Close()
			}
			continue
		}
		n := compareWithTwin(t, path)
		files++
		frames += n
		if n > 1 {
			animated++
		}
	}
	t.Logf("%d GIFs compared, %d of them animated, %d frames; %d open that image/gif refuses", files, animated, frames, opensMore)
	if files < 700 || animated < 20 || frames < 2000 {
		t.Errorf("compared %d GIFs, %d animated, %d frames: too few", files, animated, frames)
	}
}

func TestRealWAVsMatchAnotherReaderSampleBySample(t *testing.T) {
	compared := 0
	for _, path := range realFiles(t, ".wav") {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		d := goaudio.NewDecoder(bytes.NewReader(data))
		d.ReadInfo()
		// go-audio/wav is right about plain PCM whose sizes are filled in.
		if d.WavAudioFormat != 1 || d.BitDepth%8 != 0 || d.BitDepth < 8 || d.BitDepth > 32 || d.Err() != nil {
			continue
		}
		if m, err := Open(background, path, Options{}); err != nil {
			t.Logf("%v", err)
			continue
		} else if m.Close(); len(m.Warnings()) > 0 {
			t.Logf("%s: %q", path, m.Warnings())
			continue
		}
		compareWithGoAudio(t, path, data)
		compared++
	}
	t.Logf("%d WAVs compared", compared)
	if compared < 78 {
		t.Errorf("%d WAVs compared, want at least 78", compared)
	}
}

// One photograph comes twice: turned by its Exif data (of an odd type), and as
// a PNG of how it is to be seen.
func TestATurnedPhotographLooksLikeItsUprightTwin(t *testing.T) {
	turned, compared := 0, 0
	for _, path := range realFiles(t, ".jpg", ".jpeg") {
		p, err := inspect(path, KindJPEG, DefaultMaxPixels)
		if err != nil || p.turn < 2 {
			continue
		}
		turned++
		t.Logf("%s: orientation %d, stored as %dx%d", filepath.Base(path), p.turn, p.w, p.h)
		upright := strings.TrimSuffix(path, ".jpg") + ".png"
		if _, err := os.Stat(upright); err != nil {
			continue
		}
		var pictures [2]*Timed
		for i, path := range []string{path, upright} {
			if pictures[i], err = open(t, path, Options{}).Pictures.Next(background); err != nil {
				t.Fatal(err)
			}
		}
		compared++
		if d := meanDifference(nrgba(pictures[0].Image), nrgba(pictures[1].Image)); d > 3 {
			t.Errorf("%s: mean difference %.2f of 255", path, d)
		} else {
			t.Logf("mean difference %.2f of 255", d)
		}
	}
	if turned < 2 || compared < 1 {
		t.Errorf("%d turned photographs found, %d with a twin; want at least 2 and 1", turned, compared)
	}
}

// The GIF test suite in gdk-pixbuf-tests states, for each file, the delays and
// the pixels of every frame. It merges frames without a delay into one picture,
// which browsers and this package do not: there the last must agree.
func TestTheGIFTestSuiteAgrees(t *testing.T) {
	refused := map[string]bool{ // what the suite lets pass and this package does not
		"image-zero-height.gif": true, "image-zero-size.gif": true, "image-zero-width.gif": true, // pictures without any data
		"no-data.gif":   true, // no picture at all
		"max-codes.gif": true, // LZW code size 11, where 8 bits are the most (GIF89a, appendix F)
	}
	played := map[string]bool{ // the other way round
		"invalid-colors.gif": true, // pixels beyond the palette draw nothing
		"plain-text.gif":     true, // text is passed over
	}
	files, frames, merged := 0, 0, 0
	for _, path := range realFiles(t, ".conf") {
		dir := filepath.Dir(path)
		if filepath.Base(dir) != "gif-test-suite" {
			continue
		}
		conf, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		var input string
		var pixels []string
		var delays []int64
		for _, line := range strings.Split(string(conf), "\n") {
			key, value, _ := strings.Cut(line, " = ")
			switch key {
			case "input":
				input = value
			case "pixels":
				pixels, delays = append(pixels, value), append(delays, 0)
			case "delay":
				if delays[len(delays)-1], err = strconv.ParseInt(value, 10, 64); err != nil {
					t.Fatal(err)
				}
			}
		}
		files++
		if played[input] {
			if err := tryAll(t, filepath.Join(dir, input), Options{}); err != nil {
				t.Errorf("%v", err)
			}
			continue
		}
		m, err := Open(background, filepath.Join(dir, input), Options{})
		if err == nil {
			defer m.Close()
		}
		if len(pixels) == 0 || refused[input] {
			if err == nil {
				_, err = m.Pictures.Next(background)
			}
			if !promised(err) {
				t.Errorf("%s: %v, want an error", input, err)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", input, err)
			continue
		}
		n := int(m.Pictures.Info().Frames)
		for i := range n {
			p, err := m.Pictures.Next(background)
			if err != nil {
				t.Errorf("%s: picture %d: %v", input, i+1, err)
				break
			}
			k := i
			if n != len(pixels) {
				if len(pixels) != 1 || i < n-1 {
					continue
				}
				merged++
				k = 0
			}
			want, err := os.ReadFile(filepath.Join(dir, pixels[k]))
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(p.Image.(*image.NRGBA).Pix, want) {
				t.Errorf("%s: picture %d has other pixels", input, i+1)
			}
			if delays[k] > 1 && n > 1 && p.Until-p.At != delays[k] {
				t.Errorf("%s: picture %d is shown for %d, want %d", input, i+1, p.Until-p.At, delays[k])
			}
			frames++
		}
	}
	t.Logf("%d files, %d frames agree, %d of them merged", files, frames, merged)
	if files < 80 || frames < 85 {
		t.Errorf("%d files and %d frames compared: too few", files, frames)
	}
}

// Decompression bombs take little memory; of the program as it ships, a test in
// cmd/stampreel measures time and memory.
func TestRealBombsTakeLittleMemory(t *testing.T) {
	bombs := 0
	for _, path := range realFiles(t, "large.png", "large.jpg", "issue205.jpg", "bug793470-crasher.png", "max-size.gif", "max-width.gif", "max-height.gif", "hang_114.gif") {
		bombs++
		runtime.GC()
		var peak atomic.Uint64
		ctx, cancel := context.WithCancel(background)
		watched := make(chan struct{})
		go func() {
			defer close(watched)
			for ctx.Err() == nil {
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				peak.Store(max(peak.Load(), m.HeapAlloc))
				time.Sleep(time.Millisecond)
			}
		}()
		start := time.Now()
		m, err := Open(ctx, path, Options{})
		if err == nil {
			_, _, err = drain(m)
			m.Close()
		}
		took := time.Since(start)
		cancel()
		<-watched
		t.Logf("%s: %v, %d MB, %v", filepath.Base(path), took, peak.Load()>>20, err)
		if err != nil && !promised(err) {
			t.Errorf("%s: %v", path, err)
		}
		if peak.Load() > 200<<20 {
			t.Errorf("%s: %d MB in use", path, peak.Load()>>20)
		}
	}
	if bombs < 8 {
		t.Errorf("%d bombs found, want 8", bombs)
	}
}
