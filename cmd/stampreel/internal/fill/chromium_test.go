package fill

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/source"
)

// browser is Chromium, which decodes videos without the system's codecs.
type browser struct {
	ctx context.Context
	url string

	mu   sync.Mutex
	path string            // of the video that it may read
	sent map[string][]byte // what it made of the last picture
}

// drawn is a picture of the browser.
type drawn struct {
	Begin     float64 // seconds; -1 when it does not say
	W, H      int     // upright, in pixels that are square
	Format    string  // of the decoded planes, as WebCodecs names it
	CodedW    int     // size of the planes
	CodedH    int
	Matrix    string // how it reads them
	FullRange bool

	canvas *image.NRGBA // as it draws it
	planes *image.YCbCr // as it decodes it, if in a way that is read here
}

const browserPage = `<!DOCTYPE html><video muted playsinline></video><script>
const video = document.querySelector("video"), canvas = document.createElement("canvas")
const pen = canvas.getContext("2d", {willReadFrequently: true})
const once = what => new Promise((yes, no) => {
	video.addEventListener(what, yes, {once: true})
	video.addEventListener("error", () => no(new Error(video.error?.message)), {once: true})
})
const send = (what, data) => fetch(what, {method: "POST", body: data})
const frame = () => Promise.race([
	new Promise(yes => video.requestVideoFrameCallback((_, about) => yes(about.mediaTime))),
	new Promise(yes => setTimeout(yes, 3000, -1))])
async function load(url) {
	const shown = frame() // of the beginning
	video.src = url
	await once("loadeddata")
	return await shown
}
async function draw(at) {
	const shown = frame(), there = once("seeked")
	video.currentTime = at
	await there
	const begin = await shown
	canvas.width = video.videoWidth, canvas.height = video.videoHeight
	pen.drawImage(video, 0, 0)
	await send("canvas", pen.getImageData(0, 0, canvas.width, canvas.height).data)
	const decoded = new VideoFrame(video), size = decoded.visibleRect, planes = new Uint8Array(decoded.allocationSize())
	await decoded.copyTo(planes)
	await send("planes", planes)
	const about = {Begin: begin, W: canvas.width, H: canvas.height, Format: decoded.format, CodedW: size.width, CodedH: size.height,
		Matrix: decoded.colorSpace.matrix, FullRange: decoded.colorSpace.fullRange}
	decoded.close()
	return about
}
</script>`

// openBrowser starts a browser that ends with the test.
func openBrowser(t *testing.T) *browser {
	t.Helper()
	if _, err := exec.LookPath("chromium"); err != nil {
		missing(t, "chromium")
	}
	b := &browser{sent: map[string][]byte{}}
	pages := http.NewServeMux()
	pages.HandleFunc("GET /{$}", func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, browserPage) })
	pages.HandleFunc("GET /video", func(w http.ResponseWriter, r *http.Request) {
		b.mu.Lock()
		path := b.path
		b.mu.Unlock()
		http.ServeFile(w, r, path)
	})
	pages.HandleFunc("POST /{what}", func(w http.ResponseWriter, r *http.Request) {
		data, err := io.ReadAll(r.Body)
		if err != nil {
			t.Errorf("chromium: %s: %v", r.URL, err)
		}
		b.mu.Lock()
		b.sent[r.PathValue("what")] = data
		b.mu.Unlock()
	})
	server := httptest.NewServer(pages)
	t.Cleanup(server.Close)
	b.url = server.URL
	// A processor that imitates a graphics card takes longer than one that draws.
	ctx, stop := chromedp.NewExecAllocator(background, append(chromedp.DefaultExecAllocatorOptions[:], chromedp.DisableGPU)...)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewContext(ctx)
	t.Cleanup(stop)
	b.ctx = ctx
	if err := chromedp.Do(ctx, chromedp.Navigate(b.url+"/")); err != nil {
		t.Fatalf("chromium: %v", err)
	}
	// Else it tells of all that is sent, with a copy of it as text.
	if _, err := chromedp.Call(ctx, network.Disable, cdp.Empty{}); err != nil {
		t.Fatalf("chromium: %v", err)
	}
	return b
}

// draw has the browser draw the pictures of a video that show at some times, in
// seconds.
func (b *browser) draw(t *testing.T, path string, at ...float64) (pictures []drawn) {
	t.Helper()
	b.mu.Lock()
	b.path = path
	b.mu.Unlock()
	ctx, stop := context.WithTimeout(b.ctx, time.Minute)
	defer stop()
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[float64](fmt.Sprintf("load('/video?%d')", time.Now().UnixNano()), chromedp.EvalAwaitPromise)); err != nil {
		t.Fatalf("chromium: %s: %v", path, err)
	}
	for _, at := range at {
		d, err := chromedp.Run(ctx, chromedp.Evaluate[drawn](fmt.Sprintf("draw(%.9f)", at), chromedp.EvalAwaitPromise))
		if err != nil {
			t.Fatalf("chromium: %s at %.3f s: %v", path, at, err)
		}
		b.mu.Lock()
		d.canvas = &image.NRGBA{Pix: b.sent["canvas"], Stride: 4 * d.W, Rect: image.Rect(0, 0, d.W, d.H)}
		if d.Format == "I420" {
			d.planes = &image.YCbCr{YStride: d.CodedW, CStride: (d.CodedW + 1) / 2, Rect: image.Rect(0, 0, d.CodedW, d.CodedH), SubsampleRatio: image.YCbCrSubsampleRatio420}
			luma, chroma := d.CodedW*d.CodedH, d.planes.CStride*((d.CodedH+1)/2)
			d.planes.Y, d.planes.Cb, d.planes.Cr = b.sent["planes"][:luma], b.sent["planes"][luma:][:chroma], b.sent["planes"][luma+chroma:][:chroma]
		}
		clear(b.sent)
		b.mu.Unlock()
		pictures = append(pictures, d)
	}
	return pictures
}

// rgb is what the decoded planes stand for, in the slow and obvious way: each
// pixel has the chroma of the sample that covers it, and the arithmetic is that
// of ITU-R BT.601-7 (2.5) and BT.709-6 (3 and 4), in floats.
func (d *drawn) rgb(t *testing.T) image.Image {
	t.Helper()
	kr, kb := 0.299, 0.114
	switch d.Matrix {
	case "smpte170m", "bt470bg":
	case "bt709":
		kr, kb = 0.2126, 0.0722
	default:
		t.Fatalf("chromium: matrix %q", d.Matrix)
	}
	black, luma, chroma := 16., 219., 224.
	if d.FullRange {
		black, luma, chroma = 0, 255, 255
	}
	img := image.NewNRGBA64(d.planes.Rect)
	for y := range d.CodedH {
		for x := range d.CodedW {
			c := d.planes.COffset(x, y)
			l := (float64(d.planes.Y[d.planes.YOffset(x, y)]) - black) / luma
			cb, cr := (float64(d.planes.Cb[c])-128)/chroma, (float64(d.planes.Cr[c])-128)/chroma
			r, b := l+2*(1-kr)*cr, l+2*(1-kb)*cb
			code := func(v float64) uint16 { return uint16(math.Round(65535 * min(max(v, 0), 1))) }
			img.SetNRGBA64(x, y, color.NRGBA64{code(r), code((l - kr*r - kb*b) / (1 - kr - kb)), code(b), 65535})
		}
	}
	return img
}

// shot is a picture that a source gives.
type shot struct {
	begin, end float64 // seconds
	picture.Framed
}

// shots opens a source and returns the pictures that show at some times, which
// ascend.
func shots(t *testing.T, path string, framing picture.Framing, at ...float64) (shots []shot) {
	t.Helper()
	m, err := source.Open(background, path, source.Options{Framing: &framing, NoSound: true})
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	tick := m.Pictures.Info().Tick.Float()
	for len(shots) < len(at) {
		p, err := m.Pictures.Next(background)
		if err != nil {
			t.Fatalf("%s: %d of %d pictures: %v", path, len(shots), len(at), err)
		}
		if begin, end := float64(p.At)*tick, float64(p.Until)*tick; end > at[len(shots)] {
			s := shot{begin: begin, end: end}
			framed(t, framing, &s.Framed, p.Picture)
			shots = append(shots, s)
		}
		p.Release()
	}
	return shots
}

func framed(t *testing.T, framing picture.Framing, to *picture.Framed, p picture.Picture) {
	t.Helper()
	framer, err := picture.NewFramer(framing)
	if err == nil {
		err = framer.Frame(to, p)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// srgb is the sRGB code, 0..255 with its fraction, of linear light of 0..65535
// (IEC 61966-2-1).
func srgb(linear uint16) float64 {
	v := float64(linear) / 65535
	if v <= 0.0031308 {
		return 255 * 12.92 * v
	}
	return 255 * (1.055*math.Pow(v, 1/2.4) - 0.055)
}

// difference is the mean absolute difference of two framed pictures in sRGB
// codes of 0..255, and the mean of what the second has more of each channel.
func difference(t *testing.T, a, b *picture.Framed) (mean float64, more [3]float64) {
	t.Helper()
	if a.Bounds != b.Bounds || len(a.Pix) != len(b.Pix) {
		t.Fatalf("pictures at %v and at %v", a.Bounds, b.Bounds)
	}
	for i := range a.Pix {
		d := srgb(b.Pix[i]) - srgb(a.Pix[i])
		mean += math.Abs(d) / float64(len(a.Pix))
		more[i%3] += d / float64(len(a.Pix)/3)
	}
	return mean, more
}

// turned copies an MP4 and gives its pictures a transformation: the nine values
// of the matrix of its track header, in their order and without fractions
// (ISO/IEC 14496-12, 8.3.2: those of the last column have 30 bits of them, the
// others 16).
func turned(t *testing.T, path, name string, matrix [9]int32) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(data, []byte("tkhd"))
	if at < 0 || data[at+4] > 1 {
		t.Fatalf("%s has no track header", path)
	}
	at += 4 + 40 + 12*int(data[at+4]) // longer times in version 1
	for i, v := range matrix {
		bits := 16
		if i%3 == 2 {
			bits = 30
		}
		binary.BigEndian.PutUint32(data[at+4*i:], uint32(v<<bits))
	}
	return put(t, filepath.Dir(path), name, data)
}

// Chromium has decoders of its own. What it draws on a canvas, framed like ours,
// differs from ours by less than 2 of 255 on average, begins at the same time,
// and stands the same way up.
//
// Its canvas is not exact: it takes 2.000 for the coefficient of blue that is
// 2.112 in BT.709 (with 2.000 all its blues come out within half a code), which
// costs a blue picture some codes. So its decoded planes are compared too, by
// the arithmetic of the standards; there the bound is 0.5.
func TestPicturesOfVideosAreThoseThatABrowserDraws(t *testing.T) {
	notShort(t)
	dir, browser := t.TempDir(), openBrowser(t)
	real := realMedia(t)
	phones := filepath.Join(real, "forensics-samples-files/usr/share/forensics-samples/original-files")
	made := func(name, pattern, caps, behind string) string {
		return launch(t, dir, name, "videotestsrc num-buffers=12 pattern="+pattern+" ! video/x-raw,framerate=25/1,"+caps+" ! "+behind+" ! filesink location=OUT")
	}
	const (
		h264 = "x264enc pass=qual quantizer=12 bframes=2 ! "
		size = "format=I420,width=640,height=360"
	)
	film := made("upright.mp4", "smpte", size+",colorimetry=bt601", h264+"mp4mux")
	for _, f := range []struct {
		name, path string
		at         []float64 // seconds; 0.3 when empty
		turn       *[9]int32 // its transformation
	}{
		{"H.264 of a phone", filepath.Join(phones, "movie1/VID_20191220_170832.mp4"), []float64{0.01, 1.2}, nil},
		{"H.264 of an editor", filepath.Join(phones, "movie2/movie-hello.mp4"), []float64{0.05, 1.7}, nil},
		// Not its later pictures: from 0.5 s on Chromium 156 shows broken blocks
		// and gives up at 1.2 s, where two decoders of the system (libvpx and
		// libavcodec) agree bit for bit to the end.
		{"VP8 of a desktop", filepath.Join(real, "gnome-user-docs/usr/share/help/C/gnome-help/figures/display-dual-monitors.webm"), []float64{0.01, 0.3}, nil},

		{"H.264, BT.601", film, []float64{0.1, 0.3}, nil},
		{"H.264, BT.709, small", made("709.mp4", "smpte75", size+",colorimetry=bt709", h264+"mp4mux"), nil, nil},
		{"H.264, BT.601, large", made("601.mp4", "smpte", "format=I420,width=1280,height=720,colorimetry=bt601", h264+"mp4mux"), nil, nil},
		{"H.264, full range", made("full.mkv", "smpte", size+",colorimetry=1:4:5:4", h264+"matroskamux"), nil, nil},
		{"H.264, full range, BT.709", made("full709.mkv", "smpte75", size+",colorimetry=1:3:5:1", h264+"matroskamux"), nil, nil},
		{"H.264, pixels of 16:11", made("pixels.mp4", "smpte", "format=I420,width=720,height=576,pixel-aspect-ratio=16/11", h264+"mp4mux"), nil, nil},
		{"H.264, 854 wide", made("odd.mp4", "zone-plate kx2=12 ky2=12", "format=I420,width=854,height=478", h264+"mp4mux"), nil, nil},
		{"H.264 in QuickTime", made("film.mov", "smpte", size, h264+"qtmux"), nil, nil},
		{"H.264 in Matroska", made("film.mkv", "smpte", size, h264+"matroskamux"), nil, nil},
		{"VP8", made("vp8.webm", "smpte", size, "vp8enc deadline=1 cpu-used=8 cq-level=4 target-bitrate=4000000 ! webmmux"), nil, nil},
		{"VP9", made("vp9.webm", "smpte", size, "vp9enc deadline=1 cpu-used=8 target-bitrate=4000000 ! webmmux"), nil, nil},

		{"turned right", film, nil, &[9]int32{0, 1, 0, -1, 0, 0, 360, 0, 1}},
		{"turned by half", film, nil, &[9]int32{-1, 0, 0, 0, -1, 0, 640, 360, 1}},
		{"turned left", film, nil, &[9]int32{0, -1, 0, 1, 0, 0, 0, 640, 1}},
		{"mirrored", film, nil, &[9]int32{-1, 0, 0, 0, 1, 0, 640, 0, 1}},
	} {
		t.Run(f.name, func(t *testing.T) {
			if f.at == nil {
				f.at = []float64{0.3}
			}
			if f.turn != nil {
				f.path = turned(t, f.path, "turned.mp4", *f.turn)
			}
			framing := picture.Framing{Width: 240, Height: 135}
			ours := shots(t, f.path, framing, f.at...)
			var at []float64
			for _, s := range ours {
				at = append(at, (s.begin+s.end)/2)
			}
			for i, d := range browser.draw(t, f.path, at...) {
				var theirs picture.Framed
				framed(t, framing, &theirs, picture.Picture{Image: d.canvas})
				mean, more := difference(t, &theirs, &ours[i].Framed)
				text := fmt.Sprintf("%.3f s, %dx%d, %s, %s, full range %v: off by %.2f of the canvas (by %+.2f)", at[i], d.W, d.H, d.Format, d.Matrix, d.FullRange, mean, more)
				if mean >= 2 {
					t.Errorf("%s, want less than 2", text)
				}
				if d.planes != nil && d.planes.Rect == d.canvas.Rect && f.turn == nil { // planes are as stored
					framed(t, framing, &theirs, picture.Picture{Image: d.rgb(t)})
					mean, _ = difference(t, &theirs, &ours[i].Framed)
					text += fmt.Sprintf(", %.2f of the planes", mean)
					if mean >= 0.5 {
						t.Errorf("%s, want less than 0.5", text)
					}
				}
				t.Log(text)
				if d.Begin >= 0 && math.Abs(d.Begin-ours[i].begin) > 0.001 {
					t.Errorf("a picture begins at %.4f s, want %.4f", ours[i].begin, d.Begin)
				}
			}
		})
	}
}
