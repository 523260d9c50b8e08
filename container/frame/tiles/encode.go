package tiles

import (
	"fmt"

	"example.org/stampreel/container/pixel"
)

// Cost says what things take on a player, in any unit: nanoseconds, or bytes of
// the panel's bus.
type Cost struct {
	Tile      int64 // one tile besides its pixels: window commands and driver set-up
	PanelByte int64 // one byte on the panel's bus
	CardByte  int64 // one byte read from the card
}

// DefaultCost is that of a panel at 40 MHz whose driver takes 13 µs to set a
// window, and of a card that gives 12.5 MB/s, in picoseconds.
var DefaultCost = Cost{Tile: 15e6, PanelByte: 200e3, CardByte: 80e3}

// Options say how an Encoder chooses. The zero value is lossless, at
// DefaultCost.
type Options struct {
	Cost Cost // all zero is DefaultCost
	// How far what the panel shows may be from the frame, in each channel, on the
	// scale of 0…255 (pixel.Format.Value8). What the panel holds is compared, so
	// small changes in a row do not add up beyond it.
	Ignore int
}

// Stats are what one beat of tiles takes.
type Stats struct {
	Tiles      int // windows to be set; 0: nothing to be shown, and no payload
	FrameBytes int // of the payload, on the card
	PanelBytes int // of pixels, on the panel's bus
}

// An Encoder turns frames into beats of tiles. It keeps what the panel holds,
// and allocates nothing but what dst lacks room for. It is not safe for
// concurrent use.
type Encoder struct {
	l      layout
	o      Options
	coder  *coder
	cover  *cover
	held   []byte // what the panel holds
	holds  bool   // it is known
	tile   []byte // pixels of the tile in hand
	frame  []byte // to be shown
	trial  []byte // a tile coded to see what it takes
	rects  []Rect
	whole  [1]Rect
	have   []uint8 // level codes of held and of the frame in hand, for Ignore
	want   []uint8
	value  [3][256]uint8
	ignore bool
}

// NewEncoder returns an Encoder for a panel. What that holds is not known, so
// the first beat has to be a key beat, unless Set comes before it.
func NewEncoder(f pixel.Format, width, height int, o Options) (*Encoder, error) {
	l, err := newLayout(f, width, height)
	if err != nil {
		return nil, err
	}
	if o.Cost == (Cost{}) {
		o.Cost = DefaultCost
	}
	if c := o.Cost; min(c.Tile, c.PanelByte, c.CardByte) < 0 || max(c.Tile, c.PanelByte, c.CardByte) > 1<<40 {
		return nil, fmt.Errorf("tiles: cost %+v, want 0 to 2^40 each", c)
	}
	if o.Ignore < 0 || o.Ignore > 255 {
		return nil, fmt.Errorf("tiles: ignore differences up to %d, want 0 to 255", o.Ignore)
	}
	bytes := f.FrameBytes(width, height)
	e := &Encoder{
		l: l, o: o, coder: newCoder(l.unit), cover: newCover(l.cw, l.ch),
		held: make([]byte, bytes), tile: make([]byte, bytes), ignore: o.Ignore > 0,
	}
	if e.ignore {
		codes := width * height * f.Channels()
		e.have, e.want = make([]uint8, codes), make([]uint8, codes)
		for ch := range f.Channels() {
			for code := range f.Levels(ch) {
				e.value[ch][code] = f.Value8(ch, uint8(code))
			}
		}
	}
	return e, nil
}

// Held returns what the panel holds after the beats so far. It changes with
// the next one.
func (e *Encoder) Held() []byte { return e.held }

// Set says that the panel now holds a frame that came another way: raw, or
// decoded from JPEG.
func (e *Encoder) Set(frame []byte) error {
	if len(frame) != len(e.held) {
		return e.wrongSize(frame)
	}
	copy(e.held, frame)
	e.holds = true
	return nil
}

func (e *Encoder) wrongSize(frame []byte) error {
	return fmt.Errorf("tiles: frame of %d bytes, want %d for %d×%d pixels in %v", len(frame), len(e.held), e.l.w, e.l.h, e.l.f)
}

// Append appends the payload of a beat that makes the panel show a frame. A key
// beat covers all of the panel, whatever it holds, exactly; any other leaves out
// what does not differ by more than Options.Ignore, and has no tiles and no
// payload when nothing does.
func (e *Encoder) Append(dst, frame []byte, key bool) ([]byte, Stats, error) {
	if len(frame) != len(e.held) {
		return dst, Stats{}, e.wrongSize(frame)
	}
	if !e.holds && !key {
		return dst, Stats{}, fmt.Errorf("tiles: the first beat must be a key beat")
	}
	var rects []Rect
	if key {
		rects = append(e.whole[:0], Rect{0, 0, e.l.cw, e.l.ch})
	} else {
		if e.ignore {
			e.compareCodes(frame)
		} else {
			e.compare(frame)
		}
		c := e.o.Cost
		// A byte on the panel's bus is a quarter of one on the card, as tiles go.
		rects = e.cover.find(c.Tile+tileHeader*c.CardByte, int64(e.l.unit)*(c.PanelByte+c.CardByte/4))
	}
	if len(rects) == 0 {
		return dst, Stats{}, nil
	}
	if !e.allowed(rects) {
		rects = append(e.whole[:0], around(rects))
	}
	e.frame, e.rects = frame, e.rects[:0]
	for _, r := range rects {
		e.columns(r)
	}
	if e.allowed(e.rects) {
		rects = e.rects
	}
	e.holds = true
	e.coder.reset()
	start := len(dst)
	s := Stats{Tiles: len(rects)}
	dst = append(dst, byte(len(rects)), byte(len(rects)>>8))
	for _, cells := range rects {
		r := e.l.pixels(cells)
		tile := e.tile[:e.l.f.FrameBytes(r.W, r.H)]
		e.l.gather(tile, frame, r)
		e.l.scatter(e.held, tile, r)
		s.PanelBytes += len(tile)
		dst = append(dst, byte(r.X), byte(r.Y), byte(r.W-1), byte(r.H-1),
			byte(r.X>>8|r.Y>>8<<2|(r.W-1)>>8<<4|(r.H-1)>>8<<6))
		dst = e.coder.append(dst, tile)
	}
	s.FrameBytes = len(dst) - start
	return dst, s, nil
}

// allowed reports whether a beat may have these tiles.
func (e *Encoder) allowed(rects []Rect) bool {
	bytes := 0
	for _, cells := range rects {
		r := e.l.pixels(cells)
		bytes += e.l.f.FrameBytes(r.W, r.H)
	}
	return len(rects) <= MaxTiles && bytes <= len(e.held)
}

// around returns the rectangle around some.
func around(rects []Rect) Rect {
	all := rects[0]
	for _, r := range rects[1:] {
		all = union(all, r)
	}
	return all
}

// columns cuts a tile into upright ones where that saves more card bytes than
// their set-up costs, and appends them. Tiles are coded row by row with a short
// list of colours, which serves longer where rows are short. Halves are tried
// down to fewer than 8 cells, each coded for real; it returns the least cost.
func (e *Encoder) columns(cells Rect) int64 {
	r := e.l.pixels(cells)
	tile := e.tile[:e.l.f.FrameBytes(r.W, r.H)]
	e.l.gather(tile, e.frame, r)
	e.coder.reset()
	e.trial = e.coder.append(e.trial[:0], tile)
	set := e.o.Cost.Tile + tileHeader*e.o.Cost.CardByte
	bytes := int64(len(e.trial)) * e.o.Cost.CardByte
	mark := len(e.rects)
	if half := cells.W / 2; half >= leastColumn && bytes > set {
		a, b := cells, cells
		a.W, b.X, b.W = half, cells.X+half, cells.W-half
		apart := e.columns(a)
		if apart < set+bytes {
			apart += e.columns(b)
		}
		if apart < set+bytes {
			return apart
		}
	}
	e.rects = append(e.rects[:mark], cells)
	return set + bytes
}

// leastColumn is the width of the narrowest tiles that columns makes, in cells.
const leastColumn = 8

// compare marks the cells that are not what the panel holds.
func (e *Encoder) compare(frame []byte) {
	l, mask := &e.l, e.cover.mask
	if !l.plain() {
		for i := range mask {
			at := 3 * (i/l.cw*l.w + i%l.cw*2) // in half bytes
			n := min(6, 3*(l.w-i%l.cw*2))
			mask[i] = false
			for k := at; k < at+n; k++ {
				shift := 4 * (1 - k%2)
				mask[i] = mask[i] || (frame[k/2]^e.held[k/2])>>shift&15 != 0
			}
		}
		return
	}
	held := e.held
	switch l.unit {
	case 1:
		for i := range mask {
			mask[i] = frame[i] != held[i]
		}
	case 2:
		for i := range mask {
			mask[i] = frame[2*i] != held[2*i] || frame[2*i+1] != held[2*i+1]
		}
	default:
		for i := range mask {
			mask[i] = frame[3*i] != held[3*i] || frame[3*i+1] != held[3*i+1] || frame[3*i+2] != held[3*i+2]
		}
	}
}

// compareCodes marks the cells that have a pixel that differs too much.
func (e *Encoder) compareCodes(frame []byte) {
	l, mask, channels := &e.l, e.cover.mask, e.l.f.Channels()
	l.f.Unpack(e.have, e.held, l.w, l.h)
	l.f.Unpack(e.want, frame, l.w, l.h)
	clear(mask)
	for y := range l.h {
		row := mask[y>>l.sy*l.cw:]
		at := y * l.w * channels
		for x := range l.w {
			for ch := range channels {
				a, b := e.have[at], e.want[at]
				at++
				if a != b {
					if d := int(e.value[ch][a]) - int(e.value[ch][b]); d > e.o.Ignore || -d > e.o.Ignore {
						row[x>>l.sx] = true
					}
				}
			}
		}
	}
}
