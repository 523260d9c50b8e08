package fill

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"example.org/stampreel/container"
	"example.org/stampreel/transcode/source"
)

// filled runs a fill and returns what became of the items by the names of their sources.
func filled(t *testing.T, folder, card string, s Settings, o Options) map[string]*Packed {
	t.Helper()
	items, _, err := Find(background, folder, card)
	if err != nil {
		t.Fatal(err)
	}
	o.Workers = 2
	outcomes, err := Run(background, folder, card, items, s, o, Events{})
	if err != nil {
		t.Fatal(err)
	}
	packed := make(map[string]*Packed)
	for _, o := range outcomes {
		if o.Err != nil {
			t.Fatal(o.Source, o.Err)
		}
		packed[o.Source] = o.Packed
	}
	return packed
}

// trusting makes files rest at once that a test has just written.
func trusting(t *testing.T) {
	old := stillChanging
	stillChanging = 0
	t.Cleanup(func() { stillChanging = old })
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// Of what has not changed neither source nor clip is read again: a clip that is damaged
// behind its header stays unseen, until --rehash. What --json says of it is the same.
func TestWhatHasNotChangedIsNotReadAgain(t *testing.T) {
	trusting(t)
	folder, card := t.TempDir(), t.TempDir()
	put(t, folder, "a.gif", madeGIF(t, 5))
	put(t, folder, "shelf/b.gif", madeGIF(t, 6))
	first := filled(t, folder, card, sign(t), Options{})
	clip := filepath.Join(card, "shelf", "b.srq")
	whole := read(t, clip)
	harmed := bytes.Clone(whole)
	harmed[len(harmed)-100] ^= 1
	if err := os.WriteFile(clip, harmed, 0o644); err != nil {
		t.Fatal(err)
	}
	again := filled(t, folder, card, sign(t), Options{})
	for name, p := range again {
		was := first[name]
		if !p.Kept || p.Bytes != was.Bytes || p.Kind != was.Kind || p.SourceRate != was.SourceRate || p.Flashes != was.Flashes ||
			p.Result.Beats != was.Result.Beats || !reflect.DeepEqual(p.Files, was.Files) || !reflect.DeepEqual(p.Headers, was.Headers) {
			t.Errorf("%s: %+v, was %+v", name, p, was)
		}
		a, err1 := json.Marshal(p.Verdict)
		b, err2 := json.Marshal(was.Verdict)
		if err1 != nil || err2 != nil || !bytes.Equal(a, b) {
			t.Errorf("%s: the verdict is another one\n%s\n%s", name, a, b)
		}
	}
	if !bytes.Equal(read(t, clip), harmed) {
		t.Error("the clip was read")
	}
	if p := filled(t, folder, card, sign(t), Options{Rehash: true}); p["shelf/b.gif"].Kept || !p["a.gif"].Kept || !bytes.Equal(read(t, clip), whole) {
		t.Error("with --rehash the damage was not seen")
	}
	// What was asked for, and for which player, decides too.
	other := sign(t)
	other.Rate = source.Ratio{Num: 5, Den: 1}
	if p := filled(t, folder, card, other, Options{}); p["a.gif"].Kept {
		t.Error("a clip of another rate was kept")
	}
	filled(t, folder, card, sign(t), Options{})
	player := *sign(t).Player
	player.Card.Stall.Value += 7 * time.Millisecond // no other bytes, another verdict
	judged := Settings{Player: &player, Workers: 1}
	if p := filled(t, folder, card, judged, Options{}); reflect.DeepEqual(p["a.gif"].Verdict, first["a.gif"].Verdict) {
		t.Error("the verdict is that for another player")
	}
}

// A source whose content changes is packed anew, also when size and time of writing are
// those of before, where the file system knows better; one that was written just now is
// not trusted at all.
func TestAChangedSourceIsPackedAnew(t *testing.T) {
	trusting(t)
	folder, card := t.TempDir(), t.TempDir()
	path := put(t, folder, "a.png", madePNG(t, 40, 30, 1))
	filled(t, folder, card, sign(t), Options{})
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	before := read(t, filepath.Join(card, "a.srq"))
	data := read(t, path)
	other := madePNG(t, 40, 30, 2)
	for len(other) < len(data) {
		other = append(other, 0)
	}
	if err := os.WriteFile(path, other[:max(len(data), len(other))], 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Chtimes(path, time.Time{}, info.ModTime()); err != nil {
		t.Fatal(err)
	}
	if p := filled(t, folder, card, sign(t), Options{}); p["a.png"].Kept || bytes.Equal(before, read(t, filepath.Join(card, "a.srq"))) {
		t.Error("another picture with the old time was not packed")
	}
	stillChanging = time.Hour
	stamp, rests, err := stampOf(path)
	if err != nil || rests || stamp == "" {
		t.Errorf("a file of just now: %q, %v, %v", stamp, rests, err)
	}
	filled(t, folder, card, sign(t), Options{})
	if l := openLedger(card); len(l.Clips) != 0 { // so it is read next time
		t.Errorf("%d clips in the ledger", len(l.Clips))
	}
}

// A source that is renamed takes its clip along, all parts of it, without being packed.
func TestARenamedSourceTakesItsClipAlong(t *testing.T) {
	folder, card := t.TempDir(), t.TempDir()
	data := madeGIF(t, 30)
	put(t, folder, "old.gif", data)
	s := sign(t)
	s.Coding, s.PartSectors = Raw, 60
	first := filled(t, folder, card, s, Options{})["old.gif"]
	if len(first.Files) < 2 {
		t.Fatalf("%d parts: the test means nothing", len(first.Files))
	}
	if err := os.Remove(filepath.Join(folder, "old.gif")); err != nil {
		t.Fatal(err)
	}
	put(t, folder, "shelf/new.gif", data)
	put(t, folder, "twin.gif", data) // of which there was one clip alone
	got := filled(t, folder, card, s, Options{})
	moved := 0
	for _, p := range got {
		if p.Was != "" {
			moved++
			if !p.Kept || p.Was != filepath.Join(card, "old.srq") || len(p.Files) != len(first.Files) {
				t.Errorf("%+v", p)
			}
		}
	}
	if moved != 1 || exists(filepath.Join(card, "old.srq")) || exists(PartName(filepath.Join(card, "old.srq"), 1)) {
		t.Errorf("%d of 2 clips were the old one; on the card: %v", moved, tree(t, card))
	}
	for part := range first.Files {
		a, b := read(t, PartName(filepath.Join(card, "twin.srq"), part)), read(t, PartName(filepath.Join(card, "shelf", "new.srq"), part))
		if !bytes.Equal(a, b) {
			t.Errorf("part %d differs from one that was packed", part)
		}
	}
}

// Gone clips are removed with their parts; what Stampreel did not pack stays.
func TestOnlyOwnClipsAreRemoved(t *testing.T) {
	folder, card := t.TempDir(), t.TempDir()
	put(t, folder, "shelf/a.gif", madeGIF(t, 30))
	put(t, folder, "b.png", madePNG(t, 40, 30, 1))
	s := sign(t)
	s.Coding, s.PartSectors = Raw, 60
	if len(filled(t, folder, card, s, Options{})["shelf/a.gif"].Files) < 2 {
		t.Fatal("one part alone: the test means nothing")
	}
	vector, err := os.ReadFile(filepath.Join("..", "..", "..", "..", "testdata", "vectors", "ok-loop.srq"))
	if err != nil {
		t.Fatal(err)
	}
	put(t, card, "foreign.srq", vector) // a clip, and not one of ours
	put(t, card, "noise.srq", []byte("no clip"))
	put(t, card, "letter.txt", []byte("mine"))
	if err := os.RemoveAll(filepath.Join(folder, "shelf")); err != nil {
		t.Fatal(err)
	}
	items, _, err := Find(background, folder, card)
	if err != nil {
		t.Fatal(err)
	}
	gone, err := Gone(background, card, items)
	if err != nil || !reflect.DeepEqual(gone, []string{"shelf/a.srq"}) {
		t.Fatal(gone, err)
	}
	if err := RemoveGone(card, gone); err != nil {
		t.Fatal(err)
	}
	left(t, card, "b.srq", "foreign.srq", "letter.txt", "noise.srq")
	if exists(filepath.Join(card, "shelf")) {
		t.Error("an empty folder is left")
	}
}

// A source that is written while it is packed leaves no clip.
func TestASourceThatChangesMeanwhileLeavesNoClip(t *testing.T) {
	dir := t.TempDir()
	src := put(t, dir, "a.y4m", madeY4M(32, 16, 60, 25))
	clip := filepath.Join(dir, "a.srq")
	s := sign(t)
	once := false
	_, err := s.Pack(background, Job{Source: src, Clip: clip, Beats: func(int64) {
		if !once {
			once = true
			f, err := os.OpenFile(src, os.O_APPEND|os.O_WRONLY, 0)
			if err != nil {
				t.Error(err)
				return
			}
			fmt.Fprint(f, "FRAME\n")
			f.Close()
		}
	}})
	var changed *SourceChangedError
	if !errors.As(err, &changed) || !once {
		t.Errorf("%v", err)
	}
	left(t, dir, "a.y4m")
}

// A ledger that makes no sense is none.
func TestALedgerOfNonsenseIsEmpty(t *testing.T) {
	for _, text := range []string{"", "{", "null", `{"version":2,"clips":{"a.srq":{}}}`, `{"version":1}`, `{"version":1,"clips":{"a.srq":{"verdict":{"typical":{"word":"dances"}}}}}`} {
		card := t.TempDir()
		put(t, card, ledgerName, []byte(text))
		if l := openLedger(card); len(l.Clips) != 0 || l.Clips == nil {
			t.Errorf("%q: %d clips", text, len(l.Clips))
		}
	}
	// Nor does one that lies about a clip keep what is not there.
	trusting(t)
	folder, card := t.TempDir(), t.TempDir()
	put(t, folder, "a.gif", madeGIF(t, 5))
	filled(t, folder, card, sign(t), Options{})
	if err := os.WriteFile(filepath.Join(card, "a.srq"), make([]byte, 5*container.SectorBytes), 0o644); err != nil {
		t.Fatal(err)
	}
	if filled(t, folder, card, sign(t), Options{})["a.gif"].Kept {
		t.Error("zeros are kept as a clip")
	}
}

// A card that is taken out in the middle of a fill is an error for what could not be written,
// and its old clips are what they were.
func TestACardThatIsTakenOutKeepsItsOldClips(t *testing.T) {
	folder, dir := t.TempDir(), t.TempDir()
	card, away := filepath.Join(dir, "card"), filepath.Join(dir, "away")
	put(t, folder, "a.gif", madeGIF(t, 5))
	filled(t, folder, card, sign(t), Options{})
	old := read(t, filepath.Join(card, "a.srq"))
	put(t, folder, "a.gif", madeGIF(t, 40))
	put(t, folder, "b.gif", madeGIF(t, 6))
	items, _, err := Find(background, folder, card)
	if err != nil {
		t.Fatal(err)
	}
	gone := false
	outcomes, err := Run(background, folder, card, items, sign(t), Options{Workers: 1}, Events{Beats: func(int64) {
		if !gone {
			gone = true
			if err := os.Rename(card, away); err != nil {
				t.Error(err)
			}
		}
	}})
	if err != nil || !gone {
		t.Fatal(err)
	}
	for _, o := range outcomes {
		if o.Err == nil || !bytes.Contains([]byte(o.Err.Error()), []byte(o.Clip)) {
			t.Errorf("%s: %v, want an error that names %s", o.Source, o.Err, o.Clip)
		}
	}
	if !bytes.Equal(read(t, filepath.Join(away, "a.srq")), old) {
		t.Error("the old clip is another file")
	}
	if err := os.Rename(away, card); err != nil {
		t.Fatal(err)
	}
	filled(t, folder, card, sign(t), Options{})
	left(t, card, "a.srq", "b.srq")
}
