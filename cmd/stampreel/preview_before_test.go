//go:build unix

package main

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// numberedPictures writes pictures of noise over a ramp, of a panel's own size.
func numberedPictures(t *testing.T, folder string, n, w, h int) (pictures []*image.NRGBA) {
	t.Helper()
	if err := os.MkdirAll(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(11, 5))
	for i := range n {
		img := image.NewNRGBA(image.Rect(0, 0, w, h))
		for y := range h {
			for x := range w {
				img.SetNRGBA(x, y, color.NRGBA{uint8(255 * x / w), uint8(255 * y / h), uint8(40*i + rnd.IntN(60)), 255})
			}
		}
		var b bytes.Buffer
		if err := png.Encode(&b, img); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(folder, fmt.Sprintf("%03d.png", i)), b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		pictures = append(pictures, img)
	}
	return pictures
}

// got is the answer to a path below the page.
func got(t *testing.T, address string, want int) []byte {
	t.Helper()
	r, err := http.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != want {
		t.Fatalf("GET %s: %s, %v: %.200s", address, r.Status, err, body)
	}
	return body
}

// recordsOf takes an answer apart: kinds, and what belongs to each.
func recordsOf(t *testing.T, b []byte) (kinds string, bodies [][]byte) {
	t.Helper()
	for len(b) > 0 {
		n := 5 + int(binary.LittleEndian.Uint32(b[1:]))
		kinds, bodies, b = kinds+string(b[0]), append(bodies, b[5:n]), b[n:]
	}
	return kinds, bodies
}

// Pictures as large as the panel pass through scaling as they are, so that what the page
// shows of the source are the very codes of its PNG files (a code may differ by one, as
// 16 bits of light are fewer than some sRGB codes far apart). PSNR is worked out here
// again, from its formula, and what is tried is what pack makes with the flags told.
func TestAClipIsHeldAgainstItsSource(t *testing.T) {
	dir := t.TempDir()
	folder := filepath.Join(dir, "frames")
	const w, h = 240, 135
	source := numberedPictures(t, folder, 6, w, h)
	clip := filepath.Join(dir, "a.srq")
	ran(t, "pack", folder, "-o", clip, "--player", "rect-240x135", "--rate", "5")
	packed := unpackedPictures(t, clip)
	address := served(t, clip, "--source", folder, "--keep", "--player", "rect-240x135")

	order := []int{0, 1, 2, 3, 4, 5, 2, 5, 0} // on, back and on again
	for _, n := range order {
		kinds, bodies := recordsOf(t, got(t, fmt.Sprintf("%sclips/0/before/pixels?from=%d&count=1", address, n), http.StatusOK))
		if kinds != "p" || len(bodies[0]) != len(source[n].Pix) {
			t.Fatalf("beat %d: records %q", n, kinds)
		}
		for i, v := range bodies[0] {
			if d := int(v) - int(source[n].Pix[i]); d < -1 || d > 1 {
				t.Fatalf("beat %d: value %d is %d, that of the PNG %d", n, i, v, source[n].Pix[i])
			}
		}
	}

	var scores struct {
		PSNR []float64 `json:"psnr_db"`
		SSIM []float64 `json:"ssim"`
		Done bool      `json:"done"`
		Err  string    `json:"error"`
	}
	for !scores.Done {
		if err := json.Unmarshal(got(t, address+"clips/0/before/scores?from=0", http.StatusOK), &scores); err != nil {
			t.Fatal(err)
		}
	}
	if len(scores.PSNR) != len(source) || len(scores.SSIM) != len(source) || scores.Err != "" {
		t.Fatalf("%d and %d scores, %q; want %d", len(scores.PSNR), len(scores.SSIM), scores.Err, len(source))
	}
	for n, img := range source {
		sum, values := 0.0, 0
		for i := range img.Pix {
			if i%4 < 3 {
				d := float64(img.Pix[i]) - float64(packed[n].Pix[i])
				sum, values = sum+d*d, values+1
			}
		}
		if want := 10 * math.Log10(255*255*float64(values)/sum); math.Abs(scores.PSNR[n]-want) > 0.1 {
			t.Errorf("beat %d: PSNR %.2f dB, by its formula %.2f", n, scores.PSNR[n], want)
		}
		if scores.SSIM[n] < 0.5 || scores.SSIM[n] >= 1 {
			t.Errorf("beat %d: SSIM %v", n, scores.SSIM[n])
		}
	}

	looks := []string{"", "--dither floyd-steinberg", "--dither atkinson --gamma 1.4", "--brightness 0.1 --contrast 1.25 --saturation 0.5", "--dither none"}
	if testing.Short() {
		looks = looks[2:3]
	}
	for i, flags := range looks {
		query := ""
		words := strings.Fields(flags)
		for k := 0; k+1 < len(words); k += 2 {
			query += "&" + strings.TrimPrefix(words[k], "--") + "=" + words[k+1]
		}
		kinds, bodies := recordsOf(t, got(t, address+"clips/0/before/tried?from=3&count=1"+query, http.StatusOK))
		var told struct {
			Flags string
			PSNR  float64 `json:"psnr_db"`
		}
		if kinds != "pf" || json.Unmarshal(bodies[1], &told) != nil || told.Flags != flags || told.PSNR <= 0 {
			t.Fatalf("%q: records %q, %s", flags, kinds, bodies[len(bodies)-1])
		}
		again := filepath.Join(dir, fmt.Sprintf("again-%d.srq", i))
		ran(t, append([]string{"pack", folder, "-o", again, "--player", "rect-240x135", "--rate", "5"}, strings.Fields(told.Flags)...)...)
		if want := unpackedPictures(t, again)[3]; !bytes.Equal(bodies[0], want.Pix) {
			t.Errorf("%q: what is tried is not what pack makes of it", flags)
		}
	}
	for query, want := range map[string]int{"&dither=wave": http.StatusBadRequest, "&gamma=9": http.StatusBadRequest, "&gamma=x": http.StatusBadRequest} {
		got(t, address+"clips/0/before/tried?from=3&count=1"+query, want)
	}
	got(t, address+"clips/0/before/pixels?from=6&count=1", http.StatusBadRequest)
	got(t, served(t, clip, "--keep", "--player", "rect-240x135")+"clips/0/before/pixels?from=0&count=1", http.StatusNotFound)

	// The page shows each of them beside the packed picture.
	p := opened(t, address)
	p.until("/SSIM 0\\.\\d{3}$/.test(document.querySelector('#score').textContent)")
	if value[bool](p, "!document.querySelector('#other-side').hidden") {
		t.Error("something stands beside the picture before it was asked for")
	}
	other := func() *image.NRGBA { t.Helper(); return p.pixels("#other") }
	beside := func(n int) {
		t.Helper()
		p.until(fmt.Sprintf("document.querySelector('#other').dataset.beat === '%d' && document.querySelector('#picture').dataset.beat === '%[1]d'", n))
	}
	p.key("b")
	beside(0)
	p.key(kb.ArrowRight)
	beside(1)
	if !near(other(), source[1]) {
		t.Error("beside the picture is not the source's")
	}
	p.key("b")
	p.until("/difference/.test(document.querySelector('#other-name').textContent)")
	p.until("(() => { const d = document.querySelector('#other').getContext('2d').getImageData(0, 0, 240, 135).data; let s = 0; for (let i = 0; i < d.length; i++) s += Math.abs(d[i] - 128); return s / d.length < 60 })()")
	for i, v := range other().Pix {
		want := 255.0
		if i%4 < 3 {
			want = min(max(128+4*(float64(packed[1].Pix[i])-float64(source[1].Pix[i])), 0), 255)
		}
		if math.Abs(float64(v)-want) > 4 { // a code of the source, four times
			t.Fatalf("the difference at %d is %d, want %v", i, v, want)
		}
	}
	p.do(chromedp.Evaluate[chromedp.Void](`(() => { const g = document.querySelector("#gamma"); g.value = 2; g.dispatchEvent(new Event("input")) })()`))
	p.until("document.querySelector('#flags').textContent === '--gamma 2' && /PSNR/.test(document.querySelector('#tried-score').textContent)")
	again := filepath.Join(dir, "gamma.srq")
	ran(t, "pack", folder, "-o", again, "--player", "rect-240x135", "--rate", "5", "--gamma", "2")
	if want := unpackedPictures(t, again)[1]; !bytes.Equal(other().Pix, want.Pix) {
		t.Error("beside the picture is not what is tried")
	}
	least := 0
	for n := range scores.SSIM {
		if scores.SSIM[n] < scores.SSIM[least] {
			least = n
		}
	}
	p.do(chromedp.Evaluate[chromedp.Void]("document.activeElement.blur()"))
	p.key("v")
	p.beat(least)
}

// near says whether no value of two pictures is more than a code apart.
func near(a, b *image.NRGBA) bool {
	if a.Rect != b.Rect {
		return false
	}
	for i := range a.Pix {
		if d := int(a.Pix[i]) - int(b.Pix[i]); d < -1 || d > 1 {
			return false
		}
	}
	return true
}
