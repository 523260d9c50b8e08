package portable

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"math"
	"math/rand/v2"
	"testing"
)

// ulps is how far got is from want in units of want's last place.
func ulps(got, want float64) float64 {
	if got == want || math.IsNaN(got) && math.IsNaN(want) {
		return 0
	}
	return math.Abs(got-want) / (math.Nextafter(math.Abs(want), math.Inf(1)) - math.Abs(want))
}

// The standard library's functions are within 1 unit of the last place of the truth (Pow a
// little more), so these are within one more of what is said here.
func TestFunctionsAreThoseOfTheStandardLibrary(t *testing.T) {
	g := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		name      string
		got, want func(x float64) float64
		most      float64
		draw      func() float64
	}{
		{"exp", Exp, math.Exp, 2, func() float64 { return 1400*g.Float64() - 700 }},
		{"exp near 0", Exp, math.Exp, 2, func() float64 { return g.NormFloat64() * 0.1 }},
		{"log", Log, math.Log, 2, func() float64 { return math.Exp(200*g.Float64() - 100) }},
		{"log near 1", Log, math.Log, 3, func() float64 { return 1 + g.NormFloat64()*0.01 }},
		{"log10", Log10, math.Log10, 3, func() float64 { return math.Exp(20*g.Float64() - 10) }},
		{"x^-0.8", func(x float64) float64 { return Pow(x, -0.8) }, func(x float64) float64 { return math.Pow(x, -0.8) }, 8, func() float64 { return 20 * g.Float64() }},
		{"from decibels", FromDecibels, func(x float64) float64 { return math.Pow(10, x/20) }, 30, func() float64 { return 240*g.Float64() - 120 }},
		{"sine", SinPi, func(x float64) float64 { return math.Sin(math.Pi * x) }, 3, func() float64 { return 0.5*g.Float64() - 0.25 }},
		{"cosine", CosPi, func(x float64) float64 { return math.Cos(math.Pi * x) }, 2, func() float64 { return 0.5*g.Float64() - 0.25 }},
	} {
		worst := 0.0
		for range 100_000 {
			x := c.draw()
			if d := ulps(c.got(x), c.want(x)); d > worst {
				if worst = d; d > c.most {
					t.Errorf("%s of %v: %v, want %v (%g units of the last place)", c.name, x, c.got(x), c.want(x), d)
					break
				}
			}
		}
		t.Logf("%s: at most %.1f units of the last place off", c.name, worst)
	}
	// Any turn: by the rest of a division, which is exact. The error is of full scale.
	for range 100_000 {
		x := 4000*g.Float64() - 2000
		r := math.Remainder(x, 2)
		if d := math.Abs(SinPi(x) - math.Sin(math.Pi*r)); d > 4e-16 {
			t.Fatalf("sine of %v turns is %g off", x, d)
		}
		if d := math.Abs(CosPi(x) - math.Cos(math.Pi*r)); d > 4e-16 {
			t.Fatalf("cosine of %v turns is %g off", x, d)
		}
		if d := math.Abs(Decibels(math.Abs(x)+1e-9) - 20*math.Log10(math.Abs(x)+1e-9)); d > 1e-13 {
			t.Fatalf("decibels of %v are %g off", x, d)
		}
	}
}

// Values that hold exactly, and ends of the range, as the standard library has them.
func TestEdgesOfFunctions(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range [][3]float64{
		{0, Exp(0), 1}, {1, Exp(1), math.E}, {-800, Exp(-800), 0}, {800, Exp(800), inf}, {inf, Exp(inf), inf}, {-inf, Exp(-inf), 0}, {-740, Exp(-740), math.Exp(-740)},
		{1, Log(1), 0}, {0, Log(0), -inf}, {inf, Log(inf), inf}, {-1, Log(-1), math.NaN()}, {2, Log(2), math.Ln2}, {5e-324, Log(5e-324), -1074 * math.Ln2},
		{1000, Log10(1000), 3}, {0, SinPi(0), 0}, {1, SinPi(1), 0}, {-1.5, SinPi(-1.5), 1}, {1e300, SinPi(1e300), 0}, {1e300, CosPi(1e300), 1}, {1 << 53, CosPi(1<<53 + 1), 1},
		{0.5, CosPi(0.5), 0}, {1, CosPi(1), -1}, {0.25, TanPi(0.25), 1}, {0.25, SinPi(0.25), math.Sqrt2 / 2}, {1. / 6, SinPi(1. / 6), 0.5}, {inf, SinPi(inf), math.NaN()},
	} {
		if ulps(c[1], c[2]) > 2 {
			t.Errorf("of %g: %v, want %v", c[0], c[1], c[2])
		}
	}
}

// The bits of results, of which the sum is written down here: any processor has to come
// to it. .ci/run asks an ARM.
func TestFunctionsAreTheSameOnEveryProcessor(t *testing.T) {
	h := sha256.New()
	g := rand.New(rand.NewPCG(5, 6))
	for range 20_000 {
		x := float64(40*g.Float64()) - 20
		for _, y := range []float64{Exp(x), Log(x + 20), Log10(x + 20), Pow(x+20.5, 0.3), FromDecibels(x), Decibels(x + 20), SinPi(x), CosPi(x), TanPi(x)} {
			binary.Write(h, binary.LittleEndian, math.Float64bits(y))
		}
	}
	if got, want := hex.EncodeToString(h.Sum(nil)[:8]), "6e543fba04cb9f16"; got != want {
		t.Errorf("the sum of all bits is %s, want %s", got, want)
	}
}
