package source

import (
	"context"
	"image"
	"sync"

	"example.org/stampreel/transcode/picture"
)

// slot is a picture with the buffer behind it.
type slot struct {
	Timed
	give   func() // gives the slot back; made once, so that issuing it again costs nothing
	bytes  int64  // of the room
	nrgba  image.NRGBA
	ycbcr  image.YCbCr
	framed picture.Framed
	pix    []byte
}

// pool keeps the buffers of a source whose pictures are all of one size. There
// are as many as were in use at a time.
type pool struct {
	*share
	size  int64 // bytes of a buffer
	fixed int64 // bytes that the source holds besides; counted with the first buffer

	mu    sync.Mutex
	idle  []*slot
	ended bool
}

func newPool(size, fixed int64) *pool { return &pool{share: newShare(), size: size, fixed: fixed} }

// get returns a slot for the times given; one that is new has no buffer yet. It
// waits while there is no room for another.
func (p *pool) get(ctx context.Context, at, until int64) (*slot, error) {
	s := p.reuse()
	for s == nil {
		ok, err := p.try(ctx, p.size+p.fixed)
		if err != nil {
			return nil, err
		}
		if ok {
			s = p.newSlot()
		} else {
			s = p.reuse()
		}
	}
	s.At, s.Until, s.release = at, until, s.give
	return s, nil
}

func (p *pool) newSlot() *slot {
	s := &slot{bytes: p.size + p.fixed}
	s.give = func() { p.put(s) }
	p.fixed = 0
	return s
}

func (p *pool) reuse() *slot {
	p.mu.Lock()
	defer p.mu.Unlock()
	n := len(p.idle)
	if n == 0 {
		return nil
	}
	s := p.idle[n-1]
	p.idle = p.idle[:n-1]
	return s
}

func (p *pool) put(s *slot) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.ended {
		s.nrgba, s.ycbcr, s.framed, s.pix = image.NRGBA{}, image.YCbCr{}, picture.Framed{}, nil // whoever keeps its Timed does not keep this
		p.share.give(s.bytes)
		return
	}
	p.idle = append(p.idle, s)
	p.wake()
}

// end gives the room back once there is no further picture: at once what is
// idle, the rest as it comes back.
func (p *pool) end() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.ended = true
	for _, s := range p.idle {
		p.share.give(s.bytes)
	}
	p.idle = nil
}
