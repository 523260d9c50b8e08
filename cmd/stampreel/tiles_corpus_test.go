//go:build unix

package main

import (
	"bytes"
	"context"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/stampreel/container"
	"example.org/stampreel/container/frame/tiles"
	"example.org/stampreel/container/pixel"
	"example.org/stampreel/transcode"
	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/source"
)

// packedGIF is a clip of raw frames made of one GIF.
type packedGIF struct {
	name   string
	rate   container.Ratio
	keys   int      // beats that key beats lie apart at most
	frames [][]byte // of each beat; the same slice again where the picture stays
}

// gifCorpus packs the GIFs of one fetched package (.ci/fetch-media) as `pack`
// does for a panel of 240×240 pixels, at the rate of each.
func gifCorpus(t testing.TB, pkg string, format pixel.Format) []packedGIF {
	t.Helper()
	dir, ok := mediaFolder()
	if !ok {
		missing(t, realMedia)
	}
	dir = filepath.Join(dir, pkg)
	var all []packedGIF
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() || !strings.EqualFold(filepath.Ext(path), ".gif") {
			return err
		}
		ctx := context.Background()
		media, err := source.Open(ctx, path, source.Options{})
		if err != nil {
			return nil // damaged on purpose
		}
		defer media.Close()
		f, err := os.Create(filepath.Join(t.TempDir(), "clip.srq"))
		if err != nil {
			return err
		}
		defer f.Close()
		result, err := transcode.Run(ctx, transcode.Input{Media: media}, func(int) (io.WriteSeeker, error) { return f, nil }, transcode.Options{
			Picture: picture.Options{Width: 240, Height: 240, Format: format, Dither: picture.DefaultDither(format)},
			Workers: 2,
		})
		if err != nil {
			return nil
		}
		info, err := f.Stat()
		if err != nil {
			return err
		}
		rd, err := container.NewReader(f, info.Size(), container.Limits{})
		if err != nil {
			return err
		}
		h := rd.Header()
		p := packedGIF{name: filepath.Base(path), rate: h.Rate(), keys: int(2 * int64(h.RateNum) / int64(h.RateDen))}
		var b container.Beat
		for i := range uint32(result.Beats) {
			if err := rd.Read(i, &b); err != nil {
				return err
			}
			if b.FrameCoding == container.Repeat || i > 0 && bytes.Equal(b.Frame, p.frames[i-1]) {
				p.frames = append(p.frames, p.frames[i-1])
				continue
			}
			p.frames = append(p.frames, bytes.Clone(b.Frame))
		}
		all = append(all, p)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// Of the GIFs of two packages, packed for a panel of 240×240 pixels: tiles, lossless, key
// beats included, take at most 0.15 of the card bytes and 0.4 of the panel bytes that a raw
// frame in each beat takes. The same against raw frames for those beats alone whose picture
// changes, which clips have anyway, is shown.
func TestTilesOfRealGIFs(t *testing.T) {
	if testing.Short() {
		t.Skip("packs 95 animations")
	}
	const rawBytes = 2 * 240 * 240
	var card, panel, all, changed, files, moving int64
	var perFile [2]float64
	for _, pkg := range []string{"gdk-pixbuf-tests", "qtdeclarative5-doc-html"} {
		for _, p := range gifCorpus(t, pkg, pixel.RGB565) {
			e, err := tiles.NewEncoder(pixel.RGB565, 240, 240, tiles.Options{})
			if err != nil {
				t.Fatal(err)
			}
			d, err := tiles.NewDecoder(pixel.RGB565, 240, 240)
			if err != nil {
				t.Fatal(err)
			}
			shown, last := make([]byte, rawBytes), 0
			var cardBytes, panelBytes, pictures int64
			var payload []byte
			for i, frame := range p.frames {
				key := i == 0 || i-last >= p.keys
				if !key && &frame[0] == &p.frames[i-1][0] {
					continue
				}
				if key {
					last = i
				}
				var stats, again tiles.Stats
				if payload, stats, err = e.Append(payload[:0], frame, key); err != nil {
					t.Fatal(err)
				}
				if again, err = d.Decode(shown, payload, key, nil); err != nil || again != stats || !bytes.Equal(shown, frame) {
					t.Fatalf("%s, beat %d: the panel shows another picture (%+v, %+v): %v", p.name, i, stats, again, err)
				}
				if len(payload)*100 > rawBytes*101 {
					t.Errorf("%s, beat %d: %d bytes, raw %d", p.name, i, len(payload), rawBytes)
				}
				cardBytes, panelBytes, pictures = cardBytes+int64(stats.FrameBytes), panelBytes+int64(stats.PanelBytes), pictures+1
			}
			files++
			if len(p.frames) == 1 {
				continue // a still is one key beat
			}
			moving++
			raw := float64(len(p.frames)) * rawBytes
			perFile[0], perFile[1] = perFile[0]+float64(cardBytes)/raw, perFile[1]+float64(panelBytes)/raw
			card, panel = card+cardBytes, panel+panelBytes
			all, changed = all+int64(len(p.frames))*rawBytes, changed+pictures*rawBytes
		}
	}
	of := func(x, y int64) float64 { return float64(x) / float64(y) }
	t.Logf("%d GIFs, %d of them move; of raw frames in all beats: card %.3f, panel %.3f (mean of the files %.3f, %.3f); of raw frames where the picture changes: card %.3f, panel %.3f",
		files, moving, of(card, all), of(panel, all), perFile[0]/float64(moving), perFile[1]/float64(moving), of(card, changed), of(panel, changed))
	if files < 90 || moving < 30 {
		t.Errorf("%d GIFs, %d that move: the corpus is not all there", files, moving)
	}
	if c, p := perFile[0]/float64(moving), perFile[1]/float64(moving); c > 0.15 || p > 0.4 {
		t.Errorf("mean of the files: card %.3f, panel %.3f of raw, want at most 0.15 and 0.4", c, p)
	}
}
