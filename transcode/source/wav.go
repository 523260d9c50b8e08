package source

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
)

// Format tags of WAVE, from memory; 1, 3 and 0xfffe agree with what
// general-purpose libraries write.
const (
	wavPCM        = 1
	wavFloat      = 3
	wavExtensible = 0xfffe
)

// wavGUID is what follows the format tag in the sub-format of an extensible
// header: the rest of KSDATAFORMAT_SUBTYPE_PCM and its relatives.
const wavGUID = "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71"

const (
	maxWAVRate     = 1 << 20 // sample frames a second
	maxWAVChannels = 64
	wavUnknown     = 0xffffffff // size of a chunk that was never filled in
)

// wavFormat is the fmt chunk.
type wavFormat struct {
	float    bool
	channels int
	rate     int
	width    int // bytes of a sample; its bits are at the top of them
}

// wav reads RIFF/WAVE from front to back, without a seek.
type wav struct {
	path   string
	file   *os.File
	tee    *tee
	in     *bufio.Reader
	size   int64 // of the file
	offset int64 // of the next byte
	format wavFormat
	info   SoundInfo
	log    *warnings
	left   int64 // sample frames still to be read
	buffer []byte
}

func openWAV(ctx context.Context, path string) (*Media, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("source: %w", err)
	}
	t := newTee(f)
	w := &wav{path: path, file: f, tee: t, in: bufio.NewReaderSize(t, 1<<16), log: &warnings{}}
	if err := w.open(ctx); err != nil {
		f.Close()
		return nil, err
	}
	return &Media{Kind: KindWAV, Sound: w, Warnings: w.log.all, log: w.log, sum: w.sum}, nil
}

func (w *wav) sum() ([32]byte, error) {
	if w.left == 0 && w.tee.ended {
		return w.tee.sum()
	}
	return sumFile(w.path)
}

func (w *wav) full(p []byte) error {
	n, err := io.ReadFull(w.in, p)
	w.offset += int64(n)
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		err = fmt.Errorf("the file ends here, want %d more bytes", len(p)-n)
	}
	return err
}

// skip passes over n bytes, or over what there is.
func (w *wav) skip(n int64) error {
	done, err := io.CopyN(io.Discard, w.in, n)
	w.offset += done
	if err == io.EOF {
		err = nil
	}
	return err
}

func (w *wav) damaged(where string, err error) error {
	var file *os.PathError
	if errors.As(err, &file) {
		return fmt.Errorf("source: %w", err)
	}
	return &DamagedError{w.path, fmt.Sprintf("%s at byte %d", where, w.offset), err}
}

// open reads up to the first sample.
func (w *wav) open(ctx context.Context) error {
	info, err := w.file.Stat()
	if err != nil {
		return fmt.Errorf("source: %w", err)
	}
	w.size = info.Size()
	var riff [12]byte
	if err := w.full(riff[:]); err != nil {
		return w.damaged("header", err)
	}
	riffSize := int64(binary.LittleEndian.Uint32(riff[4:]))
	long := int64(-1) // data size of RF64
	haveFormat := false
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		if w.offset >= w.size {
			return w.damaged("chunk", errors.New("the file ends before any sound, want a data chunk"))
		}
		var head [8]byte
		if err := w.full(head[:]); err != nil {
			return w.damaged("chunk", err)
		}
		id, size := string(head[:4]), int64(binary.LittleEndian.Uint32(head[4:]))
		switch id {
		case "data":
			if !haveFormat {
				return w.damaged("data chunk", errors.New("want a fmt chunk before it"))
			}
			if size == wavUnknown && long >= 0 {
				size = long
			}
			return w.measure(size, riffSize)
		case "fmt ":
			if size < 16 || size > 4096 {
				return w.damaged("fmt chunk", fmt.Errorf("%d bytes, want 16, 18 or 40", size))
			}
			b := make([]byte, size+size&1)
			if err := w.full(b); err != nil {
				return w.damaged("fmt chunk", err)
			}
			if w.format, err = w.parseFormat(b[:size]); err != nil {
				return err
			}
			haveFormat = true
		case "ds64":
			if size < 24 || size > 1<<16 {
				return w.damaged("ds64 chunk", fmt.Errorf("%d bytes, want at least 28", size))
			}
			b := make([]byte, size+size&1)
			if err := w.full(b); err != nil {
				return w.damaged("ds64 chunk", err)
			}
			long = int64(min(binary.LittleEndian.Uint64(b[8:]), math.MaxInt64))
		default:
			if err := w.skip(size + size&1); err != nil {
				return w.damaged("chunk", err)
			}
		}
	}
}

func (w *wav) parseFormat(b []byte) (f wavFormat, err error) {
	tag := int(binary.LittleEndian.Uint16(b))
	f.channels = int(binary.LittleEndian.Uint16(b[2:]))
	rate := binary.LittleEndian.Uint32(b[4:])
	align := int(binary.LittleEndian.Uint16(b[12:]))
	bits := int(binary.LittleEndian.Uint16(b[14:]))
	if tag == wavExtensible {
		if len(b) < 40 || string(b[26:40]) != wavGUID {
			return f, &UnsupportedError{w.path, "holds WAV sound of a kind without a registered number", trySnd}
		}
		tag = int(binary.LittleEndian.Uint16(b[24:]))
	}
	if tag != wavPCM && tag != wavFloat {
		return f, &UnsupportedError{w.path, fmt.Sprintf("holds WAV sound coded as %s; only PCM and float are opened", wavCoding(tag)), trySnd}
	}
	if f.channels == 0 || rate == 0 {
		return f, w.damaged("fmt chunk", fmt.Errorf("%d channels at %d Hz, want at least 1 of each", f.channels, rate))
	}
	if f.channels > maxWAVChannels {
		return f, &LimitError{w.path, "WAV sound", int64(f.channels), maxWAVChannels, "channels", "mix it down first"}
	}
	if rate > maxWAVRate {
		return f, &LimitError{w.path, "WAV sound", int64(rate), maxWAVRate, "Hz", trySnd}
	}
	f.rate = int(rate)
	f.float = tag == wavFloat
	f.width = align / f.channels
	if align%f.channels != 0 || f.width == 0 || bits == 0 || bits > 8*f.width {
		return f, w.damaged("fmt chunk", fmt.Errorf("%d channels of %d bits in %d bytes, want %d", f.channels, bits, align, f.channels*max((bits+7)/8, 1)))
	}
	if f.float && f.width != 4 && f.width != 8 || f.width > 8 {
		return f, &UnsupportedError{w.path, fmt.Sprintf("holds WAV sound with %d bytes a sample; PCM of 1 to 8 and float of 4 or 8 are opened", f.width), trySnd}
	}
	return f, nil
}

// wavCoding names format tags that are met; from memory.
func wavCoding(tag int) string {
	names := map[int]string{
		0x0002: "Microsoft ADPCM", 0x0006: "A-law", 0x0007: "µ-law", 0x0011: "IMA ADPCM",
		0x0031: "GSM 6.10", 0x0050: "MPEG audio", 0x0055: "MP3", 0x0161: "Windows Media audio",
	}
	if name := names[tag]; name != "" {
		return name
	}
	return fmt.Sprintf("number 0x%04x", tag)
}

// measure works out how many sample frames there are, given what the data and
// RIFF chunks state and what the file holds.
func (w *wav) measure(stated, riffSize int64) error {
	have := w.size - w.offset
	// A writer that could not go back left its sizes as they were at the start:
	// all ones, or nothing, with a RIFF chunk that ends before the sound.
	streamed := stated == wavUnknown && have != stated ||
		stated == 0 && (riffSize+8 <= w.offset || riffSize == wavUnknown)
	frame := int64(w.format.channels * w.format.width)
	tick := Ratio{1, int64(w.format.rate)}
	w.left = min(stated, have) / frame
	switch {
	case streamed:
		w.left = have / frame
	case have < stated:
		w.log.lost("ends at %s of %s", seconds(w.left, tick), seconds(stated/frame, tick))
	case stated%frame != 0:
		w.log.add("the last %d bytes of the sound are no whole sample and are left out", stated%frame)
	}
	if w.left == 0 {
		return w.damaged("data chunk", errors.New("holds no sound"))
	}
	w.info = SoundInfo{Rate: w.format.rate, Channels: w.format.channels, Frames: w.left}
	return nil
}

func (w *wav) Info() SoundInfo { return w.info }

func (w *wav) Close() error { return w.file.Close() }

func (w *wav) Read(dst []float32) (int, error) {
	if w.left == 0 {
		// What follows the sound counts for the sum.
		if !w.tee.ended {
			if err := w.skip(math.MaxInt64); err != nil {
				return 0, w.damaged("end", err)
			}
		}
		return 0, io.EOF
	}
	channels, frame := w.format.channels, w.format.channels*w.format.width
	if len(dst) < channels {
		return 0, io.ErrShortBuffer
	}
	if w.buffer == nil {
		w.buffer = make([]byte, max(1<<16/frame, 1)*frame)
	}
	frames := int(min(int64(len(dst)/channels), int64(len(w.buffer)/frame), w.left))
	b := w.buffer[:frames*frame]
	if err := w.full(b); err != nil {
		return 0, w.damaged("sound", err)
	}
	w.left -= int64(frames)
	w.format.decode(dst, b)
	return frames, nil
}

// decode turns whole samples into floats: PCM of one byte is unsigned, wider
// PCM is signed, low byte first. Full scale is 2^(bits-1), and samples with odd
// numbers of bits stand at the top of their bytes.
func (f *wavFormat) decode(dst []float32, b []byte) {
	n := len(b) / f.width
	dst = dst[:n]
	switch {
	case f.float && f.width == 4:
		for i := range dst {
			dst[i] = finite(math.Float32frombits(binary.LittleEndian.Uint32(b[4*i:])))
		}
	case f.float:
		for i := range dst {
			dst[i] = finite(float32(math.Float64frombits(binary.LittleEndian.Uint64(b[8*i:]))))
		}
	case f.width == 1:
		for i := range dst {
			dst[i] = float32(int(b[i])-128) / (1 << 7)
		}
	case f.width == 2:
		for i := range dst {
			dst[i] = float32(int16(binary.LittleEndian.Uint16(b[2*i:]))) / (1 << 15)
		}
	case f.width == 3:
		for i := range dst {
			v := int32(b[3*i])<<8 | int32(b[3*i+1])<<16 | int32(b[3*i+2])<<24
			dst[i] = float32(v>>8) / (1 << 23)
		}
	default:
		for i := range dst {
			top := b[f.width*(i+1)-4:]
			dst[i] = float32(float64(int32(binary.LittleEndian.Uint32(top))) / (1 << 31))
		}
	}
}

func finite(v float32) float32 {
	if v-v != 0 { // NaN or infinite
		return 0
	}
	return v
}
