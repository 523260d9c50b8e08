package measure

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"syscall"
	"testing"
)

const mib = 1 << 20

func TestAGoodCardKeepsAll(t *testing.T) {
	c := newFakeCard(20*mib, 20*mib)
	moved := map[string]int64{}
	got, err := Fill(t.Context(), c, FillOptions{piece: 4 * mib, Seed: 5, Progress: func(what string, n int64) { moved[what] += n }})
	if err != nil {
		t.Fatal(err)
	}
	if !got.Whole() || got.Written != 19*mib || got.Kept != 19*mib || got.Wrapped != 0 || got.Lost != 0 || got.FirstWrapped != -1 {
		t.Errorf("%+v", got)
	}
	if c.files != 5 || c.open != 0 || moved["writing"] != 19*mib || moved["reading back"] != 19*mib {
		t.Errorf("%d files made, %d left, moved %v", c.files, c.open, moved)
	}
}

// A card of 6 MiB that claims 20: offset n lies where n + 6 MiB lies, so at the
// end the first 7 MiB hold what was written last; by hand: 19 MiB written, the last
// 6 of them (offsets 13 to 19 MiB) are there, and offset 0 holds the last offset
// that is a whole number of 6 MiB away, 18 MiB.
func TestACounterfeitThatWrapsAroundIsShown(t *testing.T) {
	c := newFakeCard(20*mib, 6*mib)
	got, err := Fill(t.Context(), c, FillOptions{piece: 4 * mib, Seed: 5})
	if err != nil {
		t.Fatal(err)
	}
	if got.Whole() || got.Written != 19*mib || got.Kept != 6*mib || got.Wrapped != 13*mib || got.Lost != 0 || got.Unreadable != 0 {
		t.Errorf("%+v", got)
	}
	if got.FirstWrapped != 0 || got.ReadsAs != 18*mib {
		t.Errorf("offset %d reads as %d, want 0 as %d", got.FirstWrapped, got.ReadsAs, 18*mib)
	}
}

// One that drops what is beyond its memory, and one that still holds the filling of
// an earlier run.
func TestWhatIsNotKeptIsLost(t *testing.T) {
	for name, seed := range map[string]uint64{"nothing": 0, "an earlier filling": 4} {
		c := newFakeCard(20*mib, 20*mib)
		if seed > 0 {
			pattern(c.memory, 0, seed)
		}
		kept := bytes.Clone(c.memory)
		var dropped *fakeCard = c
		got, err := Fill(t.Context(), dropping{dropped, 8 * mib, kept}, FillOptions{piece: 4 * mib, Seed: 5})
		if err != nil {
			t.Fatal(err)
		}
		if got.Whole() || got.Kept != 8*mib || got.Lost != 11*mib || got.FirstLost != 8*mib || got.Wrapped != 0 {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// dropping is a card that takes and forgets what is written from an offset on.
type dropping struct {
	*fakeCard
	from int64
	kept []byte
}

func (d dropping) Create() (File, error) {
	f, err := d.fakeCard.Create()
	return droppingFile{f.(*fakeFile), d}, err
}

type droppingFile struct {
	*fakeFile
	card dropping
}

func (f droppingFile) WriteAt(p []byte, off int64) (int, error) {
	n, err := f.fakeFile.WriteAt(p, off)
	if at := f.base + off; at >= f.card.from {
		copy(f.card.memory[at:at+int64(n)], f.card.kept[at:])
	}
	return n, err
}

func TestFaultsOfACardAreFindings(t *testing.T) {
	broken := errors.New("input/output error")
	c := newFakeCard(20*mib, 20*mib)
	c.fail = func(read bool, at int64, _ int) error {
		if read && at >= 5*mib && at < 7*mib {
			return broken
		}
		return nil
	}
	got, err := Fill(t.Context(), c, FillOptions{piece: 4 * mib})
	if err != nil || got.Whole() || got.Unreadable != 2*mib || got.Kept != 17*mib || !errors.Is(got.ReadErr, broken) {
		t.Errorf("reading: %v, %+v", err, got)
	}
	c = newFakeCard(20*mib, 20*mib)
	c.fail = func(read bool, at int64, _ int) error {
		if !read && at >= 5*mib {
			return broken
		}
		return nil
	}
	got, err = Fill(t.Context(), c, FillOptions{piece: 4 * mib})
	if err != nil || got.Whole() || got.Written != 5*mib || got.Kept != 5*mib || !errors.Is(got.WriteErr, broken) || c.open != 0 {
		t.Errorf("writing: %v, %+v", err, got)
	}
	// Full before the system said: no fault.
	c = newFakeCard(20*mib, 20*mib)
	c.full = 9*mib + 5
	got, err = Fill(t.Context(), c, FillOptions{piece: 4 * mib})
	if err != nil || !got.Whole() || got.Written != 9*mib {
		t.Errorf("full: %v, %+v", err, got)
	}
	c = newFakeCard(20*mib, 20*mib)
	c.fail = func(bool, int64, int) error { return broken }
	if _, err := Fill(t.Context(), c, FillOptions{}); !errors.Is(err, broken) {
		t.Errorf("nothing could be made: %v", err)
	}
	if _, err := Fill(t.Context(), newFakeCard(2*mib-1, mib), FillOptions{}); !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("a full card: %v", err)
	}
}

func TestAFillingThatIsCancelledLeavesNothing(t *testing.T) {
	for _, after := range []int{1, 10, 19, 20, 30} {
		c := newFakeCard(20*mib, 20*mib)
		ctx, cancel := context.WithCancel(t.Context())
		n := 0
		_, err := Fill(ctx, c, FillOptions{piece: 4 * mib, Progress: func(string, int64) {
			if n++; n == after {
				cancel()
			}
		}})
		if !errors.Is(err, context.Canceled) || c.open != 0 || n != after {
			t.Errorf("after %d: %v, %d files left, %d transfers", after, err, c.open, n)
		}
		cancel()
	}
}

// SplitMix64 from state 1234567 gives these five numbers first (Rosetta Code,
// "Pseudo-random numbers/Splitmix64"). pattern's state of a sector is seed ^
// n·constant before its first step; sector 0 leaves the seed as it is.
func TestThePatternIsSplitMix64(t *testing.T) {
	p := make([]byte, sector)
	pattern(p, 0, 1234567)
	for i, want := range []uint64{6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431, 16408922859458223821} {
		if got := binary.LittleEndian.Uint64(p[8+8*i:]); got != want {
			t.Errorf("number %d is %d, want %d", i, got, want)
		}
	}
	// Another sector or another seed is another pattern.
	seen := map[string]bool{}
	for n := range int64(1000) {
		for seed := range uint64(3) {
			pattern(p, n*sector, seed)
			seen[string(p[8:16])] = true
		}
	}
	if len(seen) != 3000 {
		t.Errorf("%d different beginnings of 3000", len(seen))
	}
}

func BenchmarkPattern(b *testing.B) {
	p := make([]byte, chunk)
	b.SetBytes(chunk)
	for i := range b.N {
		pattern(p, int64(i)*chunk, 1)
	}
}
