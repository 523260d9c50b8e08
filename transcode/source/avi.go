package source

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/big"
	"os"
	"strings"
	"sync/atomic"
)

// An AVI file is a tree of chunks (AVI RIFF File Reference, and OpenDML AVI File
// Format Extensions 1.02): the headers of its streams, then the pieces of all
// streams as they are to be played, each named by the number of its stream. It is
// walked once, chunk by chunk, and the index at its end is left alone, because
// it is missing or wrong in files that were cut short. The sizes of the lists
// that hold chunks are not needed: one chunk follows the other, whatever list it
// is in, so a list that states a wrong size does no harm.
type avi struct {
	path   string
	file   *os.File
	users  atomic.Int32 // of the file: the pictures and the sound
	size   int64
	log    *warnings
	window window

	streams    []aviStream
	microFrame uint32 // microseconds a picture, from the main header
	video      int    // stream number, -1 for none
	sound      int
	videoAt    []aviChunk
	soundAt    []aviChunk
	soundBytes int64
	cut        bool // the file ends inside a chunk
}

// aviStream is what the headers say of a stream.
type aviStream struct {
	kind   string // vids, auds and others
	scale  uint32 // rate/scale is pictures, or sample frames, a second
	rate   uint32
	start  uint32 // of them, before which the stream has nothing
	length uint32 // pictures
	format []byte
}

// aviChunk is where a piece of a stream lies in the file.
type aviChunk struct {
	at   int64
	size uint32
}

const (
	maxAVIStreams = 100     // their numbers have two digits
	maxAVIChunks  = 4 << 20 // 38 hours at 30 a second; 64 MiB of index
	maxAVIHeader  = 4096    // bytes of a header chunk
)

func openAVI(ctx context.Context, path string, o Options) (*Media, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("source: %w", err)
	}
	a := &avi{path: path, file: f, log: &warnings{}, window: window{r: f}, video: -1, sound: -1}
	m, err := a.open(ctx, o)
	if err != nil {
		f.Close()
		return nil, err
	}
	return m, nil
}

func (a *avi) open(ctx context.Context, o Options) (*Media, error) {
	info, err := a.file.Stat()
	if err != nil {
		return nil, fmt.Errorf("source: %w", err)
	}
	a.size = info.Size()
	if err := a.walk(ctx); err != nil {
		return nil, err
	}
	if a.video < 0 {
		return nil, &UnsupportedError{a.path, "an AVI file without a video; only video, with or without sound, is opened", tryVid}
	}
	pictures, err := a.pictures(o)
	if err != nil {
		return nil, err
	}
	m := &Media{
		Kind: KindAVI, Film: true, Pictures: pictures, Warnings: a.log.all, log: a.log,
		sum: func() ([32]byte, error) { return sumFile(a.path) },
	}
	a.users.Store(1)
	if a.sound >= 0 && !o.NoSound {
		sound, err := a.openSound()
		var unsupported *UnsupportedError
		if errors.As(err, &unsupported) && askSystem {
			if m, err := openSystem(ctx, a.path, KindAVI, o); err == nil { // with its pictures
				pictures.Close()
				return m, nil
			}
		}
		if err != nil {
			text := strings.TrimPrefix(err.Error(), fmt.Sprintf("source: %s: ", a.path))
			a.log.add("the sound is left out: %s", strings.TrimPrefix(text, "holds "))
			m.mute = true
		} else {
			m.Sound = sound
			a.users.Store(2)
			a.align(pictures, sound)
		}
	}
	return m, nil
}

// align gives the stream that begins later a silence, or more of its first
// picture, so that the other keeps its time. A start that leaves the two nothing
// in common is a mistake.
func (a *avi) align(p *aviPictures, s *aviSound) {
	late := a.streams[a.sound].begins()
	late.Sub(late, a.streams[a.video].begins())
	nearest := func(t *big.Rat) int64 { // ⌊t + ½⌋
		n := new(big.Int).Lsh(t.Num(), 1)
		return n.Add(n, t.Denom()).Div(n, new(big.Int).Lsh(t.Denom(), 1)).Int64()
	}
	early := new(big.Rat).Neg(late)
	switch rate := p.info.Rate; {
	case late.Cmp(big.NewRat(p.info.Frames*rate.Den, rate.Num)) >= 0 || early.Cmp(big.NewRat(s.info.Frames, int64(s.info.Rate))) >= 0:
		a.log.add("pictures and sound are stated to begin %s s apart, which is longer than they last; taken as together", late.Abs(late).FloatString(2))
	case late.Sign() > 0:
		s.silence = nearest(late.Mul(late, big.NewRat(int64(s.info.Rate), 1)))
		s.info.Frames += s.silence
	case late.Sign() < 0:
		p.hold = nearest(early.Mul(early, big.NewRat(rate.Num, rate.Den)))
		p.info.Duration = times(p.info.Frames+p.hold, p.info.Tick)
	}
}

// begins returns the seconds before which a stream has nothing.
func (s *aviStream) begins() *big.Rat {
	if s.scale == 0 || s.rate == 0 {
		return new(big.Rat)
	}
	return new(big.Rat).Mul(big.NewRat(int64(s.start), 1), big.NewRat(int64(s.scale), int64(s.rate)))
}

// release closes the file with its last user.
func (a *avi) release() error {
	if a.users.Add(-1) == 0 {
		return a.file.Close()
	}
	return nil
}

func (a *avi) damaged(at int64, format string, args ...any) error {
	return &DamagedError{a.path, fmt.Sprintf("chunk at byte %d", at), fmt.Errorf(format, args...)}
}

// walk finds the headers and the pieces of the first video and the first sound.
func (a *avi) walk(ctx context.Context) error {
	end := a.size // of the RIFF chunk it is in, as far as that can be believed
	for at, step := int64(0), 0; ; step++ {
		if step%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		head, err := a.window.read(at, 12)
		if err != nil {
			return fmt.Errorf("source: %w", err)
		}
		if len(head) < 8 || string(head[:4]) == "\x00\x00\x00\x00" {
			a.cut = a.cut || at < end
			return nil
		}
		id, size := string(head[:4]), int64(binary.LittleEndian.Uint32(head[4:]))
		switch {
		case at >= end && id != "RIFF":
			return nil // what follows the last RIFF chunk is none of the file
		case !isFourCC(id):
			return a.damaged(at, "%q, want the name of a chunk", id)
		case id == "RIFF":
			if end = at + 8 + size + size&1; size == 0 || end > a.size {
				end = a.size
				a.cut = a.cut || size != 0 && size != 1<<32-1
			}
			at += 12
			continue
		case id == "LIST" && len(head) == 12:
			switch string(head[8:]) {
			case "hdrl", "strl", "movi", "rec ":
				at += 12
				continue
			}
		}
		if err := a.chunk(id, at+8, size); err != nil {
			return err
		}
		if at = a.behind(at+8, size); at > a.size {
			return nil
		}
	}
}

// behind returns where the next chunk begins: at an even place, or right behind
// an odd chunk where a writer has forgotten to fill up.
func (a *avi) behind(at, size int64) int64 {
	at += size
	if size%2 == 0 {
		return at
	}
	b, err := a.window.read(at, 5)
	if err == nil && len(b) == 5 && isPiece(b[:4]) && !isPiece(b[1:]) {
		return at
	}
	return at + 1
}

// isPiece reports whether four bytes are the name of a list or of a piece of a
// stream.
func isPiece(id []byte) bool {
	return string(id) == "LIST" || isDigit(id[0]) && isDigit(id[1]) && isLetter(id[2]) && isLetter(id[3])
}

func isDigit(b byte) bool { return b >= '0' && b <= '9' }

// isFourCC reports whether four bytes can name a chunk: letters, digits and
// spaces.
func isFourCC(id string) bool {
	for i := range len(id) {
		if c := id[i]; !isLetter(c) && !isDigit(c) && c != ' ' && c != '_' {
			return false
		}
	}
	return len(id) == 4
}

// chunk takes note of a chunk whose content begins at a byte.
func (a *avi) chunk(id string, at, size int64) error {
	switch id {
	case "avih", "strh", "strf":
		if size > maxAVIHeader || at+size > a.size {
			return a.damaged(at-8, "%s of %d bytes", id, size)
		}
		b, err := a.window.read(at, int(size))
		if err != nil {
			return fmt.Errorf("source: %w", err)
		}
		return a.header(id, b, at)
	}
	if !isDigit(id[0]) || !isDigit(id[1]) {
		return nil
	}
	stream, kind := int(id[0]-'0')*10+int(id[1]-'0'), id[2:]
	whole := at+size <= a.size
	switch {
	case stream == a.video && (kind == "dc" || kind == "db"):
		if !whole {
			a.cut = true
			return nil
		}
		a.videoAt = append(a.videoAt, aviChunk{at, uint32(size)})
	case stream == a.sound && kind == "wb":
		if !whole {
			a.cut = true
			size = a.size - at
		}
		a.soundAt = append(a.soundAt, aviChunk{at, uint32(size)})
		a.soundBytes += size
	}
	if len(a.videoAt) > maxAVIChunks || len(a.soundAt) > maxAVIChunks {
		return &LimitError{a.path, "AVI video", int64(max(len(a.videoAt), len(a.soundAt))), maxAVIChunks, "pieces", "cut it into shorter ones"}
	}
	return nil
}

// header takes in a header chunk. That of a stream comes as strh and strf.
func (a *avi) header(id string, b []byte, at int64) error {
	le := binary.LittleEndian
	switch {
	case id == "avih" && len(b) >= 4:
		a.microFrame = le.Uint32(b)
	case id == "strh" && len(b) >= 36:
		if len(a.streams) == maxAVIStreams {
			return a.damaged(at-8, "more than %d streams", maxAVIStreams)
		}
		s := aviStream{kind: string(b[:4]), scale: le.Uint32(b[20:]), rate: le.Uint32(b[24:]), start: le.Uint32(b[28:]), length: le.Uint32(b[32:])}
		if s.kind == "vids" && a.video < 0 {
			a.video = len(a.streams)
		}
		if s.kind == "auds" && a.sound < 0 {
			a.sound = len(a.streams)
		}
		a.streams = append(a.streams, s)
	case id == "strf" && len(a.streams) > 0:
		a.streams[len(a.streams)-1].format = append([]byte(nil), b...)
	default:
		return a.damaged(at-8, "%s of %d bytes in this place", id, len(b))
	}
	return nil
}

// openSound checks the format of the sound, which is that of a WAV file.
func (a *avi) openSound() (*aviSound, error) {
	format := a.streams[a.sound].format
	if len(format) < 16 {
		return nil, errors.New("its format is not stated")
	}
	w := &wav{path: a.path}
	f, err := w.parseFormat(format)
	if err != nil {
		return nil, err
	}
	frames := a.soundBytes / int64(f.channels*f.width)
	if frames == 0 {
		return nil, errors.New("it is empty")
	}
	return &aviSound{
		avi: a, format: f, left: frames,
		info: SoundInfo{Rate: f.rate, Channels: f.channels, Frames: frames},
	}, nil
}

// aviSound puts the pieces of the sound together again.
type aviSound struct {
	avi     *avi
	format  wavFormat
	info    SoundInfo
	silence int64 // sample frames before the first piece
	left    int64 // sample frames of the pieces
	chunk   int   // the next one to read from
	done    int64 // bytes of it that have been read
	buffer  []byte
	closed  bool
}

func (s *aviSound) Info() SoundInfo { return s.info }

func (s *aviSound) Close() error {
	if s.closed {
		return nil
	}
	s.closed = true
	return s.avi.release()
}

func (s *aviSound) Read(dst []float32) (int, error) {
	channels, frame := s.format.channels, s.format.channels*s.format.width
	if s.silence+s.left == 0 {
		return 0, io.EOF
	}
	if len(dst) < channels {
		return 0, io.ErrShortBuffer
	}
	if s.silence > 0 {
		n := min(int64(len(dst)/channels), s.silence)
		clear(dst[:n*int64(channels)])
		s.silence -= n
		return int(n), nil
	}
	if s.buffer == nil {
		s.buffer = make([]byte, max(1<<16/frame, 1)*frame)
	}
	frames := int(min(int64(len(dst)/channels), int64(len(s.buffer)/frame), s.left))
	b := s.buffer[:frames*frame]
	for n := 0; n < len(b); {
		c := s.avi.soundAt[s.chunk]
		part := b[n : n+int(min(int64(len(b)-n), int64(c.size)-s.done))]
		if got, err := s.avi.file.ReadAt(part, c.at+s.done); got < len(part) {
			if err == io.EOF {
				return 0, s.avi.damaged(c.at-8, "the file has become shorter")
			}
			return 0, fmt.Errorf("source: %w", err)
		}
		n += len(part)
		if s.done += int64(len(part)); s.done == int64(c.size) {
			s.chunk, s.done = s.chunk+1, 0
		}
	}
	s.left -= int64(frames)
	s.format.decode(dst, b)
	return frames, nil
}

// window reads small pieces of a file that lie close together with few calls.
type window struct {
	r    io.ReaderAt
	at   int64
	have []byte
	buf  [8192]byte
}

// read returns up to n bytes, at most maxAVIHeader, and fewer only at the end of
// the file. They are valid until the next call.
func (w *window) read(at int64, n int) ([]byte, error) {
	if at < w.at || at+int64(n) > w.at+int64(len(w.have)) {
		got, err := w.r.ReadAt(w.buf[:], at)
		if err != nil && err != io.EOF {
			w.have = nil
			return nil, err
		}
		w.at, w.have = at, w.buf[:got]
	}
	b := w.have[at-w.at:]
	return b[:min(n, len(b))], nil
}

// pictures checks the format of the video and looks into its first picture.
func (a *avi) pictures(o Options) (*aviPictures, error) {
	s := &a.streams[a.video]
	if len(s.format) < 40 {
		return nil, &DamagedError{a.path, "", fmt.Errorf("format of the video of %d bytes, want at least 40", len(s.format))}
	}
	switch coding := string(s.format[16:20]); coding {
	case "MJPG", "mjpg", "JPEG", "jpeg":
	default:
		name := fmt.Sprintf("as %q", coding)
		if coding == "\x00\x00\x00\x00" {
			name = "without compression"
		}
		return nil, &UnsupportedError{a.path, fmt.Sprintf("holds AVI video coded %s; of AVI, Motion JPEG is opened", name), tryVid}
	}
	rate := Ratio{int64(s.rate), int64(s.scale)}.lowest()
	switch {
	case rate.Num > 0 && max(rate.Num, rate.Den) < 1<<31:
	case a.microFrame > 0 && a.microFrame < 1<<31:
		rate = Ratio{1e6, int64(a.microFrame)}.lowest()
	default:
		rate = o.rate()
		a.log.add("the video does not state its frame rate; taken as %g", rate.Float())
	}
	n := int64(len(a.videoAt))
	p := &aviPictures{avi: a, limit: o.maxPixels(), window: window{r: a.file}}
	p.info = PicturesInfo{
		Frames: n, Tick: Ratio{rate.Den, rate.Num}, Rate: rate,
		Duration: times(n, Ratio{rate.Den, rate.Num}),
	}
	p.codedHeight = int(int32(binary.LittleEndian.Uint32(s.format[8:])))
	if p.codedHeight < 0 { // a sign that stands for the order of rows without compression
		p.codedHeight = -p.codedHeight
	}
	if a.cut {
		if stated := int64(s.length); stated > n {
			a.log.lost("ends at %s of %s", seconds(n, p.info.Tick), seconds(stated, p.info.Tick))
		} else {
			a.log.lost("the file is cut short; the video ends at %s", seconds(n, p.info.Tick))
		}
	}
	for i, c := range a.videoAt {
		if c.size == 0 {
			continue
		}
		first, err := p.inspect(i)
		if err != nil {
			return nil, err
		}
		f, err := p.facts(i, first, false)
		if err != nil {
			return nil, err
		}
		if err := checkMemory(a.path, first.w, first.h, f.decode+f.result); err != nil {
			return nil, err
		}
		p.pool = newPool(f.decode, f.result)
		p.info.Width, p.info.Height = first.w, first.h
		if first.field {
			p.info.Height = 2 * first.h
			a.log.add("the video is interlaced; of each picture the first field is shown")
		}
		return p, nil
	}
	return nil, &DamagedError{a.path, "", errors.New("holds no picture")}
}
