package system

import (
	"encoding/binary"
	"fmt"
	"io"
	"unsafe"

	"example.org/stampreel/transcode/picture"
)

// What a worker is asked for: one JSON text on its standard input, which then
// stays open; its end is the worker's.
type request struct {
	Do       string
	Path     []byte // names of files need not be UTF-8, as texts in JSON must
	Stream   string // ID of the stream
	Index    int    // its place among those of its kind
	Framing  picture.Framing
	Video    Video
	From, To int64 // nanoseconds; 0 for From is the start, for To the end
	Seek     bool  // go to From at once
	Every    int64 // nanoseconds by which pictures follow each other at least
	Test     string
}

const (
	doDescribe = "describe"
	doPictures = "pictures"
	doSound    = "sound"
	doReport   = "report"
	doBars     = "bars"
)

// A worker answers in messages: a byte that says what follows, its length in
// four bytes, lowest first, and that many bytes. Both ends are the same program
// on the same computer, so samples go as they lie in memory.
const (
	msgInfo    = 'I' // JSON, the first message: what was asked for, or of what it will be
	msgPicture = 'P' // pictureHeader, then the values
	msgSound   = 'S' // float32 values
	msgBusy    = 'B' // nothing: still at work
	msgEnd     = 'Z' // JSON of ending: all there is was sent
	msgError   = 'E' // JSON of failure: in place of anything else
)

// pictureHeader stands before the values of a framed picture.
type pictureHeader struct {
	At, Until  int64 // nanoseconds
	X, Y, W, H int32
}

// ending says how a stream ended.
type ending struct {
	At      int64  // nanoseconds, end of the last picture or sample
	Broken  int64  // as in Ending
	Damaged string // why it could not go on; nothing at an ordinary end
	Gaps    []Gap  `json:",omitempty"`
}

// failure is an error on its way through the pipe.
type failure struct {
	Missing *MissingError `json:",omitempty"`
	Try     bool          // the missing things can be installed
	Unknown *UnknownError `json:",omitempty"`
	Damaged *DamagedError `json:",omitempty"`
	Ended   *EndedError   `json:",omitempty"`
	Other   string        `json:",omitempty"`
}

// writeMessage writes one message in as many parts as are given.
func writeMessage(w io.Writer, kind byte, parts ...[]byte) error {
	n := 0
	for _, p := range parts {
		n += len(p)
	}
	var head [5]byte
	head[0] = kind
	binary.LittleEndian.PutUint32(head[1:], uint32(n))
	if _, err := w.Write(head[:]); err != nil {
		return err
	}
	for _, p := range parts {
		if _, err := w.Write(p); err != nil {
			return err
		}
	}
	return nil
}

// most is the longest message that is believed, in bytes, of those that answer
// a request: a picture of the panel, samples, or a text.
func (r *request) most() int64 {
	return 6*int64(r.Framing.Width)*int64(r.Framing.Height) + 1<<20
}

// maxSamples is how many samples one message has at most, of all channels.
const maxSamples = 1 << 16

// readMessage reads a message of at most so many bytes into buf, which grows as
// needed.
func readMessage(r io.Reader, buf []byte, most int64) (kind byte, payload []byte, err error) {
	var head [5]byte
	if _, err := io.ReadFull(r, head[:]); err != nil {
		return 0, buf, err
	}
	n := binary.LittleEndian.Uint32(head[1:])
	if int64(n) > most {
		return 0, buf, fmt.Errorf("message of %d bytes, want at most %d", n, most)
	}
	if uint32(cap(buf)) < n {
		buf = make([]byte, n)
	}
	buf = buf[:n]
	_, err = io.ReadFull(r, buf)
	return head[0], buf, err
}

// bytesOf is the memory of a slice.
func bytesOf[T uint16 | float32](s []T) []byte {
	var one T
	return unsafe.Slice((*byte)(unsafe.Pointer(unsafe.SliceData(s))), len(s)*int(unsafe.Sizeof(one)))
}
