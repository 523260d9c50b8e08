package jpeg

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	stdjpeg "image/jpeg"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"

	"example.org/stampreel/container/pixel"
)

// missing skips the test by the name of what it lacks, or fails it where everything has to be
// there.
func missing(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
		t.Fatalf("missing: %s", what)
	}
	t.Skipf("missing: %s", what)
}

// drawn is a picture with soft shades, hard edges and, by grain, noise.
func drawn(seed uint64, w, h int, grain float64) *image.RGBA {
	rng := rand.New(rand.NewPCG(seed, 1))
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	fx, fy := 3+rng.Float64()*9, 3+rng.Float64()*9
	for y := range h {
		for x := range w {
			shade := func(phase float64) uint8 {
				v := 128 + 70*math.Sin(phase+float64(x)/fx) + 50*math.Cos(phase*2+float64(y)/fy)
				if (x/24+y/17)%3 == 0 {
					v = 235 - v/2
				}
				return uint8(max(0, min(255, v+grain*rng.NormFloat64())))
			}
			img.SetRGBA(x, y, color.RGBA{shade(0), shade(1), shade(2.5), 255})
		}
	}
	return img
}

func grey(img image.Image) *image.Gray {
	out := image.NewGray(img.Bounds())
	for y := range out.Rect.Dy() {
		for x := range out.Rect.Dx() {
			out.Set(x, y, img.At(x, y))
		}
	}
	return out
}

// byStandard codes a picture with Go's encoder: 4:2:0 or grey, Annex K's Huffman tables.
func byStandard(t testing.TB, img image.Image, quality int) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := stdjpeg.Encode(&b, img, &stdjpeg.Options{Quality: quality}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func newDecoder(t testing.TB, f pixel.Format, w, h int) *Decoder {
	t.Helper()
	d, err := NewDecoder(f, w, h)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// differences returns the mean and the largest difference of RGB bytes from a picture.
func differences(rgb []byte, img image.Image) (mean float64, most int) {
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	sum := 0
	for i := range w * h {
		c := color.RGBAModel.Convert(img.At(i%w, i/w)).(color.RGBA)
		for k, v := range []uint8{c.R, c.G, c.B} {
			d := int(rgb[3*i+k]) - int(v)
			sum += max(d, -d)
			most = max(most, d, -d)
		}
	}
	return float64(sum) / float64(3*w*h), most
}

// The constants are worked out from their formula.
func TestConstantsOfTheTransformAreCosines(t *testing.T) {
	for k, want := range map[int]int{1: a1, 2: a2, 3: a3, 5: a5, 6: a6, 7: a7} {
		if got := int(math.Round(math.Sqrt2 * math.Cos(float64(k)*math.Pi/16) * 8192)); got != want {
			t.Errorf("√2·cos(%dπ/16)·2^13 = %d, the code has %d", k, got, want)
		}
	}
}

// idealInverse is the inverse DCT of T.81, A.3.3, in floating point.
func idealInverse(c *[64]int32) (out [64]float64) {
	for y := range 8 {
		for x := range 8 {
			s := 0.0
			for v := range 8 {
				for u := range 8 {
					k := 1.0
					if u == 0 {
						k /= math.Sqrt2
					}
					if v == 0 {
						k /= math.Sqrt2
					}
					s += k * float64(c[8*v+u]) * math.Cos(float64(2*x+1)*float64(u)*math.Pi/16) * math.Cos(float64(2*y+1)*float64(v)*math.Pi/16)
				}
			}
			out[8*y+x] = s/4 + 128
		}
	}
	return out
}

// The bounds on the largest, mean and mean square error of a sample are those of IEEE 1180-1990,
// 1, 0.0015 and 0.02 over all samples, the mean ten times as wide as fewer blocks are tried
// (from memory).
func TestInverseTransformIsWithinIEEE1180(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, reach := range []float64{5, 256, 300} {
		var sum, square, most float64
		n := 0
		for range 500 {
			// Coefficients of a block of random samples, as the standard has it.
			var samples [64]float64
			for i := range samples {
				samples[i] = math.Round((rng.Float64()*2 - 1) * reach / 2)
			}
			var c [64]int32
			for v := range 8 {
				for u := range 8 {
					s := 0.0
					for i, p := range samples {
						s += p * math.Cos(float64(2*(i%8)+1)*float64(u)*math.Pi/16) * math.Cos(float64(2*(i/8)+1)*float64(v)*math.Pi/16)
					}
					if u == 0 {
						s /= math.Sqrt2
					}
					if v == 0 {
						s /= math.Sqrt2
					}
					c[8*v+u] = int32(math.Round(s / 4))
				}
			}
			var got [64]uint8
			inverse(got[:], 8, &c)
			for i, want := range idealInverse(&c) {
				e := float64(got[i]) - max(0, min(255, math.Round(want)))
				sum, square, most = sum+e, square+e*e, max(most, math.Abs(e))
				n++
			}
		}
		if mean, square := sum/float64(n), square/float64(n); most > 1 || math.Abs(mean) > 0.015 || square > 0.02 {
			t.Errorf("samples up to %v: largest error %v, mean %.4f, mean square %.4f", reach, most, mean, square)
		}
	}
}

// cosines is the matrix of FORMAT.md: cos((2x+1)uπ/16), which is ± one of eight.
func cosines() (c [8][8]int64) {
	a := [8]int64{8192, a1, a2, a3, 8192, a5, a6, a7}
	for x := range 8 {
		for u := range 8 {
			k, sign := (2*x+1)*u%32, int64(1)
			if k > 16 {
				k = 32 - k
			}
			if k > 8 {
				k, sign = 16-k, -1
			}
			if k < 8 {
				c[x][u] = sign * a[k]
			}
		}
	}
	return c
}

// wideInverse is the text of FORMAT.md, sum by sum, in 64 bits.
func wideInverse(c *[64]int32) (out [64]uint8) {
	matrix := cosines()
	one := func(s [8]int64, shift int) (out [8]int64) {
		for x := range 8 {
			sum := int64(0)
			for u := range 8 {
				sum += matrix[x][u] * s[u]
			}
			out[x] = (sum + 1<<(shift-1)) >> shift
		}
		return out
	}
	var t [64]int64
	for x := range 8 {
		var s [8]int64
		for v := range 8 {
			s[v] = int64(c[8*v+x])
		}
		for y, v := range one(s, 11) {
			if v != int64(int16(v)) {
				panic("more than 16 bits between the passes")
			}
			t[8*y+x] = v
		}
	}
	for y := range 8 {
		for x, v := range one([8]int64(t[8*y:8*y+8]), 18) {
			out[8*y+x] = uint8(max(0, min(255, v+128)))
		}
	}
	return out
}

func TestInverseTransformNeverLeavesItsBits(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for i := range 5000 {
		var c [64]int32
		for k := range c {
			switch i % 3 {
			case 0:
				c[k] = rng.Int32N(2176) - 1088
			case 1:
				c[k] = []int32{-1088, 1087}[rng.IntN(2)]
			case 2:
				if rng.IntN(8) == 0 {
					c[k] = rng.Int32N(200) - 100
				}
			}
		}
		// The signs that add up most in the first sample.
		if i == 1 {
			for k := range c {
				c[k] = -1088
			}
		}
		var got [64]uint8
		inverse(got[:], 8, &c)
		if want := wideInverse(&c); got != want {
			t.Fatalf("block %d: %v gives\n%v, want\n%v", i, c, got, want)
		}
	}
}

// Go's decoder and libjpeg's differ from this one by their own roundings only: both replicate
// chroma here.
func TestOtherDecodersSeeTheSamePicture(t *testing.T) {
	for _, size := range [][2]int{{240, 135}, {160, 128}, {1, 1}, {17, 9}, {8, 31}} {
		w, h := size[0], size[1]
		for _, quality := range []int{10, 50, 90, 100} {
			for _, img := range []image.Image{drawn(uint64(quality), w, h, 8), grey(drawn(7, w, h, 8))} {
				p := byStandard(t, img, quality)
				got := make([]byte, 3*w*h)
				s, err := newDecoder(t, pixel.RGB565, w, h).DecodeRGB(got, p)
				if err != nil {
					t.Fatalf("%d×%d, quality %d: %v", w, h, quality, err)
				}
				if s.Bytes != len(p) || s.Blocks == 0 || s.Coefficients < s.Blocks/2 {
					t.Errorf("%d×%d, quality %d: stats %+v of %d bytes", w, h, quality, s, len(p))
				}
				other, err := stdjpeg.Decode(bytes.NewReader(p))
				if err != nil {
					t.Fatal(err)
				}
				// Colour is converted there with the fraction cut off, not rounded.
				bound := 0.1
				if other.ColorModel() == color.YCbCrModel {
					bound = 0.25
				}
				if mean, most := differences(got, other); mean > bound || most > 4 {
					t.Errorf("%d×%d, quality %d, %T: mean difference from Go's decoder %.3f, largest %d", w, h, quality, img, mean, most)
				}
			}
		}
	}
}

// decodeByTool decodes with djpeg of libjpeg-turbo (Debian package libjpeg-turbo-progs).
func decodeByTool(t testing.TB, p []byte, w, h int, args ...string) []byte {
	t.Helper()
	path, err := exec.LookPath("djpeg")
	if err != nil {
		missing(t, "djpeg of libjpeg-turbo-progs")
	}
	cmd := exec.Command(path, append(args, "-rgb", "-pnm")...)
	var stderr bytes.Buffer
	cmd.Stdin, cmd.Stderr = bytes.NewReader(p), &stderr
	out, err := cmd.Output()
	if err != nil || stderr.Len() > 0 {
		t.Fatalf("djpeg: %v %s", err, stderr.Bytes())
	}
	head := fmt.Sprintf("P6\n%d %d\n255\n", w, h)
	if !bytes.HasPrefix(out, []byte(head)) || len(out) != len(head)+3*w*h {
		t.Fatalf("djpeg: %d bytes beginning %q", len(out), out[:min(20, len(out))])
	}
	return out[len(head):]
}

func rgbImage(rgb []byte, w, h int) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for i := range w * h {
		img.SetRGBA(i%w, i/w, color.RGBA{rgb[3*i], rgb[3*i+1], rgb[3*i+2], 255})
	}
	return img
}

func TestLibjpegTurboSeesTheSamePicture(t *testing.T) {
	for _, quality := range []int{10, 50, 90, 100} {
		p := byStandard(t, drawn(9, 97, 61, 8), quality)
		got := make([]byte, 3*97*61)
		if _, err := newDecoder(t, pixel.RGB565, 97, 61).DecodeRGB(got, p); err != nil {
			t.Fatal(err)
		}
		mean, most := differences(got, rgbImage(decodeByTool(t, p, 97, 61, "-nosmooth", "-dct", "int"), 97, 61))
		if mean > 0.1 || most > 3 {
			t.Errorf("quality %d: mean difference from djpeg %.3f, largest %d", quality, mean, most)
		}
	}
}

// Levels of a panel: what share of a square of pixels shows the higher of two neighbours.
func TestDitherKeepsEndsAndAverages(t *testing.T) {
	for _, f := range pixel.Formats() {
		s := newScreen(f)
		for c := range f.Channels() {
			top, last := f.Levels(c)-1, 0
			for v := range 256 {
				sum := 0
				low, high := top, 0
				for i := range 16 {
					l := int(s.level(c, uint8(v), i%4, i/4))
					sum, low, high = sum+l, min(low, l), max(high, l)
				}
				if high > top || high-low > 1 || sum < last {
					t.Errorf("%v, channel %d, sample %d: levels %d to %d of %d, sum %d after %d", f, c, v, low, high, top, sum, last)
				}
				last = sum
				if v == 0 && sum != 0 || v == 255 && sum != 16*top {
					t.Errorf("%v, channel %d, sample %d: sum of levels %d", f, c, v, sum)
				}
				average := float64(sum) / 16
				if top >= 15 {
					if d := average - float64(v*top)/255; math.Abs(d) > 0.5 {
						t.Errorf("%v, channel %d, sample %d: average level %.3f, want %.3f", f, c, v, average, float64(v*top)/255)
					}
					continue
				}
				// The light of a pixel is about the square of its value.
				light := 0.0
				for i := range 16 {
					l := float64(s.level(c, uint8(v), i%4, i/4)) / float64(top)
					light += l * l / 16
				}
				want := float64(v) / 255 * float64(v) / 255
				if d := light - want; math.Abs(d) > float64(2*(v*top/255)+1)/float64(top*top)/31 {
					t.Errorf("%v, channel %d, sample %d: light %.4f, want %.4f", f, c, v, light, want)
				}
			}
		}
	}
}

// Packing is container/pixel's, which has tests of its own; here each format is seen to go there.
func TestPanelsShowDitheredRGB(t *testing.T) {
	w, h := 37, 21
	for _, f := range pixel.Formats() {
		var img image.Image = drawn(5, w, h, 3)
		if f.Channels() == 1 {
			img = grey(img)
		}
		p := byStandard(t, img, 80)
		d := newDecoder(t, f, w, h)
		got, rgb := make([]byte, f.FrameBytes(w, h)), make([]byte, 3*w*h)
		if _, err := d.Decode(got, p); err != nil {
			t.Fatalf("%v: %v", f, err)
		}
		if _, err := d.DecodeRGB(rgb, p); err != nil {
			t.Fatalf("%v: %v", f, err)
		}
		var codes []uint8
		for i, v := range rgb {
			if c := i % 3; c < f.Channels() {
				codes = append(codes, newScreen(f).level(c, v, i/3%w, i/3/w))
			}
		}
		want := make([]byte, len(got))
		if !f.Pack(want, codes, w, h) || !bytes.Equal(got, want) {
			t.Errorf("%v: the frame is not its RGB, dithered", f)
		}
	}
}

func TestFramesThatAreNotAllowedAreRefused(t *testing.T) {
	w, h := 24, 16
	whole := byStandard(t, drawn(2, w, h, 5), 60)
	at := func(mark byte) int { return bytes.Index(whole, []byte{0xff, mark}) }
	change := func(at int, v ...byte) []byte {
		p := bytes.Clone(whole)
		copy(p[at:], v)
		return p
	}
	insert := func(at int, v ...byte) []byte {
		return append(append(bytes.Clone(whole[:at]), v...), whole[at:]...)
	}
	cases := map[string][]byte{
		"nothing":                 nil,
		"no SOI":                  whole[2:],
		"progressive":             change(at(0xc0)+1, 0xc2),
		"arithmetic coding":       change(at(0xc0)+1, 0xc9),
		"twelve bits":             change(at(0xc0)+4, 12),
		"other height":            change(at(0xc0)+6, 17),
		"other width":             change(at(0xc0)+8, 25),
		"two components":          change(at(0xc0)+9, 2),
		"component number":        change(at(0xc0)+10, 5),
		"4:2:2":                   change(at(0xc0)+11, 0x21),
		"quantisation table 2":    change(at(0xc0)+12, 2),
		"chroma 2×2":              change(at(0xc0)+14, 0x22),
		"table of 16 bits":        change(at(0xdb)+4, 0x10),
		"step 0":                  change(at(0xdb)+9, 0),
		"restarts":                insert(at(0xda), 0xff, 0xdd, 0, 4, 0, 1),
		"fill bytes":              insert(at(0xda), 0xff),
		"spectral selection":      change(at(0xda)+11, 1),
		"component order in scan": change(at(0xda)+5, 2),
		"Huffman table 2":         change(at(0xda)+6, 0x20),
		"no quantisation table":   append(bytes.Clone(whole[:at(0xdb)]), whole[at(0xdb)+134:]...),
		"no end":                  whole[:len(whole)-2],
		"bytes behind the end":    append(bytes.Clone(whole), 0),
		"bytes behind the scan":   insert(len(whole)-2, 0x55),
		"a second frame header":   insert(at(0xda), whole[at(0xc0):at(0xc0)+19]...),
		"DC of 12 bits":           change(bytes.Index(whole, []byte{0xff, 0xc4})+5+16, 12),
		"codes of all ones":       change(bytes.Index(whole, []byte{0xff, 0xc4})+5, 2),
	}
	if len(cases) < 25 {
		t.Fatal("cases are missing")
	}
	d := newDecoder(t, pixel.RGB565, w, h)
	frame := make([]byte, pixel.RGB565.FrameBytes(w, h))
	if _, err := d.Decode(frame, whole); err != nil {
		t.Fatal(err)
	}
	for name, p := range cases {
		var wrong *FormatError
		if _, err := d.Decode(frame, p); !errors.As(err, &wrong) {
			t.Errorf("%s: %v, want a FormatError", name, err)
		}
	}
	for n := range len(whole) {
		if _, err := d.Decode(frame, whole[:n]); err == nil {
			t.Errorf("cut to %d of %d bytes: no error", n, len(whole))
		}
	}
	// Application data and comments are skipped.
	if _, err := d.Decode(frame, insert(2, 0xff, 0xe0, 0, 4, 1, 2, 0xff, 0xfe, 0, 2)); err != nil {
		t.Errorf("APP0 and COM: %v", err)
	}
	// A grey panel takes one component.
	if _, err := newDecoder(t, pixel.Grey8, w, h).Decode(make([]byte, w*h), whole); err == nil {
		t.Error("colour on a grey panel: no error")
	}
	for _, side := range [][2]int{{0, 1}, {1, 0}, {MaxSide + 1, 1}, {1, MaxSide + 1}} {
		if _, err := NewDecoder(pixel.RGB565, side[0], side[1]); err == nil {
			t.Errorf("decoder of %v: no error", side)
		}
	}
	if _, err := NewDecoder(0, 1, 1); err == nil {
		t.Error("decoder of no format: no error")
	}
	if _, err := d.Decode(frame[1:], whole); err == nil {
		t.Error("a short frame: no error")
	}
	if _, err := d.DecodeRGB(frame, whole); err == nil {
		t.Error("a short picture: no error")
	}
}

func TestDecodingAllocatesNothing(t *testing.T) {
	p := byStandard(t, drawn(2, 64, 48, 5), 60)
	d := newDecoder(t, pixel.RGB444, 64, 48)
	frame := make([]byte, pixel.RGB444.FrameBytes(64, 48))
	if n := testing.AllocsPerRun(20, func() {
		if _, err := d.Decode(frame, p); err != nil {
			t.Fatal(err)
		}
	}); n > 0 {
		t.Errorf("%v allocations a frame", n)
	}
}

// FuzzDecode looks for panics, and for frames that Go's decoder refuses or sees otherwise.
func FuzzDecode(f *testing.F) {
	f.Add(byStandard(f, drawn(1, 20, 18, 5), 60))
	f.Add(byStandard(f, grey(drawn(1, 20, 18, 5)), 90))
	d := newDecoder(f, pixel.RGB565, 20, 18)
	got := make([]byte, 3*20*18)
	f.Fuzz(func(t *testing.T, p []byte) {
		if _, err := d.DecodeRGB(got, p); err != nil {
			return
		}
		if _, err := stdjpeg.Decode(bytes.NewReader(p)); err != nil {
			t.Errorf("Go's decoder: %v", err)
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	p := byStandard(b, drawn(2, 240, 240, 5), 75)
	b.Run("this", func(b *testing.B) {
		d := newDecoder(b, pixel.RGB565, 240, 240)
		frame := make([]byte, pixel.RGB565.FrameBytes(240, 240))
		for b.Loop() {
			if _, err := d.Decode(frame, p); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("image/jpeg", func(b *testing.B) {
		for b.Loop() {
			if _, err := stdjpeg.Decode(bytes.NewReader(p)); err != nil {
				b.Fatal(err)
			}
		}
	})
}
