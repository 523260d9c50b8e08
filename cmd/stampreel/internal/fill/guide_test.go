package fill

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/container/guide"
	"example.org/stampreel/container/pixel"
)

func TestNamesSortAsAPersonSortsThem(t *testing.T) {
	want := []string{"", "2", "10", "a", "Clip 2", "clip 09", "clip 10", "clip 10a", "zug", "Ärger"}
	got := slices.Clone(want)
	slices.Reverse(got)
	slices.SortFunc(got, natural)
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	for _, a := range want {
		for _, b := range want {
			if natural(a, b) != -natural(b, a) || (natural(a, b) == 0) != (a == b) {
				t.Errorf("%q and %q: %d and %d", a, b, natural(a, b), natural(b, a))
			}
		}
	}
}

// A guide lists what is on the card in order, with what the clips' own headers say; the
// pictures are in the panel's pixels, and it is left alone while nothing changes.
func TestAGuideListsTheCard(t *testing.T) {
	folder, card := t.TempDir(), t.TempDir()
	put(t, folder, "clip 10.gif", madeGIF(t, 30))
	put(t, folder, "clip 9.gif", madeGIF(t, 5))
	put(t, folder, "Shelf/FILM.png", madePNG(t, 40, 30, 1))
	s := sign(t)
	s.Coding, s.PartSectors = Raw, 60
	filled(t, folder, card, s, Options{})
	put(t, card, "noise.srq", []byte("no clip"))
	wrote, err := WriteGuide(background, card, s.Player, nil)
	if err != nil || !wrote {
		t.Fatal(wrote, err)
	}
	r, f, err := openGuide(filepath.Join(card, guide.Name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := r.Verify(); err != nil {
		t.Fatal(err)
	}
	if r.Format != pixel.MonoPages && r.Format != s.Player.Panel.Pixels.Value || r.Strip.W != 128 || r.Poster != (guide.Size{W: 64, H: 32}) {
		t.Errorf("%v, strips %v, posters %v", r.Format, r.Strip, r.Poster)
	}
	var paths []string
	for n, c := range r.Clips {
		paths = append(paths, c.Path)
		_, h := clip(t, filepath.Join(card, c.Path))
		if c.Identity != h.Identity || c.Beats != h.AllBeats || c.Need[7] < h.Need[7] || c.Width != int(h.Width) || c.Format != h.PixelFormat {
			t.Errorf("%+v does not say what its header does", c)
		}
		strip, err := r.ClipStrip(n)
		if err != nil || lit(strip) < 20 {
			t.Errorf("%s: the title lights %d bits, %v", c.Path, lit(strip), err)
		}
		if poster, err := r.ClipPoster(n); err != nil || lit(poster) < 20 {
			t.Errorf("%s: the poster lights %d bits, %v", c.Path, lit(poster), err)
		}
	}
	if !slices.Equal(paths, []string{"clip 9.srq", "clip 10.srq", "Shelf/FILM.srq"}) || r.Clips[1].Parts < 2 || r.Clips[2].Short != "SHELF/FILM.SRQ" || r.Clips[0].Short != "" {
		t.Errorf("%q, %d parts, short %q and %q", paths, r.Clips[1].Parts, r.Clips[2].Short, r.Clips[0].Short)
	}
	if len(r.Shelves) != 2 || r.Shelves[1].Title != "Shelf" || r.Shelves[1].First != 2 {
		t.Errorf("shelves %+v", r.Shelves)
	}
	// Clips are put in its order, whatever order they come in.
	var on []string
	for _, pattern := range []string{"*.srq", "*/*.srq"} {
		found, err := filepath.Glob(filepath.Join(card, pattern))
		if err != nil {
			t.Fatal(err)
		}
		on = append(on, found...)
	}
	slices.Reverse(on)
	var order []string
	for _, s := range Shelve(card, on) {
		order = append(order, s.Shelf+": "+s.Title)
	}
	var want []string
	for _, c := range r.Clips[:2] {
		want = append(want, ": "+c.Title)
		for part := 2; part <= c.Parts; part++ {
			want = append(want, fmt.Sprintf(": %s, part %d", c.Title, part))
		}
	}
	if want = append(want, "Shelf: FILM", NoShelf+": "); !slices.Equal(order, want) {
		t.Errorf("shelved as %q, want %q", order, want)
	}
	alone := Shelve(filepath.Join(card, "Shelf"), []string{filepath.Join(card, "Shelf", "b 10.srq"), filepath.Join(card, "Shelf", "b 9.srq"), filepath.Join(card, "Shelf", "a", "z.srq")})
	if len(alone) != 3 || filepath.Base(alone[0].Path) != "b 9.srq" || alone[2].Shelf != "a" {
		t.Errorf("without a guide %+v", alone)
	}
	if wrote, err := WriteGuide(background, card, s.Player, nil); wrote || err != nil {
		t.Errorf("written again though nothing has changed: %v", err)
	}
	poster, err := r.ClipPoster(1)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(card, "clip 9.srq")); err != nil {
		t.Fatal(err)
	}
	if wrote, err := WriteGuide(background, card, s.Player, nil); !wrote || err != nil {
		t.Errorf("not written though a clip is gone: %v", err)
	}
	r2, f2, err := openGuide(filepath.Join(card, guide.Name))
	if err != nil {
		t.Fatal(err)
	}
	defer f2.Close()
	if same, err := r2.ClipPoster(0); err != nil || !slices.Equal(same, poster) || len(r2.Clips) != 2 {
		t.Errorf("the poster of a clip that has stayed is another one: %v", err)
	}
}

func lit(frame []byte) (n int) {
	for _, b := range frame {
		for ; b != 0; b &= b - 1 {
			n++
		}
	}
	return n
}

// Long titles end with dots, and nothing of them goes beyond the line.
func TestTitlesFitTheirLine(t *testing.T) {
	f, err := newFace(100, 16, false)
	if err != nil {
		t.Fatal(err)
	}
	short, long := f.draw("Zug"), f.draw("Ein sehr langer Name eines Films, der nicht passt")
	if short.Bounds() != long.Bounds() || short.Bounds().Dx() != 100 || short.Bounds().Dy() != 16 {
		t.Fatal(short.Bounds(), long.Bounds())
	}
	ink := func(from, to int) (n int) {
		for y := range 16 {
			for x := from; x < to; x++ {
				if short.NRGBAAt(x, y).R > 128 {
					n++
				}
			}
		}
		return n
	}
	if ink(0, 40) < 20 || ink(50, 100) != 0 {
		t.Errorf("%d and %d pixels of a short title", ink(0, 40), ink(50, 100))
	}
	short = long
	if ink(0, 90) < 100 {
		t.Errorf("%d pixels of a long title", ink(0, 90))
	}
	hard, err := newFace(100, 12, true)
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range hard.draw("Bahnhof").Pix {
		if v != 0 && v != 255 {
			t.Fatalf("value %d is %d on a panel of one bit", i, v)
		}
	}
}

// A title and a place on the shelf are those of the item, whatever its file is called; what
// has no place comes behind, by when it was taken, if that is known, and by name. A clock that
// stood at 1980, or ahead of time, still makes an order.
func TestAGuideHasTheTitlesAndTheOrderOfItsItems(t *testing.T) {
	folder, card := t.TempDir(), t.TempDir()
	for _, name := range []string{"a", "b", "c", "d"} {
		put(t, folder, name+".gif", madeGIF(t, 5))
	}
	s := sign(t)
	filled(t, folder, card, s, Options{})
	items := []Item{{Source: "a.gif", Clip: "a.srq"}, {Source: "b.gif", Clip: "b.srq", Title: "Büro: 1", Order: 2}, {Source: "d.gif", Clip: "D.srq", Order: 1}}
	for at, written := range map[string]time.Time{"a": time.Date(2090, 1, 1, 0, 0, 0, 0, time.UTC), "b": time.Unix(1_600_000_000, 0), "d": time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)} {
		if err := os.Chtimes(filepath.Join(folder, at+".gif"), written, written); err != nil {
			t.Fatal(err)
		}
	}
	dated := []Item{{Source: "a.gif", Clip: "a.srq"}, {Source: "b.gif", Clip: "b.srq"}, {Source: "d.gif", Clip: "D.srq"}}
	NoteCaptured(folder, dated)
	first := append([]Item{}, dated...)
	first[0].Order = 1
	for _, want := range []struct {
		items []Item
		list  string
	}{{items, "d b/Büro: 1 a c"}, {nil, "a b c d"}, {dated, "d b a c"}, {first, "a d b c"}} {
		if wrote, err := WriteGuide(background, card, s.Player, want.items); !wrote || err != nil {
			t.Fatal(wrote, err)
		}
		r, f, err := openGuide(filepath.Join(card, guide.Name))
		if err != nil {
			t.Fatal(err)
		}
		var list []string
		for _, c := range r.Clips {
			at := strings.TrimSuffix(c.Path, ClipExtension)
			if c.Title != at {
				at += "/" + c.Title
			}
			list = append(list, at)
		}
		f.Close()
		if got := strings.Join(list, " "); got != want.list {
			t.Errorf("%q, want %q", got, want.list)
		}
	}
}
