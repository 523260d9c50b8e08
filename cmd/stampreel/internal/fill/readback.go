package fill

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"example.org/stampreel/container"
	"example.org/stampreel/container/cardfs"
)

// ReadBack says which clips are read once more when a whole card is filled: counterfeit
// cards answer well until what came later has overwritten what came first.
type ReadBack int

// What can be read back.
const (
	ReadNothing ReadBack = iota
	ReadNew              // what this fill has written
	ReadAll              // what it has kept, too
)

// ReadBacks are all of them, by the names users write.
func ReadBacks() map[string]ReadBack {
	return map[string]ReadBack{"off": ReadNothing, "new": ReadNew, "all": ReadAll}
}

// ReadBackError says that a card does not hold what was written to it.
type ReadBackError struct {
	Clip    string
	Err     error
	Removed bool // what it holds is wrong; else it could not be opened to tell
}

func (e *ReadBackError) Error() string {
	if !e.Removed {
		return fmt.Sprintf("fill: %s cannot be read back: %v", e.Clip, e.Err)
	}
	return fmt.Sprintf("fill: %s does not read back from the card as it was written, and is removed: %v", e.Clip, e.Err)
}

// openError is an error of opening a clip, which says nothing of what it holds.
type openError struct{ error }

func (e *openError) Unwrap() error { return e.error }

func (e *ReadBackError) Unwrap() error { return e.Err }

// Tries returns what to do.
func (e *ReadBackError) Tries() []string {
	return []string{"look at the card's contacts and the reader, and fill once more",
		"stampreel measure, which tests whether a card holds what it claims: some are counterfeit, all wear out"}
}

// readBack reads the clips of a fill past the computer's caches. A clip that is not what
// was written is removed, and its outcome becomes a *ReadBackError.
func (f *filling) readBack(ctx context.Context, outcomes []Outcome, done func(bytes int64)) (read int64, past bool, err error) {
	past = true
	for i := range outcomes {
		o := &outcomes[i]
		if o.Packed == nil || o.Packed.Kept && f.o.ReadBack != ReadAll {
			continue
		}
		for part, name := range o.Packed.Files {
			direct, err := verifyPastCaches(ctx, name, &o.Packed.Headers[part], done)
			if ctx.Err() != nil {
				return read, past, ctx.Err()
			}
			past = past && direct
			read += int64(o.Packed.Headers[part].FileSectors) * container.SectorBytes
			if err == nil {
				continue
			}
			wrong := &ReadBackError{Clip: name, Err: err}
			var open *openError
			if wrong.Removed = !errors.As(err, &open); wrong.Removed {
				removeOldParts(o.Packed.Files[0], 1)
				os.Remove(o.Packed.Files[0])
			}
			if f.ledger != nil {
				delete(f.ledger.Clips, strings.ToLower(o.Clip))
				f.ledger.changed = true
			}
			o.Err = wrong
			o.Packed, o.Verdict = nil, nil
			break
		}
	}
	return read, past, nil
}

func verifyPastCaches(ctx context.Context, name string, want *container.Header, done func(int64)) (past bool, err error) {
	file, past, err := cardfs.OpenPastCaches(name)
	if err != nil {
		return past, &openError{err}
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		return past, err
	}
	h, err := container.Verify(ctx, &told{file, done}, info.Size(), nil)
	if err == nil && h != *want {
		err = errors.New("it is another clip")
	}
	return past, err
}

// told tells how much is read.
type told struct {
	io.ReaderAt
	done func(int64)
}

func (t *told) ReadAt(p []byte, off int64) (int, error) {
	n, err := t.ReaderAt.ReadAt(p, off)
	if t.done != nil {
		t.done(int64(n))
	}
	return n, err
}
