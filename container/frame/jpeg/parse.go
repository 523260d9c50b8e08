package jpeg

import (
	"fmt"

	"example.org/stampreel/container/pixel"
)

// A Decoder turns frames into panel pixels by section 3.2 of FORMAT.md. It allocates nothing
// after NewDecoder and is not safe for concurrent use.
type Decoder struct {
	f    pixel.Format
	w, h int

	// The frame in hand.
	p        []byte
	at       int
	sampling Sampling // 0 until SOF0
	quant    [2][blockSize]uint8
	hasQuant [2]bool
	dc, ac   [2]huffman
	use      [3]componentUse // of each component

	// Rows of minimum coded units: luma, Cb, Cr.
	plane  [3][]uint8
	stride [3]int
	codes  []uint8 // levels of all pixels
	rgb    []uint8 // where the caller wants no levels
	screen *screen
}

// A componentUse says which tables a component has.
type componentUse struct{ quant, dc, ac uint8 }

// NewDecoder returns a Decoder for a panel.
func NewDecoder(f pixel.Format, width, height int) (*Decoder, error) {
	if !f.Valid() {
		return nil, fmt.Errorf("jpeg: %v is unknown", f)
	}
	if width < 1 || height < 1 || width > MaxSide || height > MaxSide {
		return nil, fmt.Errorf("jpeg: panel of %d×%d pixels, want 1×1 to %d×%[3]d", width, height, MaxSide)
	}
	wide := (width + 15) &^ 15
	d := &Decoder{f: f, w: width, h: height, codes: make([]uint8, width*height*f.Channels()), screen: newScreen(f)}
	d.plane[0], d.stride[0] = make([]uint8, 16*wide), wide
	for c := 1; c < 3; c++ {
		d.plane[c], d.stride[c] = make([]uint8, 8*wide), wide
	}
	return d, nil
}

// Decode turns a payload into what the panel shows: dst is a frame, and holds rows of an
// earlier one below the error when there is one.
func (d *Decoder) Decode(dst, payload []byte) (Stats, error) {
	if len(dst) != d.f.FrameBytes(d.w, d.h) {
		return Stats{}, fmt.Errorf("jpeg: frame of %d bytes, want %d for %d×%d pixels in %v", len(dst), d.f.FrameBytes(d.w, d.h), d.w, d.h, d.f)
	}
	d.rgb = nil
	s, err := d.decode(payload)
	if err == nil {
		d.f.Pack(dst, d.codes, d.w, d.h)
	}
	return s, err
}

// DecodeRGB is Decode without its last step: dst has three bytes a pixel, red, green and blue,
// before they are dithered to the panel's levels.
func (d *Decoder) DecodeRGB(dst, payload []byte) (Stats, error) {
	if len(dst) != 3*d.w*d.h {
		return Stats{}, fmt.Errorf("jpeg: picture of %d bytes, want %d for %d×%d pixels", len(dst), 3*d.w*d.h, d.w, d.h)
	}
	d.rgb = dst
	s, err := d.decode(payload)
	d.rgb = nil
	return s, err
}

func (d *Decoder) decode(payload []byte) (Stats, error) {
	d.p, d.at, d.sampling = payload, 0, 0
	d.hasQuant = [2]bool{}
	for i := range d.dc {
		d.dc[i].there, d.ac[i].there = false, false
	}
	defer func() { d.p = nil }()
	if err := d.headers(); err != nil {
		return Stats{}, err
	}
	return d.scan()
}

// headers reads up to the first byte of the scan.
func (d *Decoder) headers() error {
	if len(d.p) < 2 || d.p[0] != 0xff || d.p[1] != markSOI {
		return wrong(0, "no start of image, FF D8")
	}
	d.at = 2
	for {
		at := d.at
		if len(d.p)-at < 4 {
			return wrong(len(d.p), "the frame ends before its scan")
		}
		mark := d.p[at+1]
		length := int(d.p[at+2])<<8 | int(d.p[at+3])
		if d.p[at] != 0xff {
			return wrong(at, "0x%02x, want a marker", d.p[at])
		}
		switch {
		case mark == markSOF0, mark == markDHT, mark == markSOS, mark == markDQT, mark == markCOM, mark&0xf0 == markAPP0:
		default:
			return wrong(at, "marker FF %02X, want SOF0, DHT, DQT, SOS, APPn or COM: baseline without restarts", mark)
		}
		if length < 2 || length > len(d.p)-at-2 {
			return wrong(at, "marker FF %02X: segment of %d bytes, want 2 to the %d that follow", mark, length, len(d.p)-at-2)
		}
		body := d.p[at+4 : at+2+length]
		d.at = at + 2 + length
		var err error
		switch mark {
		case markDQT:
			err = d.quantTables(at+4, body)
		case markDHT:
			err = d.huffmanTables(at+4, body)
		case markSOF0:
			err = d.frame(at+4, body)
		case markSOS:
			return d.scanHeader(at+4, body)
		}
		if err != nil {
			return err
		}
	}
}

func (d *Decoder) quantTables(at int, b []byte) error {
	for ; len(b) > 0; b, at = b[65:], at+65 {
		if b[0] > 1 {
			return wrong(at, "quantisation table 0x%02x, want number 0 or 1 of 8 bits", b[0])
		}
		if len(b) < 65 {
			return wrong(at, "quantisation table of %d values, want 64", len(b)-1)
		}
		t := &d.quant[b[0]]
		copy(t[:], b[1:65])
		for i, v := range t {
			if v == 0 {
				return wrong(at+1+i, "a quantisation step of 0")
			}
		}
		d.hasQuant[b[0]] = true
	}
	return nil
}

func (d *Decoder) huffmanTables(at int, b []byte) error {
	for len(b) > 0 {
		if b[0]&^0x11 != 0 {
			return wrong(at, "Huffman table 0x%02x, want number 0 or 1 of DC or AC", b[0])
		}
		if len(b) < 17 {
			return wrong(at, "Huffman table without its 16 counts")
		}
		n := 0
		for _, c := range b[1:17] {
			n += int(c)
		}
		if n > len(b)-17 {
			return wrong(at, "Huffman table of %d values, but %d bytes left in the segment", n, len(b)-17)
		}
		t, isAC := &d.dc[b[0]&1], b[0]&0x10 != 0
		if isAC {
			t = &d.ac[b[0]&1]
		}
		if problem := t.set([16]byte(b[1:17]), b[17:17+n], isAC); problem != "" {
			return wrong(at, "Huffman table 0x%02x: %s", b[0], problem)
		}
		b, at = b[17+n:], at+17+n
	}
	return nil
}

// frame reads SOF0.
func (d *Decoder) frame(at int, b []byte) error {
	if d.sampling != 0 {
		return wrong(at, "a second SOF0")
	}
	if len(b) < 6 || len(b) != 6+3*int(b[5]) || b[5] != 1 && b[5] != 3 {
		return wrong(at, "SOF0 of %d bytes, want 9 with 1 component or 15 with 3", len(b))
	}
	if b[0] != 8 {
		return wrong(at, "samples of %d bits, want 8", b[0])
	}
	if h, w := int(b[1])<<8|int(b[2]), int(b[3])<<8|int(b[4]); w != d.w || h != d.h {
		return wrong(at+1, "picture of %d×%d pixels, want %d×%d", w, h, d.w, d.h)
	}
	if b[5] == 3 && d.f.Channels() == 1 {
		return wrong(at+5, "3 components for a grey panel, want 1")
	}
	for i := range int(b[5]) {
		c := b[6+3*i : 9+3*i]
		if int(c[0]) != i+1 {
			return wrong(at+6+3*i, "component %d, want %d", c[0], i+1)
		}
		if c[1] != 0x11 && !(c[1] == 0x22 && i == 0 && b[5] == 3) {
			return wrong(at+7+3*i, "sampling 0x%02x of component %d, want 0x11, or 0x22 of luma in colour", c[1], i+1)
		}
		if c[2] > 1 {
			return wrong(at+8+3*i, "quantisation table %d, want 0 or 1", c[2])
		}
		d.use[i].quant = c[2]
	}
	switch {
	case b[5] == 1:
		d.sampling = Grey
	case b[7] == 0x22:
		d.sampling = Share
	default:
		d.sampling = Full
	}
	return nil
}

// scanHeader reads SOS, and sees that all tables are there.
func (d *Decoder) scanHeader(at int, b []byte) error {
	if d.sampling == 0 {
		return wrong(at, "a scan before SOF0")
	}
	n := d.sampling.components()
	if len(b) != 4+2*n || int(b[0]) != n {
		return wrong(at, "SOS of %d bytes, want %d: all %d components in one scan", len(b), 4+2*n, n)
	}
	for i := range n {
		c := b[1+2*i : 3+2*i]
		if int(c[0]) != i+1 || c[1]&^0x11 != 0 {
			return wrong(at+1+2*i, "component %d with tables 0x%02x, want %d with numbers 0 or 1", c[0], c[1], i+1)
		}
		u := &d.use[i]
		u.dc, u.ac = c[1]>>4, c[1]&15
		if !d.hasQuant[u.quant] || !d.dc[u.dc].there || !d.ac[u.ac].there {
			return wrong(at+1+2*i, "component %d uses a table that is not there", i+1)
		}
	}
	if t := b[1+2*n:]; t[0] != 0 || t[1] != 63 || t[2] != 0 {
		return wrong(at+1+2*n, "scan of coefficients %d to %d, step 0x%02x, want 0 to 63, 0: sequential", t[0], t[1], t[2])
	}
	return nil
}
