package measure

import (
	"fmt"
	"syscall"
	"time"
	"unsafe"
)

// fakeCard is a card made up of memory and a clock of its own: real bytes of
// memory, claimed bytes of offsets that wrap around in it, so much time for each
// transfer, and faults.
type fakeCard struct {
	clock time.Time

	claimed, real int64
	full          int64 // offsets from here on are refused with "no space"; 0 for none

	rate, request float64                                   // bytes a second, seconds
	pause         func(read bool, count int) time.Duration  // of transfer number count
	fail          func(read bool, at int64, file int) error // at an offset of the whole card

	memory   []byte
	used     int64 // offsets given to files
	files    int
	open     int
	reads    int
	writes   int
	flushes  int
	bypassed bool
}

func newFakeCard(claimed, real int64) *fakeCard {
	return &fakeCard{
		clock: time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC), claimed: claimed, real: real,
		rate: 20e6, request: 0.001, memory: make([]byte, real), bypassed: true,
	}
}

func (c *fakeCard) now() time.Time { return c.clock }

func (c *fakeCard) Free() (int64, error) { return c.claimed, nil }

func (c *fakeCard) Create() (File, error) {
	if c.fail != nil {
		if err := c.fail(false, c.used, c.files); err != nil {
			return nil, err
		}
	}
	c.open++
	c.files++
	return &fakeFile{card: c, base: c.used, number: c.files}, nil
}

type fakeFile struct {
	card   *fakeCard
	base   int64
	number int
	gone   bool
}

func (f *fakeFile) transfer(p []byte, off int64, read bool) (int, error) {
	c := f.card
	if f.gone || off%Align != 0 || len(p)%Align != 0 || len(p) == 0 {
		panic(fmt.Sprintf("transfer of %d bytes at %d", len(p), off))
	}
	count := &c.writes
	if read {
		count = &c.reads
	}
	*count++
	c.clock = c.clock.Add(seconds(c.request + float64(len(p))/c.rate))
	if c.pause != nil {
		c.clock = c.clock.Add(c.pause(read, *count))
	}
	at := f.base + off
	if c.fail != nil {
		if err := c.fail(read, at, f.number); err != nil {
			return 0, err
		}
	}
	if c.full > 0 && at+int64(len(p)) > c.full {
		return 0, syscall.ENOSPC
	}
	if !read {
		c.used = max(c.used, at+int64(len(p)))
	}
	for done := 0; done < len(p); {
		place := c.memory[(at+int64(done))%c.real:]
		if read {
			done += copy(p[done:], place)
		} else {
			done += copy(place, p[done:])
		}
	}
	return len(p), nil
}

func (f *fakeFile) ReadAt(p []byte, off int64) (int, error)  { return f.transfer(p, off, true) }
func (f *fakeFile) WriteAt(p []byte, off int64) (int, error) { return f.transfer(p, off, false) }
func (f *fakeFile) Flush() error                             { f.card.flushes++; return nil }
func (f *fakeFile) Caches() (string, bool)                   { return "made up", f.card.bypassed }
func (f *fakeFile) Remove() error {
	if !f.gone {
		f.gone = true
		f.card.open--
	}
	return nil
}

func isAligned(b []byte) bool { return uintptr(unsafe.Pointer(&b[0]))%Align == 0 }
