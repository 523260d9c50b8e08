package source

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"math/rand/v2"
	"strings"
	"testing"
)

// apngSpec is a frame for apngFile.
type apngSpec struct {
	img            *image.NRGBA // its bounds are its place on the canvas
	num, den       int
	dispose, blend byte
}

// pngParts returns the chunks with pixels of a picture.
func pngParts(t testing.TB, img image.Image) (header []byte, data [][]byte) {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	file := b.Bytes()
	for at := 8; at < len(file); {
		size := int(binary.BigEndian.Uint32(file[at:]))
		switch string(file[at+4 : at+8]) {
		case "IHDR":
			header = file[at+8 : at+8+size]
		case "IDAT":
			data = append(data, file[at+8:at+8+size])
		}
		at += 12 + size
	}
	return header, data
}

// apngFile writes an animated PNG. With a separate picture for those who do not
// know of animations, the first frame is none of it.
func apngFile(t testing.TB, w, h, plays int, separate bool, frames ...apngSpec) []byte {
	t.Helper()
	blank := image.NewNRGBA(image.Rect(0, 0, w, h))
	blank.Pix[3] = 1 // so that it is written with alpha
	header, still := pngParts(t, blank)
	file := append([]byte(pngSignature), pngChunk("IHDR", header)...)
	be := binary.BigEndian
	file = append(file, pngChunk("acTL", be.AppendUint32(be.AppendUint32(nil, uint32(len(frames))), uint32(plays)))...)
	if separate {
		for _, data := range still {
			file = append(file, pngChunk("IDAT", data)...)
		}
	}
	sequence := uint32(0)
	for i, f := range frames {
		r := f.img.Rect
		var b []byte
		for _, v := range []int{int(sequence), r.Dx(), r.Dy(), r.Min.X, r.Min.Y} {
			b = be.AppendUint32(b, uint32(v))
		}
		b = be.AppendUint16(be.AppendUint16(b, uint16(f.num)), uint16(f.den))
		file = append(file, pngChunk("fcTL", append(b, f.dispose, f.blend))...)
		sequence++
		file = append(file, pngChunk("tEXt", []byte("note\x00between"))...)
		part := image.NewNRGBA(image.Rect(0, 0, r.Dx(), r.Dy()))
		draw.Draw(part, part.Rect, f.img, r.Min, draw.Src)
		copy(part.Pix, f.img.Pix) // draw.Src goes by way of multiplied alpha
		part.Pix[3] = min(part.Pix[3], 254)
		f.img.Pix[3] = part.Pix[3]
		_, data := pngParts(t, part)
		for _, data := range data {
			if i == 0 && !separate {
				file = append(file, pngChunk("IDAT", data)...)
				continue
			}
			for _, half := range [][]byte{data[:len(data)/2], data[len(data)/2:]} {
				file = append(file, pngChunk("fdAT", append(be.AppendUint32(nil, sequence), half...))...)
				sequence++
			}
		}
	}
	return append(file, pngChunk("IEND", nil)...)
}

// apngTwin composes frames pixel by pixel in floating point, after 11.3.6.2 and
// 13.16 of the specification.
func apngTwin(w, h int, frames []apngSpec, visit func(i int, shown []float64)) {
	canvas := make([]float64, 4*w*h) // 0 to 1, alpha not multiplied
	for i, f := range frames {
		before := append([]float64(nil), canvas...)
		r := f.img.Rect
		for y := r.Min.Y; y < r.Max.Y; y++ {
			for x := r.Min.X; x < r.Max.X; x++ {
				c := f.img.NRGBAAt(x, y)
				src := [4]float64{float64(c.R) / 255, float64(c.G) / 255, float64(c.B) / 255, float64(c.A) / 255}
				dst := canvas[4*(y*w+x):][:4]
				if f.blend == 0 {
					copy(dst, src[:])
					continue
				}
				alpha := src[3] + dst[3]*(1-src[3])
				for k := range 3 {
					if alpha > 0 {
						dst[k] = (src[k]*src[3] + dst[k]*dst[3]*(1-src[3])) / alpha
					}
				}
				dst[3] = alpha
			}
		}
		visit(i, canvas)
		for y := r.Min.Y; y < r.Max.Y; y++ {
			for x := r.Min.X; x < r.Max.X; x++ {
				at := 4 * (y*w + x)
				switch {
				case f.dispose == 1, f.dispose == 2 && i == 0:
					clear(canvas[at : at+4])
				case f.dispose == 2:
					copy(canvas[at:at+4], before[at:])
				}
			}
		}
	}
}

func randomFrame(r *rand.Rand, at image.Rectangle) *image.NRGBA {
	img := image.NewNRGBA(at)
	for i := range img.Pix {
		img.Pix[i] = byte(r.Uint32())
		if i%4 == 3 && r.IntN(2) == 0 {
			img.Pix[i] = []byte{0, 255}[r.IntN(2)]
		}
	}
	return img
}

func TestAnimatedPNGsMatchTheTwin(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 2))
	compared := 0
	for file := range 60 {
		w, h := 1+r.IntN(9), 1+r.IntN(9)
		var frames []apngSpec
		for i := range 2 + r.IntN(6) {
			place := image.Rect(0, 0, w, h)
			if i > 0 || file%2 == 0 {
				x, y := r.IntN(w), r.IntN(h)
				place = image.Rect(x, y, x+1+r.IntN(w-x), y+1+r.IntN(h-y))
			}
			frames = append(frames, apngSpec{randomFrame(r, place), 1 + r.IntN(9), 100, byte(r.IntN(3)), byte(r.IntN(2))})
		}
		data := apngFile(t, w, h, 0, file%2 == 0, frames...)
		m := open(t, write(t, "a.png", data), Options{})
		info := m.Pictures.Info()
		if m.Kind != KindAPNG || info.Width != w || info.Height != h || info.Frames != int64(len(frames)) || !info.LoopsForever {
			t.Fatalf("%s %+v", m.Kind, info)
		}
		var at int64
		apngTwin(w, h, frames, func(i int, want []float64) {
			p, err := m.Pictures.Next(background)
			if err != nil {
				t.Fatal(err)
			}
			at = at + int64(frames[i].num)*info.Tick.Den/100
			if p.Until != at {
				t.Errorf("picture %d until %d, want %d", i+1, p.Until, at)
			}
			// Colours are rounded in every frame that is laid over, and those of
			// pixels that hardly show are not exact.
			for k, v := range p.Image.(*image.NRGBA).Pix {
				alpha := want[k|3]
				if d := float64(v)/255 - want[k]; k%4 == 3 && d*d > 1.6/255*1.6/255 || k%4 < 3 && d*d*alpha*alpha > 2.5/255*2.5/255 {
					t.Fatalf("file %d, picture %d, byte %d is %d, want %.2f (alpha %.2f)", file, i+1, k, v, want[k]*255, alpha)
				}
			}
			compared++
			p.Release()
		})
		if _, err := m.Pictures.Next(background); err != io.EOF || len(m.Warnings()) != 0 {
			t.Errorf("%v behind the last; %q", err, m.Warnings())
		}
		if file == 0 && m.Sum() != sha256.Sum256(data) {
			t.Error("another sum")
		}
		if kind, ok, err := Sniff(write(t, "b.gif", data)); kind != KindAPNG || !ok || err != nil {
			t.Errorf("Sniff says %q %v %v", kind, ok, err)
		}
	}
	if compared < 200 {
		t.Errorf("%d pictures compared", compared)
	}
}

// dot is a frame of one colour.
func dot(w, h int, num, den int) apngSpec {
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for i := range img.Pix {
		img.Pix[i] = 200
	}
	return apngSpec{img: img, num: num, den: den}
}

func TestTheTimesOfAnAnimatedPNG(t *testing.T) {
	for _, c := range []struct {
		frames   []apngSpec
		plays    int
		tick     Ratio
		until    []int64
		rate     Ratio
		duration Ratio
	}{
		{[]apngSpec{dot(2, 2, 1, 30), dot(2, 2, 1, 30)}, 1, Ratio{1, 30}, []int64{1, 2}, Ratio{30, 1}, Ratio{1, 15}},
		{[]apngSpec{dot(2, 2, 1, 4), dot(2, 2, 1, 6)}, 0, Ratio{1, 12}, []int64{3, 5}, Ratio{12, 1}, Ratio{5, 12}},
		{[]apngSpec{dot(2, 2, 5, 0), dot(2, 2, 0, 7)}, 0, Ratio{1, 20}, []int64{1, 3}, Ratio{20, 1}, Ratio{3, 20}},
		{[]apngSpec{dot(2, 2, 1001, 30000), dot(2, 2, 1001, 30000)}, 0, Ratio{1, 30000}, []int64{1001, 2002}, Ratio{30000, 1001}, Ratio{1001, 15000}},
		{[]apngSpec{dot(2, 2, 30, 1000), dot(2, 2, 37, 1000)}, 0, Ratio{1, 1000}, []int64{30, 67}, Ratio{100, 3}, Ratio{67, 1000}},
		{[]apngSpec{dot(2, 2, 32768, 65535), dot(2, 2, 1, 65533), dot(2, 2, 1, 65534)}, 0, Ratio{1, 1000000}, []int64{500008, 500023, 500038}, Ratio{200000, 3}, Ratio{250019, 500000}},
	} {
		m := open(t, write(t, "a.png", apngFile(t, 2, 2, c.plays, false, c.frames...)), Options{})
		info := m.Pictures.Info()
		if info.Tick != c.tick || info.Rate != c.rate || info.Duration != c.duration || info.LoopsForever != (c.plays == 0) {
			t.Errorf("%+v, want %+v", info, c)
		}
		for i, until := range c.until {
			p, err := m.Pictures.Next(background)
			if err != nil || p.Until != until {
				t.Errorf("picture %d until %d, want %d; %v", i+1, p.Until, until, err)
			}
		}
	}
}

func TestAnAnimatedPNGOfOnePictureIsAStill(t *testing.T) {
	for _, data := range [][]byte{
		apngFile(t, 3, 2, 0, false, dot(3, 2, 1, 10)),
		insert(smallPNG(t), 33, pngChunk("acTL", make([]byte, 8))),
	} {
		if m := open(t, write(t, "a.png", data), Options{}); m.Kind != KindPNG || !m.Pictures.Info().Still || len(m.Warnings()) != 0 {
			t.Errorf("%s %+v %q", m.Kind, m.Pictures.Info(), m.Warnings())
		}
	}
}

func TestAnAnimatedPNGCutShortPlaysAndWarns(t *testing.T) {
	whole := apngFile(t, 3, 2, 0, false, dot(3, 2, 1, 10), dot(3, 2, 1, 10), dot(3, 2, 1, 10))
	last := bytes.LastIndex(whole, []byte("fcTL"))
	for _, end := range []int{last + 10, last + 60, len(whole) - 14} {
		m := open(t, write(t, "a.png", whole[:end]), Options{})
		n, _, err := drain(m)
		if n != 2 || err != nil || len(m.Warnings()) != 1 || m.Warnings()[0] != "ends early, after picture 2 of 3 (0.20 s)" {
			t.Errorf("cut at %d: %d pictures, %v, %q", end, n, err, m.Warnings())
		}
	}
	var d *DamagedError
	for name, change := range map[string]func(b []byte){
		"check sum": func(b []byte) { b[last+40] ^= 1 },
		"number":    func(b []byte) { copy(b[last-4:], pngChunk("fcTL", append([]byte{0, 0, 0, 9}, b[last+8:last+30]...))) },
		"beyond the edge": func(b []byte) {
			c := append([]byte(nil), b[last+4:last+30]...)
			c[15] = 1
			copy(b[last-4:], pngChunk("fcTL", c))
		},
	} {
		bad := append([]byte(nil), whole...)
		change(bad)
		if err := tryAll(t, write(t, "a.png", bad), Options{}); !errors.As(err, &d) || !strings.Contains(d.Where, "at byte ") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A palette and 16 bits are read as in a still.
func TestPalettesAndDeepColoursInAnAnimatedPNG(t *testing.T) {
	pal := image.NewPaletted(image.Rect(0, 0, 2, 1), color.Palette{color.NRGBA{10, 20, 30, 255}, color.NRGBA{40, 50, 60, 128}})
	pal.Pix[1] = 1
	var b bytes.Buffer
	if err := png.Encode(&b, pal); err != nil {
		t.Fatal(err)
	}
	file := b.Bytes()
	idat := bytes.Index(file, []byte("IDAT")) - 4
	size := int(binary.BigEndian.Uint32(file[idat:]))
	fcTL := func(n byte) []byte {
		return pngChunk("fcTL", []byte{0, 0, 0, n, 0, 0, 0, 2, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 10, 0, 0})
	}
	data := append([]byte(nil), file[:idat]...)
	data = append(data, pngChunk("acTL", []byte{0, 0, 0, 2, 0, 0, 0, 0})...)
	data = append(append(data, fcTL(0)...), file[idat:idat+12+size]...)
	data = append(data, fcTL(1)...)
	data = append(data, pngChunk("fdAT", append([]byte{0, 0, 0, 2}, file[idat+8:idat+8+size]...))...)
	data = append(data, pngChunk("IEND", nil)...)
	m := open(t, write(t, "a.png", data), Options{})
	for i := range 2 {
		p, err := m.Pictures.Next(background)
		if err != nil {
			t.Fatal(err)
		}
		if got := p.Image.(*image.NRGBA).Pix; !bytes.Equal(got, []byte{10, 20, 30, 255, 40, 50, 60, 128}) {
			t.Errorf("picture %d is %v", i+1, got)
		}
	}
}

func TestAnyByteOfAnAnimatedPNGMayBeWrong(t *testing.T) {
	everyByte(t, "a.png", apngFile(t, 3, 2, 0, false, dot(3, 2, 1, 10), dot(2, 2, 1, 10)))
}

// Each frame is decoded behind its palette, so that must not grow.
func TestAnAnimatedPNGHasOnePalette(t *testing.T) {
	data := apngFile(t, 9, 9, 0, false, dot(9, 9, 1, 10), dot(2, 2, 1, 10))
	many := insert(data, 33, bytes.Repeat(pngChunk("PLTE", make([]byte, 3*256)), 1000))
	var d *DamagedError
	if err := tryAll(t, write(t, "a.png", many), Options{}); !errors.As(err, &d) || !strings.Contains(err.Error(), "PLTE once more") {
		t.Errorf("%v", err)
	}
}

func TestALargeAnimatedPNGIsRefused(t *testing.T) {
	data := apngFile(t, 9, 9, 0, false, dot(9, 9, 1, 10), dot(2, 2, 1, 10))
	var l *LimitError
	if _, err := Open(background, write(t, "a.png", data), Options{MaxPixels: 80}); !errors.As(err, &l) {
		t.Errorf("%v", err)
	}
	open(t, write(t, "b.png", data), Options{MaxPixels: 81})
	ihdr := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, 3100), 3100)
	copy(data[8:], pngChunk("IHDR", append(ihdr, data[24:29]...)))
	if _, err := Open(background, write(t, "c.png", data), Options{}); !errors.As(err, &l) || l.Unit != "MB of memory" {
		t.Errorf("%v", err)
	}
}
