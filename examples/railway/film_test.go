package railway

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// readFilm calls see for each picture of a 4:2:0 YUV4MPEG2 stream.
func readFilm(r io.Reader, see func(picture *image.YCbCr)) error {
	in := bufio.NewReader(r)
	head, err := in.ReadString('\n')
	if err != nil {
		return err
	}
	var w, h, rate int
	if _, err := fmt.Sscanf(head, "YUV4MPEG2 W%d H%d F%d:1 Ip A1:1 C420jpeg XCOLORRANGE=LIMITED\n", &w, &h, &rate); err != nil {
		return fmt.Errorf("header %q: %w", head, err)
	}
	if rate != filmRate {
		return fmt.Errorf("%d pictures a second", rate)
	}
	for {
		mark, err := in.ReadString('\n')
		if errors.Is(err, io.EOF) && mark == "" {
			return nil
		}
		if err != nil || mark != "FRAME\n" {
			return fmt.Errorf("picture header %q: %v", mark, err)
		}
		p := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio420)
		for _, plane := range [][]byte{p.Y, p.Cb, p.Cr} {
			if _, err := io.ReadFull(in, plane); err != nil {
				return err
			}
		}
		see(p)
	}
}

func openFilm(t *testing.T) *os.File {
	t.Helper()
	dir, _ := sharedReel(t)
	f, err := os.Open(filepath.Join(dir, Film))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// bt601 is the slow twin of filmPictures.write for one colour: the equations of
// ITU-R BT.601-7, 2.5.1 to 2.5.3, in floating point.
func bt601(r, g, b float64) (y, cb, cr float64) {
	r, g, b = r/255, g/255, b/255
	luma := .299*r + .587*g + .114*b
	return 16 + 219*luma, 128 + 224*(b-luma)/1.772, 128 + 224*(r-luma)/1.402
}

func TestFilmNumbersAreThoseOfBT601(t *testing.T) {
	for i := range 600 {
		c := color.RGBA{uint8(256 * hash(i, 1)), uint8(256 * hash(i, 2)), uint8(256 * hash(i, 3)), 255}
		if i < 8 { // the corners of the colour cube first
			c = color.RGBA{uint8(i & 1 * 255), uint8(i >> 1 & 1 * 255), uint8(i >> 2 & 1 * 255), 255}
		}
		img := image.NewRGBA(image.Rect(0, 0, 4, 2))
		for k := range 8 {
			img.SetRGBA(k%4, k/4, c)
		}
		var out bytes.Buffer
		film, err := newFilmPictures(&out, 4, 2, filmRate)
		if err != nil {
			t.Fatal(err)
		}
		if err := film.write(img); err != nil {
			t.Fatal(err)
		}
		count := 0
		err = readFilm(&out, func(p *image.YCbCr) {
			count++
			y, cb, cr := bt601(float64(c.R), float64(c.G), float64(c.B))
			for _, pair := range [][2]float64{{float64(p.Y[0]), y}, {float64(p.Y[7]), y}, {float64(p.Cb[1]), cb}, {float64(p.Cr[1]), cr}} {
				if math.Abs(pair[0]-pair[1]) > .51 {
					t.Errorf("%v: %v, want about %.2f", c, pair[0], pair[1])
				}
			}
		})
		if err != nil || count != 1 {
			t.Fatalf("%d pictures, %v", count, err)
		}
	}
}

func TestChromaIsTheMeanOfFourPixels(t *testing.T) {
	img := image.NewRGBA(image.Rect(0, 0, 2, 2))
	var wantCb, wantCr float64
	for k, c := range []color.RGBA{{255, 0, 0, 255}, {0, 0, 255, 255}, {10, 200, 30, 255}, {255, 255, 0, 255}} {
		img.SetRGBA(k%2, k/2, c)
		_, cb, cr := bt601(float64(c.R), float64(c.G), float64(c.B))
		wantCb, wantCr = wantCb+cb/4, wantCr+cr/4
	}
	var out bytes.Buffer
	film, err := newFilmPictures(&out, 2, 2, filmRate)
	if err != nil {
		t.Fatal(err)
	}
	if err := film.write(img); err != nil {
		t.Fatal(err)
	}
	b := out.Bytes()
	cb, cr := float64(b[len(b)-2]), float64(b[len(b)-1])
	if math.Abs(cb-wantCb) > .51 || math.Abs(cr-wantCr) > .51 {
		t.Errorf("chroma %v %v, want %.2f %.2f", cb, cr, wantCb, wantCr)
	}
}

func TestTheFilmMovesAndCutsOnce(t *testing.T) {
	count, cuts, least := 0, 0, math.Inf(1)
	var last *image.YCbCr
	err := readFilm(openFilm(t), func(p *image.YCbCr) {
		if p.Rect.Dx() != filmWidth || p.Rect.Dy() != filmHeight {
			t.Fatalf("picture of %v", p.Rect)
		}
		for _, v := range p.Y {
			if v < 16 || v > 235 {
				t.Fatalf("picture %d: luma %d", count, v)
			}
		}
		if last != nil {
			sum := 0
			for i, v := range p.Y {
				sum += max(int(v)-int(last.Y[i]), int(last.Y[i])-int(v))
			}
			change := float64(sum) / float64(len(p.Y))
			least = min(least, change)
			if change > 20 {
				cuts++
			}
		}
		last = p
		count++
	})
	if err != nil {
		t.Fatal(err)
	}
	if count != filmFrames || cuts != 1 || least < .1 {
		t.Errorf("%d pictures, %d cuts, least mean change %.3f levels", count, cuts, least)
	}
}
