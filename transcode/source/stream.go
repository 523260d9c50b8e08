package source

import (
	"context"
	"io"
)

// streamBlock is the size of a read from standard input, in bytes. Two blocks
// are held.
const streamBlock = 1 << 20

// stream reads from a reader that may keep it waiting for ever, such as a pipe
// whose other end hangs, and stops waiting when its context ends. Reading goes
// on in a goroutine of its own, which ends with the reader or, after close, with
// the read it is in.
type stream struct {
	ctx    context.Context // of the Read that is under way
	blocks chan []byte     // filled
	empty  chan []byte
	done   chan struct{}
	err    error // why blocks was closed
	block  []byte
	rest   []byte // unread part of block
}

func newStream(r io.Reader) *stream {
	s := &stream{
		ctx:    context.Background(),
		blocks: make(chan []byte, 1),
		empty:  make(chan []byte, 2),
		done:   make(chan struct{}),
	}
	s.empty <- make([]byte, streamBlock)
	s.empty <- make([]byte, streamBlock)
	go s.fill(r)
	return s
}

func (s *stream) fill(r io.Reader) {
	defer close(s.blocks)
	for {
		var block []byte
		select {
		case block = <-s.empty:
		case <-s.done:
			s.err = io.ErrClosedPipe
			return
		}
		n, err := r.Read(block[:streamBlock])
		if n > 0 {
			select {
			case s.blocks <- block[:n]:
			case <-s.done:
				s.err = io.ErrClosedPipe
				return
			}
		}
		if err != nil {
			s.err = err
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
			if !ok {
				return 0, s.err
			}
			s.block, s.rest = block, block
		case <-s.ctx.Done():
			return 0, s.ctx.Err()
		}
	}
	n := copy(p, s.rest)
	s.rest = s.rest[n:]
	return n, nil
}

// close ends the goroutine. What has been read and not used is lost.
func (s *stream) close() { close(s.done) }
