package source

import "image"

// poolSize is the number of idle buffers kept for the next pictures. More may
// be in use at a time; those are left to the garbage collector.
const poolSize = 16

// slot is a picture with the buffer behind it.
type slot struct {
	Timed
	give  func() // gives the slot back; made once, so that issuing it again costs nothing
	nrgba image.NRGBA
	ycbcr image.YCbCr
	pix   []byte
}

// pool keeps slots for reuse. The zero value is not usable.
type pool struct{ idle chan *slot }

func newPool() *pool { return &pool{make(chan *slot, poolSize)} }

// get returns a slot for the times given; one that is new has no buffer yet.
func (p *pool) get(at, until int64) *slot {
	var s *slot
	select {
	case s = <-p.idle:
	default:
		s = &slot{}
		s.give = func() {
			select {
			case p.idle <- s:
			default:
			}
		}
	}
	s.At, s.Until, s.release = at, until, s.give
	return s
}
