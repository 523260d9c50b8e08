package source

import (
	"bufio"
	"context"
	"crypto/md5"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"io"
	"os"
)

// flac reads FLAC sound, RFC 9639. It is read here and not by mewkiz/flac
// v1.0.14, its independent reader in the tests, because that one takes samples
// whose width is stated at the start of the file only for 0 bits wide, knows no
// 32-bit samples, and writes to the log.
type flac struct {
	path   string
	file   *os.File
	tee    *tee
	in     *bufio.Reader
	log    *warnings
	info   SoundInfo
	stream flacStream
	blocks int64     // read so far
	done   int64     // sample frames of them
	frame  flacFrame // the block that is being handed out
	at     int       // next sample frame of it
	sum5   hash.Hash // of the samples, nil when the file states no sum
	want5  [md5.Size]byte
	packed []byte
	ended  error
}

// flacStream is the streaminfo block, RFC 9639, section 8.2.
type flacStream struct {
	rate, channels, bits int
	frames               int64 // 0 when not stated
}

func openFLAC(ctx context.Context, path string) (*Media, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("source: %w", err)
	}
	t := newTee(file)
	f := &flac{path: path, file: file, tee: t, in: bufio.NewReaderSize(t, 1<<16), log: &warnings{}}
	f.frame.bits.in = f.in
	if err := f.open(ctx); err != nil {
		file.Close()
		return nil, err
	}
	return &Media{Kind: KindFLAC, Sound: f, Warnings: f.log.all, log: f.log, sum: f.sum}, nil
}

func (f *flac) sum() ([32]byte, error) {
	if f.tee.ended {
		return f.tee.sum()
	}
	return sumFile(f.path)
}

// offset is the place in the file of the next byte.
func (f *flac) offset() int64 { return f.tee.read - int64(f.in.Buffered()) }

func (f *flac) damaged(where string, err error) error {
	var file *os.PathError
	if errors.As(err, &file) {
		return fmt.Errorf("source: %w", err)
	}
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		err = errors.New("the file ends here")
	}
	return &DamagedError{f.path, fmt.Sprintf("%s at byte %d", where, f.offset()), err}
}

// open reads the metadata blocks, of which only the first matters here.
func (f *flac) open(ctx context.Context) error {
	if head, err := f.in.Peek(10); err == nil && starts(head, "ID3") {
		if _, err := io.CopyN(io.Discard, f.in, id3Size(head)); err != nil {
			return f.damaged("tag", err)
		}
	}
	var head [4]byte
	if _, err := io.ReadFull(f.in, head[:]); err != nil {
		return f.damaged("header", err)
	}
	if string(head[:]) != "fLaC" {
		return f.damaged("header", fmt.Errorf("%q, want fLaC", head))
	}
	for block := 0; head[0]&0x80 == 0 || block == 0; block++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		if _, err := io.ReadFull(f.in, head[:]); err != nil {
			return f.damaged("metadata", err)
		}
		size := int64(head[1])<<16 | int64(head[2])<<8 | int64(head[3])
		if block > 0 {
			if _, err := io.CopyN(io.Discard, f.in, size); err != nil {
				return f.damaged("metadata", err)
			}
			continue
		}
		if head[0]&0x7f != 0 || size != 34 {
			return f.damaged("metadata", fmt.Errorf("block of type %d with %d bytes, want the stream's (type 0) with 34", head[0]&0x7f, size))
		}
		var b [34]byte
		if _, err := io.ReadFull(f.in, b[:]); err != nil {
			return f.damaged("metadata", err)
		}
		if err := f.describe(b[:]); err != nil {
			return err
		}
	}
	// Without a sample to come there is no sound.
	if _, err := f.in.Peek(1); err != nil {
		return f.damaged("sound", err)
	}
	return nil
}

// describe takes in the streaminfo block.
func (f *flac) describe(b []byte) error {
	v := binary.BigEndian.Uint64(b[10:])
	s := &f.stream
	s.rate, s.channels, s.bits = int(v>>44), int(v>>41&7)+1, int(v>>36&31)+1
	s.frames = int64(v & (1<<36 - 1))
	if s.rate == 0 || s.bits < 4 {
		return f.damaged("metadata", fmt.Errorf("%d bits at %d Hz", s.bits, s.rate))
	}
	f.info = SoundInfo{Rate: s.rate, Channels: s.channels, Frames: s.frames}
	if copy(f.want5[:], b[18:]); f.want5 != [md5.Size]byte{} {
		f.sum5 = md5.New()
	}
	return nil
}

func (f *flac) Info() SoundInfo { return f.info }

func (f *flac) Close() error { return f.file.Close() }

func (f *flac) Read(dst []float32) (int, error) {
	channels := f.stream.channels
	if len(dst) < channels {
		return 0, io.ErrShortBuffer
	}
	for f.at == f.frame.size {
		if f.ended == nil {
			f.ended = f.next()
		}
		if f.ended != nil {
			return 0, f.ended
		}
	}
	n := min(len(dst)/channels, f.frame.size-f.at)
	scale := 1 / float64(int64(1)<<(f.stream.bits-1))
	for c := range channels {
		for i, v := range f.frame.samples[c][f.at : f.at+n] {
			dst[i*channels+c] = float32(float64(v) * scale)
		}
	}
	f.at += n
	return n, nil
}

// next reads a block, and returns io.EOF behind the last.
func (f *flac) next() error {
	stated, tick := f.stream.frames, Ratio{1, int64(f.stream.rate)}
	f.at, f.frame.size = 0, 0
	if stated > 0 && f.done == stated {
		return f.end()
	}
	start := f.offset()
	head, err := f.in.Peek(4)
	switch {
	case len(head) == 0 && err != io.EOF:
		return f.damaged("sound", err)
	case len(head) == 0, stated == 0 && (starts(head, "TAG") || starts(head, "APET")):
		err = io.EOF
	default:
		err = f.frame.read(&f.stream)
	}
	if err != nil {
		f.frame.size = 0
	}
	if f.done == 0 && (err == io.EOF || err == io.ErrUnexpectedEOF) {
		return f.damaged("sound", errors.New("the file ends before any sound"))
	}
	switch {
	case err == io.EOF && stated == 0:
		return f.end()
	case err == io.EOF, err == io.ErrUnexpectedEOF && stated > 0:
		f.log.lost("ends at %s of %s", seconds(f.done, tick), seconds(stated, tick))
	case err == io.ErrUnexpectedEOF:
		f.log.lost("the last block is cut short; the sound ends at %s", seconds(f.done, tick))
	case err != nil:
		var unsupported *UnsupportedError
		if errors.As(err, &unsupported) {
			unsupported.Path = f.path
			return unsupported
		}
		var file *os.PathError
		if errors.As(err, &file) {
			return fmt.Errorf("source: %w", err)
		}
		return &DamagedError{f.path, fmt.Sprintf("block %d at byte %d", f.blocks+1, start), err}
	}
	if err != nil {
		return io.EOF
	}
	if stated > 0 && f.done+int64(f.frame.size) > stated {
		f.frame.size = int(stated - f.done)
		f.log.add("holds more sound than the %s it states; the rest is left out", seconds(stated, tick))
		f.sum5 = nil
	}
	f.blocks++
	f.done += int64(f.frame.size)
	f.hash()
	return nil
}

// end reads what follows the sound, because it counts for the sum of the source,
// and compares the sum of the samples. Every block has a check sum of its own,
// so a difference here is a writer's mistake or a block that is missing, and no
// reason to refuse what has been played.
func (f *flac) end() error {
	if _, err := io.Copy(io.Discard, f.in); err != nil {
		return f.damaged("end", err)
	}
	if f.sum5 != nil {
		if got := f.sum5.Sum(nil); string(got) != string(f.want5[:]) {
			f.log.lost("the sound is not the one that was stored: MD5 of the samples %x, want %x", got, f.want5)
		}
	}
	return io.EOF
}

// hash adds the block to the sum of all samples, which is over whole bytes of
// each, low byte first, channels interleaved.
func (f *flac) hash() {
	if f.sum5 == nil {
		return
	}
	width := (f.stream.bits + 7) / 8
	f.packed = f.packed[:0]
	for i := range f.frame.size {
		for c := range f.stream.channels {
			v := uint32(f.frame.samples[c][i])
			for range width {
				f.packed = append(f.packed, byte(v))
				v >>= 8
			}
		}
	}
	f.sum5.Write(f.packed)
}
