package source

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
)

// mp3Header is what the first four bytes of a layer III frame say (ISO/IEC
// 11172-3, 2.4.2.3, and ISO/IEC 13818-3 for the lower sample rates).
type mp3Header struct {
	low      bool // one of the lower sample rates: one granule a frame, not two
	rate     int  // sample frames a second
	channels int
	crc      bool // two bytes of check sum follow the header
	size     int  // bytes of the whole frame
}

// Bit rates of layer III in kbit/s by their number: at the lower sample rates,
// and at the others.
var mp3BitRates = [2][15]int{
	{0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160},
	{0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320},
}

// parseMP3Header reads a frame header. Sound of the family that is not decoded
// here is not ok, and other says what it is.
func parseMP3Header(b []byte) (h mp3Header, ok bool, other string) {
	if len(b) < 4 || b[0] != 0xff || b[1]&0xe0 != 0xe0 {
		return h, false, ""
	}
	version, layer, bitRate, rate := b[1]>>3&3, b[1]>>1&3, int(b[2]>>4), b[2]>>2&3
	switch {
	case version == 1, layer == 0, bitRate == 15, rate == 3, b[3]&3 == 2: // reserved values
		return h, false, ""
	case layer == 3:
		return h, false, "MPEG layer I sound"
	case layer == 2:
		return h, false, "MPEG layer II sound"
	case version == 0:
		return h, false, "MP3 sound of 8 to 12 kHz (MPEG 2.5)"
	case bitRate == 0:
		return h, false, "MP3 sound in free format"
	}
	h.rate = [3]int{44100, 48000, 32000}[rate]
	padding := int(b[2] >> 1 & 1)
	if h.low = version == 2; h.low {
		h.rate /= 2
		h.size = 72000*mp3BitRates[0][bitRate]/h.rate + padding
	} else {
		h.size = 144000*mp3BitRates[1][bitRate]/h.rate + padding
	}
	h.channels = 2
	if b[3]>>6 == 3 {
		h.channels = 1
	}
	h.crc = b[1]&1 == 0
	return h, true, ""
}

// samples is the number of sample frames in a frame.
func (h *mp3Header) samples() int64 {
	if h.low {
		return 576
	}
	return 1152
}

// sideAt and sideSize tell where the side information lies: what the decoder
// needs to know before the coded samples, 2.4.1.7.
func (h *mp3Header) sideAt() int {
	if h.crc {
		return 6
	}
	return 4
}

func (h *mp3Header) sideSize() int {
	switch {
	case h.low && h.channels == 1:
		return 9
	case h.low || h.channels == 1:
		return 17
	}
	return 32
}

// mp3Info is what a first frame without sound says of the others.
type mp3Info struct {
	frames         int64 // 0 when not stated
	delay, padding int   // sample frames of silence before and behind the sound
	trims          bool  // delay and padding are stated
}

// parseMP3Info reads the info frame, which players that do not know it take for
// a moment of silence. Its fields are those that mp3-tech.org describes as the
// "Mp3 Info Tag" (revision 1), behind the older ones that begin with "Xing", or
// "Info" where the bit rate is constant; another kind begins with "VBRI".
// Nil means an ordinary frame.
func parseMP3Info(frame []byte, h *mp3Header) *mp3Info {
	const (
		hasFrames, hasBytes, hasSeekTable, hasQuality = 1, 2, 4, 8 // flags, each adding a field
		seekTableSize                                 = 100
		untilDelay                                    = 21 // bytes from the encoder's name to its delay
	)
	if len(frame) > 40 && string(frame[36:40]) == "VBRI" {
		return &mp3Info{}
	}
	at := h.sideAt() + h.sideSize()
	if h.crc && !mp3InfoAt(frame, at) {
		at -= 2 // some writers forget the check sum
	}
	if !mp3InfoAt(frame, at) {
		return nil
	}
	flags := binary.BigEndian.Uint32(frame[at+4:])
	info := &mp3Info{}
	at += 8
	if flags&hasFrames != 0 {
		if len(frame) < at+4 {
			return info
		}
		info.frames = int64(binary.BigEndian.Uint32(frame[at:]))
		at += 4
	}
	if flags&hasBytes != 0 {
		at += 4
	}
	if flags&hasSeekTable != 0 {
		at += seekTableSize
	}
	if flags&hasQuality != 0 {
		at += 4
	}
	if len(frame) < at+untilDelay+3 || !isLetter(frame[at]) || !isLetter(frame[at+3]) {
		return info // no name, so nothing behind it either
	}
	b := frame[at+untilDelay:]
	info.delay = int(b[0])<<4 | int(b[1])>>4
	info.padding = int(b[1]&15)<<8 | int(b[2])
	info.trims = info.delay|info.padding != 0
	return info
}

func mp3InfoAt(frame []byte, at int) bool {
	return len(frame) >= at+8 && (string(frame[at:at+4]) == "Xing" || string(frame[at:at+4]) == "Info")
}

func isLetter(b byte) bool { return b|0x20 >= 'a' && b|0x20 <= 'z' }

// mp3Walk finds the frames of a file, one behind the other, and passes over
// tags, the info frame and whatever else lies between them.
type mp3Walk struct {
	in       *bufio.Reader
	offset   int64      // of the next byte
	first    *mp3Header // all frames have its sample rate
	info     *mp3Info   // nil when there is no info frame
	frames   int64      // with sound, so far
	channels int        // the most of any frame
	junk     int64      // bytes between frames that belong to none
	junkAt   int64      // where the first of them lies
	cut      bool       // the file ends inside its last frame
	skip     int        // bytes of the frame handed out
	pending  int64      // bytes of junk since the last frame
}

const mp3WalkBuffer = 1 << 15 // bytes, more than two of the largest frames

func newMP3Walk(r io.Reader) *mp3Walk {
	return &mp3Walk{in: bufio.NewReaderSize(r, mp3WalkBuffer)}
}

// mp3Refused says what kind of sound was found that is not decoded here.
type mp3Refused string

func (r mp3Refused) Error() string { return string(r) }

// next returns the next frame with sound, valid until the next call, and io.EOF
// behind the last.
func (w *mp3Walk) next() (frame []byte, h mp3Header, err error) {
	for {
		if err := w.discard(int64(w.skip)); err != nil {
			return nil, h, err
		}
		w.skip = 0
		head, err := w.in.Peek(10)
		if len(head) < 4 {
			return nil, h, err
		}
		h, ok, other := parseMP3Header(head)
		switch {
		case other != "" && w.first == nil && w.pending == 0:
			return nil, h, mp3Refused(other)
		case ok && w.fits(&h):
			frame, whole, err := w.frame(&h)
			if err != nil {
				return nil, h, err
			}
			if whole && w.accept(frame, &h) {
				return frame, h, nil
			} else if whole {
				continue // the info frame
			}
			if w.cut {
				return nil, h, io.EOF
			}
		}
		if err := w.pass(head); err != nil {
			return nil, h, err
		}
	}
}

// fits reports whether a frame can belong to the same sound as the first.
func (w *mp3Walk) fits(h *mp3Header) bool {
	return w.first == nil || h.low == w.first.low && h.rate == w.first.rate
}

// frame returns the frame that begins here. Unless the one before it ends here,
// it counts only with another one, a tag or the end behind it.
func (w *mp3Walk) frame(h *mp3Header) (frame []byte, whole bool, err error) {
	b, err := w.in.Peek(h.size + 4)
	if err != nil && err != io.EOF {
		return nil, false, err
	}
	inStep := w.first != nil && w.pending == 0
	if len(b) < h.size {
		w.cut = inStep
		return nil, false, nil
	}
	if behind := b[h.size:]; !inStep && len(behind) > 0 {
		next, ok, _ := parseMP3Header(behind)
		if !(ok && next.low == h.low && next.rate == h.rate) && !bytes.HasPrefix(behind, []byte("TAG")) &&
			!bytes.HasPrefix(behind, []byte("APET")) {
			return nil, false, nil
		}
	}
	return b[:h.size], true, nil
}

// accept takes note of a frame and reports whether it holds sound.
func (w *mp3Walk) accept(frame []byte, h *mp3Header) bool {
	if w.pending > 0 && w.frames > 0 {
		if w.junk == 0 {
			w.junkAt = w.offset - w.pending
		}
		w.junk += w.pending
	}
	w.pending, w.skip = 0, len(frame)
	if w.first == nil {
		first := *h
		w.first = &first
		if w.info = parseMP3Info(frame, h); w.info != nil {
			return false
		}
	}
	w.frames++
	w.channels = max(w.channels, h.channels)
	return true
}

// pass goes over a tag, or to the next byte at which a frame may begin.
func (w *mp3Walk) pass(head []byte) error {
	switch {
	case bytes.HasPrefix(head, []byte("ID3")) && len(head) == 10:
		return w.discard(id3Size(head))
	case bytes.HasPrefix(head, []byte("TAG")):
		return w.discard(128)
	case bytes.HasPrefix(head, []byte("APETAGEX")):
		b, err := w.in.Peek(32)
		if err != nil && err != io.EOF {
			return err
		}
		// The footer has the size of what lies before it, the header of what
		// comes: bit 29 tells which one this is.
		size := int64(32)
		if len(b) == 32 && binary.LittleEndian.Uint32(b[20:])>>29&1 != 0 {
			size += int64(binary.LittleEndian.Uint32(b[12:]))
		}
		return w.discard(size)
	}
	b, err := w.in.Peek(max(w.in.Buffered(), 2))
	if err != nil && err != io.EOF {
		return err
	}
	n := bytes.IndexAny(b[1:], "\xffITA") + 1
	if n == 0 {
		n = len(b)
	}
	w.pending += int64(n)
	return w.discard(int64(n))
}

// discard passes over n bytes, or over what there is.
func (w *mp3Walk) discard(n int64) error {
	done, err := io.CopyN(io.Discard, w.in, n)
	w.offset += done
	if err == io.EOF {
		err = nil
	}
	return err
}

// id3Size is the size of an ID3v2 tag with its header and footer, in bytes. Of
// each byte of the stated size seven bits count (id3v2.4.0-structure, 3.1).
func id3Size(head []byte) int64 {
	size := int64(10)
	if head[5]&0x10 != 0 {
		size += 10
	}
	return size + int64(head[6]&0x7f)<<21 + int64(head[7]&0x7f)<<14 + int64(head[8]&0x7f)<<7 + int64(head[9]&0x7f)
}

// where says where the walk is.
func (w *mp3Walk) where() string {
	return fmt.Sprintf("frame %d at byte %d", w.frames+1, w.offset)
}
