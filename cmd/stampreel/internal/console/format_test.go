package console

import (
	"math"
	"testing"
	"time"
)

func TestFormats(t *testing.T) {
	// Prefixes: SI brochure (k, M, G are powers of 1000) and IEC 80000-13
	// (Ki, Mi are powers of 1024).
	check := func(got, want string) {
		t.Helper()
		if got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	check(Size(0), "0 B")
	check(Size(512), "512 B")
	check(Size(999), "999 B")
	check(Size(1000), "1.00 kB")
	check(Size(41_500), "41.5 kB")
	check(Size(999_499), "999 kB")
	check(Size(999_500), "1.00 MB")
	check(Size(9_996_000), "10.0 MB")
	check(Size(4<<30-1), "4.29 GB")
	check(Size(-1500), "-1.50 kB")
	check(Size(math.MaxInt64), "9.22 EB")

	// 82 sectors at 30 frames/s, 83 at 20, as worked in the style guide.
	check(Rate(82*512*30), "1.26 MB/s")
	check(Rate(83*512*20), "850 kB/s")
	check(Rate(0.5), "0.50 B/s")
	check(Rate(math.Inf(1)), "-")
	check(MB(83*512*20), "0.85")

	check(Memory(512), "512 B")
	check(Memory(1024), "1 KiB")
	check(Memory(1536), "1.5 KiB")
	check(Memory(64<<10), "64 KiB")
	check(Memory(8<<20), "8 MiB")
	check(Memory(0), "0 B")
	check(KiB(288_000), "281.3")

	check(Percent(1-0.85/1.02), "16 %")
	check(Percent(0.196), "19 %")
	check(Percent(0.2), "20 %")
	check(Percent(0.29), "29 %")
	check(Percent(0.0), "0 %")
	check(Percent(-0.004), "-1 %")
	check(Percent(1.0), "100 %")
	check(Percent(math.NaN()), "-")
	check(Percent(math.Inf(-1)), "-")

	check(Duration(0), "0:00.0")
	check(Duration(83*time.Second+449*time.Millisecond), "1:23.4")
	check(Duration(960*time.Millisecond), "0:01.0")
	check(Duration(3723*time.Second+400*time.Millisecond), "1:02:03.4")
	check(Duration(-1500*time.Millisecond), "-0:01.5")
	check(TimeLeft(79*time.Second+time.Millisecond), "1:20")
	check(TimeLeft(80*time.Second), "1:20")
	check(TimeLeft(-time.Second), "0:00")
	check(TimeLeft(2*time.Hour), "2:00:00")

	check(Count(1, "clip", "clips"), "1 clip")
	check(Count(0, "clip", "clips"), "0 clips")
}

func TestExtremeDurationsDoNotOverflow(t *testing.T) {
	if got, want := Duration(math.MinInt64), "-"+Duration(math.MaxInt64); got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}
