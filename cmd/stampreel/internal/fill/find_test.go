package fill

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/stampreel/container/cardfs"
	"example.org/stampreel/transcode/source"
)

// found says in one line each what Find makes of a folder: source + sound →
// clip.
func found(t *testing.T, dir, except string) (lines []string, skipped []Skipped) {
	t.Helper()
	items, skipped, err := Find(background, dir, except)
	if err != nil {
		t.Fatal(err)
	}
	for _, it := range items {
		line := it.Source
		if it.Sound != "" {
			line += " + " + it.Sound
		}
		lines = append(lines, line+" → "+it.Clip)
	}
	return lines, skipped
}

func expect(t *testing.T, got []string, want ...string) {
	t.Helper()
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("found\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(want, "\n  "))
	}
}

func TestSourcesOfSubfoldersAreFoundInOrderOfName(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "zebra.gif", madeGIF(t, 2))
	put(t, dir, "a/b/deep.png", madePNG(t, 4, 4, 0))
	put(t, dir, "a/first.y4m", madeY4M(4, 4, 1, 25))
	put(t, dir, "named-wrongly.txt", madeWAV(t, 8000, 1, 10)) // the content decides
	lines, skipped := found(t, dir, "")
	expect(t, lines, "a/b/deep.png → a/b/deep.srq", "a/first.y4m → a/first.srq", "named-wrongly.txt → named-wrongly.srq", "zebra.gif → zebra.srq")
	if len(skipped) != 0 {
		t.Errorf("skipped %v", skipped)
	}
}

func TestHiddenFilesClipsAndYAMLArePassedOver(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{".hidden.gif", ".cache/a.gif", "old.srq", "OLD.SRQ", "player.yaml", "reel.yml", "sub/.x.gif"} {
		put(t, dir, name, madeGIF(t, 1))
	}
	put(t, dir, "read me.txt", []byte("not a source"))
	lines, skipped := found(t, dir, "")
	expect(t, lines)
	if len(skipped) != 1 || skipped[0].Path != "read me.txt" {
		t.Errorf("skipped %v, want the text alone", skipped)
	}
}

func TestAFolderOfFramesIsOneClip(t *testing.T) {
	dir := t.TempDir()
	for i := 1; i <= 4; i++ {
		put(t, dir, fmt.Sprintf("train/frame-%03d.png", i), madePNG(t, 8, 8, i))
		put(t, dir, fmt.Sprintf("album/photo %s.png", strings.Repeat("x", i)), madePNG(t, 8, 8, i))
	}
	put(t, dir, "train.wav", madeWAV(t, 8000, 1, 10))
	lines, _ := found(t, dir, "")
	expect(t, lines, "album/photo x.png → album/photo x.srq", "album/photo xx.png → album/photo xx.srq",
		"album/photo xxx.png → album/photo xxx.srq", "album/photo xxxx.png → album/photo xxxx.srq",
		"train + train.wav → train.srq")
}

func TestSoundGoesWithThePicturesOfItsName(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "film.y4m", madeY4M(4, 4, 1, 25))
	put(t, dir, "film.wav", madeWAV(t, 8000, 1, 10))
	put(t, dir, "alone.wav", madeWAV(t, 8000, 1, 10))
	put(t, dir, "other/film.wav", madeWAV(t, 8000, 1, 10)) // not beside its pictures
	put(t, dir, "two.gif", madeGIF(t, 1))
	put(t, dir, "two.png", madePNG(t, 4, 4, 0))
	put(t, dir, "two.wav", madeWAV(t, 8000, 1, 10)) // whose is it?
	lines, _ := found(t, dir, "")
	expect(t, lines, "alone.wav → alone.srq", "film.y4m + film.wav → film.srq", "other/film.wav → other/film.srq",
		"two.gif → two-gif.srq", "two.png → two-png.srq", "two.wav → two-wav.srq")
}

func TestSoundAloneIsLeftOutForAPlayerWithoutSpeaker(t *testing.T) {
	items := []Item{{Source: "a.wav", Kind: source.KindWAV}, {Source: "b.gif", Kind: source.KindAnimation, Sound: "b.wav"}}
	if kept, skipped := ForPlayer(items, nil, true); len(kept) != 2 || len(skipped) != 0 {
		t.Errorf("with a speaker: kept %v, skipped %v", kept, skipped)
	}
	if kept, skipped := ForPlayer(items, nil, false); len(kept) != 1 || kept[0].Source != "b.gif" || len(skipped) != 1 || skipped[0].Path != "a.wav" {
		t.Errorf("without: kept %v, skipped %v", kept, skipped)
	}
}

func TestNamesThatDifferOnlyInCaseBecomeTwoClips(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"Train.gif", "TRAIN.png", "train.Gif", "train-gif.bmp.gif", "train-gif.gif"} {
		put(t, dir, name, madeGIF(t, 1))
	}
	if n := len(tree(t, dir)); n != 5 {
		missing(t, "a file system that tells upper from lower case")
	}
	items, _, err := Find(background, dir, "")
	if err != nil {
		t.Fatal(err)
	}
	seen := make(map[string]string)
	for _, it := range items {
		key := strings.ToLower(it.Clip)
		if other, ok := seen[key]; ok {
			t.Errorf("%s and %s both become %s", other, it.Source, it.Clip)
		}
		seen[key] = it.Source
	}
	if len(items) != 5 {
		t.Errorf("%d items, want 5", len(items))
	}
}

func TestNamesAreWhatFATTakes(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"what?.gif", "what*.gif", "dir. ./a:b.gif", "con.gif", "tail .gif", strings.Repeat("long", 60) + ".gif"} {
		put(t, dir, name, madeGIF(t, 1))
	}
	items, _, err := Find(background, dir, "")
	if err != nil {
		t.Fatal(err)
	}
	seen := make(map[string]bool)
	for _, it := range items {
		if seen[it.Clip] {
			t.Errorf("two sources become %s", it.Clip)
		}
		seen[it.Clip] = true
		for _, part := range strings.Split(strings.TrimSuffix(it.Clip, ClipExtension), "/") {
			if cardfs.Name(part) != part || len(part)+len(".part999.srq") > 255 {
				t.Errorf("%s becomes %s", it.Source, it.Clip)
			}
		}
	}
	if len(items) != 6 || !seen["-con.srq"] || !seen["dir/a-b.srq"] || !seen["tail.srq"] {
		t.Errorf("got %v", seen)
	}
}

func TestAClipTakesNoNameThatIsNeededElsewhere(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "film.gif", madeGIF(t, 1))
	put(t, dir, "film.part2.gif", madeGIF(t, 1)) // film.part2.srq would be film's second part
	put(t, dir, "b.gif", madeGIF(t, 1))
	put(t, dir, "B.SRQ/inside.gif", madeGIF(t, 1)) // a folder of clips with the name of a clip
	lines, _ := found(t, dir, "")
	expect(t, lines, "B.SRQ/inside.gif → B.SRQ/inside.srq", "b.gif → b-2.srq", "film.gif → film.srq", "film.part2.gif → film-part2.srq")
}

func TestTheCardInsideTheFolderIsNoSource(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "a.gif", madeGIF(t, 1))
	put(t, dir, "card/cover.gif", madeGIF(t, 1))
	put(t, dir, "card2/b.gif", madeGIF(t, 1))
	lines, _ := found(t, dir, filepath.Join(dir, "card2", "..", "card"))
	expect(t, lines, "a.gif → a.srq", "card2/b.gif → card2/b.srq")
	lines, _ = found(t, dir, dir) // a folder packed into itself
	if len(lines) != 3 {
		t.Errorf("packed into itself: %v", lines)
	}
}

func TestFilesThatClaimToBeMediaAreItemsThatFail(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "broken.gif", []byte("GIF8"))
	put(t, dir, "empty.png", nil)
	put(t, dir, "phone.mp4", []byte("\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00mp42isom"))
	put(t, dir, "secretly-mp4.dat", []byte("\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00mp42isom"))
	if err := os.Symlink("nowhere.gif", filepath.Join(dir, "link.gif")); err != nil {
		missing(t, "symbolic links")
	}
	items, skipped, err := Find(background, dir, "")
	if err != nil || len(items) != 5 || len(skipped) != 0 {
		t.Fatalf("%v, skipped %v, %v", items, skipped, err)
	}
	card := t.TempDir()
	outcomes, err := Run(background, dir, card, items, sign(t), Options{Workers: 2}, Events{})
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range outcomes {
		if o.Err == nil || !strings.Contains(o.Err.Error(), filepath.Base(o.Source)) || !promised(o.Err) {
			t.Errorf("%s: %v", o.Source, o.Err)
		}
	}
	left(t, card)
}

// promised reports whether an error is of a kind that packages promise.
func promised(err error) bool {
	var unsupported *source.UnsupportedError
	var damaged *source.DamagedError
	var limit *source.LimitError
	var file *os.PathError
	return errors.As(err, &unsupported) || errors.As(err, &damaged) || errors.As(err, &limit) || errors.As(err, &file)
}

func TestAMissingFolderIsAnErrorThatNamesIt(t *testing.T) {
	if _, _, err := Find(background, filepath.Join(t.TempDir(), "gone"), ""); !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), "gone") {
		t.Errorf("got %v", err)
	}
}

func TestAnUnreadableFolderIsAnItemThatFails(t *testing.T) {
	dir, err := os.MkdirTemp("", "fill-unreadable-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	put(t, dir, "a.gif", madeGIF(t, 1))
	put(t, dir, "locked/b.gif", madeGIF(t, 1))
	put(t, dir, "locked-file.gif", madeGIF(t, 1))
	os.Chmod(filepath.Join(dir, "locked"), 0)
	os.Chmod(filepath.Join(dir, "locked-file.gif"), 0)
	defer os.Chmod(filepath.Join(dir, "locked"), 0o755)
	var readable, findErr, packErr error
	var items []Item
	settings := sign(t)
	asNobody(t, func() {
		_, readable = os.ReadDir(filepath.Join(dir, "locked"))
		items, _, findErr = Find(background, dir, "")
		_, packErr = settings.Pack(background, Job{Source: filepath.Join(dir, "locked-file.gif"), Clip: filepath.Join(dir, "x.srq")})
	})
	if readable == nil {
		missing(t, "a user who may not read everything")
	}
	if findErr != nil || len(items) != 3 {
		t.Fatalf("%v, %v", items, findErr)
	}
	if it := items[1]; it.Source != "locked" || !errors.Is(it.Err, os.ErrPermission) || !strings.Contains(it.Err.Error(), filepath.Join(dir, "locked")) {
		t.Errorf("%+v", it)
	}
	if !errors.Is(packErr, os.ErrPermission) || !strings.Contains(packErr.Error(), "locked-file.gif") {
		t.Errorf("got %v", packErr)
	}
	outcomes, err := Run(background, dir, t.TempDir(), []Item{{Source: "locked", Clip: "locked.srq", Err: os.ErrPermission}, {Source: "a.gif", Clip: "a.srq"}}, sign(t), Options{Workers: 1}, Events{})
	if err != nil || !errors.Is(outcomes[0].Err, os.ErrPermission) || outcomes[1].Err != nil {
		t.Errorf("%v, %v", outcomes, err)
	}
}

func TestFindStopsWhenItIsCancelled(t *testing.T) {
	ctx, cancel := context.WithCancel(background)
	cancel()
	dir := t.TempDir()
	put(t, dir, "a.gif", madeGIF(t, 1))
	if _, _, err := Find(ctx, dir, ""); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}
