package viewer

import (
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
	"example.org/stampreel/container/pixel"
)

// hour writes a clip of an hour at 25 beats a second, a raw picture every two
// seconds and repeats between: those are the furthest from a key beat.
func hour(b *testing.B) string {
	b.Helper()
	path := filepath.Join(b.TempDir(), "hour.srq")
	f, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	const beats = 3600 * 25
	w, err := container.NewWriter(f, container.Settings{Width: 240, Height: 240, PixelFormat: pixel.RGB565, Rate: container.NewRatio(25, 1), ExpectedBeats: beats})
	if err != nil {
		b.Fatal(err)
	}
	frame := make([]byte, 240*240*2)
	for n := range beats {
		shown := container.Frame{Coding: container.Repeat}
		if w.KeyDue() || n == 0 {
			frame[n%len(frame)]++
			shown = container.RawFrame(frame)
		}
		if err := w.Write(shown, nil); err != nil {
			b.Fatal(err)
		}
	}
	if _, err := w.Close(); err != nil {
		b.Fatal(err)
	}
	return path
}

// BenchmarkSeekingInAnHour asks for one picture anywhere in an hour, as the page does
// when its position is moved, and for the next one with it. The percentile is that of
// all tries.
func BenchmarkSeekingInAnHour(b *testing.B) {
	p, err := playerfile.LoadKnown("round-240")
	if err != nil {
		b.Fatal(err)
	}
	s, err := New([]Clip{{Name: "hour", Path: hour(b)}}, p, noFlashes)
	if err != nil {
		b.Fatal(err)
	}
	go s.Serve(b.Context(), true)
	rnd := rand.New(rand.NewPCG(3600, 25))
	var took []time.Duration
	for b.Loop() {
		from := time.Now()
		r, err := http.Get(fmt.Sprintf("%sclips/0/pixels?from=%d&count=2", s.Address(), rnd.IntN(90000)))
		if err != nil {
			b.Fatal(err)
		}
		n, err := io.Copy(io.Discard, r.Body)
		r.Body.Close()
		if err != nil || n < 240*240*4 {
			b.Fatalf("%d bytes, %v", n, err)
		}
		took = append(took, time.Since(from))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)*95/100].Microseconds())/1000, "ms/p95")
}

// BenchmarkVerdictOfAnHour is a change of wiring: the budget's verdict, and an hour
// played step by step.
func BenchmarkVerdictOfAnHour(b *testing.B) {
	p, err := playerfile.LoadKnown("round-240")
	if err != nil {
		b.Fatal(err)
	}
	s, err := New([]Clip{{Name: "hour", Path: hour(b)}}, p, noFlashes)
	if err != nil {
		b.Fatal(err)
	}
	go s.Serve(b.Context(), true)
	for b.Loop() {
		r, err := http.Get(s.Address() + "clips/0/verdict?wiring=4-bit&clock=40000000")
		if err != nil {
			b.Fatal(err)
		}
		n, err := io.Copy(io.Discard, r.Body)
		r.Body.Close()
		if err != nil || n < 100 {
			b.Fatalf("%d bytes, %v", n, err)
		}
	}
}
