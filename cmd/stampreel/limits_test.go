//go:build unix

package main

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"os"
	"path/filepath"
	"testing"
)

// photoJPEG is a JPEG with grain and 4:2:0 chroma, as a camera makes it, with
// the Exif orientation of a camera held upright.
func photoJPEG(t *testing.T, w, h int) []byte {
	t.Helper()
	img := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio420)
	grain := uint32(1)
	for i := range img.Y {
		grain = grain*1664525 + 1013904223
		img.Y[i] = byte(64 + i>>14&127 + int(grain>>28))
	}
	for i := range img.Cb {
		img.Cb[i], img.Cr[i] = byte(112+i&31), byte(112+i>>9&31)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: 90}); err != nil {
		t.Fatal(err)
	}
	// TIFF 6.0: one entry, tag 0x0112 (274, Orientation), a 16-bit 6.
	turned := jpegSegment(0xe1, []byte("Exif\x00\x00MM\x00*\x00\x00\x00\x08\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01\x00\x06\x00\x00\x00\x00\x00\x00")...)
	return bytes.Join([][]byte{{0xff, 0xd8}, turned, b.Bytes()[2:]}, nil)
}

// wholeGIF is a GIF89a whose frames fill the canvas and are undone one by one.
func wholeGIF(side uint16, frames int) []byte {
	le := binary.LittleEndian
	b := le.AppendUint16(le.AppendUint16([]byte("GIF89a"), side), side)
	b = append(b, 0x80, 0, 0, 0, 0, 0, 255, 255, 255)
	frame := append([]byte{0x21, 0xf9, 4, 3 << 2, 4, 0, 0, 0, 0x2c, 0, 0, 0, 0}, byte(side), byte(side>>8), byte(side), byte(side>>8), 0, 2, 1, 0x2c, 0)
	return append(append(b, bytes.Repeat(frame, frames)...), 0x3b)
}

// wholePNG is an animated PNG whose frames fill the canvas and are undone one by
// one (PNG, third edition, 11.3.6).
func wholePNG(side uint32, frames int) []byte {
	be := binary.BigEndian
	sides := be.AppendUint32(be.AppendUint32(nil, side), side)
	var data bytes.Buffer
	z := zlib.NewWriter(&data)
	io.CopyN(z, nothing{}, int64(side)*(4*int64(side)+1))
	z.Close()
	b := []byte("\x89PNG\r\n\x1a\n")
	b = append(b, pngChunk("IHDR", append(sides[:8:8], 8, 6, 0, 0, 0))...)
	b = append(b, pngChunk("acTL", be.AppendUint32(be.AppendUint32(nil, uint32(frames)), 0))...)
	number := uint32(0)
	next := func() []byte { number++; return be.AppendUint32(nil, number-1) }
	for i := range frames {
		control := append(append(next(), sides...), 0, 0, 0, 0, 0, 0, 0, 0, 0, 4, 0, 100, 2, 1)
		b = append(b, pngChunk("fcTL", control)...)
		if i == 0 {
			b = append(b, pngChunk("IDAT", data.Bytes())...)
		} else {
			b = append(b, pngChunk("fdAT", append(next(), data.Bytes()...))...)
		}
	}
	return append(b, pngChunk("IEND", nil)...)
}

// The largest pictures that are opened stay within the bound on memory, and with
// them photographs of 12 and 50 million pixels, turned as their Exif data says.
func TestTheLargestPicturesThatAreOpenedStayWithinTheBound(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	binary, dir := realBinary(t), t.TempDir()
	worst := 0.0
	for _, c := range []struct {
		name string
		data func() []byte
	}{
		{"grey-64M.png", func() []byte { return bombPNG(8192, 8192, 8, 0, 8192*8193) }},
		{"true-colour-44M.png", func() []byte { return bombPNG(6700, 6700, 8, 2, 6700*(3*6700+1)) }},
		{"16-bit-22M.png", func() []byte { return bombPNG(4740, 4740, 16, 6, 4740*(8*4740+1)) }},
		{"baseline-444-59M.jpg", func() []byte { return bombJPEG(0xc0, 7740, 7740, 968*968*6/8+1) }},
		{"progressive-444-11M.jpg", func() []byte { return bombJPEG(0xc2, 3460, 3460, 433*433*3/8+1) }},
		{"photo-12M.jpg", func() []byte { return photoJPEG(t, 4000, 3000) }},
		{"photo-50M.jpg", func() []byte { return photoJPEG(t, 8192, 6144) }},
		{"still-44M.gif", func() []byte { return wholeGIF(6700, 1) }},
		{"animation-15M.gif", func() []byte { return wholeGIF(3870, 8) }},
		{"animation-8M.png", func() []byte { return wholePNG(2950, 5) }},
	} {
		path := filepath.Join(dir, c.name)
		if err := os.WriteFile(path, c.data(), 0o644); err != nil {
			t.Fatal(err)
		}
		r := runChild(t, binary, dir, 20*slowMachine*bombTime, nil, "pack", path, "-o", "clip.srq", "--player", "rect-240x135")
		t.Logf("%6.0f ms, %3.0f MB: %s", float64(r.took.Microseconds())/1e3, r.peakMB, c.name)
		worst = max(worst, r.peakMB)
		if r.code != exitDone {
			t.Errorf("%s: exit code %d: %s", c.name, r.code, r.stderr)
		}
		if r.peakMB > bombMB || r.peakMB == 0 {
			t.Errorf("%s: %.0f MB in use, want at most %d", c.name, r.peakMB, bombMB)
		}
		os.Remove(path)
	}
	t.Logf("%.0f MB at most", worst)
}

// Many large pictures at a time take no more than one.
func TestPackingManyPhotographsAtATimeStaysWithinTheBound(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	binary, dir := realBinary(t), t.TempDir()
	reel := filepath.Join(dir, "reel")
	if err := os.Mkdir(reel, 0o755); err != nil {
		t.Fatal(err)
	}
	photo := photoJPEG(t, 4000, 3000)
	names := []string{"beach", "boat", "bridge", "canal", "church", "ferry", "harbour", "lighthouse", "market", "station"}
	for _, name := range names {
		if err := os.WriteFile(filepath.Join(reel, name+".jpg"), photo, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	r := runChild(t, binary, dir, 20*slowMachine*bombTime, io.Reader(nil), "fill", "reel", "card", "--player", "rect-240x135", "--workers", fmt.Sprint(len(names)))
	if clips := namesIn(t, filepath.Join(dir, "card")); r.code != exitDone || len(clips) != len(names)+2 { // the ledger and the guide
		t.Errorf("exit code %d, %d clips: %s", r.code, len(clips), r.stderr)
	}
	if r.peakMB > bombMB || r.peakMB == 0 {
		t.Errorf("%.0f MB in use, want at most %d", r.peakMB, bombMB)
	}
	t.Logf("%v, %.0f MB", r.took, r.peakMB)
}
