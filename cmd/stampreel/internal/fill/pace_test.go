package fill

import (
	"bytes"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
)

// calmAndNoisy is a film of calm pictures with a burst of noise in the middle.
func calmAndNoisy(side, frames, from, to int) []byte {
	film, rnd := madeY4M(side, side, frames, 25), rand.New(rand.NewPCG(6, 7))
	i := 0
	for at := bytes.Index(film, []byte("FRAME\n")); at >= 0 && at < len(film); at += 6 + side*side*3/2 {
		for k := range side * side {
			if from <= i && i < to {
				film[at+6+k] = byte(60 + rnd.IntN(120))
			}
		}
		i++
	}
	return film
}

// Where exact pictures do not play, each gets the quality that plays: with any number of
// workers the same bytes, never late, the burst in less and the rest in better quality than
// the one quality that plays throughout.
func TestQualityIsChosenSoThatTheClipPlays(t *testing.T) {
	dir := t.TempDir()
	src := put(t, dir, "film.y4m", calmAndNoisy(96, 120, 60, 70))
	player, err := playerfile.Parse("p.yaml", []byte("player: {name: P}\npanel: {size: 96x96, pixels: rgb565, bus-clock: 40 MHz}\n"+
		"card: {wiring: spi, clock: 2 MHz, stall: 2 ms}\nmemory: {read-ahead: 32 KiB}\n"+
		"decode: {jpeg: {per-block: 5 us, per-coefficient: 100 ns, per-byte: 20 ns}}\n"))
	if err != nil {
		t.Fatal(err)
	}
	var first []byte
	for _, workers := range []int{1, 3} {
		s := Settings{Player: player, Workers: workers}
		clip := filepath.Join(dir, "a.srq")
		os.Remove(clip)
		p, err := s.Pack(background, Job{Source: src, Clip: clip})
		if err != nil {
			t.Fatal(err)
		}
		if p.Headers[0].FrameCodings>>container.JPEG&1 == 0 || p.Verdict.Typical.Word != budget.Plays || p.Result.Late != 0 || p.Result.Achieved == nil {
			t.Fatalf("%+v, %v with margin %.3f", p.Result, p.Verdict.Typical.Word, p.Verdict.Typical.Margin)
		}
		t.Logf("margin %.3f, %+v", p.Verdict.Typical.Margin, *p.Result.Achieved)
		all, err := os.ReadFile(clip)
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = all
		} else if !bytes.Equal(first, all) {
			t.Error("other bytes with another number of workers")
		}
	}
}
