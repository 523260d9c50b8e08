package fill

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"

	"example.org/stampreel/container/cardfs"
)

// On a counterfeit card what comes later overwrites what came first: each clip is right when
// it is written, and wrong when the card is full. Such a clip is removed and told, the
// others stay, and the next fill brings it back.
func TestAClipThatDoesNotReadBackIsRemoved(t *testing.T) {
	trusting(t)
	folder, card := t.TempDir(), t.TempDir()
	put(t, folder, "a.gif", madeGIF(t, 5))
	put(t, folder, "b.gif", madeGIF(t, 6))
	items, _, err := Find(background, folder, card)
	if err != nil {
		t.Fatal(err)
	}
	run := func(o Options, wrap bool) (outcomes []Outcome, read int64) {
		t.Helper()
		o.Workers = 1
		outcomes, err := Run(background, folder, card, items, sign(t), o, Events{
			End: func(o Outcome) {
				if wrap && o.Clip == "b.srq" { // what b wrote lies over a
					f, err := os.OpenFile(filepath.Join(card, "a.srq"), os.O_WRONLY, 0)
					if err != nil {
						t.Error(err)
						return
					}
					defer f.Close()
					f.WriteAt(make([]byte, 512), 2048)
					f.Sync()
				}
			},
			Read: func(n int64, past bool) { read = n },
		})
		if err != nil {
			t.Fatal(err)
		}
		return outcomes, read
	}
	outcomes, read := run(Options{ReadBack: ReadNew}, true)
	var wrong *ReadBackError
	if !errors.As(outcomes[0].Err, &wrong) || outcomes[0].Packed != nil || outcomes[1].Err != nil || read == 0 {
		t.Fatalf("%v, %v, %d bytes read", outcomes[0].Err, outcomes[1].Err, read)
	}
	left(t, card, "b.srq")
	outcomes, _ = run(Options{ReadBack: ReadNew}, false)
	if outcomes[0].Err != nil || outcomes[0].Packed.Kept || !outcomes[1].Packed.Kept {
		t.Errorf("the next fill: %+v", outcomes)
	}
	left(t, card, "a.srq", "b.srq")
	if _, read = run(Options{ReadBack: ReadNew}, false); read != 0 {
		t.Errorf("%d bytes read back where nothing is new", read)
	}
	if _, read = run(Options{ReadBack: ReadAll}, false); read == 0 {
		t.Error("nothing read back of all")
	}
	if _, read = run(Options{ReadBack: ReadNothing, Repack: true}, false); read != 0 {
		t.Error("read back though it is off")
	}
}

// Clips that are packed elsewhere and copied are those that are packed on the card; nothing
// is left elsewhere, and what a killed run has left there goes.
func TestClipsPackedElsewhereAreTheSame(t *testing.T) {
	folder, direct, copied, stage := t.TempDir(), t.TempDir(), t.TempDir(), t.TempDir()
	put(t, folder, "a.gif", madeGIF(t, 30))
	put(t, folder, "shelf/b.gif", madeGIF(t, 6))
	put(t, folder, "bad.gif", []byte("GIF89a and no more"))
	f, err := cardfs.CreateIn(stage, filepath.Join(copied, "killed.srq"))
	if err != nil {
		t.Fatal(err)
	}
	f.File.Close()
	s := sign(t)
	s.Coding, s.PartSectors = Raw, 60
	items, _, err := Find(background, folder, direct)
	if err != nil {
		t.Fatal(err)
	}
	for card, o := range map[string]Options{direct: {Workers: 2}, copied: {Workers: 2, Stage: stage, ReadBack: ReadNew}} {
		var wrote atomic.Int64
		want := int64(0)
		outcomes, err := Run(background, folder, card, items, s, o, Events{Wrote: func(n int64) { wrote.Add(n) }})
		if err != nil || outcomes[0].Err != nil || outcomes[1].Err == nil || outcomes[2].Err != nil {
			t.Fatal(outcomes, err)
		}
		if o.Stage != "" {
			want = outcomes[0].Packed.Bytes + outcomes[2].Packed.Bytes
		}
		if wrote.Load() != want {
			t.Errorf("%d bytes told of, want %d", wrote.Load(), want)
		}
	}
	names := tree(t, direct)
	if len(names) < 4 {
		t.Fatalf("%v: too few parts, the test means nothing", names)
	}
	left(t, copied, names...)
	for _, name := range names {
		if !bytes.Equal(read(t, filepath.Join(direct, name)), read(t, filepath.Join(copied, name))) {
			t.Errorf("%s differs", name)
		}
	}
	left(t, stage)
}
