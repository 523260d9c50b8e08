package export

import (
	"encoding/binary"
	"errors"
	"image"
	"io"
	"math"

	"example.org/stampreel/container/frame/jpeg"
)

// avi writes a RIFF AVI file (Microsoft, "AVI RIFF File Reference") with a Motion JPEG
// stream, a picture for each beat, and PCM sound. The JPEG frames have a chroma sample
// for each pixel, since the dots of a dithered picture differ in colour.
//
// The header has sizes that are known at the end alone: it is written twice.
type avi struct {
	w       io.WriteSeeker
	f       Film
	encoder *jpeg.Encoder
	rgb     []byte
	jpeg    []byte

	pictures uint32
	samples  uint32   // of one channel
	largest  [2]int   // chunk of each stream
	chunks   []uint32 // size of each chunk in order; of sound with the highest bit set
	movi     int64    // bytes of the list that holds them
}

const (
	aviQuality = 95
	soundChunk = 1 << 31
	aviMost    = math.MaxUint32 // bytes of a RIFF file
)

// NewAVI begins an AVI. Sound may be added before a picture and after it.
func NewAVI(w io.WriteSeeker, f Film) (Writer, error) {
	e, err := jpeg.NewEncoder(f.Width, f.Height, jpeg.Full)
	if err != nil {
		return nil, err
	}
	a := &avi{w: w, f: f, encoder: e, movi: 4}
	_, err = w.Write(a.head())
	return a, err
}

func (a *avi) Add(img *image.NRGBA, beats int64) error {
	a.rgb = a.rgb[:0]
	for i := 0; i+3 < len(img.Pix); i += 4 {
		a.rgb = append(a.rgb, img.Pix[i:i+3]...)
	}
	var err error
	if a.jpeg, _, err = a.encoder.Append(a.jpeg[:0], a.rgb, a.f.Width, aviQuality); err != nil {
		return err
	}
	for range beats {
		if err := a.chunk(aviPicture, a.jpeg, 0); err != nil {
			return err
		}
		a.pictures++
	}
	return nil
}

// Sound adds samples, channels interleaved, unsigned bytes or signed 16 bits, little-endian.
func (a *avi) Sound(pcm []byte) error {
	if len(pcm) == 0 {
		return nil
	}
	a.samples += uint32(len(pcm) / a.f.Sound.frame())
	return a.chunk(aviSound, pcm, soundChunk)
}

// Names of the chunks: number of the stream, and what it has.
const (
	aviPicture = "00dc"
	aviSound   = "01wb"
)

func (a *avi) chunk(name string, data []byte, mark uint32) error {
	size := int64(8 + len(data) + len(data)%2)
	if int64(len(a.head()))+a.movi+size+16*int64(len(a.chunks)+1)+8 > aviMost {
		return errors.New("the clip is too long for an AVI, which ends at 4 GiB")
	}
	b := binary.LittleEndian.AppendUint32([]byte(name), uint32(len(data)))
	b = append(b, data...)
	if len(data)%2 == 1 { // chunks begin at whole words
		b = append(b, 0)
	}
	if _, err := a.w.Write(b); err != nil {
		return err
	}
	a.movi += size
	a.chunks = append(a.chunks, uint32(len(data))|mark)
	stream := mark >> 31
	a.largest[stream] = max(a.largest[stream], len(data))
	return nil
}

// Close writes the index, and the header once more.
func (a *avi) Close() error {
	index := binary.LittleEndian.AppendUint32([]byte("idx1"), uint32(16*len(a.chunks)))
	at := uint32(4) // from the name of the list on
	for i, c := range a.chunks {
		name, size := aviPicture, c&^soundChunk
		if c&soundChunk != 0 {
			name = aviSound
		}
		index = append(index, name...)
		for _, v := range []uint32{0x10, at, size} { // each is a key frame
			index = binary.LittleEndian.AppendUint32(index, v)
		}
		at += 8 + size + size%2
		if len(index) > 1<<16 || i == len(a.chunks)-1 {
			if _, err := a.w.Write(index); err != nil {
				return err
			}
			index = index[:0]
		}
	}
	if _, err := a.w.Seek(0, io.SeekStart); err != nil {
		return err
	}
	_, err := a.w.Write(a.head())
	return err
}

// head is all that stands before the first chunk.
func (a *avi) head() []byte {
	le := binary.LittleEndian
	list := func(name, kind string, parts ...[]byte) []byte {
		var all []byte
		for _, p := range parts {
			all = append(all, p...)
		}
		b := le.AppendUint32([]byte(name), uint32(len(kind)+len(all)))
		return append(append(b, kind...), all...)
	}
	words := func(v ...uint32) (b []byte) {
		for _, w := range v {
			b = le.AppendUint32(b, w)
		}
		return b
	}
	w, h := uint32(a.f.Width), uint32(a.f.Height)
	streams, flags := uint32(1), uint32(0x10|0x100) // has an index, streams lie in turn
	picture := list("LIST", "strl",
		list("strh", "vidsMJPG", words(0, 0, 0, a.f.Rate.Den, a.f.Rate.Num, 0, a.pictures, uint32(a.largest[0]), math.MaxUint32, 0, 0, w|h<<16)),
		list("strf", "", words(40, w, h, 1|24<<16, le.Uint32([]byte("MJPG")), 3*w*h, 0, 0, 0, 0)))
	var heard []byte
	if s := a.f.Sound; s.Rate > 0 {
		streams = 2
		frame, second := uint32(s.frame()), uint32(s.frame()*s.Rate)
		heard = list("LIST", "strl",
			list("strh", "auds\x00\x00\x00\x00", words(0, 0, 0, frame, second, 0, a.samples, uint32(a.largest[1]), math.MaxUint32, frame, 0, 0)),
			list("strf", "", words(1|uint32(s.Channels)<<16, uint32(s.Rate), second, frame|uint32(s.Bits)<<16)))
	}
	micros := uint32(math.Round(1e6 / a.f.Rate.Float()))
	perSecond := uint32(min(float64(a.largest[0])*a.f.Rate.Float()+float64(a.f.Sound.frame()*a.f.Sound.Rate), math.MaxUint32))
	head := list("LIST", "hdrl",
		list("avih", "", words(micros, perSecond, 0, flags, a.pictures, 0, streams, uint32(max(a.largest[0], a.largest[1])), w, h, 0, 0, 0, 0)),
		picture, heard)
	index := 8 + 16*len(a.chunks)
	b := le.AppendUint32([]byte("RIFF"), uint32(4+int64(len(head))+8+a.movi+int64(index)))
	b = append(append(b, "AVI "...), head...)
	b = le.AppendUint32(append(b, "LIST"...), uint32(a.movi))
	return append(b, "movi"...)
}

// PCM is sound as it lies in a file; the zero value is none.
type PCM struct{ Rate, Channels, Bits int }

// frame is the bytes of a sample of all channels.
func (p PCM) frame() int { return p.Channels * p.Bits / 8 }
