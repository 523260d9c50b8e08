//go:build unix

package main

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
)

// smallVideos are three seconds of pictures and sound in ordinary containers.
func smallVideos(t *testing.T) map[string][]byte {
	t.Helper()
	videos := map[string][]byte{}
	for name, muxed := range map[string][3]string{
		"film.mp4":  {"x264enc bframes=2 key-int-max=15", "avenc_aac", "mp4mux"},
		"early.mp4": {"x264enc bframes=2 key-int-max=15", "avenc_aac", "mp4mux faststart=true"}, // its index comes first
		"film.mkv":  {"x264enc key-int-max=15", "flacenc", "matroskamux"},
		"film.webm": {"vp8enc deadline=1 keyframe-max-dist=15", "vorbisenc", "webmmux"},
		"film.avi":  {"x264enc tune=zerolatency", "lamemp3enc", "avimux"},
		"film.ts":   {"x264enc key-int-max=15", "avenc_aac", "mpegtsmux"},
	} {
		path := filepath.Join(t.TempDir(), name)
		launch(t, muxed[2], "name=mux ! filesink location="+path,
			"videotestsrc num-buffers=75 pattern=ball ! video/x-raw,format=I420,width=160,height=96,framerate=25/1 !", muxed[0], "! queue ! mux.",
			"audiotestsrc num-buffers=130 samplesperbuffer=1024 ! audio/x-raw,rate=44100 ! audioconvert !", muxed[1], "! queue ! mux.")
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		videos[name] = data
	}
	return videos
}

// workersLeft lists the processes that run a program, where the system tells.
func workersLeft(t *testing.T, binary string) (pids []string) {
	t.Helper()
	links, _ := filepath.Glob("/proc/[0-9]*/exe")
	for _, link := range links {
		if program, err := os.Readlink(link); err == nil && program == binary {
			pids = append(pids, filepath.Base(filepath.Dir(link)))
		}
	}
	return pids
}

// endsAt is what is said of a source that ends too soon, as far as is known.
var endsAt = regexp.MustCompile(`ends at ([0-9.]+) s(?: of ([0-9.]+) s)?`)

// packDamaged packs a file that may be damaged in any way. Whatever it is, there
// is a clip that verifies, or an error that names the file and no clip; nothing
// else is left, and nobody runs on. It returns the run, and the beats of the clip.
func packDamaged(t *testing.T, binary, name, what string, data []byte) (c child, beats uint32) {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, name), data, 0o644); err != nil {
		t.Fatal(err)
	}
	c = runChild(t, binary, dir, time.Minute, nil, "pack", name, "-o", "clip.srq", "--player", "rect-240x135")
	left := strings.Join(namesIn(t, dir), " ")
	switch {
	case c.code != exitDone && c.code != exitFailed && c.code != exitNotFit:
		t.Errorf("%s, %s: exit code %d: %s", name, what, c.code, c.stderr)
	case c.code != exitDone && !strings.Contains(c.stderr, "error: ") || c.code == exitFailed && !strings.Contains(c.stderr, name):
		t.Errorf("%s, %s: exit code %d without an error that names it: %s", name, what, c.code, c.stderr)
	case left == "clip.srq "+name:
		beats = checkClip(t, filepath.Join(dir, "clip.srq")).Beats
		if c.code == exitFailed && !strings.Contains(c.stderr, "warning: "+name) {
			t.Errorf("%s, %s: a clip and exit code 1, but no word of why: %s", name, what, c.stderr)
		}
	case left != name || c.code == exitDone:
		t.Errorf("%s, %s: exit code %d leaves %q", name, what, c.code, left)
	}
	if strings.Contains(c.stderr, "panic") {
		t.Errorf("%s, %s: %s", name, what, c.stderr)
	}
	if pids := workersLeft(t, binary); len(pids) > 0 {
		t.Errorf("%s, %s: processes %q run on", name, what, pids)
	}
	return c, beats
}

// A video cut short anywhere is a clip of what plays and says where it ends, or a
// clear error.
func TestAnOrdinaryVideoCutShortPlaysAsFarAsItGoes(t *testing.T) {
	binary, videos := realBinary(t), smallVideos(t)
	for name, want := range map[string][2]int{ // clips of seven, and those that say where they end
		"film.mp4":  {0, 0}, // what its index would tell comes last
		"early.mp4": {6, 6}, "film.mkv": {6, 6}, "film.webm": {6, 6}, "film.avi": {6, 6},
		"film.ts": {7, 0}, // states no length; of an AVI, only an estimate is known
	} {
		data := videos[name]
		t.Run(name, func(t *testing.T) {
			clips, said := 0, 0
			for percent := 2; percent < 100; percent += 14 {
				what := fmt.Sprintf("the first %d %%", percent)
				c, beats := packDamaged(t, binary, name, what, data[:len(data)*percent/100])
				t.Logf("%s: exit code %d, %d beats: %s", what, c.code, beats, strings.ReplaceAll(strings.TrimSpace(c.stderr), "\n", " | "))
				if beats == 0 {
					continue
				}
				clips++
				if text := endsAt.FindStringSubmatch(c.stderr); text != nil {
					said++
					ends, _ := strconv.ParseFloat(text[1], 64)
					if c.code != exitFailed || math.Abs(25*ends-float64(beats)) > 1.3 || text[2] != "" && name != "film.avi" && !strings.HasPrefix(text[2], "3.0") {
						t.Errorf("%s: exit code %d and %d beats, 25 a second, but it %s", what, c.code, beats, text[0])
					}
				}
			}
			if clips != want[0] || said != want[1] {
				t.Errorf("%d clips, %d of which say where they end, want %d and %d", clips, said, want[0], want[1])
			}
		})
	}
}

// A fill keeps what plays of damaged videos, says what does not, and packs
// neither again.
func TestAFillOfDamagedVideosKeepsWhatPlays(t *testing.T) {
	binary, videos, dir := realBinary(t), smallVideos(t), t.TempDir()
	for _, folder := range []string{"reel", "card"} {
		if err := os.Mkdir(filepath.Join(dir, folder), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for name, data := range map[string][]byte{
		"whole.mp4": videos["film.mp4"], "cut.mkv": videos["film.mkv"][:len(videos["film.mkv"])*6/10],
		"headless.mp4": videos["film.mp4"][:len(videos["film.mp4"])/2], "noise.mp4": append(bytes.Clone(videos["film.mp4"][:40]), bytes.Repeat([]byte("noise"), 2000)...),
		"empty.webm": nil, "header.webm": videos["film.webm"][:60],
	} {
		if err := os.WriteFile(filepath.Join(dir, "reel", name), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	var before []os.FileInfo
	for round := range 2 {
		c := runChild(t, binary, dir, time.Minute, nil, "fill", "reel", "card", "--player", "rect-240x135")
		if c.code != exitFailed {
			t.Errorf("exit code %d: %s", c.code, c.stderr)
		}
		for _, name := range []string{"headless.mp4", "noise.mp4", "header.webm", "empty.webm"} {
			if !strings.Contains(c.stderr, name+": ") {
				t.Errorf("nothing is said of %s: %s", name, c.stderr)
			}
		}
		if left := strings.Join(namesIn(t, filepath.Join(dir, "card")), " "); left != ".stampreel-ledger.json GUIDE.SRG cut.srq whole.srq" {
			t.Errorf("on the card: %q", left)
		}
		if stays := strings.Contains(c.stderr, "cut.mkv: as incomplete as it was; cut.srq stays"); stays != (round == 1) {
			t.Errorf("round %d: %s", round, c.stderr)
		}
		checkClip(t, filepath.Join(dir, "card", "whole.srq"))
		if beats := checkClip(t, filepath.Join(dir, "card", "cut.srq")).Beats; beats < 25 || beats > 60 {
			t.Errorf("%d beats of 0.6 of 75", beats)
		}
		info, err := os.Stat(filepath.Join(dir, "card", "cut.srq"))
		if err != nil {
			t.Fatal(err)
		}
		if before = append(before, info); !os.SameFile(before[0], info) {
			t.Error("cut.srq was written again")
		}
		if pids := workersLeft(t, binary); len(pids) > 0 {
			t.Errorf("processes %q run on", pids)
		}
	}
}

// Any damage to a video is a clip or a clear error, in time. STAMPREEL_LONG=1
// tries 200 of each container, else it is a few.
func TestADamagedOrdinaryVideoIsAClipOrAClearError(t *testing.T) {
	n := 25
	switch {
	case os.Getenv("STAMPREEL_LONG") == "1":
		n = 200
	case testing.Short():
		n = 8
	}
	binary := realBinary(t)
	for name, data := range smallVideos(t) {
		if name != "film.mp4" && name != "film.mkv" && n < 200 {
			continue
		}
		t.Run(name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(uint64(len(name)), 4))
			clips, cut, failures, slowest := 0, 0, 0, time.Duration(0)
			for range n {
				bad := bytes.Clone(data)
				what := ""
				for range 1 + rng.IntN(4) {
					at := rng.IntN(len(bad))
					if rng.IntN(2) == 0 { // among the headers
						at = rng.IntN(600)
						if name == "film.mp4" {
							at = bytes.Index(data, []byte("moov")) + rng.IntN(len(data)-bytes.Index(data, []byte("moov")))
						}
						at = min(at, len(bad)-1)
					}
					switch rng.IntN(4) {
					case 0:
						bad[at] = byte(rng.Uint32())
					case 1:
						bad[at] ^= 1 << rng.IntN(8)
					case 2:
						bad = append(bad[:at], bad[min(at+1+rng.IntN(20), len(bad)):]...)
					case 3:
						copy(bad[at:], bytes.Repeat([]byte{0xff}, 4))
					}
					what += fmt.Sprintf(" %d", at)
				}
				c, beats := packDamaged(t, binary, name, "damaged at"+what, bad)
				slowest = max(slowest, c.took)
				switch {
				case beats == 0:
					failures++
				case c.code == exitFailed:
					cut++
				default:
					clips++
				}
			}
			t.Logf("%d clips, %d clips that are said to lack something, %d clear errors; the slowest took %.1f s", clips, cut, failures, slowest.Seconds())
			if clips+cut == 0 || failures+cut == 0 {
				t.Errorf("%d clips, %d that lack something, %d errors: the damage reaches too little or too much", clips, cut, failures)
			}
		})
	}
}
