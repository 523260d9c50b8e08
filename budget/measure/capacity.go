package measure

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"syscall"
)

// pieceBytes is the size of a file of a filling, well under the 4 GiB − 1 of
// FAT32.
const pieceBytes = 2 << 30

// FillOptions say how much to fill.
type FillOptions struct {
	Bytes    int64                         // at most; 0 for all that is free
	Seed     uint64                        // another for each run, so that an older filling is not taken for this one
	Progress func(what string, done int64) // bytes moved since the last call; may be nil

	piece int64 // bytes of a file; 0 means pieceBytes
}

// Capacity is what a storage kept of what was written to it.
type Capacity struct {
	Written int64 // bytes that it took
	Kept    int64 // bytes that read back as they were written

	// Wrapped bytes read back as what was written elsewhere, the mark of a card
	// that holds less than it claims: FirstWrapped is the offset of the first of
	// them (counted over all files), and ReadsAs the offset whose content is there.
	Wrapped      int64
	FirstWrapped int64
	ReadsAs      int64

	Lost      int64 // bytes that read back as something else
	FirstLost int64

	Unreadable int64 // bytes that could not be read
	WriteErr   error // why writing ended before the storage was full; nil
	ReadErr    error // why the first of the unreadable bytes was; nil
}

// Whole says whether all that was written is there, and nothing failed.
func (c *Capacity) Whole() bool { return c.Kept == c.Written && c.WriteErr == nil }

// Fill writes until the storage is full but for a margin, then reads everything
// back, and deletes it, also when it fails or is cancelled. Reading begins only
// when all is written: a card that wraps around shows nothing before.
func Fill(ctx context.Context, s Storage, o FillOptions) (_ Capacity, err error) {
	free, err := s.Free()
	if err != nil {
		return Capacity{}, err
	}
	want := (free - Margin) / chunk * chunk
	if o.Bytes > 0 {
		want = min(want, o.Bytes/chunk*chunk)
	}
	if want < chunk {
		return Capacity{}, &SpaceError{Free: free, Want: chunk}
	}
	if o.piece == 0 {
		o.piece = pieceBytes
	}
	f := filling{o: o, seed: o.Seed, memory: aligned(chunk)}
	defer func() {
		for _, file := range f.files {
			err = errors.Join(err, file.Remove())
		}
	}()
	if err := f.write(ctx, s, want); err != nil {
		return Capacity{}, err
	}
	if err := f.read(ctx); err != nil {
		return Capacity{}, err
	}
	return f.out, nil
}

type filling struct {
	o      FillOptions
	seed   uint64
	files  []File
	memory []byte
	out    Capacity
}

func (f *filling) progress(what string) {
	if f.o.Progress != nil {
		f.o.Progress(what, chunk)
	}
}

func (f *filling) write(ctx context.Context, s Storage, want int64) error {
	for f.out.Written < want {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		at := f.out.Written % f.o.piece
		if at == 0 {
			file, err := s.Create()
			if err != nil {
				return f.stopped(err)
			}
			f.files = append(f.files, file)
		}
		pattern(f.memory, f.out.Written, f.seed)
		if _, err := f.files[len(f.files)-1].WriteAt(f.memory, at); err != nil {
			return f.stopped(err)
		}
		f.out.Written += chunk
		f.progress("writing")
	}
	return f.flush()
}

// stopped is the end of writing before all was written: a full card is none.
func (f *filling) stopped(err error) error {
	if f.out.Written == 0 {
		return err
	}
	if !errors.Is(err, syscall.ENOSPC) {
		f.out.WriteErr = err
	}
	return f.flush()
}

func (f *filling) flush() error {
	for _, file := range f.files {
		if err := file.Flush(); err != nil && f.out.WriteErr == nil {
			f.out.WriteErr = err
		}
	}
	return nil
}

const sector = 512

func (f *filling) read(ctx context.Context) error {
	want := make([]byte, chunk)
	f.out.FirstWrapped, f.out.FirstLost = -1, -1
	for at := int64(0); at < f.out.Written; at += chunk {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		_, err := f.files[at/f.o.piece].ReadAt(f.memory, at%f.o.piece)
		f.progress("reading back")
		if err != nil {
			if f.out.ReadErr == nil {
				f.out.ReadErr = fmt.Errorf("at offset %d: %w", at, err)
			}
			f.out.Unreadable += chunk
			continue
		}
		pattern(want, at, f.seed)
		if bytes.Equal(want, f.memory) {
			f.out.Kept += chunk
			continue
		}
		for i := int64(0); i < chunk; i += sector {
			f.look(at+i, f.memory[i:i+sector], want[i:i+sector])
		}
	}
	return nil
}

// look says what a sector at an offset holds in place of what it should.
func (f *filling) look(at int64, got, want []byte) {
	if bytes.Equal(got, want) {
		f.out.Kept += sector
		return
	}
	var other [sector]byte
	from := int64(binary.LittleEndian.Uint64(got)) * sector
	if from >= 0 && from < f.out.Written {
		pattern(other[:], from, f.seed)
		if bytes.Equal(got, other[:]) {
			if f.out.Wrapped == 0 {
				f.out.FirstWrapped, f.out.ReadsAs = at, from
			}
			f.out.Wrapped += sector
			return
		}
	}
	if f.out.Lost == 0 {
		f.out.FirstLost = at
	}
	f.out.Lost += sector
}

// pattern fills whole sectors with what belongs at an offset: the number of the
// sector, then numbers that follow from it and the seed (SplitMix64: Steele, Lea,
// Flood: "Fast splittable pseudorandom number generators", 2014).
func pattern(p []byte, offset int64, seed uint64) {
	for ; len(p) > 0; p, offset = p[sector:], offset+sector {
		n := uint64(offset / sector)
		binary.LittleEndian.PutUint64(p, n)
		state := seed ^ n*0xd1342543de82ef95
		for i := 8; i < sector; i += 8 {
			state += 0x9e3779b97f4a7c15
			z := state
			z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
			z = (z ^ z>>27) * 0x94d049bb133111eb
			binary.LittleEndian.PutUint64(p[i:], z^z>>31)
		}
	}
}
