//go:build unix

package main

import (
	"fmt"
	"image"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/source/system"
)

// launch runs gst-launch-1.0.
func launch(t testing.TB, line ...string) {
	t.Helper()
	tool, err := exec.LookPath("gst-launch-1.0")
	if err != nil || !system.Built {
		missing(t, "the system's codecs and gst-launch-1.0")
	}
	if out, err := exec.Command(tool, append([]string{"-q"}, strings.Fields(strings.Join(line, " "))...)...).CombinedOutput(); err != nil {
		t.Fatalf("gst-launch-1.0 %q: %v\n%s", line, err, out)
	}
}

// costlyVideo is an MP4 of so many times ten seconds, as a phone makes them:
// 1920×1080, 30 pictures a second, 16 Mb/s of H.264 with B-frames, and AAC. Waves
// that run, and noise. It is kept for the next time.
func costlyVideo(t testing.TB, tens int) string {
	t.Helper()
	path := filepath.Join(os.TempDir(), fmt.Sprintf("stampreel-test-%ds.mp4", 10*tens))
	if _, err := os.Stat(path); err == nil {
		return path
	}
	part := filepath.Join(t.TempDir(), "part.mp4")
	line := []string{"mp4mux name=mux ! filesink location=" + part}
	if tens == 1 {
		const size = "video/x-raw,format=I420,width=1920,height=1080,framerate=30/1,colorimetry=bt709"
		line = append(line, "videomixer name=mix sink_1::alpha=0.12 !", size, "! x264enc bitrate=16000 qp-min=1 speed-preset=veryfast bframes=2 key-int-max=60 ! queue ! mux.",
			"videotestsrc num-buffers=300 pattern=zone-plate kx2=24 ky2=16 kt=3 !", size, "! queue ! mix.",
			"videotestsrc num-buffers=300 pattern=snow ! video/x-raw,format=I420,width=960,height=540,framerate=30/1 ! videoscale !", size, "! queue ! mix.",
			"audiotestsrc num-buffers=469 samplesperbuffer=1024 wave=pink-noise ! audio/x-raw,rate=48000,channels=2 ! avenc_aac bitrate=128000 ! queue ! mux.")
	} else {
		one := costlyVideo(t, 1)
		const queue = "queue max-size-buffers=0 max-size-time=0"
		line = append(line, "concat name=video !", queue, "! h264parse ! mux. concat name=audio !", queue, "! aacparse ! mux.")
		for i := range tens {
			line = append(line, fmt.Sprintf("filesrc location=%s ! qtdemux name=%d %d.video_0 ! queue ! video. %d.audio_0 ! queue ! audio.", one, i, i, i))
		}
	}
	launch(t, line...)
	data, err := os.ReadFile(part)
	if err == nil {
		err = os.WriteFile(path+".part", data, 0o644)
	}
	if err == nil {
		err = os.Rename(path+".part", path)
	}
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// What packing an ordinary video takes, beside what the same libraries take to
// decode its two streams for nobody, five times in turn; and what scaling a
// picture takes on one core. Shown are medians, of ten seconds of video with
// -short and of sixty without.
func BenchmarkPackingAVideo(b *testing.B) {
	tens := 6
	if testing.Short() {
		tens = 1
	}
	binary, video, dir := realBinary(b), costlyVideo(b, tens), b.TempDir()
	timed := func(f func()) float64 {
		start := time.Now()
		f()
		return time.Since(start).Seconds()
	}
	var decode, pack, scale []float64
	for range b.N {
		for range 5 {
			decode = append(decode, timed(func() {
				launch(b, "filesrc location="+video, "! qtdemux name=d d.video_0 ! queue ! h264parse ! avdec_h264 ! fakesink sync=false",
					"d.audio_0 ! queue ! aacparse ! avdec_aac ! fakesink sync=false")
			}))
			pack = append(pack, timed(func() {
				if out, err := exec.Command(binary, "pack", video, "-o", filepath.Join(dir, "clip.srq"), "--player", "rect-240x135", "--coding", "raw").CombinedOutput(); err != nil {
					b.Fatalf("%v: %s", err, out)
				}
			}))
			scale = append(scale, scaling(b)*float64(300*tens))
		}
	}
	median := func(v []float64) float64 {
		slices.Sort(v)
		return v[len(v)/2]
	}
	d, p, s := median(decode), median(pack), median(scale)
	b.ReportMetric(d, "decode-s")
	b.ReportMetric(p, "pack-s")
	b.ReportMetric(p/d, "pack/decode")
	b.ReportMetric(s/d, "scale/decode")
	b.ReportMetric(0, "ns/op")
}

// scaling returns the seconds that framing a picture of 1920×1080 takes on one
// core.
func scaling(b *testing.B) float64 {
	b.Helper()
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	img := image.NewYCbCr(image.Rect(0, 0, 1920, 1080), image.YCbCrSubsampleRatio420)
	rng := rand.New(rand.NewPCG(1, 1))
	for _, plane := range [][]uint8{img.Y, img.Cb, img.Cr} {
		for i := range plane {
			plane[i] = uint8(rng.Uint32())
		}
	}
	framer, err := picture.NewFramer(picture.Framing{Width: 240, Height: 135})
	if err != nil {
		b.Fatal(err)
	}
	var to picture.Framed
	const pictures = 50
	start := time.Now()
	for range pictures {
		if err := framer.Frame(&to, picture.Picture{Image: img, Colour: picture.Colour{Matrix: picture.BT709}}); err != nil {
			b.Fatal(err)
		}
	}
	return time.Since(start).Seconds() / pictures
}

// The program and its workers together, of an ordinary video: no more for sixty
// seconds than for ten.
func TestMemoryDoesNotGrowWithTheLengthOfAnOrdinaryVideo(t *testing.T) {
	if _, err := os.Stat("/proc/self/task"); err != nil {
		missing(t, "a system that tells the memory of processes")
	}
	long := 6
	if testing.Short() {
		long = 2
	}
	binary := realBinary(t)
	var peak []float64
	for _, tens := range []int{1, long} {
		dir := t.TempDir()
		c := runChild(t, binary, dir, 10*time.Minute, nil, "pack", costlyVideo(t, tens), "-o", "clip.srq", "--player", "rect-240x135")
		if c.code != 0 {
			t.Fatalf("exit code %d: %s", c.code, c.stderr)
		}
		if h := checkClip(t, filepath.Join(dir, "clip.srq")); h.Beats < uint32(300*tens) || h.Beats > uint32(301*tens) || h.SampleRateNum == 0 {
			t.Errorf("%d beats and %d samples a second, want %d beats with sound", h.Beats, h.SampleRateNum, 300*tens)
		}
		t.Logf("%d s: %.0f MB at most, %.1f s", 10*tens, c.peakMB, c.took.Seconds())
		peak = append(peak, c.peakMB)
	}
	if peak[0] < 50 {
		t.Errorf("%.0f MB: the workers were not measured", peak[0])
	}
	if peak[1] > 350 || peak[1] > 1.15*peak[0] {
		t.Errorf("%.0f MB and %.0f MB: more than 350, or more than a seventh apart", peak[0], peak[1])
	}
}
