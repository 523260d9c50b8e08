package measure

import (
	"context"
	"errors"
	"math"
	"strings"
	"syscall"
	"testing"
	"time"
)

func near(got, want, tolerance float64) bool { return math.Abs(got-want) <= tolerance*want }

// A card of 20 MB/s and 1 ms a request: every figure by hand.
func TestTimingIsWhatTheCardDoes(t *testing.T) {
	c := newFakeCard(100<<20, 100<<20)
	got, err := Time(t.Context(), c, Options{Bytes: 16e6, Time: 20 * time.Second, Request: 66_000, Now: c.now})
	if err != nil {
		t.Fatal(err)
	}
	const size = 15 << 20 // whole MiB of 16 MB
	if got.Written != size || got.Read != size || got.Request != 17*4096 || got.RandomReads != size/4096 || got.How != "made up" || !got.Bypassed {
		t.Errorf("%+v", got)
	}
	perMiB := float64(1<<20) / (0.001 + float64(1<<20)/20e6)
	if !near(got.WriteRate, perMiB, 1e-6) || !near(got.ReadRate, perMiB, 1e-6) {
		t.Errorf("wrote %.0f and read %.0f bytes/s, want %.0f", got.WriteRate, got.ReadRate, perMiB)
	}
	if want := 1 / (0.001 + 4096/20e6); !near(got.RandomPerSecond, want, 1e-6) {
		t.Errorf("%.1f random reads a second, want %.1f", got.RandomPerSecond, want)
	}
	if want := seconds(0.001 + 17*4096/20e6); got.Reads.Median != want || got.Reads.Worst != want {
		t.Errorf("reads of a player took %+v, want %v each", got.Reads, want)
	}
	if f := got.Fit; !f.Split || !near(f.Rate, 20e6, 1e-4) || f.RequestTime.Round(time.Microsecond) != time.Millisecond || f.Pauses.Worst > time.Microsecond || f.Over != 0 {
		t.Errorf("fit %+v", f)
	}
	if c.open != 0 || c.flushes < 3 {
		t.Errorf("%d files left, %d times flushed", c.open, c.flushes)
	}
}

func TestPausesAreFoundAndTold(t *testing.T) {
	c := newFakeCard(100<<20, 100<<20)
	c.pause = func(read bool, n int) time.Duration {
		switch {
		case read && n%500 == 499:
			return 120 * time.Millisecond
		case read && n%50 == 49:
			return 5 * time.Millisecond
		}
		return 0
	}
	got, err := Time(t.Context(), c, Options{Bytes: 32 << 20, Time: 60 * time.Second, Request: 65536, Now: c.now})
	if err != nil {
		t.Fatal(err)
	}
	p := got.Fit.Pauses
	if p.Worst.Round(time.Millisecond) != 120*time.Millisecond || p.P999.Round(time.Millisecond) != 120*time.Millisecond || p.P99.Round(time.Millisecond) != 5*time.Millisecond || p.Median > time.Microsecond {
		t.Errorf("pauses %+v, want 120, 120 and 5 ms", p)
	}
	if got.Fit.Over == 0 || got.Fit.Over > got.Fit.Requests/400 {
		t.Errorf("%d of %d reads above 100 ms", got.Fit.Over, got.Fit.Requests)
	}
}

// However slow the card, the time is kept but for the transfer under way and the
// few that a figure cannot do without; and the file is no larger than time allows.
func TestTimeIsBoundedOnASlowCard(t *testing.T) {
	c := newFakeCard(1<<30, 64<<20)
	c.rate, c.request = 400e3, 0.01
	began := c.clock
	got, err := Time(t.Context(), c, Options{Bytes: 512 << 20, Time: 20 * time.Second, Request: 65536, Now: c.now})
	if err != nil {
		t.Fatal(err)
	}
	if took := c.clock.Sub(began); took > 26*time.Second || took < 18*time.Second {
		t.Errorf("took %v, want about 20 s", took)
	}
	if got.Written > 5<<20 || got.Read < 1<<20 || got.RandomReads < 50 || !near(got.ReadRate, 400e3, 0.01) {
		t.Errorf("%+v", got)
	}
}

func TestTimingStopsAndLeavesNothing(t *testing.T) {
	broken := errors.New("input/output error")
	for name, fail := range map[string]func(read bool, at int64, file int) error{
		"creating": func(read bool, at int64, file int) error { return broken },
		"writing": func(read bool, at int64, file int) error {
			if !read && at >= 3<<20 {
				return broken
			}
			return nil
		},
		"reading": func(read bool, at int64, file int) error {
			if read && at >= 3<<20 {
				return broken
			}
			return nil
		},
	} {
		c := newFakeCard(100<<20, 100<<20)
		c.fail = fail
		if _, err := Time(t.Context(), c, Options{Bytes: 8 << 20, Time: time.Second, Request: 4096, Now: c.now}); !errors.Is(err, broken) || c.open != 0 {
			t.Errorf("%s: %v, %d files left", name, err, c.open)
		}
	}
	// Cancelled in each of the four steps.
	for _, after := range []int{2, 10, 30, 4000} {
		c := newFakeCard(100<<20, 100<<20)
		ctx, cancel := context.WithCancel(t.Context())
		n := 0
		_, err := Time(ctx, c, Options{Bytes: 8 << 20, Time: 10 * time.Second, Request: 4096, Now: c.now, Progress: func(string, int64) {
			if n++; n == after {
				cancel()
			}
		}})
		if !errors.Is(err, context.Canceled) || c.open != 0 || n != after {
			t.Errorf("cancelled after %d transfers: %v, %d files left, %d transfers", after, err, c.open, n)
		}
		cancel()
	}
}

func TestTooLittleRoomIsRefusedBeforeAnythingIsWritten(t *testing.T) {
	c := newFakeCard(8<<20, 8<<20)
	for _, o := range []Options{{Bytes: 8 << 20}, {Bytes: 7<<20 + 1<<20}} {
		o.Now, o.Time = c.now, time.Second
		_, err := Time(t.Context(), c, o)
		var space *SpaceError
		if !errors.As(err, &space) || !errors.Is(err, syscall.ENOSPC) || space.Free != 8<<20 || c.files != 0 {
			t.Errorf("%v, %d files made", err, c.files)
		}
	}
	if _, err := Time(t.Context(), c, Options{Bytes: 7 << 20, Time: time.Second, Now: c.now}); err != nil {
		t.Errorf("7 MiB of 8: %v", err)
	}
	if _, err := Time(t.Context(), c, Options{Bytes: 1000, Time: time.Second, Now: c.now}); err == nil || !strings.Contains(err.Error(), "at least 1048576") {
		t.Errorf("1000 bytes: %v", err)
	}
	if _, err := Time(t.Context(), c, Options{Bytes: 1 << 20, Request: 3 << 20, Time: time.Second, Now: c.now}); err == nil || !strings.Contains(err.Error(), "at least 3145728") {
		t.Errorf("a request larger than the file: %v", err)
	}
}
