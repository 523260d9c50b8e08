package fill

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/transcode/quality"
	"example.org/stampreel/transcode/rate"
	"example.org/stampreel/transcode/source"
)

// ssim is the mean and the worst of a clip's pictures, against its source.
type ssim struct{ mean, worst float64 }

// againstOneQuality packs a source with quality that is chosen for each picture, and with the
// best one quality for all that plays with the same margin; 0 where none does.
func againstOneQuality(t *testing.T, player *playerfile.Player, src string) (chosen, one ssim, said string) {
	t.Helper()
	clip := filepath.Join(t.TempDir(), "a.srq")
	pack := func(q int) (p *Packed, all ssim, plays bool) {
		s := Settings{Player: player, Coding: JPEG, Quality: q, Workers: 2, To: source.Ratio{Num: 6, Den: 1}}
		p, err := s.Pack(background, Job{Source: src, Clip: clip})
		if err != nil {
			t.Fatal(err)
		}
		if !s.enough(&p.Verdict) || p.Result.Late > 0 {
			return p, all, false
		}
		r, f, err := Open(clip)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		n := 0.0
		all.worst = 1
		if err := s.Compare(background, src, r, false, func(_ uint32, score quality.Score) error {
			n, all.mean, all.worst = n+1, all.mean+score.SSIM, min(all.worst, score.SSIM)
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		all.mean /= n
		return p, all, true
	}
	p, chosen, ok := pack(0)
	if !ok {
		t.Fatalf("%s: %v, margin %.3f, %d late", src, p.Verdict.Typical.Word, p.Verdict.Typical.Margin, p.Result.Late)
	}
	said = fmt.Sprintf("%d beats, chosen: SSIM %.4f, worst %.4f, margin %.3f", p.Result.Beats, chosen.mean, chosen.worst, p.Verdict.Typical.Margin)
	best, low, high := "no one quality plays", 0, rate.Qualities[0]+1
	for high-low > 1 {
		mid := (low + high) / 2
		p, all, plays := pack(mid)
		if !plays {
			high = mid
			continue
		}
		low, one = mid, all
		best = fmt.Sprintf("quality %d: SSIM %.4f, worst %.4f, margin %.3f", mid, all.mean, all.worst, p.Verdict.Typical.Margin)
	}
	return chosen, one, said + "; " + best
}

func slowCard(t *testing.T, size, clock string) *playerfile.Player {
	t.Helper()
	p, err := playerfile.Parse("p.yaml", []byte("player: {name: P}\npanel: {size: "+size+", pixels: rgb565, bus-clock: 62.5 MHz}\n"+
		"card: {wiring: spi, clock: "+clock+", stall: 5 ms}\nmemory: {read-ahead: 64 KiB}\n"+
		"decode: {jpeg: {per-block: 3 us, per-coefficient: 100 ns, per-byte: 20 ns}}\n"))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// A film of calm pictures with a burst is better on the whole than with the best one quality,
// and its worst picture about as good: quality is made even, which SSIM sees a little
// differently.
func TestABurstCostsTheRestNothing(t *testing.T) {
	src := put(t, t.TempDir(), "film.y4m", calmAndNoisy(96, 150, 80, 100))
	chosen, one, said := againstOneQuality(t, slowCard(t, "96x96", "1 MHz"), src)
	t.Log(said)
	if one.mean == 0 || chosen.mean <= one.mean || chosen.worst < one.worst-0.005 {
		t.Error("worse than one quality")
	}
}

// On real videos of a few seconds quality that is chosen comes at least close to the best one
// quality, which nobody knows beforehand; the figures are in DEVELOPERS.md.
func TestChosenQualityOfRealVideos(t *testing.T) {
	if os.Getenv("STAMPREEL_LONG") == "" {
		t.Skip("packs videos some fifty times; STAMPREEL_LONG=1 runs it")
	}
	media := realMedia(t)
	for _, path := range []string{
		"forensics-samples-files/usr/share/forensics-samples/original-files/movie1/VID_20191220_170832.mp4",
		"forensics-samples-files/usr/share/forensics-samples/original-files/movie2/movie-hello.mp4",
		"tupi-data/usr/share/tupi/data/help/examples/example.avi",
		"gnome-user-docs/usr/share/help/C/gnome-help/figures/display-dual-monitors.webm",
	} {
		chosen, one, said := againstOneQuality(t, slowCard(t, "240x240", "2 MHz"), filepath.Join(media, path))
		t.Logf("%s: %s", filepath.Base(path), said)
		if one.mean == 0 || chosen.mean < one.mean-0.002 || chosen.worst < one.worst-0.005 {
			t.Errorf("%s: worse than one quality", path)
		}
	}
}
