package source

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/image/bmp"

	"example.org/stampreel/transcode/picture"
)

// arrow is a picture without any symmetry.
func arrow(w, h int) *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			img.SetNRGBA(x, y, color.NRGBA{uint8(x * 255 / w), uint8(y * 255 / h), uint8((x * y) % 256), 255})
		}
	}
	return img
}

func encodePNG(t testing.TB, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func smallPNG(t testing.TB) []byte { return encodePNG(t, arrow(6, 5)) }

// pngChunk makes a chunk to put behind the header of a PNG.
func pngChunk(id string, data []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	b = append(append(b, id...), data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

func insert(b []byte, at int, what []byte) []byte {
	return append(append(append([]byte(nil), b[:at]...), what...), b[at:]...)
}

// exif is a TIFF directory with one other tag and the orientation.
func exif(order binary.AppendByteOrder, value uint16) []byte {
	b := []byte("II*\x00")
	if order.String() == "BigEndian" {
		b = []byte("MM\x00*")
	}
	b = order.AppendUint32(b, 8)
	b = order.AppendUint16(b, 2)
	for _, e := range [][2]uint16{{0x0100, 7}, {0x0112, value}} {
		b = order.AppendUint16(b, e[0])
		b = order.AppendUint16(b, 3)
		b = order.AppendUint32(b, 1)
		b = order.AppendUint16(b, e[1])
		b = order.AppendUint16(b, 0)
	}
	return order.AppendUint32(b, 0)
}

// upright is where the pixel stored at (x, y) of a w by h picture is shown, by
// the table of TIFF 6.0, tag 274: which edges row 0 and column 0 are.
func upright(orientation, x, y, w, h int) (int, int) {
	switch orientation {
	case 2: // row 0 top, column 0 right
		return w - 1 - x, y
	case 3: // bottom, right
		return w - 1 - x, h - 1 - y
	case 4: // bottom, left
		return x, h - 1 - y
	case 5: // left, top
		return y, x
	case 6: // right, top
		return h - 1 - y, x
	case 7: // right, bottom
		return h - 1 - y, w - 1 - x
	case 8: // left, bottom
		return y, w - 1 - x
	}
	return x, y
}

func TestEveryOrientationIsTurnedUpright(t *testing.T) {
	const w, h = 24, 16
	stored := arrow(w, h)
	var j bytes.Buffer
	if err := jpeg.Encode(&j, stored, &jpeg.Options{Quality: 100}); err != nil {
		t.Fatal(err)
	}
	lossy, err := jpeg.Decode(bytes.NewReader(j.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	for o := 0; o <= 9; o++ {
		for _, order := range []binary.AppendByteOrder{binary.LittleEndian, binary.BigEndian} {
			data := exif(order, uint16(o))
			app1 := append([]byte("Exif\x00\x00"), data...)
			app1 = append(binary.BigEndian.AppendUint16([]byte{0xff, 0xe1}, uint16(len(app1)+2)), app1...)
			for _, c := range []struct {
				name string
				file []byte
				want image.Image
			}{
				{"a.jpg", insert(j.Bytes(), 2, app1), lossy},
				{"a.png", insert(encodePNG(t, stored), 33, pngChunk("eXIf", data)), stored},
			} {
				m := open(t, write(t, c.name, c.file), Options{})
				p, err := m.Pictures.Next(background)
				if err != nil {
					t.Fatal(err)
				}
				got, want := nrgba(p.Image), nrgba(c.want)
				if info := m.Pictures.Info(); info.Width != got.Rect.Dx() || info.Height != got.Rect.Dy() {
					t.Errorf("%s orientation %d: announced as %dx%d, is %v", c.name, o, info.Width, info.Height, got.Rect)
				}
				for y := range h {
					for x := range w {
						ux, uy := upright(o, x, y, w, h)
						if got.NRGBAAt(ux, uy) != want.NRGBAAt(x, y) {
							t.Fatalf("%s orientation %d: pixel %d,%d is not at %d,%d", c.name, o, x, y, ux, uy)
						}
					}
				}
			}
		}
	}
}

func TestStillsOfEveryKind(t *testing.T) {
	img := arrow(20, 10)
	var b bytes.Buffer
	if err := bmp.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	deep := image.NewNRGBA64(image.Rect(0, 0, 20, 10))
	deep.SetNRGBA64(3, 4, color.NRGBA64{0x1234, 0x5678, 0x9abc, 0xffff})
	for name, c := range map[string]struct {
		file []byte
		kind string
		want image.Image
	}{
		"png":        {encodePNG(t, img), KindPNG, img},
		"16-bit png": {encodePNG(t, deep), KindPNG, deep},
		"bmp":        {b.Bytes(), KindBMP, img},
	} {
		m := open(t, write(t, "picture", c.file), Options{})
		if m.Kind != c.kind {
			t.Errorf("%s: kind %q", name, m.Kind)
		}
		if info := m.Pictures.Info(); !info.Still || info.Duration != (Ratio{0, 1}) || info.Width != 20 || info.Frames != 1 {
			t.Errorf("%s: %+v", name, info)
		}
		p, err := m.Pictures.Next(background)
		if err != nil {
			t.Fatal(err)
		}
		if p.At != 0 || p.Until != 0 {
			t.Errorf("%s: shown from %d to %d without Hold", name, p.At, p.Until)
		}
		for y := range 10 {
			for x := range 20 {
				r, g, b, a := p.Image.At(x, y).RGBA()
				wr, wg, wb, wa := c.want.At(x, y).RGBA()
				if r != wr || g != wg || b != wb || a != wa {
					t.Fatalf("%s: pixel %d,%d differs", name, x, y)
				}
			}
		}
		if _, err := m.Pictures.Next(background); err != io.EOF {
			t.Errorf("%s: %v after the only picture", name, err)
		}
	}
}

func TestAnimatedWebPIsRefused(t *testing.T) {
	var u *UnsupportedError
	webp := []byte("RIFF\x16\x00\x00\x00WEBPVP8X\x0a\x00\x00\x00\x02\x00\x00\x00\x00\x00\x00\x00\x00\x00")
	if _, err := Open(background, write(t, "a.webp", webp), Options{}); !errors.As(err, &u) {
		t.Errorf("animated WebP: %v", err)
	}
}

// bombPNG states any size and holds next to nothing.
func bombPNG(w, h uint32) []byte {
	ihdr := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, w), h)
	ihdr = append(ihdr, 8, 6, 0, 0, 0)
	b := append([]byte("\x89PNG\r\n\x1a\n"), pngChunk("IHDR", ihdr)...)
	b = append(b, pngChunk("IDAT", []byte{0x78, 0x9c, 1, 0, 0, 0xff, 0xff})...)
	return append(b, pngChunk("IEND", nil)...)
}

func TestPicturesThatOnlyClaimToBeLargeAllocateLittle(t *testing.T) {
	var b bytes.Buffer
	if err := bmp.Encode(&b, arrow(4, 4)); err != nil {
		t.Fatal(err)
	}
	flat := func(w, h uint32) []byte {
		f := append([]byte(nil), b.Bytes()...)
		binary.LittleEndian.PutUint32(f[18:], w)
		binary.LittleEndian.PutUint32(f[22:], h)
		return f
	}
	for name, file := range map[string][]byte{
		"png over the limit":  bombPNG(65000, 65000),
		"png below the limit": bombPNG(8000, 8000),
		"bmp over the limit":  flat(65000, 65000),
		"bmp below the limit": flat(8000, 8000),
	} {
		grew := growth(func() {
			if tryAll(t, write(t, "a", file), Options{}) == nil {
				t.Errorf("%s: no error", name)
			}
		})
		if grew > 4<<20 {
			t.Errorf("%s: %d bytes allocated", name, grew)
		}
	}
}

func TestAnyByteOfAPNGMayBeWrong(t *testing.T) { everyByte(t, "a.png", smallPNG(t)) }

func TestAnyByteOfAJPEGMayBeWrong(t *testing.T) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, arrow(16, 8), nil); err != nil {
		t.Fatal(err)
	}
	everyByte(t, "a.jpg", b.Bytes())
}

// The pictures that come with golang.org/x/image: the same picture as lossless
// PNG and as lossy and lossless WebP.
func TestWebPColoursAreThoseOfTheOriginal(t *testing.T) {
	dir := filepath.Join(goFolder(t, "list", "-m", "-f", "{{.Dir}}", "golang.org/x/image"), "testdata")
	compared := 0
	for _, name := range []string{"blue-purple-pink", "yellow_rose", "gopher-doc.8bpp", "tux", "video-001"} {
		data, err := os.ReadFile(filepath.Join(dir, name+".png"))
		if err != nil {
			continue
		}
		original, err := png.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		want := nrgba(original)
		paths, _ := filepath.Glob(filepath.Join(dir, name+".*webp"))
		for _, path := range paths {
			m := open(t, path, Options{})
			p, err := m.Pictures.Next(background)
			if err != nil {
				t.Fatalf("%s: %v", path, err)
			}
			got := p.Image
			var planes *image.YCbCr
			switch img := got.(type) {
			case *image.YCbCr:
				planes = img
				got = limitedToNRGBA(img)
			case *image.NYCbCrA:
				planes = &img.YCbCr
				rgba := limitedToNRGBA(planes)
				for i := range rgba.Pix[:len(rgba.Pix)/4] {
					rgba.Pix[4*i+3] = img.A[i/img.Rect.Dx()*img.AStride+i%img.Rect.Dx()]
				}
				got = rgba
			}
			if planes != nil {
				if limited, full := meanDifference(nrgba(got), want), meanDifference(nrgba(planes), want); limited >= full || p.Colour.FullRange || p.Colour.Matrix != picture.BT601 {
					t.Errorf("%s: read as limited range it is off by %.2f, as full range by %.2f, handed on as %+v", path, limited, full, p.Colour)
				}
			}
			d := meanDifference(nrgba(got), want)
			t.Logf("%s: mean difference %.2f of 255", filepath.Base(path), d)
			if lossy := strings.Contains(path, "lossy") || strings.Contains(path, "with-alpha"); !lossy && d != 0 || d > 6 {
				t.Errorf("%s: mean difference %.2f of 255", path, d)
			}
			compared++
		}
	}
	if compared < 4 {
		t.Errorf("%d pictures compared, want at least 4", compared)
	}
}

func meanDifference(a, b *image.NRGBA) float64 {
	if a.Rect != b.Rect {
		return math.Inf(1)
	}
	var sum, n float64
	for i := range a.Pix {
		if i%4 != 3 && a.Pix[i|3] != 0 && b.Pix[i|3] != 0 {
			sum += math.Abs(float64(a.Pix[i]) - float64(b.Pix[i]))
			n++
		}
	}
	return sum / n
}

// limitedToNRGBA converts BT.601 limited range to 8-bit RGB by the inverse of
// BT.601-7, section 2.5 (from memory): luma 16 to 235, chroma 16 to 240.
func limitedToNRGBA(src *image.YCbCr) *image.NRGBA {
	r := src.Rect
	dst := image.NewNRGBA(image.Rect(0, 0, r.Dx(), r.Dy()))
	clamp := func(v float64) uint8 { return uint8(min(max(v+0.5, 0), 255)) }
	for y := range r.Dy() {
		for x := range r.Dx() {
			c := src.COffset(r.Min.X+x, r.Min.Y+y)
			luma := float64(int(src.Y[src.YOffset(r.Min.X+x, r.Min.Y+y)])-16) * 255 / 219
			cb, cr := float64(int(src.Cb[c])-128)*255/224, float64(int(src.Cr[c])-128)*255/224
			dst.SetNRGBA(x, y, color.NRGBA{
				clamp(luma + 1.402*cr),
				clamp(luma - 1.772*0.114/0.587*cb - 1.402*0.299/0.587*cr),
				clamp(luma + 1.772*cb), 255})
		}
	}
	return dst
}
