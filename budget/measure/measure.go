// Package measure finds out how fast a card really is, in two ways.
//
// A player that writes down its own reads tells the truth: [ReadLog] reads that
// log (examples/firmware/LOG.md describes it), [NewFit] makes of it a rate, a
// time per request and pauses, and [Explain] says which beat came late and why.
// Such figures may stand in a player file; verdicts then rest on them.
//
// [Time] times a card through an operating system, with [Folder] for a mounted
// one. Those figures belong to that computer, its reader and its driver. A player
// reaches the same card over fewer lines at a lower clock and asks for less at a
// time, so they are a ceiling: good for telling a bad card from a good one, and no
// ground for a verdict. They are kept apart: nothing here puts them into a player
// file. Only where the computer is the player itself are they its own.
//
// [Fill] tests whether a card holds what it claims.
package measure

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"syscall"
	"time"
	"unsafe"
)

// Storage is what is timed: a folder of a mounted card, or one made up by a test.
type Storage interface {
	// Create makes a new, empty file that nobody takes for one of theirs.
	Create() (File, error)
	// Free is how many bytes can still be written.
	Free() (int64, error)
}

// File is one file of a storage. Offsets, sizes and memory are multiples of
// [Align] bytes.
type File interface {
	io.ReaderAt
	io.WriterAt
	// Flush brings what was written to the card and, as far as the system lets
	// it, out of the computer's memory.
	Flush() error
	// Caches says how reads are kept from being answered out of the computer's
	// memory, and whether that can be relied on.
	Caches() (how string, bypassed bool)
	// Remove closes the file and deletes it. A second call does nothing.
	Remove() error
}

// Align is what offsets, sizes and addresses of transfers are multiples of: the
// largest block that usual file systems ask of transfers past their caches.
const Align = 4096

// Published figures to hold results against.
const (
	// A1Reads and A2Reads are the random reads of 4 KiB a second that the
	// application performance classes ask for (SD Physical Layer Specification, as
	// quoted in public notes). A2 may have several commands waiting at the card.
	A1Reads, A2Reads = 1500, 4000
)

const (
	chunk      = 1 << 20 // bytes of a sequential transfer
	randomSize = 4096    // bytes of a random read
	// Margin is what is left free on a card.
	Margin = 1 << 20
)

// Options say how long to measure and what.
type Options struct {
	Bytes   int64         // size of the file, at least MinBytes; less is written where time runs out
	Time    time.Duration // for everything; a transfer under way is not cut short
	Request int64         // bytes of a player's usual read; rounded up to Align

	Now      func() time.Time              // nil means time.Now
	Progress func(what string, done int64) // bytes moved since the last call; may be nil
}

// MinBytes is the smallest file that is measured with.
const MinBytes = 1 << 20

// Timing is how fast a storage was.
type Timing struct {
	How      string // how caches were kept out
	Bypassed bool   // that can be relied on

	Written, Read       int64 // bytes
	WriteRate, ReadRate float64

	RandomReads     int
	RandomPerSecond float64
	Random          Percentiles

	Request int64       // bytes of a read as a player makes it
	Reads   Percentiles // of those
	Fit     Fit         // of the sequential reads and those
}

// Time writes a file, reads it in order, at random and in the pieces of a player,
// and deletes it, also when it fails or is cancelled.
func Time(ctx context.Context, s Storage, o Options) (_ Timing, err error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	o.Request = (max(o.Request, 1) + Align - 1) / Align * Align
	o.Bytes = o.Bytes / chunk * chunk
	if o.Bytes < max(MinBytes, o.Request) {
		return Timing{}, fmt.Errorf("measure: a file of %d bytes, want at least %d", o.Bytes, max(MinBytes, (o.Request+chunk-1)/chunk*chunk))
	}
	if err := room(s, o.Bytes); err != nil {
		return Timing{}, err
	}
	f, err := s.Create()
	if err != nil {
		return Timing{}, err
	}
	defer func() { err = errors.Join(err, f.Remove()) }()
	t := timer{f: f, o: o, start: o.Now(), memory: aligned(max(chunk, int(o.Request)))}
	for _, step := range []func(context.Context) error{t.write, t.read, t.random, t.pieces} {
		if err := step(ctx); err != nil {
			return Timing{}, err
		}
	}
	t.out.How, t.out.Bypassed = f.Caches()
	if t.out.Fit, err = NewFit(t.requests); err != nil {
		return Timing{}, err
	}
	return t.out, nil
}

// SpaceError says that a card has too little room.
type SpaceError struct{ Free, Want int64 }

func (e *SpaceError) Error() string {
	return fmt.Sprintf("measure: %d bytes are free, want %d and %d that stay free", e.Free, e.Want, int64(Margin))
}

// Unwrap makes it one with the system's own error.
func (e *SpaceError) Unwrap() error { return syscall.ENOSPC }

// room says whether bytes fit and leave a margin.
func room(s Storage, bytes int64) error {
	free, err := s.Free()
	if errors.Is(err, errors.ErrUnsupported) {
		return nil // writing will tell
	}
	if err == nil && free < bytes+Margin {
		err = &SpaceError{Free: free, Want: bytes}
	}
	return err
}

// aligned is memory whose address is a multiple of Align.
func aligned(n int) []byte {
	b := make([]byte, n+Align)
	skip := -uintptr(unsafe.Pointer(&b[0])) & (Align - 1)
	return b[skip : skip+uintptr(n)]
}

type timer struct {
	f        File
	o        Options
	start    time.Time
	memory   []byte
	size     int64
	requests []Request
	out      Timing
}

// until is when a step that ends at a share of the time has to.
func (t *timer) until(share float64) time.Time {
	return t.start.Add(time.Duration(share * float64(t.o.Time)))
}

func (t *timer) progress(what string, n int64) {
	if t.o.Progress != nil {
		t.o.Progress(what, n)
	}
}

func (t *timer) write(ctx context.Context) error {
	began, end := t.o.Now(), t.until(0.4)
	for t.size < t.o.Bytes && (t.size < max(MinBytes, t.o.Request) || t.o.Now().Before(end)) {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		pattern(t.memory[:chunk], t.size, 1)
		if _, err := t.f.WriteAt(t.memory[:chunk], t.size); err != nil {
			return err
		}
		t.size += chunk
		t.progress("writing", chunk)
	}
	if err := t.f.Flush(); err != nil {
		return err
	}
	t.out.Written, t.out.WriteRate = t.size, rate(t.size, t.o.Now().Sub(began))
	return nil
}

func rate(bytes int64, took time.Duration) float64 {
	return float64(bytes) / max(took, time.Nanosecond).Seconds()
}

// one times a read and keeps it.
func (t *timer) one(what string, offset, size int64) (time.Duration, error) {
	began := t.o.Now()
	if _, err := t.f.ReadAt(t.memory[:size], offset); err != nil {
		return 0, err
	}
	t.progress(what, size)
	return t.o.Now().Sub(began), nil
}

func (t *timer) keep(began time.Time, took time.Duration, size int64) {
	t.requests = append(t.requests, Request{Start: began.Sub(t.start), Took: took, Bytes: size, Beat: NoBeat})
}

func (t *timer) read(ctx context.Context) error {
	var busy time.Duration
	end := t.until(0.6)
	for at := int64(0); at < t.size && (at == 0 || t.o.Now().Before(end)); at += chunk {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		began := t.o.Now()
		took, err := t.one("reading", at, chunk)
		if err != nil {
			return err
		}
		busy += took
		t.out.Read += chunk
		t.keep(began, took, chunk)
	}
	t.out.ReadRate = rate(t.out.Read, busy)
	return nil
}

// maxRandom bounds what is kept of random reads.
const maxRandom = 1 << 17

// random reads pieces in an order of chance, none twice: one out of each of so many
// equal stretches of the file.
func (t *timer) random(ctx context.Context) error {
	if err := t.f.Flush(); err != nil {
		return err
	}
	end := t.until(0.75)
	rnd := rand.New(rand.NewPCG(1, 2))
	var times []time.Duration
	var busy time.Duration
	pieces := t.size / randomSize
	stretches := min(pieces, maxRandom)
	for _, k := range rnd.Perm(int(stretches)) {
		first, next := int64(k)*pieces/stretches, (int64(k)+1)*pieces/stretches
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if len(times) > 0 && !t.o.Now().Before(end) {
			break
		}
		took, err := t.one("reading at random", (first+rnd.Int64N(next-first))*randomSize, randomSize)
		if err != nil {
			return err
		}
		times = append(times, took)
		busy += took
	}
	t.out.RandomReads, t.out.Random = len(times), percentiles(times)
	t.out.RandomPerSecond = float64(len(times)) / max(busy, time.Nanosecond).Seconds()
	return nil
}

// maxPieces bounds what is kept of a fast card.
const maxPieces = 100_000

// pieces reads as a player does, round after round: pauses are rare.
func (t *timer) pieces(ctx context.Context) error {
	t.out.Request = t.o.Request
	var times []time.Duration
	for end := t.until(1); ; {
		if err := t.f.Flush(); err != nil {
			return err
		}
		for at := int64(0); at+t.o.Request <= t.size; at += t.o.Request {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if len(times) >= minRequests && (len(times) == maxPieces || !t.o.Now().Before(end)) {
				t.out.Reads = percentiles(times)
				return nil
			}
			began := t.o.Now()
			took, err := t.one("reading as a player", at, t.o.Request)
			if err != nil {
				return err
			}
			times = append(times, took)
			t.keep(began, took, t.o.Request)
		}
	}
}
