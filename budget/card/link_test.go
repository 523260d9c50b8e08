package card

import (
	"testing"
	"time"
)

// The ceilings are those of the USB 2.0 standard; that 10 MB go to a player's own USB
// device in about 10 s, and over a bridge in about 1 s and back in half of that, is
// common practice, no source.
func TestCopyingTakesItsTimeOverEachLink(t *testing.T) {
	const bytes = 10_000_000
	want := map[string]struct{ ceiling, write, read time.Duration }{
		"full-speed USB": {bytes * time.Second / 1_216_000, 10 * time.Second, 10 * time.Second},
		"high-speed USB": {bytes * time.Second / 53_248_000, time.Second, 500 * time.Millisecond},
	}
	last := Link{}
	for _, l := range Links() {
		if l.Ceiling <= last.Ceiling || l.Write <= last.Write || l.Read <= last.Read || l.Write >= l.Ceiling || l.Read >= l.Ceiling {
			t.Errorf("%+v after %+v: want faster links later, and usual rates below the ceiling", l, last)
		}
		last = l
		w, ok := want[l.Name]
		if !ok {
			continue
		}
		delete(want, l.Name)
		usual, least := l.Writing(bytes)
		near := func(got, want time.Duration) bool { return (got - want).Abs() < want/1000 }
		if !near(least, w.ceiling) || usual < w.write*9/10 || usual > w.write*11/10 {
			t.Errorf("%s: writing 10 MB takes %v, at least %v; want about %v, at least %v", l.Name, usual, least, w.write, w.ceiling)
		}
		if got := l.Reading(bytes); got < w.read*9/10 || got > w.read*11/10 {
			t.Errorf("%s: reading 10 MB takes %v, want about %v", l.Name, got, w.read)
		}
	}
	if len(want) > 0 {
		t.Errorf("links missing: %v", want)
	}
}

// A FAT32 card of 4 GB has some 122,000 clusters of 32 KiB; its two tables take a
// 4,000th of it.
func TestFilesTakeWholeClustersOfWhatTheTablesLeave(t *testing.T) {
	for bytes, want := range map[int64]int64{0: 0, 1: 32768, 32768: 32768, 32769: 65536} {
		if got := Taken(bytes); got != want {
			t.Errorf("%d bytes take %d, want %d", bytes, got, want)
		}
	}
	const size = 4_000_000_000
	if room := Room(size); room%DefaultCluster != 0 || room > size-size/4096 || room < size-size/4096-9<<20 {
		t.Errorf("room on %d bytes: %d", int64(size), room)
	}
	if got := Room(8<<20 + 3*(DefaultCluster+8)); got != 3*DefaultCluster {
		t.Errorf("three clusters, their places in two tables and 8 MiB: room for %d bytes", got)
	}
	if Room(1000) != 0 {
		t.Errorf("room on a card of nothing: %d", Room(1000))
	}
}
