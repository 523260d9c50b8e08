package viewer

import (
	"bytes"
	"context"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/cmd/stampreel/internal/suggest"
)

// What suggest finds, packed, is never late in the simulation, down to a margin of nothing; and
// the simulation does see lateness, at a rate that suggest did not find.
func TestWhatIsSuggestedIsNeverLate(t *testing.T) {
	ctx, folder := context.Background(), t.TempDir()
	rnd := rand.New(rand.NewPCG(5, 8))
	var film bytes.Buffer
	film.WriteString("YUV4MPEG2 W48 H27 F24:1 Cmono\n")
	for range 60 {
		film.WriteString("FRAME\n")
		for range 48 * 27 {
			film.WriteByte(byte(60 + rnd.IntN(120)))
		}
	}
	src := filepath.Join(folder, "noise.y4m")
	if err := os.WriteFile(src, film.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	late := func(p *playerfile.Player, s fill.Settings) int {
		packed, err := s.Pack(ctx, fill.Job{Source: src, Clip: filepath.Join(folder, "a.srq")})
		if err != nil {
			t.Fatal(err)
		}
		_, clip, err := fill.Load(ctx, packed.Files[0])
		if err != nil {
			t.Fatal(err)
		}
		seen, err := predict(&clip, p)
		if err != nil {
			t.Fatal(err)
		}
		return len(seen.Late) + len(seen.Gaps)
	}
	played, refused := 0, 0
	for _, hz := range []int64{8e6, 2e6, 1e6} {
		p, err := playerfile.LoadKnown("rect-240x135")
		if err != nil {
			t.Fatal(err)
		}
		p.Panel.Size.Value.W, p.Panel.Size.Value.H = 96, 54
		p.Card.RealClock = playerfile.Figure[playerfile.Ratio]{Value: playerfile.Ratio{Num: hz, Den: 1}, Origin: playerfile.Declared}
		w := suggest.Wanted{}
		for _, c := range budget.Choices(p, p.Card.RealClock.Value) {
			if c.Own {
				w.Wirings = append(w.Wirings, c)
			}
		}
		f, err := suggest.Search(ctx, fill.Settings{Player: p, Workers: 1}, fill.Job{Source: src}, w, nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, k := range f.Best {
			if n := late(p, k.On(fill.Settings{Player: p, Workers: 1})); n > 0 {
				t.Errorf("%d Hz: %+v: %d late", hz, k.Setting, n)
			}
			played++
		}
		raw := suggest.Setting{Rate: f.Stretches[0].Rate(), Coding: fill.Raw}
		if late(p, raw.On(fill.Settings{Player: p, Workers: 1})) > 0 {
			refused++
		}
	}
	if played < 3 || refused == 0 {
		t.Errorf("%d played, %d late at the full rate: too few to say anything", played, refused)
	}
}
