package suggest

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/transcode/quality"
	"example.org/stampreel/transcode/source"
)

var background = context.Background()

// film is Y4M of 60×34 pixels at 24 pictures a second, of scenes that last a second and a half:
// one of soft waves that move, one that stands still, and one of noise.
func film(t *testing.T, seconds int) string {
	t.Helper()
	const w, h, rate = 60, 34, 24
	rnd := rand.New(rand.NewPCG(4, 2))
	var b bytes.Buffer
	fmt.Fprintf(&b, "YUV4MPEG2 W%d H%d F%d:1 Cmono\n", w, h, rate)
	for n := range seconds * rate {
		b.WriteString("FRAME\n")
		scene := n / (rate * 3 / 2)
		for y := range h {
			for x := range w {
				move := float64(n) * float64(scene%3)
				v := 128 + 70*math.Sin(float64(x)/5+move/3)*math.Cos(float64(y)/4+float64(scene))
				if scene%3 == 2 {
					v += 30 * rnd.Float64()
				}
				b.WriteByte(byte(v))
			}
		}
	}
	path := filepath.Join(t.TempDir(), "film.y4m")
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// player is a built-in one with a panel of 96×54 pixels, for the tests' time, and a card at some
// clock in Hz; its decoder takes JPEG if it is to.
func player(t *testing.T, hz int64, jpeg bool) *playerfile.Player {
	t.Helper()
	p, err := playerfile.LoadKnown("rect-240x135")
	if err != nil {
		t.Fatal(err)
	}
	p.Panel.Size.Value.W, p.Panel.Size.Value.H = 96, 54
	p.Card.RealClock = playerfile.Figure[playerfile.Ratio]{Value: playerfile.Ratio{Num: hz, Den: 1}, Origin: playerfile.Declared}
	if jpeg {
		takes := func(d time.Duration) playerfile.Figure[time.Duration] {
			return playerfile.Figure[time.Duration]{Value: d, Origin: playerfile.Declared}
		}
		p.Decode.JPEGBlock, p.Decode.JPEGCoefficient, p.Decode.JPEGByte = takes(3*time.Microsecond), takes(60), takes(40)
	}
	return p
}

func wanted(p *playerfile.Player, margin float64) Wanted {
	w := Wanted{Margin: margin}
	for _, c := range budget.Choices(p, p.Card.RealClock.Value) {
		if c.Own {
			w.Wirings = append(w.Wirings, c)
		} else {
			w.Others = append(w.Others, c)
		}
	}
	return w
}

func searched(t *testing.T, src string, p *playerfile.Player, w Wanted, workers int) *Found {
	t.Helper()
	f, err := Search(background, fill.Settings{Player: p, Workers: workers}, fill.Job{Source: src}, w, nil)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// A clip packed as suggested has the margin that was wanted; where all of it was packed, to the
// last digit what was foreseen, and of the others, which stretches alone were packed of, no less
// than 5 points below it and 40 % more or fewer bytes. The stretches miss no scene of noise, as
// the best is packed as a whole.
func TestWhatIsSuggestedPlaysAsForeseen(t *testing.T) {
	if testing.Short() {
		t.Skip("packs for long, with no goroutines that the other tests have not")
	}
	src := film(t, 10)
	best, others, jpegs := 0, 0, 0
	for _, c := range []struct {
		hz     int64
		jpeg   bool
		margin float64
	}{{8e6, false, 0.2}, {3e6, false, 0.2}, {2e6, true, 0.2}, {15e5, true, 0.4}} {
		p := player(t, c.hz, c.jpeg)
		w := wanted(p, c.margin)
		f := searched(t, src, p, w, 2)
		if len(f.Best) == 0 {
			t.Errorf("%+v: nothing plays", c)
			continue
		}
		for i, k := range f.Best {
			s := k.On(fill.Settings{Player: p, Workers: 2})
			packed, err := s.Pack(background, fill.Job{Source: src, Clip: filepath.Join(t.TempDir(), "a.srq")})
			if err != nil {
				t.Fatal(err)
			}
			got := packed.Verdict.Typical.Margin
			if k.Quality > 0 {
				jpegs++
			}
			if i == 0 {
				best++
				if !k.Confirmed || float64(got) < c.margin || math.Abs(float64(got-k.Margin)) > 1e-9 || packed.Bytes != k.Bytes {
					t.Errorf("%+v: %+v: margin %v and %d bytes", c, k, got, packed.Bytes)
				}
				continue
			}
			others++
			if k.Confirmed || got < k.Margin-0.05 || math.Abs(float64(packed.Bytes)/float64(k.Bytes)-1) > 0.4 {
				t.Errorf("%+v: %+v: margin %v and %d bytes, foreseen %v and %d", c, k.Setting, got, packed.Bytes, k.Margin, k.Bytes)
			}
		}
	}
	if best < 4 || others < 3 || jpegs < 2 {
		t.Errorf("%d best and %d others, %d of JPEG: too few to say anything", best, others, jpegs)
	}
}

// The best comes first by what is seen, smaller ones follow, and at the source's own rate the
// measure is that of all beats, which fill.Compare takes with no lot.
func TestTheBestComesFirst(t *testing.T) {
	if testing.Short() {
		t.Skip("packs for long, with no goroutines that the other tests have not")
	}
	src := film(t, 6)
	p := player(t, 8e6, true)
	w := wanted(p, 0.2)
	w.Curve = true
	f := searched(t, src, p, w, 2)
	if !f.Whole || len(f.Best) < 4 {
		t.Fatalf("%+v", f)
	}
	checked := 0
	for i := range f.Best {
		k := &f.Best[i]
		if i > 0 && (math.Round(1e4*k.SSIM) > math.Round(1e4*f.Best[i-1].SSIM) || k.Bytes >= f.Best[i-1].Bytes) {
			t.Errorf("%d: %+v behind %+v", i, k, f.Best[i-1])
		}
		if k.Rate.Float() != 24 {
			continue
		}
		s := k.On(fill.Settings{Player: p, Workers: 2})
		packed, err := s.Pack(background, fill.Job{Source: src, Clip: filepath.Join(t.TempDir(), "a.srq")})
		if err != nil {
			t.Fatal(err)
		}
		r, file, err := fill.Open(packed.Files[0])
		if err != nil {
			t.Fatal(err)
		}
		sum, n := 0.0, 0
		err = s.Compare(background, src, r, false, func(_ uint32, score quality.Score) error {
			sum, n = sum+score.SSIM, n+1
			return nil
		})
		file.Close()
		if err != nil {
			t.Fatal(err)
		}
		if checked++; math.Abs(sum/float64(n)-k.SSIM) > 0.03 {
			t.Errorf("%+v: SSIM %.4f of all beats, %.4f of those drawn", k.Setting, sum/float64(n), k.SSIM)
		}
	}
	if checked < 3 {
		t.Errorf("%d settings at the source's rate", checked)
	}
}

// A picture left out counts: at the same coding the lower rate looks worse.
func TestALowerRateLooksWorseWhereThereIsMotion(t *testing.T) {
	src := film(t, 3)
	p := player(t, 8e6, false)
	w := wanted(p, 0)
	w.Rate, w.Coding = true, true
	ssim := func(rate int64) float64 {
		s := fill.Settings{Player: p, Workers: 2, Coding: fill.Raw, Rate: source.Ratio{Num: rate, Den: 1}}
		f, err := Search(background, s, fill.Job{Source: src}, w, nil)
		if err != nil || len(f.Best) != 1 || f.Tries != 1 {
			t.Fatalf("%+v, %v", f, err)
		}
		return f.Best[0].SSIM
	}
	if full, half, third := ssim(24), ssim(12), ssim(8); !(full > half+0.005 && half > third) {
		t.Errorf("SSIM %.4f, %.4f, %.4f at 24, 12 and 8 pictures a second", full, half, third)
	}
}

func TestTheSameComesOutWithAnyNumberOfWorkers(t *testing.T) {
	src := film(t, 9)
	p := player(t, 2e6, true)
	var first []Tried
	for _, workers := range []int{1, 3} {
		f := searched(t, src, p, wanted(p, 0.2), workers)
		if first == nil {
			first = f.Best
		} else if !reflect.DeepEqual(first, f.Best) || len(first) == 0 {
			t.Errorf("%+v with %d workers, %+v with one", f.Best, workers, first)
		}
	}
}

// Against all choices that there are: within the limit, and of little worse quality than the
// best of them.
func TestFitIsNearTheBestThatFits(t *testing.T) {
	rnd := rand.New(rand.NewPCG(7, 7))
	lost, fitted := 0.0, 0
	for range 200 {
		var all []*Found
		for range 4 {
			f := &Found{Length: 1 + 20*rnd.Float64()}
			ssim, bytes := 1.0, int64(5000)
			for range 1 + rnd.IntN(4) {
				ssim, bytes = ssim-0.1*rnd.Float64(), bytes-int64(100+rnd.IntN(1000))
				f.Best = append(f.Best, Tried{SSIM: ssim, Most: bytes})
			}
			all = append(all, f)
		}
		limit := int64(14000 + rnd.IntN(7000))
		size := func(n int64) int64 { return (n + 511) / 512 * 512 }
		value := func(chosen []int) (v float64, total int64) {
			for i, f := range all {
				v, total = v+f.Length*f.Best[chosen[i]].SSIM, total+size(f.Best[chosen[i]].Most)
			}
			return v, total
		}
		best := math.Inf(-1)
		var each func(chosen []int)
		each = func(chosen []int) {
			if len(chosen) == len(all) {
				if v, total := value(chosen); total <= limit {
					best = max(best, v)
				}
				return
			}
			for n := range all[len(chosen)].Best {
				each(append(chosen[:len(chosen):len(chosen)], n))
			}
		}
		each(nil)
		chosen, total, ok := Fit(all, limit, size)
		v, real := value(chosen)
		if real != total || ok != (total <= limit) || ok != !math.IsInf(best, -1) {
			t.Fatalf("%v: %d bytes, said %d and %v; the best that fits is %v, of %d", chosen, real, total, ok, best, limit)
		}
		if ok {
			fitted++
			lost += (best - v) / best
		}
	}
	if fitted < 100 || lost/float64(fitted) > 0.01 {
		t.Errorf("%d fit, on average %.4f of the quality is lost", fitted, lost/float64(fitted))
	}
}

// A limit of bytes is kept by the clip itself.
func TestALimitIsKept(t *testing.T) {
	if testing.Short() {
		t.Skip("packs for long, with no goroutines that the other tests have not")
	}
	src := film(t, 4)
	p := player(t, 8e6, true)
	for _, limit := range []int64{400_000, 100_000} {
		w := wanted(p, 0.2)
		w.Bytes = limit
		f := searched(t, src, p, w, 2)
		if len(f.Best) == 0 {
			t.Errorf("%d bytes: nothing", limit)
			continue
		}
		s := f.Best[0].On(fill.Settings{Player: p, Workers: 2})
		packed, err := s.Pack(background, fill.Job{Source: src, Clip: filepath.Join(t.TempDir(), "a.srq")})
		if err != nil {
			t.Fatal(err)
		}
		if packed.Bytes > limit || packed.Bytes < limit/6 {
			t.Errorf("%d bytes where %d are allowed", packed.Bytes, limit)
		}
	}
	w := wanted(p, 0.2)
	w.Bytes = 1000
	if f := searched(t, film(t, 1), p, w, 2); len(f.Best) > 0 || f.Nearest == nil || !f.Nearest.Plays(&w) {
		t.Errorf("1000 bytes: %+v", f)
	}
}

// What is tried and held in memory is bounded, whatever the source claims.
func TestALongSourceIsLookedAtInStretches(t *testing.T) {
	if testing.Short() {
		t.Skip("packs for long, with no goroutines that the other tests have not")
	}
	src := film(t, 40)
	p := player(t, 8e6, true)
	w := wanted(p, 0.2)
	w.Curve = true
	f := searched(t, src, p, w, 2)
	pictures := 0
	for _, st := range f.Stretches {
		pictures += st.Pictures()
	}
	if f.Whole || len(f.Stretches) != Stretches || pictures > Pictures || f.Tries > Tries || math.Abs(f.Length-40) > 0.1 {
		t.Errorf("%d stretches of %d pictures, %d tries, %.2f s", len(f.Stretches), pictures, f.Tries, f.Length)
	}
}
