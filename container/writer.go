package container

import (
	"errors"
	"fmt"
	"io"

	"example.org/stampreel/container/pixel"
)

// Settings says what a clip is before its first beat.
type Settings struct {
	Width, Height int // stored pixels, 1 to 1024
	PixelFormat   pixel.Format
	Turn          int // quarter turns clockwise that bring the stored picture upright
	Rate          Ratio
	SoundCoding   SoundCoding
	Channels      int   // 1 or 2; 0 without sound
	SampleRate    Ratio // Hz; 0/0 without sound
	SoundLead     int   // beats
	Loops         bool
	ExpectedBeats uint32 // sizes the seek table; 0 when not known
	Extension     [ExtensionBytes]byte

	// PartSectors splits a clip that grows longer into parts at key beats;
	// 0 means the most a FAT32 file holds.
	PartSectors int64
}

// A Writer turns frames and sound, given in order and each with its own beat,
// into a clip. It holds back the beats of the sound lead and up to the next key
// beat, since what is stored with a beat is the sound of a later one; memory
// does not grow with length but for two bytes a beat.
type Writer struct {
	create  func(part int) (io.WriteSeeker, error)
	s       Settings
	static  Header // what every part's header starts from
	timing  Timing
	limit   int64 // sectors of a part
	largest int64 // sectors that no beat exceeds

	identity [16]byte
	queue    []*pending // beats not written yet
	free     []*pending
	keys     []uint32 // numbers of the key beats in the queue
	opening  [][]byte // sound of the first soundLead beats, for the end of a loop
	beats    uint32   // taken so far
	ended    bool
	err      error

	part    *partWriter
	splitAt uint32        // the key beat that starts the next part; 0 for none
	done    []*partWriter // parts that lack only their header
}

type pending struct {
	number uint32
	frame  Frame
	sound  []byte
}

// A Frame is the picture of a beat as it is stored.
type Frame struct {
	Coding     FrameCoding
	Bytes      []byte // of the coding; none for Repeat
	PanelBytes int    // pixel bytes that a coded picture brings the panel; 0 for other codings, where it follows
}

// panelBytes returns the pixel bytes that the panel's bus carries.
func (f *Frame) panelBytes() int {
	if f.Coding.coded() {
		return f.PanelBytes
	}
	return len(f.Bytes)
}

// RawFrame returns the frame of the panel's own bytes.
func RawFrame(bytes []byte) Frame { return Frame{Coding: Raw, Bytes: bytes} }

// NewWriter writes a clip of one part to w, which must be empty. The file is
// a clip only once [Writer.Close] has returned nil.
func NewWriter(w io.WriteSeeker, s Settings) (*Writer, error) {
	return NewPartsWriter(func(part int) (io.WriteSeeker, error) {
		if part > 0 {
			return nil, &LimitError{Place: "sectors of a clip in one part", Found: MaxFileSectors + 1, Limit: MaxFileSectors}
		}
		return w, nil
	}, s)
}

// NewPartsWriter writes a clip that may need several files: create is called
// with 0, 1, … for an empty file for each part.
func NewPartsWriter(create func(part int) (io.WriteSeeker, error), s Settings) (*Writer, error) {
	h := Header{
		Version: Version, Width: uint16(s.Width), Height: uint16(s.Height), PixelFormat: s.PixelFormat, Turn: uint8(s.Turn),
		SoundCoding: s.SoundCoding, Channels: uint8(s.Channels), RateNum: s.Rate.Num, RateDen: s.Rate.Den,
		SampleRateNum: s.SampleRate.Num, SampleRateDen: s.SampleRate.Den, SoundLead: uint16(s.SoundLead), Extension: s.Extension,
	}
	switch {
	case s.Width < 1 || s.Width > MaxSide || s.Height < 1 || s.Height > MaxSide:
		return nil, fmt.Errorf("container: picture of %d×%d pixels, want 1×1 to %d×%[3]d", s.Width, s.Height, MaxSide)
	case s.Turn < 0 || s.Turn > 3:
		return nil, fmt.Errorf("container: turn %d, want 0 to 3", s.Turn)
	case s.SoundLead < 0 || s.SoundLead > MaxSoundLead:
		return nil, fmt.Errorf("container: sound lead of %d beats, want 0 to %d", s.SoundLead, MaxSoundLead)
	case s.Channels < 0 || s.Channels > 2:
		return nil, fmt.Errorf("container: %d channels, want 1 or 2", s.Channels)
	case s.Rate.Num == 0 || s.Rate.Den == 0:
		return nil, fmt.Errorf("container: rate %d/%d, want 1 to %d beats a second", s.Rate.Num, s.Rate.Den, MaxBeatRate)
	}
	h.SeekSectors = uint16(SeekSectorsFor(s.ExpectedBeats, s.Rate))
	if s.Loops {
		h.Flags |= Loops
	}
	// The rest is checked by the rules of the header itself, on the smallest
	// clip with these settings.
	trial := h
	trial.Beats, trial.AllBeats, trial.FrameCodings, trial.FileSectors = 1, 1, 1<<Raw, MaxFileSectors
	trial.FirstBeatSectors, trial.MaxBeatSectors = 2, 2
	trial.MaxFrameBytes, trial.MaxPanelBytes, trial.PanelBytes = 1, 1, 1
	held := trial.SoundHeld()
	trial.StreamBytes, trial.WholeBytes = uint32(held+SectorBytes), uint32(held+2*SectorBytes)
	trial.LeadBytes, trial.MaxSoundBytes = uint32(trial.leadBytes()), uint32(trial.largestLead())
	trial.BeatsSector = uint32(trial.beatsSector())
	if err := trial.check(); err != nil {
		return nil, err
	}
	w := &Writer{create: create, s: s, static: h, timing: h.Timing(), limit: s.PartSectors}
	if w.limit <= 0 || w.limit > MaxFileSectors {
		w.limit = MaxFileSectors
	}
	w.largest = beatSectors(h.CodedBytes(int(w.timing.most(1))), h.RawFrameBytes())
	return w, nil
}

// Layout returns the sector in which the first beat will begin, and the most bytes of sound
// that a beat may hold.
func (w *Writer) Layout() (beatsSector int64, soundBytes int) {
	return w.static.beatsSector(), w.static.CodedBytes(int(w.timing.most(1)))
}

// SetIdentity sets the clip's identity; it may be known only at the end of the
// source. Call it before Close.
func (w *Writer) SetIdentity(id [16]byte) { w.identity = id }

// SetExtension sets the free area of the headers. Call it before Close.
func (w *Writer) SetExtension(e [ExtensionBytes]byte) { w.static.Extension = e }

// SoundBytes returns how many bytes of sound the next beat takes.
func (w *Writer) SoundBytes() int {
	return w.static.CodedBytes(w.Samples())
}

// Samples returns how many samples a channel play with the next beat.
func (w *Writer) Samples() int { return w.timing.Samples(w.beats) }

// Beats returns how many beats were taken.
func (w *Writer) Beats() uint32 { return w.beats }

// Write takes the next beat: its picture and exactly [Writer.SoundBytes] bytes
// of the sound that plays with it. Both are copied. A beat that would leave key
// beats more than two seconds apart must be a key beat, see [Writer.KeyDue].
// What coded pictures hold is not looked at: [Verify] does that.
func (w *Writer) Write(frame Frame, sound []byte) error {
	if w.err != nil {
		return w.err
	}
	fail := func(format string, args ...any) error {
		return fmt.Errorf("container: beat %d: %s", w.beats, fmt.Sprintf(format, args...))
	}
	raw := w.static.RawFrameBytes()
	least, most, panel := 0, 0, 0
	switch frame.Coding {
	case Repeat:
	case Raw:
		least, most = raw, raw
	case Tiles:
		least, most, panel = 1, raw, 1
	case KeyTiles, JPEG:
		least, most, panel = 1, raw, raw
	default:
		return fail("frame coding %v, want one that this writer knows", frame.Coding)
	}
	switch {
	case w.ended:
		return fail("written after Close")
	case !frame.Coding.key() && w.KeyDue():
		return fail("a key beat is due: the first beat, and one at most each two seconds")
	case len(frame.Bytes) < least || len(frame.Bytes) > most:
		return fail("%v frame of %d bytes, want %d to %d", frame.Coding, len(frame.Bytes), least, most)
	case frame.Coding.coded() && (frame.PanelBytes < panel || frame.PanelBytes > raw):
		return fail("%v frame of %d bytes for the panel, want %d to %d", frame.Coding, frame.PanelBytes, panel, raw)
	case len(sound) != w.SoundBytes():
		return fail("%d bytes of sound, want %d", len(sound), w.SoundBytes())
	case w.beats == MaxBeatNumber:
		w.err = &LimitError{Place: "beats of a clip", Found: MaxBeatNumber + 1, Limit: MaxBeatNumber}
		return w.err
	}
	b := &pending{}
	if n := len(w.free); n > 0 {
		b, w.free = w.free[n-1], w.free[:n-1]
	}
	b.number = w.beats
	b.frame = Frame{frame.Coding, append(b.frame.Bytes[:0], frame.Bytes...), frame.PanelBytes}
	b.sound = append(b.sound[:0], sound...)
	w.queue = append(w.queue, b)
	if frame.Coding.key() {
		w.keys = append(w.keys, b.number)
	}
	if w.s.Loops && len(w.opening) < w.s.SoundLead {
		w.opening = append(w.opening, append([]byte(nil), sound...))
	}
	w.beats++
	w.err = w.drain()
	return w.err
}

// KeyDue reports whether the next beat must be a key beat.
func (w *Writer) KeyDue() bool {
	return w.beats == 0 || int64(w.beats)-int64(w.keys[len(w.keys)-1]) >= int64(maxKeyDistance(w.s.Rate))
}

// Close writes what is held back and completes the file; it returns the
// headers of the parts. The writer is of no use afterwards.
func (w *Writer) Close() ([]Header, error) {
	if w.err == nil && w.beats == 0 {
		w.err = errors.New("container: a clip without beats: the source gave no picture")
	}
	if w.err != nil {
		return nil, w.err
	}
	w.ended = true
	if w.err = w.drain(); w.err == nil {
		w.err = w.finishPart(false)
	}
	var headers []Header
	for _, p := range w.done {
		p.h.Identity, p.h.Extension = w.identity, w.static.Extension
		if w.err == nil {
			w.err = p.writeHeader(w.beats)
		}
		headers = append(headers, *p.h)
	}
	if w.err != nil {
		return nil, w.err
	}
	w.err = errors.New("container: the writer is closed")
	return headers, nil
}

// drain writes the beats whose stored sound, next beat and next key beat are
// known.
func (w *Writer) drain() error {
	for len(w.queue) > 0 {
		b := w.queue[0]
		nextKey := w.keyAfter(b.number)
		if !w.ended && (nextKey == 0 || int64(w.beats) <= int64(nextKey)+int64(w.s.SoundLead)) {
			return nil
		}
		if err := w.emit(b, nextKey); err != nil {
			return err
		}
		w.queue = append(w.queue[:0], w.queue[1:]...)
		w.free = append(w.free, b)
		for len(w.keys) > 1 && w.keys[1] <= b.number {
			w.keys = w.keys[1:]
		}
	}
	return nil
}

// keyAfter returns the number of the next key beat, 0 when none is known.
func (w *Writer) keyAfter(number uint32) uint32 {
	for _, k := range w.keys {
		if k > number {
			return k
		}
	}
	return 0
}

func (w *Writer) emit(b *pending, nextKey uint32) error {
	if w.part != nil && b.number == w.splitAt {
		if err := w.finishPart(true); err != nil {
			return err
		}
	}
	if w.part == nil {
		if err := w.startPart(b.number); err != nil {
			return err
		}
	}
	if b.frame.Coding.key() && nextKey != 0 {
		// The next run of beats must still fit, whatever its size.
		worst := (int64(nextKey-b.number) + int64(maxKeyDistance(w.s.Rate))) * w.largest
		if w.part.tally.at+worst > w.limit {
			w.splitAt = nextKey
		}
	}
	var nextSectors, keyAhead uint16
	if next := b.number + 1; next < w.beats && next != w.splitAt {
		nextSectors = uint16(beatSectors(len(w.soundOf(next+uint32(w.s.SoundLead))), len(w.queue[1].frame.Bytes)))
	}
	if nextKey != 0 && nextKey != w.splitAt {
		keyAhead = uint16(nextKey - b.number)
	}
	return w.part.add(b.number, &b.frame, w.soundOf(b.number+uint32(w.s.SoundLead)), nextSectors, keyAhead)
}

// soundOf returns the sound of beat j: one still in the queue, one of the
// opening when a loop wraps, or none past the end.
func (w *Writer) soundOf(j uint32) []byte {
	if j >= w.beats {
		if !w.s.Loops || w.s.SoundLead == 0 {
			return nil
		}
		return w.opening[j%w.beats]
	}
	return w.queue[j-w.queue[0].number].sound
}

func (w *Writer) startPart(first uint32) error {
	part := len(w.done)
	if part == MaxParts {
		return &LimitError{Place: "parts of a clip", Found: MaxParts + 1, Limit: MaxParts}
	}
	f, err := w.create(part)
	if err != nil {
		return err
	}
	h := w.static
	h.FirstBeat, h.Part = first, uint16(part)
	var lead []byte
	for k := range uint32(w.s.SoundLead) {
		sound := w.soundOf(first + k)
		lead = append(lead, sound...)
		h.MaxSoundBytes = max(h.MaxSoundBytes, uint32(len(sound)))
	}
	w.part, err = newPartWriter(f, &h, lead)
	return err
}

func (w *Writer) finishPart(more bool) error {
	if more {
		w.part.h.Flags |= More
	}
	if err := w.part.finish(); err != nil {
		return err
	}
	w.done = append(w.done, w.part)
	w.part, w.splitAt = nil, 0
	return nil
}
