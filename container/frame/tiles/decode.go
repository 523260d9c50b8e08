package tiles

import (
	"fmt"

	"example.org/stampreel/container/pixel"
)

const (
	countBytes = 2
	tileHeader = 5
)

// FormatError says that the bytes of a beat are no tiles.
type FormatError struct {
	Offset int    // of the first byte that is wrong
	Reason string // what was found and what was expected
}

func (e *FormatError) Error() string {
	return fmt.Sprintf("tiles: byte %d: %s", e.Offset, e.Reason)
}

// A Decoder turns beats of tiles into what a panel is sent. It is not safe for
// concurrent use.
type Decoder struct {
	l    layout
	tile []byte
}

// NewDecoder returns a Decoder for a panel.
func NewDecoder(f pixel.Format, width, height int) (*Decoder, error) {
	l, err := newLayout(f, width, height)
	if err != nil {
		return nil, err
	}
	return &Decoder{l: l, tile: make([]byte, f.FrameBytes(width, height)+2)}, nil
}

// Decode changes panel, a frame, as the payload of a beat says. On an error the
// tiles before it are in place. visit, which may be nil, gets each tile and the
// bytes that go to its window, valid until it returns.
func (d *Decoder) Decode(panel, payload []byte, key bool, visit func(r Rect, pixels []byte)) (Stats, error) {
	l := &d.l
	if len(panel) != l.f.FrameBytes(l.w, l.h) {
		return Stats{}, fmt.Errorf("tiles: frame of %d bytes, want %d for %d×%d pixels in %v", len(panel), l.f.FrameBytes(l.w, l.h), l.w, l.h, l.f)
	}
	u := unpacker{p: payload, unit: l.unit}
	head, err := u.take(countBytes, "the number of tiles")
	if err != nil {
		return Stats{}, err
	}
	s := Stats{Tiles: int(head[0]) | int(head[1])<<8, FrameBytes: len(payload)}
	if s.Tiles == 0 {
		return Stats{}, u.wrong(0, "no tiles, want at least one")
	}
	var next Rect // where the next tile of a key beat has to begin; H is that of its row
	for i := range s.Tiles {
		at := u.at
		head, err := u.take(tileHeader, "a tile's place")
		if err != nil {
			return Stats{}, err
		}
		high := int(head[4])
		r := Rect{int(head[0]) | high&3<<8, int(head[1]) | high>>2&3<<8, (int(head[2]) | high>>4&3<<8) + 1, (int(head[3]) | high>>6<<8) + 1}
		if problem := l.problem(r); problem != "" {
			return Stats{}, u.wrong(at, "tile %d: %s", i, problem)
		}
		if key {
			if r.X != next.X || r.Y != next.Y || next.X > 0 && r.H != next.H {
				return Stats{}, u.wrong(at, "tile %d of a key beat, %d rows at %d, %d, does not go on where the one before ends, at %d, %d", i, r.H, r.X, r.Y, next.X, next.Y)
			}
			if next.X, next.H = r.X+r.W, r.H; next.X == l.w {
				next.X, next.Y = 0, r.Y+r.H
			}
		}
		bytes := l.f.FrameBytes(r.W, r.H)
		if s.PanelBytes += bytes; s.PanelBytes > len(panel) {
			return Stats{}, u.wrong(at, "tile %d: %d bytes for the panel so far, want at most the %d of a frame", i, s.PanelBytes, len(panel))
		}
		tile := d.tile[:l.units(r.W, r.H)*l.unit]
		if err := u.tile(tile); err != nil {
			return Stats{}, err
		}
		for _, b := range tile[bytes:] {
			if b != 0 {
				return Stats{}, u.wrong(at, "tile %d: its last unit goes on behind its last pixel, want zero there", i)
			}
		}
		tile = tile[:bytes]
		if !l.f.PaddingClear(tile, r.W, r.H) {
			return Stats{}, u.wrong(at, "tile %d: bits that stand for no pixel are set, want zero", i)
		}
		l.scatter(panel, tile, r)
		if visit != nil {
			visit(r, tile)
		}
	}
	if u.at != len(payload) {
		return Stats{}, u.wrong(u.at, "%d bytes behind the last tile, want none", len(payload)-u.at)
	}
	if key && (next.X != 0 || next.Y != l.h) {
		return Stats{}, u.wrong(u.at, "the tiles of a key beat end at %d, %d, want all of the panel covered", next.X, next.Y)
	}
	return s, nil
}

// unpacker reads a payload.
type unpacker struct {
	p     []byte
	at    int
	unit  int
	list  [listSize][3]byte // colours, the newest at newest, older ones behind it
	first int               // place of the newest
	known int
}

func (u *unpacker) wrong(at int, format string, args ...any) error {
	return &FormatError{at, fmt.Sprintf(format, args...)}
}

// take returns the next n bytes.
func (u *unpacker) take(n int, what string) ([]byte, error) {
	if len(u.p)-u.at < n {
		return nil, u.wrong(len(u.p), "the payload ends in %s", what)
	}
	u.at += n
	return u.p[u.at-n : u.at], nil
}

// colour returns colour j, at most 15, of the list.
func (u *unpacker) colour(j int) ([]byte, error) {
	if j >= u.known {
		return nil, u.wrong(u.at, "colour %d of a list of %d", j, u.known)
	}
	return u.list[(u.first+j)%listSize][:u.unit], nil
}

// tile fills dst, whole units, from the operations that come.
func (u *unpacker) tile(dst []byte) error {
	for len(dst) > 0 {
		at := u.at
		head, err := u.take(1, "a tile's pixels")
		if err != nil {
			return err
		}
		op := int(head[0])
		if op&0xf0 == opColours {
			p, err := u.take((op&15+1)*u.unit, "new colours")
			if err != nil {
				return err
			}
			for ; len(p) > 0; p = p[u.unit:] {
				u.first = (u.first + listSize - 1) % listSize
				copy(u.list[u.first][:], p[:u.unit])
				u.known = min(u.known+1, listSize)
			}
			continue
		}
		low, err := u.take(1, "an operation")
		if err != nil {
			return err
		}
		n := op<<8 | int(low[0])
		switch {
		case op&0x80 != 0:
			n = n&(mostRun-1) + 1
		case op&0xc0 == opIndices:
			n = n&(mostIndices-1) + 1
		case op&0xf0 == opLiteral:
			n = n&(mostLiteral-1) + 1
		default:
			return u.wrong(at, "operation 0x%02x is not known", op)
		}
		if n > len(dst)/u.unit {
			return u.wrong(at, "an operation of %d units where the tile lacks %d", n, len(dst)/u.unit)
		}
		part := dst[:n*u.unit]
		dst = dst[n*u.unit:]
		switch {
		case op&0x80 != 0:
			c, err := u.colour(op >> 3 & 15)
			if err != nil {
				return err
			}
			for len(part) > 0 {
				part = part[copy(part, c):]
			}
		case op&0xc0 == opIndices:
			if err := u.indices(part, op>>4&3+1); err != nil {
				return err
			}
		default:
			p, err := u.take(len(part), "literal units")
			if err != nil {
				return err
			}
			copy(part, p)
		}
	}
	return nil
}

func (u *unpacker) indices(dst []byte, bits int) error {
	word, left := 0, 0
	for len(dst) > 0 {
		for left < bits {
			p, err := u.take(1, "indices")
			if err != nil {
				return err
			}
			word, left = word<<8|int(p[0]), left+8
		}
		left -= bits
		c, err := u.colour(word >> left)
		if err != nil {
			return err
		}
		word &= 1<<left - 1
		dst = dst[copy(dst, c):]
	}
	if word != 0 {
		return u.wrong(u.at-1, "bits behind the last index are set, want zero")
	}
	return nil
}
