package source

import (
	"context"
	"io"
	"sync"
)

// streamBlock is the size of a read from standard input, in bytes. Two blocks
// are held.
const streamBlock = 1 << 20

// stream reads from a reader that may keep it waiting for ever, such as a pipe
// whose other end hangs, and stops waiting when its context ends. Reading goes
// on in a goroutine of its own, which ends with the reader or, after close, with
// the read it is in. What is left after close can still be read, without it.
type stream struct {
	ctx    context.Context // of the Read that is under way
	r      io.Reader
	blocks chan []byte // filled
	empty  chan []byte
	done   chan struct{}
	once   sync.Once

	pending []byte // read, but done before it went to blocks
	err     error  // of the reader

	block []byte
	rest  []byte // unread part of block
}

func newStream(r io.Reader) *stream {
	s := &stream{
		ctx:    context.Background(),
		r:      r,
		blocks: make(chan []byte, 1),
		empty:  make(chan []byte, 2),
		done:   make(chan struct{}),
	}
	s.empty <- make([]byte, streamBlock)
	s.empty <- make([]byte, streamBlock)
	go s.fill()
	return s
}

// fill owns pending and err until it closes blocks.
func (s *stream) fill() {
	defer close(s.blocks)
	for s.err == nil {
		var block []byte
		select {
		case block = <-s.empty:
		case <-s.done:
			return
		}
		var n int
		n, s.err = s.r.Read(block[:streamBlock])
		if n == 0 {
			s.empty <- block
			continue
		}
		select {
		case s.blocks <- block[:n]:
		case <-s.done:
			s.pending = block[:n]
			return
		}
	}
}

func (s *stream) Read(p []byte) (int, error) {
	if len(s.rest) == 0 {
		if s.block != nil {
			s.empty <- s.block
			s.block = nil
		}
		select {
		case block, ok := <-s.blocks:
			switch {
			case ok:
				s.block, s.rest = block, block
			case s.pending != nil:
				s.rest, s.pending = s.pending, nil
			case s.err != nil:
				return 0, s.err
			default:
				return s.r.Read(p)
			}
		case <-s.ctx.Done():
			return 0, s.ctx.Err()
		}
	}
	n := copy(p, s.rest)
	s.rest = s.rest[n:]
	return n, nil
}

func (s *stream) close() { s.once.Do(func() { close(s.done) }) }
