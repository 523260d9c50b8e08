package source

import (
	"bytes"
	"context"
	"errors"
	"image/gif"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
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
	if compared < 85 {
		t.Errorf("%d WAVs compared, want at least 85", compared)
	}
}

func TestEXIFOrientationOfRealPhotographs(t *testing.T) {
	turned := 0
	for _, path := range realFiles(t, ".jpg", ".jpeg") {
		p, err := inspect(path, KindJPEG, DefaultMaxPixels)
		if err == nil && p.turn > 1 {
			t.Logf("%s: orientation %d, stored as %dx%d", path, p.turn, p.w, p.h)
			turned++
		}
	}
	if turned < 2 {
		t.Errorf("%d turned photographs found, want at least 2", turned)
	}
}

// Decompression bombs fail quickly and without memory.
func TestRealBombsFailWithinTwoSecondsAnd200MB(t *testing.T) {
	bombs := 0
	for _, path := range realFiles(t, ".gif", ".png", ".jpg", ".jpeg", ".bmp", ".webp", ".tga", ".ico", ".tiff", ".tif", ".xpm", ".ani", ".icns", ".pcx", ".ras") {
		if !strings.Contains(strings.ToLower(path), "bomb") && !strings.Contains(path, "decompression") {
			continue
		}
		bombs++
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
	if bombs == 0 {
		t.Error("no bomb found")
	}
	_ = errors.Is
}
