package fill

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/transcode/quality"
	"example.org/stampreel/transcode/source"
)

// On videos of a phone and a screen, with motion, and for cards of several rates, quality that
// is chosen for each picture is held against the best one quality for all that plays with the
// same margin: the mean of SSIM has to be higher, and the worst picture's no lower.
func TestChosenQualityIsAboveOneQuality(t *testing.T) {
	if os.Getenv("STAMPREEL_LONG") == "" {
		t.Skip("packs videos some hundred times; STAMPREEL_LONG=1 runs it")
	}
	media := realMedia(t)
	videos := map[string]string{
		"phone":  "forensics-samples-files/usr/share/forensics-samples/original-files/movie1/VID_20191220_170832.mp4",
		"film":   "forensics-samples-files/usr/share/forensics-samples/original-files/movie2/movie-hello.mp4",
		"screen": "gnome-user-docs/usr/share/help/C/gnome-help/figures/display-dual-monitors.webm",
	}
	dir := t.TempDir()
	tried := 0
	for name, path := range videos {
		src := filepath.Join(media, path)
		for _, clock := range []string{"2 MHz", "4 MHz"} {
			player, err := playerfile.Parse("p.yaml", []byte("player: {name: P}\npanel: {size: 240x240, pixels: rgb565, bus-clock: 62.5 MHz}\n"+
				"card: {wiring: spi, clock: "+clock+", stall: 5 ms}\nmemory: {read-ahead: 64 KiB}\n"+
				"decode: {jpeg: {per-block: 3 us, per-coefficient: 100 ns, per-byte: 20 ns}}\n"))
			if err != nil {
				t.Fatal(err)
			}
			measure := func(q int) (p *Packed, mean, worst float64) {
				s := Settings{Player: player, Coding: JPEG, Quality: q, Workers: 2, To: source.Ratio{Num: 6, Den: 1}}
				clip := filepath.Join(dir, "a.srq")
				p, err := s.Pack(background, Job{Source: src, Clip: clip})
				if err != nil {
					t.Fatal(err)
				}
				r, f, err := Open(clip)
				if err != nil {
					t.Fatal(err)
				}
				defer f.Close()
				n := 0
				worst = 1
				if q > 0 && !s.enough(&p.Verdict) {
					return p, 0, 0
				}
				if err := s.Compare(background, src, r, false, func(_ uint32, score quality.Score) error {
					n, mean, worst = n+1, mean+score.SSIM, min(worst, score.SSIM)
					return nil
				}); err != nil {
					t.Fatal(err)
				}
				return p, mean / float64(n), worst
			}
			chosen, mean, worst := measure(0)
			if !(&Settings{}).enough(&chosen.Verdict) || chosen.Result.Late > 0 {
				t.Errorf("%s at %s: %v, margin %.3f, %d late", name, clock, chosen.Verdict.Typical.Word, chosen.Verdict.Typical.Margin, chosen.Result.Late)
				continue
			}
			low, high := 1, 101
			var one string
			bestMean, bestWorst := 0.0, 0.0
			for high-low > 1 {
				mid := (low + high) / 2
				p, m, w := measure(mid)
				if m == 0 {
					high = mid
					continue
				}
				low, bestMean, bestWorst = mid, m, w
				one = fmt.Sprintf("quality %d: SSIM %.4f, worst %.4f, margin %.3f", mid, m, w, p.Verdict.Typical.Margin)
			}
			tried++
			t.Logf("%s at %s, %d beats: chosen SSIM %.4f, worst %.4f, margin %.3f; %s", name, clock, chosen.Result.Beats, mean, worst, chosen.Verdict.Typical.Margin, one)
			if mean < bestMean || worst < bestWorst {
				t.Errorf("%s at %s: worse than one quality", name, clock)
			}
		}
	}
	if tried == 0 {
		t.Error("nothing was compared")
	}
}
