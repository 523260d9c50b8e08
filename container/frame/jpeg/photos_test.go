package jpeg

import (
	"bytes"
	"fmt"
	"image"
	_ "image/jpeg"
	_ "image/png"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/disintegration/imaging"
)

// photographs are what .ci/fetch-media brings, by Debian package.
var photographs = []struct {
	folder string
	names  []string
}{
	{"python3-skimage/usr/lib/python3/dist-packages/skimage/data", []string{
		"astronaut.png", "chelsea.png", "coffee.png", "motorcycle_left.png", "rocket.jpg", "ihc.png", "hubble_deep_field.jpg",
	}},
	{"forensics-samples-files/usr/share/forensics-samples/original-files", []string{
		"pic1/IMG-20191006-WA0002.jpg", "pic1/IMG_20200827_231612.jpg", "pic1/IMG_1054.JPG",
		"pic2/IMG_20200124_231153.jpg", "pic2/IMG_20200608_111614.jpg", "pic2/IMG_20191224_234846.jpg",
	}},
	{"gdk-pixbuf-tests/usr/libexec/installed-tests/gdk-pixbuf", []string{"test-images/reftests/cat.jpg"}},
	{"opencv-doc/usr/share/doc/opencv-doc/examples", []string{
		"data/fruits.jpg", "data/baboon.jpg", "data/home.jpg", "data/leuvenA.jpg", "data/squirrel_cls.jpg", "data/aloeL.jpg",
		"data/board.jpg", "data/stuff.jpg", "data/messi5.jpg", "data/graf1.png", "data/butterfly.jpg", "data/building.jpg",
		"data/aero1.jpg", "data/rubberwhale1.png", "hfs/data/000.jpg", "hfs/data/002.jpg",
	}},
}

const photographCount = 30

// photos returns every so many of the photographs, scaled and cut to a size, three bytes a pixel.
func photos(t testing.TB, w, h, every int) [][]byte {
	t.Helper()
	dir := os.Getenv("STAMPREEL_MEDIA")
	if dir == "" {
		cache, err := os.UserCacheDir()
		if err != nil {
			missing(t, "a cache folder: "+err.Error())
		}
		dir = filepath.Join(cache, "stampreel-media")
	}
	var all [][]byte
	count := 0
	for _, from := range photographs {
		for _, name := range from.names {
			path := filepath.Join(dir, from.folder, name)
			if _, err := os.Stat(path); err != nil {
				missing(t, path+", by .ci/fetch-media")
			}
			if count++; count%every != 0 {
				continue
			}
			img, err := imaging.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, rgbOf(imaging.Fill(img, w, h, imaging.Center, imaging.Lanczos)))
		}
	}
	if count != photographCount {
		t.Fatalf("%d photographs, want %d", count, photographCount)
	}
	return all
}

func rgbOf(img *image.NRGBA) []byte {
	rgb := make([]byte, 0, 3*img.Rect.Dx()*img.Rect.Dy())
	for i := 0; i < len(img.Pix); i += 4 {
		rgb = append(rgb, img.Pix[i:i+3]...)
	}
	return rgb
}

// codeByTool codes with cjpeg of libjpeg-turbo (Debian package libjpeg-turbo-progs): 4:2:0, the
// best Huffman tables.
func codeByTool(t testing.TB, rgb []byte, w, h, quality int, args ...string) []byte {
	t.Helper()
	path, err := exec.LookPath("cjpeg")
	if err != nil {
		missing(t, "cjpeg of libjpeg-turbo-progs")
	}
	cmd := exec.Command(path, append(args, "-optimize", "-quality", strconv.Itoa(quality))...)
	var stderr bytes.Buffer
	cmd.Stdin, cmd.Stderr = bytes.NewReader(append(fmt.Appendf(nil, "P6\n%d %d\n255\n", w, h), rgb...)), &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("cjpeg: %v %s", err, stderr.Bytes())
	}
	return out
}

// psnr is the peak signal to noise ratio of all bytes, in dB.
func psnr(a, b []byte) float64 {
	sum := 0.0
	for i := range a {
		d := float64(a[i]) - float64(b[i])
		sum += d * d
	}
	return 10 * math.Log10(255*255*float64(len(a))/max(sum, 1e-9))
}

// ssim is the mean structural similarity of luma (Wang, Bovik, Sheikh, Simoncelli, IEEE Trans.
// Image Processing 13(4), 2004): a Gaussian window of 11×11 pixels with a deviation of 1.5, K1
// 0.01, K2 0.03, over all places where it fits (constants from memory).
func ssim(a, b []byte, w, h int) float64 {
	var window [11]float64
	sum := 0.0
	for i := range window {
		window[i] = math.Exp(-float64((i-5)*(i-5)) / (2 * 1.5 * 1.5))
		sum += window[i]
	}
	for i := range window {
		window[i] /= sum
	}
	luma := func(p []byte) []float64 {
		out := make([]float64, w*h)
		for i := range out {
			out[i] = 0.299*float64(p[3*i]) + 0.587*float64(p[3*i+1]) + 0.114*float64(p[3*i+2])
		}
		return out
	}
	blur := func(p []float64) []float64 {
		rows := make([]float64, (w-10)*h)
		for y := range h {
			for x := range w - 10 {
				s := 0.0
				for k, f := range window {
					s += f * p[y*w+x+k]
				}
				rows[y*(w-10)+x] = s
			}
		}
		out := make([]float64, (w-10)*(h-10))
		for y := range h - 10 {
			for k, f := range window {
				in := rows[(y+k)*(w-10):][:w-10]
				for x, v := range in {
					out[y*(w-10)+x] += f * v
				}
			}
		}
		return out
	}
	product := func(p, q []float64) []float64 {
		out := make([]float64, len(p))
		for i := range p {
			out[i] = p[i] * q[i]
		}
		return out
	}
	x, y := luma(a), luma(b)
	mx, my, xx, yy, xy := blur(x), blur(y), blur(product(x, x)), blur(product(y, y)), blur(product(x, y))
	const c1, c2 = 0.01 * 255 * 0.01 * 255, 0.03 * 255 * 0.03 * 255
	total := 0.0
	for i := range mx {
		vx, vy, cov := xx[i]-mx[i]*mx[i], yy[i]-my[i]*my[i], xy[i]-mx[i]*my[i]
		total += (2*mx[i]*my[i] + c1) * (2*cov + c2) / ((mx[i]*mx[i] + my[i]*my[i] + c1) * (vx + vy + c2))
	}
	return total / float64(len(mx))
}

// A point is what one frame is like.
type point struct {
	bytes, coefs float64
	psnr, ssim   float64
}

// measure decodes a frame as the player does, before the dither. SSIM takes most of the time.
func measure(t testing.TB, d *Decoder, p, rgb []byte, w, h int, withSSIM bool) point {
	got := make([]byte, len(rgb))
	s, err := d.DecodeRGB(got, p)
	if err != nil {
		t.Fatal(err)
	}
	m := point{bytes: float64(s.Bytes), coefs: float64(s.Coefficients), psnr: psnr(rgb, got)}
	if withSSIM {
		m.ssim = ssim(rgb, got, w, h)
	}
	return m
}

// at returns what value a curve of points, by rising quality, has where another reaches some
// value: linear in the logarithm between neighbours. It is NaN where the curve does not reach.
func at(curve []point, want float64, by, value func(point) float64) float64 {
	for i := 1; i < len(curve); i++ {
		a, b := by(curve[i-1]), by(curve[i])
		if a <= want && want <= b && b > a {
			f := (want - a) / (b - a)
			return math.Exp(math.Log(value(curve[i-1]))*(1-f) + math.Log(value(curve[i]))*f)
		}
	}
	return math.NaN()
}
