package fill

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"io/fs"
	"math"
	"os"
	"path"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
	"example.org/stampreel/container/cardfs"
	"example.org/stampreel/container/guide"
	"example.org/stampreel/transcode/picture"
)

// WriteGuide writes the guide of a card, of all clips that are on it for this panel, unless
// the one that is there says the same. It comes last: until it has its name the old one
// stands. The clips of items have their titles and come in their order. It tells whether there
// was anything to write.
func WriteGuide(ctx context.Context, card string, player *playerfile.Player, items []Item) (bool, error) {
	g, err := guideOf(ctx, card, player, items)
	if err != nil {
		return false, err
	}
	at := filepath.Join(card, guide.Name)
	old, file, err := openGuide(at)
	if err == nil {
		defer file.Close()
		if reflect.DeepEqual(&old.Guide, g) || len(g.Clips)+len(old.Clips) == 0 && old.Format == g.Format {
			return false, nil
		}
	} else if len(g.Clips) == 0 {
		return false, nil // nothing to tell of, where nothing was
	}
	draw, err := newDrawer(card, g, old)
	if err != nil {
		return false, err
	}
	return true, cardfs.Write(at, func(w io.Writer) error {
		return guide.Encode(w, g, draw.shelfStrip, draw.clipStrip, func(n int) ([]byte, error) {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			return draw.clipPoster(n)
		})
	})
}

// Shelved is a clip where the remote control finds it.
type Shelved struct {
	Path  string
	Shelf string // "" for the top folder
	Title string // "" where no guide tells
}

// NoShelf is the shelf of clips that the guide of their card does not name.
const NoShelf = "not in the guide"

// Shelve puts the clips of a card, or of a folder, in the order in which a remote control
// goes through them: by the guide if there is one that can be read, else as one would have
// them. Further parts follow the first.
func Shelve(card string, clips []string) []Shelved {
	place := map[string]int{} // of each path that the guide knows
	var list []Shelved
	if f, size, err := openFile(filepath.Join(card, guide.Name)); err == nil {
		defer f.Close()
		if g, err := guide.Open(f, size); err == nil {
			for _, c := range g.Clips {
				for part := range c.Parts {
					s := Shelved{PartName(filepath.Join(card, filepath.FromSlash(c.Path)), part), g.Shelves[c.Shelf].Title, c.Title}
					if part > 0 {
						s.Title = fmt.Sprintf("%s, part %d", c.Title, part+1)
					}
					place[s.Path] = len(list)
					list = append(list, s)
				}
			}
		}
	}
	known := len(list)
	there := make([]bool, known)
	for _, path := range clips {
		if at, ok := place[path]; ok {
			there[at] = true
			continue
		}
		s := Shelved{Path: path, Shelf: NoShelf}
		if known == 0 {
			s.Shelf = shelfOf(card, path)
		}
		list = append(list, s)
	}
	slices.SortStableFunc(list[known:], func(a, b Shelved) int {
		return cmp.Or(natural(shelfOf(card, a.Path), shelfOf(card, b.Path)), natural(a.Path, b.Path))
	})
	kept := list[:0]
	for i, s := range list {
		if i >= known || there[i] { // what the guide names and is not there is not shown
			kept = append(kept, s)
		}
	}
	return kept
}

// shelfOf is the folder that a clip is in, from the card's top on.
func shelfOf(card, path string) string {
	rel, err := filepath.Rel(card, filepath.Dir(path))
	if err != nil || rel == "." {
		return ""
	}
	return filepath.ToSlash(rel)
}

func openGuide(path string) (*guide.Reader, *os.File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, nil, err
	}
	info, err := f.Stat()
	if err == nil {
		var r *guide.Reader
		if r, err = guide.Open(f, info.Size()); err == nil {
			return r, f, nil
		}
	}
	f.Close()
	return nil, nil, err
}

// stripSize is the line of text for a panel, upright: as wide as it is, an eighth as high,
// which is 30 of 240 rows, and no less than small letters need.
func stripSize(w, h int) guide.Size { return guide.Size{W: w, H: min(max((h+4)/8, 12), h)} }

// posterSize is half of the panel in each direction.
func posterSize(w, h int) guide.Size { return guide.Size{W: max(w/2, 1), H: max(h/2, 1)} }

// stored is an upright size as it is stored.
func stored(s guide.Size, turn int) guide.Size {
	if turn%2 == 1 {
		return guide.Size{W: s.H, H: s.W}
	}
	return s
}

// guideOf gathers what the headers of a card's clips say. Hidden ones are passed over, and so
// is what is no clip.
func guideOf(ctx context.Context, card string, player *playerfile.Player, items []Item) (*guide.Guide, error) {
	of := make(map[string]*Item)
	for i := range items {
		of[strings.ToLower(items[i].Clip)] = &items[i] // as FAT compares names
	}
	order := func(c guide.Clip) int {
		if it := of[strings.ToLower(c.Path)]; it != nil && it.Order > 0 {
			return it.Order
		}
		return math.MaxInt
	}
	captured := func(a, b guide.Clip) int { // what has no source any more comes last
		x, y := of[strings.ToLower(a.Path)], of[strings.ToLower(b.Path)]
		switch known, also := x != nil && !x.Captured.IsZero(), y != nil && !y.Captured.IsZero(); {
		case known && also:
			return x.Captured.Compare(y.Captured)
		case known:
			return -1
		case also:
			return 1
		}
		return 0
	}
	panel := player.Panel
	w, h, turn := panel.Size.Value.W, panel.Size.Value.H, panel.Mounted.Value
	g := &guide.Guide{
		Format: panel.Pixels.Value, Turn: turn,
		Strip: stored(stripSize(w, h), turn), Poster: stored(posterSize(w, h), turn),
	}
	shelves := map[string][]guide.Clip{"": nil}
	err := fs.WalkDir(os.DirFS(card), ".", func(at string, d fs.DirEntry, err error) error {
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil && at == ".":
			return fmt.Errorf("fill: %w", whole(err, card))
		case err != nil || at == ".":
			return nil
		case strings.HasPrefix(d.Name(), ".") || IsLitter(d.Name()):
			if d.IsDir() {
				return fs.SkipDir
			}
			return nil
		case d.IsDir() || !strings.EqualFold(path.Ext(at), ClipExtension):
			return nil
		}
		if c, ok := clipOf(card, at); ok {
			dir := path.Dir(at)
			if dir == "." {
				dir = ""
			}
			if it := of[strings.ToLower(at)]; it != nil && it.Title != "" {
				c.Title = it.Title
			}
			shelves[dir] = append(shelves[dir], c)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	folders := make([]string, 0, len(shelves))
	for dir := range shelves {
		folders = append(folders, dir)
	}
	slices.SortFunc(folders, natural)
	for _, dir := range folders {
		clips := shelves[dir]
		slices.SortFunc(clips, func(a, b guide.Clip) int {
			return cmp.Or(cmp.Compare(order(a), order(b)), captured(a, b), natural(a.Path, b.Path))
		})
		n := len(g.Shelves)
		if n == guide.MaxShelves || len(g.Clips)+len(clips) > guide.MaxClips {
			return nil, fmt.Errorf("fill: %s: more than the %d shelves or %d clips that a guide has room for", card, guide.MaxShelves, guide.MaxClips)
		}
		title := path.Base(dir)
		if dir == "" {
			title = ""
		}
		g.Shelves = append(g.Shelves, guide.Shelf{Title: titleOf(title), Path: dir, First: len(g.Clips), Clips: len(clips)})
		for _, c := range clips {
			c.Shelf = n
			g.Clips = append(g.Clips, c)
		}
	}
	return g, nil
}

// clipOf reads the headers of a clip's parts; ok is false for a further part, and for what is
// no clip or has a name that a guide cannot say.
func clipOf(card, at string) (c guide.Clip, ok bool) {
	clip := filepath.Join(card, filepath.FromSlash(at))
	if len(at) > guide.MaxPathBytes {
		return c, false
	}
	for part := 0; ; part++ {
		r, f, err := Open(PartName(clip, part))
		if err != nil {
			return c, false
		}
		f.Close()
		h := r.Header()
		if int(h.Part) != part {
			return c, false
		}
		if part == 0 {
			stem := strings.TrimSuffix(path.Base(at), path.Ext(at))
			c = guide.Clip{
				Identity: h.Identity, RateNum: h.RateNum, RateDen: h.RateDen, Beats: h.AllBeats, Width: int(h.Width), Height: int(h.Height),
				Format: h.PixelFormat, Turn: int(h.Turn), SoundCoding: int(h.SoundCoding), SampleRateNum: h.SampleRateNum, SampleRateDen: h.SampleRateDen,
				Loops: h.Loop(), Title: titleOf(stem), Path: at, Short: shortOf(at),
			}
			if c.Title == "" {
				return c, false
			}
		}
		c.Parts++
		c.StreamBytes, c.WholeBytes = max(c.StreamBytes, h.StreamBytes), max(c.WholeBytes, h.WholeBytes)
		c.Sectors += h.FileSectors
		for i, need := range h.Need {
			c.Need[i] = max(c.Need[i], need)
		}
		if !h.Continues() {
			return c, true
		}
	}
}

// titleOf is a name as a title: cut to what a guide has room for, at a letter.
func titleOf(name string) string {
	name = strings.ToValidUTF8(name, "-")
	for len(name) > guide.MaxTitleBytes {
		runes := []rune(name)
		name = string(runes[:len(runes)-1])
	}
	return strings.TrimSpace(name)
}

// shortOf is a path in 8.3 names, "" where a card may have given it others: the system that
// writes the card makes those, and tells nobody.
func shortOf(at string) string {
	short := strings.ToUpper(at)
	if len(short) > guide.MaxShortBytes {
		return ""
	}
	for _, name := range strings.Split(short, "/") {
		stem, ext, _ := strings.Cut(name, ".")
		if stem == "" || len(stem) > 8 || len(ext) > 3 || strings.ContainsFunc(stem+ext, func(r rune) bool {
			return !(r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_')
		}) {
			return ""
		}
	}
	return short
}

// natural compares names as a person sorts them: without regard to case, numbers by their
// value.
func natural(a, b string) int {
	digits := func(s string) int {
		n := 0
		for n < len(s) && s[n] >= '0' && s[n] <= '9' {
			n++
		}
		return n
	}
	x, y := strings.ToLower(a), strings.ToLower(b)
	for x != "" && y != "" {
		n, m := digits(x), digits(y)
		if n == 0 || m == 0 {
			if x[0] != y[0] {
				return cmp.Compare(x[0], y[0])
			}
			x, y = x[1:], y[1:]
			continue
		}
		v, w := strings.TrimLeft(x[:n], "0"), strings.TrimLeft(y[:m], "0")
		if c := cmp.Or(cmp.Compare(len(v), len(w)), cmp.Compare(v, w)); c != 0 {
			return c
		}
		x, y = x[n:], y[m:]
	}
	return cmp.Or(cmp.Compare(len(x), len(y)), cmp.Compare(a, b))
}

// drawer draws the pictures of a guide, or takes them from the guide before.
type drawer struct {
	card          string
	g             *guide.Guide
	strip, poster *picture.Renderer
	face          *face
	old           *guide.Reader // nil if there is none to take from
	oldClips      map[string]int
}

func newDrawer(card string, g *guide.Guide, old *guide.Reader) (*drawer, error) {
	d := &drawer{card: card, g: g, oldClips: map[string]int{}}
	if old != nil && old.Format == g.Format && old.Turn == g.Turn && old.Strip == g.Strip && old.Poster == g.Poster {
		d.old = old
		for n, c := range old.Clips {
			d.oldClips[c.Path] = n
		}
	}
	renderer := func(s guide.Size, dither picture.Dither) (*picture.Renderer, error) {
		up := stored(s, g.Turn)
		return picture.NewRenderer(picture.Options{Width: up.W, Height: up.H, Turn: g.Turn, Format: g.Format, Dither: dither})
	}
	var err error
	if d.strip, err = renderer(g.Strip, picture.None); err != nil {
		return nil, err
	}
	if d.poster, err = renderer(g.Poster, picture.DefaultDither(g.Format)); err != nil {
		return nil, err
	}
	up := stored(g.Strip, g.Turn)
	d.face, err = newFace(up.W, up.H, g.Format.BitsPerPixel() == 1)
	return d, err
}

func (d *drawer) shelfStrip(n int) ([]byte, error) { return d.line(d.g.Shelves[n].Title) }

func (d *drawer) clipStrip(n int) ([]byte, error) { return d.line(d.g.Clips[n].Title) }

func (d *drawer) line(title string) ([]byte, error) {
	frame := make([]byte, d.strip.FrameBytes())
	return frame, d.strip.Render(frame, picture.Picture{Image: d.face.draw(title)})
}

// clipPoster is the small picture of a clip; that of a clip that cannot be read is black, as
// a guide without it helps nobody.
func (d *drawer) clipPoster(n int) ([]byte, error) {
	c := &d.g.Clips[n]
	if was, ok := d.oldClips[c.Path]; ok && d.old != nil && d.old.Clips[was].Identity == c.Identity && d.old.Clips[was].Sectors == c.Sectors {
		if pix, err := d.old.ClipPoster(was); err == nil {
			return pix, nil
		}
	}
	img, err := posterOf(filepath.Join(d.card, filepath.FromSlash(c.Path)))
	if err != nil {
		img = image.NewNRGBA(image.Rect(0, 0, 1, 1))
		img.Pix[3] = 255
	}
	frame := make([]byte, d.poster.FrameBytes())
	return frame, d.poster.Render(frame, picture.Picture{Image: img})
}

// posterOf is the picture of a clip that says most: of a few key pictures, in the first
// minutes, the one whose light is most spread.
func posterOf(clip string) (*image.NRGBA, error) {
	r, f, err := Open(clip)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	h := r.Header()
	panel := container.NewPanel(&h)
	var b container.Beat
	var best *image.NRGBA
	most := -1.0
	for _, share := range []float64{0.1, 0.25, 0.4} {
		number := h.FirstBeat + uint32(share*float64(h.Beats))
		if number, err = keyBefore(r, number); err != nil {
			return nil, err
		}
		if err := r.Show(number, panel, &b); err != nil {
			return nil, err
		}
		img, err := Picture(&h, panel.Pixels)
		if err != nil {
			return nil, err
		}
		if s := spread(img); s > most {
			most, best = s, img
		}
	}
	if best == nil {
		return nil, errors.New("no picture")
	}
	return best, nil
}

// keyBefore is the key beat at or before a beat.
func keyBefore(r *container.Reader, number uint32) (uint32, error) {
	var b container.Beat
	h := r.Header()
	for {
		if err := r.ReadHeader(number, &b); err != nil {
			return 0, err
		}
		if b.Key() || number == h.FirstBeat {
			return number, nil
		}
		number--
	}
}

// spread is the variance of a picture's codes.
func spread(img *image.NRGBA) float64 {
	n, sum, squares := 0.0, 0.0, 0.0
	for i := 0; i < len(img.Pix); i += 4 {
		v := float64(img.Pix[i]) + float64(img.Pix[i+1]) + float64(img.Pix[i+2])
		n, sum, squares = n+1, sum+v, squares+float64(v*v)
	}
	return squares/n - float64(sum/n*sum/n)
}
