package source

import (
	"context"
	"runtime"
	"sync"

	"golang.org/x/sync/semaphore"

	"example.org/stampreel/transcode/picture"
)

// MaxMemory is the most memory in bytes that opening one picture may take:
// decoding it and turning it upright. The pictures of all sources that are open
// in a process, until they are given back, share as much again and no more, so
// that packing many sources at once takes no more than packing the largest.
const MaxMemory = 180_000_000

// room is what the sources of this process share.
var room = struct {
	free    *semaphore.Weighted
	mu      sync.Mutex
	used    int64 // bytes taken and not given back
	garbage int64 // bytes given back since the last collection
}{free: semaphore.NewWeighted(MaxMemory)}

// occupy counts n bytes that were taken, and discard n bytes that were left to
// the collector. It knows of no limit and would let garbage grow to the size of
// what is in use, so it is called here.
func occupy(n int64) { count(n, 0) }

func discard(n int64) { count(0, n) }

func count(used, garbage int64) {
	room.mu.Lock()
	defer room.mu.Unlock()
	room.used += used
	room.garbage += garbage
	if room.used+room.garbage > MaxMemory {
		runtime.GC()
		room.garbage = 0
	}
}

func vacate(n int64) {
	room.mu.Lock()
	room.used -= n
	room.garbage += n
	room.mu.Unlock()
	room.free.Release(n)
}

// A share is what one source holds of the room.
type share struct {
	mu     sync.Mutex
	held   int64
	closed bool
	back   chan struct{} // something came back
}

func newShare() *share { return &share{back: make(chan struct{}, 1)} }

// take waits for n bytes of room, at most MaxMemory.
func (s *share) take(ctx context.Context, n int64) error {
	for {
		if ok, err := s.try(ctx, n); ok || err != nil {
			return err
		}
	}
}

// try takes n bytes. A source waits for others only while it holds nothing
// itself, so none can wait for each other; a source that holds something waits
// for that to come back, and then has to try again.
func (s *share) try(ctx context.Context, n int64) (ok bool, err error) {
	s.mu.Lock()
	held := s.held
	s.mu.Unlock()
	switch {
	case held == 0:
		if err := room.free.Acquire(ctx, n); err != nil {
			return false, err
		}
	case !room.free.TryAcquire(n):
		select {
		case <-s.back:
			return false, nil
		case <-ctx.Done():
			return false, ctx.Err()
		}
	}
	s.mu.Lock()
	s.held += n
	s.mu.Unlock()
	occupy(n)
	return true, nil
}

// give gives n bytes back; after close, which gave back everything, nothing.
func (s *share) give(n int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return
	}
	s.held -= n
	vacate(n)
	s.wake()
}

// wake ends the waiting of try.
func (s *share) wake() {
	select {
	case s.back <- struct{}{}:
	default:
	}
}

// close gives back what is still held: the pictures of a source that is closed
// stay valid, but nobody waits for them.
func (s *share) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.closed {
		s.closed = true
		vacate(s.held)
	}
}

// picture takes n bytes for a picture until that is given back, and decodes it.
func (s *share) picture(ctx context.Context, n int64, decode func(context.Context) (picture.Picture, error)) (*Timed, error) {
	if err := s.take(ctx, n); err != nil {
		return nil, err
	}
	p, err := decode(ctx)
	if err != nil {
		s.give(n)
		return nil, err
	}
	return &Timed{Picture: p, release: func() { s.give(n) }}, nil
}
