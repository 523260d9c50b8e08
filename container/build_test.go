package container

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"strings"
	"testing"

	"example.org/stampreel/container/frame/jpeg"
	"example.org/stampreel/container/frame/tiles"
	"example.org/stampreel/container/pixel"
	"example.org/stampreel/container/sample"
)

// memFile is a file in memory.
type memFile struct {
	data []byte
	at   int64
}

func (m *memFile) Write(p []byte) (int, error) {
	if need := m.at + int64(len(p)); need > int64(len(m.data)) {
		m.data = append(m.data, make([]byte, need-int64(len(m.data)))...)
	}
	copy(m.data[m.at:], p)
	m.at += int64(len(p))
	return len(p), nil
}

func (m *memFile) Seek(off int64, whence int) (int64, error) {
	if whence != io.SeekStart {
		return 0, errors.New("memFile seeks from the start only")
	}
	m.at = off
	return off, nil
}

// small is a clip of 8×2 one-bit pixels at 10 beats a second without sound.
func small() Settings {
	return Settings{Width: 8, Height: 2, PixelFormat: pixel.MonoRows, Rate: Ratio{10, 1}, ExpectedBeats: 1}
}

// sounding is small with 2,000 Hz unsigned 8-bit sound that leads by two beats.
func sounding() Settings {
	s := small()
	s.SoundCoding, s.Channels, s.SampleRate, s.SoundLead = U8, 1, Ratio{2000, 1}, 2
	return s
}

// picture is a frame that differs from beat to beat, with unused bits clear.
func picture(s Settings, number int) []byte {
	codes := make([]uint8, s.Width*s.Height*s.PixelFormat.Channels())
	for i := range codes {
		codes[i] = uint8((i*5 + number*3 + i*i/3) % s.PixelFormat.Levels(i%s.PixelFormat.Channels()))
	}
	frame := make([]byte, s.PixelFormat.FrameBytes(s.Width, s.Height))
	s.PixelFormat.Pack(frame, codes, s.Width, s.Height)
	return frame
}

// scene is a frame of few colours, in which a patch moves from beat to beat and a
// corner flickers.
func scene(s Settings, number int) []byte {
	f, channels := s.PixelFormat, s.PixelFormat.Channels()
	codes := make([]uint8, s.Width*s.Height*channels)
	for y := range s.Height {
		for x := range s.Width {
			shade := 1
			switch {
			case x/3 == number%5 && y/5 == number%2:
				shade = 2 + (x+y)%2
			case x >= s.Width-3 && y >= s.Height-2:
				shade = number * 5
			}
			for c := range channels {
				codes[(y*s.Width+x)*channels+c] = uint8(shade * (c + 1) % f.Levels(c))
			}
		}
	}
	frame := make([]byte, f.FrameBytes(s.Width, s.Height))
	f.Pack(frame, codes, s.Width, s.Height)
	return frame
}

// tone is sound that differs from beat to beat.
func tone(n, number int) []byte {
	p := make([]byte, n)
	for i := range p {
		p[i] = byte(100 + number*5 + i%50)
	}
	return p
}

// soundOf is sound of a beat in the clip's coding.
func soundOf(s Settings, samples, number int) []byte {
	if s.SoundCoding != IMAADPCM {
		return tone(samples*s.SoundCoding.SampleBytes()*s.Channels, number)
	}
	wave := make([]int16, samples*s.Channels)
	for i := range wave {
		wave[i] = int16((i*i*7+number*1000)%20000 - 10000)
	}
	var e sample.ADPCMEncoder
	return e.Encode(nil, wave, s.Channels)
}

// coder codes the pictures of a clip: R raw, - a repeat, T and K tiles, K all of
// the panel, J JPEG.
type coder struct {
	s       Settings
	e       *tiles.Encoder
	picture func(s Settings, number int) []byte
}

func newCoder(s Settings, codings string) *coder {
	e, err := tiles.NewEncoder(s.PixelFormat, s.Width, s.Height, tiles.Options{})
	if err != nil {
		panic(err)
	}
	if strings.ContainsAny(codings, "TKJ") {
		return &coder{s, e, scene}
	}
	return &coder{s, e, picture}
}

func (c *coder) frame(letter rune, number int) Frame {
	frame := c.picture(c.s, number)
	switch letter {
	case '-':
		return Frame{}
	case 'R':
		if err := c.e.Set(frame); err != nil {
			panic(err)
		}
		return RawFrame(frame)
	case 'J':
		payload, shown := c.jpeg(frame)
		if err := c.e.Set(shown); err != nil {
			panic(err)
		}
		return Frame{JPEG, payload, len(frame)}
	}
	if letter == 'T' && number == 0 { // a clip that breaks the rule
		c.e.Set(c.picture(c.s, 1))
	}
	payload, stats, err := c.e.Append(nil, frame, letter == 'K')
	if err != nil {
		panic(err)
	}
	coding := Tiles
	if letter == 'K' {
		coding = KeyTiles
	}
	return Frame{coding, payload, stats.PanelBytes}
}

// jpeg codes a picture and returns what the panel shows of it.
func (c *coder) jpeg(frame []byte) (payload, shown []byte) {
	f, w, h := c.s.PixelFormat, c.s.Width, c.s.Height
	img, err := f.Image(frame, w, h)
	if err != nil {
		panic(err)
	}
	rgb := make([]byte, 0, 3*w*h)
	for i := 0; i < len(img.Pix); i += 4 {
		rgb = append(rgb, img.Pix[i:i+3]...)
	}
	sampling := jpeg.Share
	if f.Channels() == 1 {
		sampling = jpeg.Grey
	}
	e, err := jpeg.NewEncoder(w, h, sampling)
	if err != nil {
		panic(err)
	}
	if payload, _, err = e.Append(nil, rgb, w, 40); err != nil {
		panic(err)
	}
	d, err := jpeg.NewDecoder(f, w, h)
	if err != nil {
		panic(err)
	}
	shown = make([]byte, len(frame))
	if _, err := d.Decode(shown, payload); err != nil {
		panic(err)
	}
	return payload, shown
}

// makeParts writes a clip whose beat k is coded as codings[k] and returns its
// files.
func makeParts(s Settings, codings string) ([][]byte, error) {
	var files []*memFile
	w, err := NewPartsWriter(func(int) (io.WriteSeeker, error) {
		files = append(files, &memFile{})
		return files[len(files)-1], nil
	}, s)
	if err != nil {
		return nil, err
	}
	w.SetIdentity([16]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16})
	coder := newCoder(s, codings)
	for k, c := range codings {
		if err := w.Write(coder.frame(c, k), soundOf(s, w.Samples(), k)); err != nil {
			return nil, err
		}
	}
	headers, err := w.Close()
	if err == nil && len(headers) != len(files) {
		err = fmt.Errorf("%d headers for %d files", len(headers), len(files))
	}
	out := make([][]byte, len(files))
	for i, f := range files {
		out[i] = f.data
	}
	return out, err
}

// clip is makeParts for one part.
func clip(s Settings, codings string) []byte {
	files, err := makeParts(s, codings)
	if err != nil {
		panic(err)
	}
	return files[0]
}

func verify(data []byte) (Header, error) {
	return Verify(context.Background(), bytes.NewReader(data), int64(len(data)), nil)
}

// beatAt returns the offset of beat k of a clip, by the sectors of the beats.
func beatAt(data []byte, k int) int {
	var s [SectorBytes]byte
	copy(s[:], data)
	h, err := DecodeHeader(&s)
	if err != nil {
		panic(err)
	}
	at := int(h.BeatsSector) * SectorBytes
	for range k {
		at += int(binary.LittleEndian.Uint16(data[at+8:])) * SectorBytes
	}
	return at
}

// set changes bytes of the header and makes its CRC right again.
func set(data []byte, offset int, bytes ...byte) []byte {
	copy(data[offset:], bytes)
	binary.LittleEndian.PutUint32(data[headerCRCAt:], crc32.ChecksumIEEE(data[:headerCRCAt]))
	return data
}

// setBeat changes bytes of beat k and makes its two CRCs right again.
func setBeat(data []byte, k, offset int, bytes ...byte) []byte {
	at := beatAt(data, k)
	end := at + int(binary.LittleEndian.Uint16(data[at+8:]))*SectorBytes
	copy(data[at+offset:], bytes)
	fixBeat(data[at:end])
	return data
}

// setFrame changes the stored picture of beat k and makes its two CRCs right again.
func setFrame(data []byte, k int, change func(frame []byte)) []byte {
	at := beatAt(data, k)
	le := binary.LittleEndian
	end := at + int(le.Uint16(data[at+8:]))*SectorBytes
	frame := at + int(sectorsFor(BeatHeaderBytes+int64(le.Uint32(data[at+16:]))))*SectorBytes
	change(data[frame : frame+int(le.Uint32(data[at+20:]))])
	fixBeat(data[at:end])
	return data
}

func fixBeat(beat []byte) {
	binary.LittleEndian.PutUint32(beat[28:], crc32.ChecksumIEEE(beat[32:]))
	binary.LittleEndian.PutUint16(beat[2:], crc16(beat[4:32]))
}

// reencode writes the content of a clip anew: frames, stored sound and lead-in
// are taken over, all else is made by the writer.
func reencode(data []byte) ([]byte, error) {
	r, err := NewReader(bytes.NewReader(data), int64(len(data)), Limits{})
	if err != nil {
		return nil, err
	}
	h := r.Header()
	lead, err := r.LeadIn()
	if err != nil {
		return nil, err
	}
	type stored struct {
		frame Frame
		sound []byte
	}
	var beats []stored
	var b Beat
	for k := range h.Beats {
		if err := r.Read(h.FirstBeat+k, &b); err != nil {
			return nil, err
		}
		beats = append(beats, stored{Frame{b.FrameCoding, bytes.Clone(b.Frame), int(b.PanelBytes)}, bytes.Clone(b.Sound)})
	}
	fresh := Header{
		Version: h.Version, Flags: h.Flags, Width: h.Width, Height: h.Height, PixelFormat: h.PixelFormat, Turn: h.Turn,
		SoundCoding: h.SoundCoding, Channels: h.Channels, RateNum: h.RateNum, RateDen: h.RateDen,
		SampleRateNum: h.SampleRateNum, SampleRateDen: h.SampleRateDen, FirstBeat: h.FirstBeat, Part: h.Part,
		SoundLead: h.SoundLead, SeekSectors: h.SeekSectors, Identity: h.Identity, Extension: h.Extension,
		MaxSoundBytes: uint32(h.largestLead()),
	}
	var out memFile
	p, err := newPartWriter(&out, &fresh, lead)
	if err != nil {
		return nil, err
	}
	for k, s := range beats {
		var next, ahead uint16
		if k+1 < len(beats) {
			next = uint16(beatSectors(len(beats[k+1].sound), len(beats[k+1].frame.Bytes)))
		}
		for j := k + 1; j < len(beats) && ahead == 0; j++ {
			if beats[j].frame.Coding.key() {
				ahead = uint16(j - k)
			}
		}
		if err := p.add(h.FirstBeat+uint32(k), &s.frame, s.sound, next, ahead); err != nil {
			return nil, err
		}
	}
	if err := p.finish(); err != nil {
		return nil, err
	}
	return out.data, p.writeHeader(h.AllBeats)
}

func mustReencode(t *testing.T, data []byte) {
	t.Helper()
	again, err := reencode(data)
	if err != nil {
		t.Fatalf("a verified clip does not re-encode: %v", err)
	}
	if !bytes.Equal(again, data) {
		i := 0
		for i < len(data) && i < len(again) && data[i] == again[i] {
			i++
		}
		t.Fatalf("a verified clip of %d bytes re-encodes to %d bytes, first difference at %d", len(data), len(again), i)
	}
}
