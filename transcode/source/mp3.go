package source

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"

	gomp3 "github.com/hajimehoshi/go-mp3"
)

// mp3DecoderDelay is how many sample frames late a layer III decoder is: 528 of
// its filters and one more, as the description of the info frame's fields says.
const mp3DecoderDelay = 528 + 1

// mp3 decodes MPEG layer III sound. Layer III is made to be joined in the middle
// and frames can be decoded on their own, but for the bytes that a frame borrows
// from the ones before it (main_data_begin); so a frame that is damaged, or
// whose borrowed bytes are missing, is silent, and the others play. The decoder
// gets the frames one by one and sees neither tags nor the info frame.
type mp3 struct {
	path     string
	file     *os.File
	log      *warnings
	info     SoundInfo
	walk     *mp3Walk
	decoder  *gomp3.Decoder
	feed     mp3Feed
	main     mp3Main
	skip     int64
	left     int64 // sample frames still to be handed out
	block    []byte
	buffer   []byte
	silence  []byte
	broken   int64 // frames that were damaged
	brokenAt int64 // sample frame of the first of them
	decoded  int64 // sample frames
}

// mp3Feed hands the decoder one frame at a time.
type mp3Feed struct{ rest []byte }

func (f *mp3Feed) Read(p []byte) (int, error) {
	if len(f.rest) == 0 {
		return 0, io.EOF
	}
	n := copy(p, f.rest)
	f.rest = f.rest[n:]
	return n, nil
}

func openMP3(ctx context.Context, path string) (*Media, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("source: %w", err)
	}
	m := &mp3{path: path, file: f, log: &warnings{}}
	if err := m.open(ctx); err != nil {
		f.Close()
		return nil, err
	}
	return &Media{Kind: KindMP3, Sound: m, Warnings: m.log.all, log: m.log,
		sum: func() ([32]byte, error) { return sumFile(path) }}, nil
}

// open walks over all frames once to know how long the sound is.
func (m *mp3) open(ctx context.Context) error {
	walk := newMP3Walk(m.file)
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		_, _, err := walk.next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return m.damaged(walk, err)
		}
	}
	if walk.frames == 0 {
		return &DamagedError{m.path, "", errors.New("holds no MP3 frame with sound")}
	}
	m.measure(walk)
	if _, err := m.file.Seek(0, io.SeekStart); err != nil {
		return fmt.Errorf("source: %w", err)
	}
	m.walk = newMP3Walk(m.file)
	m.silence = make([]byte, 4*walk.first.samples())
	m.buffer = make([]byte, len(m.silence))
	return nil
}

// measure works out where the sound begins and ends.
func (m *mp3) measure(walk *mp3Walk) {
	m.info = SoundInfo{Rate: walk.first.rate, Channels: walk.channels}
	samples, tick := walk.first.samples(), Ratio{1, int64(walk.first.rate)}
	total, whole := walk.frames*samples, !walk.cut
	m.left = total
	if walk.junk > 0 {
		m.log.add("%d bytes that are no MP3 frames are left out, the first at byte %d", walk.junk, walk.junkAt)
	}
	if i := walk.info; i != nil {
		// Some writers count the info frame as well.
		if missing := i.frames - walk.frames; missing > 1 || missing == 1 && walk.cut {
			whole = false
			m.log.lost("ends at %s of %s", seconds(total, tick), seconds(i.frames*samples, tick))
		}
		if i.trims {
			skip, padding := int64(i.delay+mp3DecoderDelay), int64(max(i.padding-mp3DecoderDelay, 0))
			if !whole {
				padding = 0
			}
			if kept := total - skip - padding; kept > 0 {
				m.skip, m.left = skip, kept
			}
		}
	}
	if walk.cut && len(m.log.all()) == 0 {
		m.log.lost("the last frame is cut short; the sound ends at %s", seconds(total, tick))
	}
	m.info.Frames = m.left
}

func (m *mp3) damaged(walk *mp3Walk, err error) error {
	var refused mp3Refused
	if errors.As(err, &refused) {
		return &UnsupportedError{m.path, fmt.Sprintf("holds %s; of MPEG sound, layer III of 16 kHz and more with a stated bit rate is opened", string(refused)), trySnd}
	}
	var file *os.PathError
	if errors.As(err, &file) {
		return fmt.Errorf("source: %w", err)
	}
	return &DamagedError{m.path, walk.where(), err}
}

func (m *mp3) Info() SoundInfo { return m.info }

func (m *mp3) Close() error { return m.file.Close() }

func (m *mp3) Read(dst []float32) (int, error) {
	channels := m.info.Channels
	if len(dst) < channels {
		return 0, io.ErrShortBuffer
	}
	for m.left > 0 && len(m.block) == 0 {
		if err := m.decode(); err != nil {
			return 0, err
		}
		n := min(m.skip, int64(len(m.block)/4))
		m.skip -= n
		m.block = m.block[4*n:]
	}
	if m.left == 0 {
		return 0, io.EOF
	}
	n := int(min(int64(len(dst)/channels), int64(len(m.block)/4), m.left))
	for i := range n {
		for c := range channels {
			dst[i*channels+c] = float32(int16(binary.LittleEndian.Uint16(m.block[4*i+2*c:]))) / (1 << 15)
		}
	}
	m.block = m.block[4*n:]
	if m.left -= int64(n); m.left == 0 && m.broken > 0 {
		m.log.lost("%d of %d frames are damaged and silent, the first at %s", m.broken, m.walk.frames,
			seconds(m.brokenAt, Ratio{1, int64(m.info.Rate)}))
	}
	return n, nil
}

// decode turns the next frame into 16-bit stereo, as the decoder makes it of
// mono too.
func (m *mp3) decode() error {
	frame, h, err := m.walk.next()
	if err == io.EOF {
		err = errors.New("the file has become shorter")
	}
	if err != nil {
		return m.damaged(m.walk, err)
	}
	frame, complete := m.main.assemble(frame, &h)
	m.feed.rest = frame
	err = guard(func() (err error) {
		if m.decoder == nil {
			if m.decoder, err = gomp3.NewDecoder(&m.feed); err != nil {
				return err
			}
		}
		_, err = io.ReadFull(m.decoder, m.buffer)
		return err
	})
	m.block = m.buffer
	if err != nil {
		m.block = m.silence
		m.decoder, m.main.lent = nil, 0
	}
	// At the start it is usual that borrowed bytes are missing: the sound was
	// cut out of another.
	if err != nil || !complete && m.decoded > 0 {
		if m.broken == 0 {
			m.brokenAt = m.decoded
		}
		m.broken++
	}
	m.decoded += h.samples()
	return nil
}
