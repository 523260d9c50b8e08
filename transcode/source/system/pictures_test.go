package system

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.org/stampreel/transcode/picture"
)

// natural frames pictures to the size they have when they stand upright.
func natural(d *Description) PictureOptions {
	size := d.Videos[0].Upright()
	return PictureOptions{Framing: picture.Framing{Width: size.X, Height: size.Y, Fit: picture.Stretch}}
}

// code is the sRGB code, 0..255, of linear light (IEC 61966-2-1).
func code(linear uint16) float64 {
	v := float64(linear) / 65535
	if v <= 0.0031308 {
		return 255 * 12.92 * v
	}
	return 255 * (1.055*math.Pow(v, 1/2.4) - 0.055)
}

// codings are files of each container and codec that a video may be in, each of
// three pictures of colour bars. They are not committed: GStreamer makes them.
var codings = []struct {
	name      string
	raw       string // the pictures before they are coded
	coder     string
	container string // as Describe names it
	codec     string
	tolerance float64 // codes of 255
}{
	{"h264-601.mp4", "I420,width=320,height=240,colorimetry=bt601", "x264enc ! mp4mux", "MP4", "H.264", 2},
	{"h264-709.mp4", "I420,width=320,height=240,colorimetry=bt709", "x264enc ! mp4mux", "MP4", "H.264", 2},
	{"h264-2020.mp4", "RGB,width=320,height=240 ! videoconvert ! video/x-raw,format=I420,colorimetry=2:6:5:1", "x264enc ! mp4mux", "MP4", "H.264", 4}, // its matrix alone
	{"h264-full.mp4", "RGB,width=320,height=240 ! videoconvert ! video/x-raw,format=I420,colorimetry=1:3:5:1", "x264enc ! mp4mux", "MP4", "H.264", 4},
	{"h264-wide.mov", "I420,width=854,height=478,colorimetry=bt709", "x264enc ! qtmux", "QuickTime", "H.264", 2}, // rows are padded
	{"h264-422.mkv", "Y42B,width=320,height=240", "x264enc ! matroskamux", "Matroska", "H.264", 2},
	{"h264-444.mkv", "Y444,width=320,height=240", "x264enc ! matroskamux", "Matroska", "H.264", 2},
	{"h264-10.mkv", "I420_10LE,width=320,height=240", "x264enc ! matroskamux", "Matroska", "H.264", 2},
	{"h264.flv", "I420,width=320,height=240", "x264enc bframes=0 ! flvmux", "FLV", "H.264", 2},
	{"h264.ts", "I420,width=320,height=240", "x264enc ! mpegtsmux", "MPEG-TS", "H.264", 2},
	{"hevc.mp4", "I420,width=320,height=240", "x265enc ! h265parse ! mp4mux", "MP4", "HEVC", 2},
	{"hevc-10.mp4", "I420_10LE,width=320,height=240", "x265enc ! h265parse ! mp4mux", "MP4", "HEVC", 2},
	{"av1.mp4", "I420,width=320,height=240", "av1enc cpu-used=8 ! av1parse ! mp4mux", "MP4", "AV1", 3},
	{"vp8-odd.webm", "I420,width=331,height=241", "vp8enc ! webmmux", "WebM", "VP8", 3},
	{"vp9-odd.webm", "I420,width=331,height=241", "vp9enc cpu-used=8 ! webmmux", "WebM", "VP9", 3},
	{"theora-odd.ogg", "I420,width=331,height=241", "theoraenc ! oggmux", "Ogg", "Theora", 3},
	{"mpeg4.avi", "I420,width=320,height=240", "avenc_mpeg4 ! avimux", "AVI", "MPEG-4", 4},
	{"mpeg2.mpg", "I420,width=320,height=240", "mpeg2enc format=3 ! mpegvideoparse ! mpegpsmux", "MPEG-PS", "MPEG-2", 4},
	{"mpeg2.ts", "I420,width=320,height=240", "mpeg2enc format=3 ! mpegvideoparse ! mpegtsmux", "MPEG-TS", "MPEG-2", 4},
	{"mjpeg.mov", "RGB,width=320,height=240 ! videoconvert ! video/x-raw,format=I420,colorimetry=1:4:0:1", "jpegenc ! qtmux", "QuickTime", "Motion JPEG", 5},
	{"prores.mov", "I422_10LE,width=320,height=240", "avenc_prores ! qtmux", "QuickTime", "ProRes", 3},
	{"png.mov", "RGB,width=321,height=241", "pngenc ! qtmux", "QuickTime", "PNG", 1},
	{"ffv1-411.mkv", "Y41B,width=320,height=240", "avenc_ffv1 ! matroskamux", "Matroska", "FFV1", 2},
	{"wmv2.asf", "I420,width=320,height=240", "avenc_wmv2 ! asfmux", "Windows Media", "Windows Media Video", 4},
}

// Bars of full strength (ITU-R BT.471-1, 100/0/100/0) come back as what they
// are, whatever way their colours were coded.
func TestColourBarsKeepTheirColours(t *testing.T) {
	bars := [7][3]float64{{255, 255, 255}, {255, 255, 0}, {0, 255, 255}, {0, 255, 0}, {255, 0, 255}, {255, 0, 0}, {0, 0, 255}}
	for _, c := range codings {
		t.Run(c.name, func(t *testing.T) {
			path := media(t, c.name, "videotestsrc num-buffers=3 pattern=smpte100 ! video/x-raw,framerate=25/1,format="+c.raw+" ! "+c.coder+" ! OUT")
			d := describe(t, path)
			var w, h int
			_, size, _ := strings.Cut(c.raw, "width=")
			fmt.Sscanf(size, "%d,height=%d", &w, &h)
			if len(d.Videos) != 1 || d.Container != c.container || d.Videos[0].Codec != c.codec || d.Videos[0].Upright() != image.Pt(w, h) || d.Videos[0].Missing {
				t.Fatalf("%+v", d)
			}
			list, end := allPictures(t, d, natural(d))
			if len(list) != 3 || end.Damaged != "" || end.Broken != 0 {
				t.Fatalf("%d pictures, %+v", len(list), end)
			}
			for i, p := range list {
				if p.W != w || p.H != h {
					t.Fatalf("picture of %dx%d, want %dx%d", p.W, p.H, w, h)
				}
				for bar, want := range bars {
					at := p.Pix[3*(h/3*w+w*(2*bar+1)/14):]
					for k := range want {
						if got := code(at[k]); math.Abs(got-want[k]) > c.tolerance {
							t.Errorf("picture %d, bar %d: %.1f %.1f %.1f, want %v", i, bar, code(at[0]), code(at[1]), code(at[2]), want)
							break
						}
					}
				}
			}
		})
	}
}

// rgb decodes the first picture of a file with gst-launch-1.0, upright, as its
// own elements turn and convert it.
func rgb(t *testing.T, path string, size image.Point) []byte {
	t.Helper()
	out := filepath.Join(t.TempDir(), "rgb")
	args := []string{"-q", "filesrc", "location=" + path, "!", "decodebin", "!", "videoflip", "video-direction=auto", "!",
		// By way of 16 bits: the short cut to 8 bits is off by some codes.
		"videoconvert", "!", "video/x-raw,format=ARGB64", "!", "videoconvert", "!",
		"video/x-raw,format=RGB", "!", "filesink", "location=" + out}
	if text, err := exec.Command("gst-launch-1.0", args...).CombinedOutput(); err != nil {
		t.Fatalf("gst-launch-1.0 %v: %v: %s", args, err, text)
	}
	data, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	stride := (3*size.X + 3) &^ 3
	if len(data) < stride*size.Y || len(data)%(stride*size.Y) != 0 {
		t.Fatalf("%d bytes, want pictures of %v", len(data), size)
	}
	pix := make([]byte, 0, 3*size.X*size.Y)
	for y := range size.Y {
		pix = append(pix, data[y*stride:][:3*size.X]...)
	}
	return pix
}

// difference is the mean difference in codes of 255.
func difference(p *picture.Framed, rgb []byte) float64 {
	sum := 0.0
	for i, v := range p.Pix {
		sum += math.Abs(code(v) - float64(rgb[i]))
	}
	return sum / float64(len(rgb))
}

// matrices turn the picture of an MP4 as the orientations of Exif do (ISO/IEC
// 14496-12, 8.3.2: a b u c d v x y w, of which a to d matter here).
var matrices = [9][4]int32{1: {1, 0, 0, 1}, 2: {-1, 0, 0, 1}, 3: {-1, 0, 0, -1}, 4: {1, 0, 0, -1},
	5: {0, 1, 1, 0}, 6: {0, 1, -1, 0}, 7: {0, -1, -1, 0}, 8: {0, -1, 1, 0}}

func TestTurnedVideosStandUpright(t *testing.T) {
	path := media(t, "turn.mp4", "videotestsrc num-buffers=2 pattern=smpte ! video/x-raw,format=I420,width=320,height=180,framerate=25/1,colorimetry=bt601 ! x264enc ! mp4mux ! OUT")
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(data, []byte("tkhd")) + 4 + 40
	for o := picture.Orientation(1); o <= 8; o++ {
		m := matrices[o]
		for i, place := range []int{0, 4, 12, 16} {
			binary.BigEndian.PutUint32(data[at+place:], uint32(m[i]<<16))
		}
		path := filepath.Join(t.TempDir(), "turned.mp4")
		if err := os.WriteFile(path, data, 0o644); err != nil {
			t.Fatal(err)
		}
		d := describe(t, path)
		if got := max(d.Videos[0].Orientation, 1); o == 7 && got == 1 {
			t.Logf("orientation 7: GStreamer says nothing of it")
			continue
		} else if got != o {
			t.Errorf("orientation %d, want %d", got, o)
			continue
		}
		size := image.Pt(320, 180)
		if o >= 5 {
			size = image.Pt(180, 320)
		}
		list, _ := allPictures(t, d, natural(d))
		if len(list) != 2 || list[0].W != size.X || list[0].H != size.Y {
			t.Fatalf("orientation %d: %d pictures, the first of %dx%d", o, len(list), list[0].W, list[0].H)
		}
		if diff := difference(&list[0].Framed, rgb(t, path, size)); diff > 2 {
			t.Errorf("orientation %d: mean difference %.2f of 255", o, diff)
		} else {
			t.Logf("orientation %d: mean difference %.2f of 255", o, diff)
		}
	}
}

func TestPixelsThatAreNotSquareKeepTheirShape(t *testing.T) {
	path := media(t, "aspect.mkv", "videotestsrc num-buffers=2 ! video/x-raw,format=I420,width=360,height=288,framerate=25/1,pixel-aspect-ratio=64/45 ! x264enc ! matroskamux ! OUT")
	d := describe(t, path)
	list, _ := allPictures(t, d, PictureOptions{Framing: picture.Framing{Width: 160, Height: 160}})
	// 360 * 64/45 = 512 wide, 288 high: 16:9.
	if got := list[0].Bounds; got != image.Rect(0, 35, 160, 125) {
		t.Errorf("picture at %v, want 160x90 in the middle", got)
	}
}

// A ball that jumps between the two fields of a picture leaves a comb where
// fields are not told apart.
func TestInterlacedPicturesAreShownFieldByField(t *testing.T) {
	source := "videotestsrc num-buffers=50 pattern=ball ! video/x-raw,format=I420,width=320,height=240,framerate=50/1"
	whole := describe(t, media(t, "progressive.mkv", source+" ! x264enc ! matroskamux ! OUT"))
	want, _ := allPictures(t, whole, small)
	for _, c := range []struct{ name, coder string }{
		{"interlaced.ts", "x264enc interlaced=true ! mpegtsmux"},
		{"interlaced.mkv", "x264enc interlaced=true ! matroskamux"},
	} {
		d := describe(t, media(t, c.name, source+" ! interlace field-pattern=1:1 ! "+c.coder+" ! OUT"))
		if !d.Videos[0].Interlaced {
			t.Errorf("%s: not known as interlaced: %+v", c.name, d.Videos[0])
			continue
		}
		got, _ := allPictures(t, d, small)
		if n := len(got); n < 48 || n > 50 {
			t.Errorf("%s: %d pictures, want about 50", c.name, n)
			continue
		}
		worst := 0.0
		for i := range got {
			if step := got[i].until - got[i].at; step < 19e6 || step > 21e6 {
				t.Errorf("%s: picture %d is shown for %v", c.name, i, step)
			}
			sum := 0.0
			for k, v := range got[i].Pix {
				sum += math.Abs(code(v) - code(want[i].Pix[k]))
			}
			worst = max(worst, sum/float64(len(got[i].Pix)))
		}
		t.Logf("%s: %d pictures, at most %.2f of 255 from the progressive ones", c.name, len(got), worst)
		if worst > 2 {
			t.Errorf("%s: mean difference of a picture %.2f of 255", c.name, worst)
		}
	}
}

// Of a video of high dynamic range or wide colours the samples, their kind and the light they
// were made for arrive: it is framed as the same samples are, read by way of
// gst-launch-1.0. That this is what BT.2390 wants is held by tests of picture.
func TestHighDynamicRangeAndWideColoursArrive(t *testing.T) {
	const w, h = 320, 240
	raw := "videotestsrc num-buffers=2 ! video/x-raw,format=I420_10LE,width=320,height=240,framerate=25/1,colorimetry="
	for _, c := range []struct {
		name, pipeline, hdr string
		colour              picture.Colour
	}{
		{"pq.mp4", raw + "bt2100-pq ! x265enc option-string=hdr10=1:master-display=G(13250,34500)B(7500,3000)R(34000,16000)WP(15635,16450)L(40000000,50) ! h265parse ! mp4mux ! OUT",
			"PQ", picture.Colour{Matrix: picture.BT2020, Transfer: picture.PQ, Primaries: picture.BT2020Primaries, Peak: 4000}},
		{"pq-unknown.mkv", raw + "bt2100-pq ! x265enc ! h265parse ! matroskamux ! OUT",
			"PQ", picture.Colour{Matrix: picture.BT2020, Transfer: picture.PQ, Primaries: picture.BT2020Primaries}},
		{"hlg.mkv", raw + "bt2100-hlg ! x265enc ! h265parse ! matroskamux ! OUT",
			"HLG", picture.Colour{Matrix: picture.BT2020, Transfer: picture.HLG, Primaries: picture.BT2020Primaries}},
		{"p3.mp4", raw + "2:3:5:11 ! x265enc ! h265parse ! mp4mux ! OUT",
			"", picture.Colour{Matrix: picture.BT709, Primaries: picture.DisplayP3Primaries}},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := media(t, c.name, c.pipeline)
			d := describe(t, path)
			if d.Videos[0].HDR != c.hdr {
				t.Errorf("HDR %q, want %q", d.Videos[0].HDR, c.hdr)
			}
			out := filepath.Join(t.TempDir(), "raw")
			args := []string{"-q", "filesrc", "location=" + path, "!", "decodebin", "!", "video/x-raw,format=I420_10LE", "!", "filesink", "location=" + out}
			if text, err := exec.Command("gst-launch-1.0", args...).CombinedOutput(); err != nil {
				t.Fatalf("gst-launch-1.0 %v: %v: %s", args, err, text)
			}
			data, err := os.ReadFile(out)
			if err != nil {
				t.Fatal(err)
			}
			if len(data) != 2*2*w*h*3/2 {
				t.Fatalf("%d bytes of two pictures", len(data))
			}
			deep := &picture.DeepYCbCr{Y: data, Cb: data[2*w*h:], Cr: data[2*w*h*5/4:], YStride: 2 * w, CStride: w,
				SubsampleRatio: image.YCbCrSubsampleRatio420, Depth: 10, Rect: image.Rect(0, 0, w, h)}
			framer, err := picture.NewFramer(small.Framing)
			if err != nil {
				t.Fatal(err)
			}
			var want, without picture.Framed
			if err := framer.Frame(&want, picture.Picture{Image: deep, Colour: c.colour}); err != nil {
				t.Fatal(err)
			}
			c.colour.Transfer, c.colour.Primaries = picture.SDR, picture.SRGBPrimaries
			if err := framer.Frame(&without, picture.Picture{Image: deep, Colour: c.colour}); err != nil {
				t.Fatal(err)
			}
			list, _ := allPictures(t, d, small)
			if len(list) != 2 || !slices.Equal(list[0].Pix, want.Pix) {
				t.Errorf("%d pictures; the first is not the one whose samples are in the file", len(list))
			}
			if slices.Equal(want.Pix, without.Pix) {
				t.Error("it would not matter what light it was made for")
			}
		})
	}
}
