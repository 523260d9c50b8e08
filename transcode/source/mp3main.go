package source

// mp3Main keeps account of the coded samples of layer III frames. They begin up
// to 511 bytes before the frame, in the room that earlier frames left over
// (main_data_begin, ISO/IEC 11172-3, 2.4.2.7).
type mp3Main struct {
	lent  int    // bytes that the next frame can borrow
	bytes []byte // the last of them, at the lower sample rates
	frame []byte
}

// Most bytes a frame can borrow: main_data_begin has 9 bits, 8 at the lower
// sample rates.
const (
	mp3MaxLent    = 1<<9 - 1
	mp3MaxLentLow = 1<<8 - 1
)

// assemble returns the frame as the decoder is to get it. When bytes are missing
// that it borrows, it is not complete but silent, and lends the bytes there are
// to the next.
func (m *mp3Main) assemble(frame []byte, h *mp3Header) (out []byte, complete bool) {
	at, side := h.sideAt(), h.sideSize()
	if len(frame) < at+side { // no room for the side information: the decoder says so
		return frame, true
	}
	own := frame[at+side:]
	if h.low {
		return m.whole(frame, own, h)
	}
	begin := int(frame[at])<<1 | int(frame[at+1])>>7
	if begin <= m.lent {
		m.lent = begin + len(own)
		return frame, true
	}
	begin = min(m.lent, mp3MaxLent)
	m.lent = begin + len(own)
	m.frame = append(m.frame[:0], frame...)
	clear(m.frame[at : at+side])
	m.frame[at], m.frame[at+1] = byte(begin>>1), byte(begin<<7)
	return m.frame, false
}

// whole makes a frame at one of the lower sample rates into one that borrows
// nothing. go-mp3 v0.3.4 takes some of these for a byte shorter than they are
// (those whose padding byte makes their length odd), and loses its place in what
// later frames borrow.
func (m *mp3Main) whole(frame, own []byte, h *mp3Header) (out []byte, complete bool) {
	at, side := h.sideAt(), h.sideSize()
	begin := int(frame[at])
	complete = begin <= len(m.bytes)
	header := [4]byte{frame[0], frame[1] | 1, frame[2] &^ 2, frame[3]} // no check sum, no padding byte
	m.frame = append(append(m.frame[:0], header[:]...), frame[at:at+side]...)
	m.frame[len(header)] = 0
	if complete {
		m.frame = append(append(m.frame, m.bytes[len(m.bytes)-begin:]...), own...)
	} else {
		clear(m.frame[len(header):])
	}
	// The bit rate gives the length. What is beyond the largest is room that
	// this frame leaves over.
	var size int
	for n := 1; n < len(mp3BitRates[0]) && size < len(m.frame); n++ {
		header[2] = header[2]&0x0f | byte(n)<<4
		longer, _, _ := parseMP3Header(header[:])
		size = longer.size
	}
	copy(m.frame, header[:])
	m.frame = append(m.frame, make([]byte, max(size-len(m.frame), 0))...)[:size]
	m.bytes = append(m.bytes, own...)
	m.bytes = append(m.bytes[:0], m.bytes[max(len(m.bytes)-mp3MaxLentLow, 0):]...)
	return m.frame, complete
}
