package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/disintegration/imaging"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/cmd/stampreel/internal/patterns"
	"example.org/stampreel/container"
	"example.org/stampreel/container/pixel"
)

// sight is what the panel shows of a pattern: the right result, or that of a
// fault of the page.
type sight struct {
	clip string // begins with
	seen string // the fault begins with it; "" for the right result
	file string
	alt  string
	draw func(c *shownClip) (image.Image, error)
}

var sights = []sight{
	{"1-", "", "1-edges.png", "The whole edge is seen, the words stand upright.", beat(0)},
	{"1-", "the up arrow points right", "1-turned-right.png", "The picture lies on its right side.", beat(0, turned(1))},
	{"1-", "the up arrow points down", "1-turned-down.png", "The picture stands on its head.", beat(0, turned(2))},
	{"1-", "the up arrow points left", "1-turned-left.png", "The picture lies on its left side.", beat(0, turned(3))},
	{"1-", "the words are mirrored, the up", "1-rows-flipped.png", "Left and right are exchanged.", beat(0, rowsFlipped)},
	{"1-", "the words are mirrored and", "1-columns-flipped.png", "Above and below are exchanged.", beat(0, columnsFlipped)},
	{"1-", "the edge is cut off", "1-offset.png", "The corner 2, four times as large: no white line above and to the right. The corner 4: beyond the white line is a line of noise.", corners(beat(0, offsetOne))},
	{"1-", "the picture leans", "1-leaning.png", "Everything leans over.", beat(0, rowTooLong)},
	{"1-", "stripes or snow", "1-stripes.png", "The picture three times, small and in stripes, and a black third.", beat(0, readAs(pixel.RGB666))},

	{"2-", "", "2-colour.png", "Eight fields in the colours that are written on them.", beat(0)},
	{"2-", "the colours of “bytes swapped”", "2-bytes-swapped.png", "RED is blue, GREEN crimson, BLUE green.", beat(0, readAs(pixel.RGB565LE))},
	{"2-", "the colours of “red and blue", "2-red-and-blue.png", "RED is blue, BLUE is red, GREEN is green.", beat(0, words(func(v uint16) uint16 { return v>>11 | v&0x07e0 | v<<11 }))},
	{"2-", "the colours of “inverted”", "2-inverted.png", "Each colour is its opposite, white is black.", beat(0, words(func(v uint16) uint16 { return ^v }))},
	{"2-", "fields of stripes", "2-stripes.png", "The fields are grey stripes, three times, and a third is black.", beat(0, readAs(pixel.RGB666))},

	{"3-", "", "3-ramp.png", "Smooth ramps, each named.", beat(0)},
	{"3-", "neighbouring steps", "3-low-bit.png", "The ramps have half as many steps, twice as wide.", beat(0, words(func(v uint16) uint16 { return v & 0b11110_111110_11110 }))},
	{"3-", "a ramp begins anew", "3-high-bit.png", "Each ramp rises to the middle, falls to black and rises again.", beat(0, words(func(v uint16) uint16 { return v & 0b01111_011111_01111 }))},

	{"4-", "", "4-motion.png", "A bar, the number 014, the fifth of ten cells lit.", beat(14)},
	{"4-", "a photograph exposed", "4-photograph.png", "A photograph of ten beats: ten cells equally light.", photograph(10, 20, -1)},
	{"4-", "the bar is broken", "4-torn.png", "The left part of the bar stands above the right one.", torn(12)},
	{"4-", "a cell of the running light", "4-dropped.png", "A photograph of ten beats: the sixth cell is dark, the fifth twice as light as the others.", photograph(10, 20, 15)},

	{"5-", "", "5-flash.png", "As the beep begins, the square is lit and the hand at 0.", beat(15)},
	{"5-", "the beep is heard while the hand is right", "5-late.png", "As the beep begins, the hand is at +100.", beat(18)},
	{"5-", "the beep is heard while the hand is left", "5-early.png", "As the beep begins, the square is dark and the hand at -200.", beat(9)},

	{"6-", "", "6-sound.png", "SWEEP, a frequency, and a bar that grows with it.", beat(35)},
	{"6-", "Then six tones", "6-level.png", "LEVEL -20 dB, and a bar of five sixths.", beat(84)},

	{"7-", "", "7-load.png", "STEP 4 OF 8, 1.98 MB/s, a block on a line.", beat(400)},
}

const patternsPageLimit = 150_000 // bytes of all pictures

// TestPatternsPageShowsWhatIsPacked makes the page of examples/patterns: what
// the command patterns writes for a built-in player, with pictures of what the
// panel shows of the very bytes that were packed, read rightly and wrongly.
func TestPatternsPageShowsWhatIsPacked(t *testing.T) {
	if testing.Short() {
		t.Skip("packs minutes of patterns")
	}
	const known = "rect-240x135"
	player, err := playerfile.LoadKnown(known)
	if err != nil {
		t.Fatal(err)
	}
	clips, err := patterns.For(player)
	if err != nil {
		t.Fatal(err)
	}
	packed := t.TempDir()
	var made []patterns.Made
	for _, clip := range clips {
		p, err := clip.Pack(context.Background(), player, packed, runtime.GOMAXPROCS(0))
		if err != nil {
			t.Fatal(err)
		}
		h := p.Headers[0]
		made = append(made, patterns.Made{Clip: clip, Length: container.BeatTime(h.Rate(), h.Beats), Bytes: p.Bytes})
	}
	folder := filepath.Join("..", "..", "examples", "patterns")
	text := picturedPage(t, patterns.Page(player, made), known)
	files := map[string][]byte{"README.md": []byte(text)}
	total := 0
	for _, s := range sights {
		files[s.file] = drawSight(t, s, packed)
		total += len(files[s.file])
	}
	if len(files) != len(sights)+1 || total > patternsPageLimit {
		t.Errorf("%d files for %d pictures of %d bytes, want one each and at most %d bytes", len(files), len(sights), total, patternsPageLimit)
	}
	if *updateReadme {
		for name, data := range files {
			if err := os.WriteFile(filepath.Join(folder, name), data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	const again = "go test ./cmd/stampreel -run PatternsPage -update"
	entries, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if files[e.Name()] == nil {
			t.Errorf("%s is no part of the page", filepath.Join(folder, e.Name()))
		}
	}
	for name, want := range files {
		path := filepath.Join(folder, name)
		have, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		same := bytes.Equal(have, want)
		if strings.HasSuffix(name, ".png") { // another encoder may come to other bytes
			drawn, err := png.Decode(bytes.NewReader(want))
			if err != nil {
				t.Fatal(err)
			}
			same = samePicture(readPNG(t, path), drawn)
		}
		if !same {
			t.Errorf("%s differs from what is packed (%s)", path, again)
		}
	}
}

// picturedPage turns the page that the command writes into one with pictures:
// the faults become a list, with a picture below those that have one.
func picturedPage(t *testing.T, page, known string) string {
	t.Helper()
	used := make(map[string]bool)
	picture := func(clip, indent string, of func(seen string) bool) (out string) {
		for _, s := range sights {
			if strings.HasPrefix(clip, s.clip) && of(s.seen) {
				used[s.file] = true
				out += fmt.Sprintf("\n%s![%s](%s)\n", indent, s.alt, s.file)
			}
		}
		return out
	}
	var out strings.Builder
	clip, faults := "", false
	for i, line := range strings.Split(strings.TrimSuffix(page, "\n"), "\n") {
		cells := strings.Split(strings.Trim(line, "| "), " | ")
		switch {
		case i == 0:
			fmt.Fprintf(&out, "%s\n\nWhat `stampreel patterns --player %s` writes beside its clips, here with\n"+
				"pictures. Each is made from the bytes of the packed clip: right, as they are meant, and\n"+
				"wrong, as a panel shows the same bytes with that one fault. Your own player gets its own\n"+
				"page, with its figures: `stampreel patterns --player FILE`.\n", line, known)
		case strings.HasPrefix(line, "## "):
			clip, faults = strings.TrimPrefix(line, "## "), false
			fmt.Fprintln(&out, line)
		case strings.HasPrefix(line, "Right: "):
			fmt.Fprintln(&out, line)
			fmt.Fprint(&out, picture(clip, "", func(seen string) bool { return seen == "" || strings.Contains(line, seen) }))
		case line == "| what is wrong | what to change |":
			faults = true
			fmt.Fprint(&out, "What is wrong, and what to change:\n\n")
		case faults && strings.HasPrefix(line, "|---"):
		case faults && len(cells) == 2:
			fmt.Fprintf(&out, "- **%s**: %s\n", cells[0], cells[1])
			if p := picture(clip, "  ", func(seen string) bool { return seen != "" && strings.HasPrefix(cells[0], seen) }); p != "" {
				fmt.Fprintln(&out, p)
			}
		case line == "" && strings.HasSuffix(out.String(), "\n\n"):
		default:
			fmt.Fprintln(&out, line)
		}
	}
	for _, s := range sights {
		if !used[s.file] {
			t.Errorf("%s has no place on the page: clip %s says nothing of %q", s.file, s.clip, s.seen)
		}
	}
	return out.String()
}

// drawSight encodes a picture with an edge of one pixel, so that black ends
// somewhere.
func drawSight(t *testing.T, s sight, packed string) []byte {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join(packed, s.clip+"*.srq"))
	if err != nil || len(paths) != 1 {
		t.Fatalf("%v %v: want one clip %s", paths, err, s.clip)
	}
	r, f, err := openClip(paths[0])
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := s.draw(&shownClip{r, r.Header()})
	if err != nil {
		t.Fatalf("%s: %v", s.file, err)
	}
	size := img.Bounds().Size()
	framed := imaging.New(size.X+2, size.Y+2, edgeColour)
	draw.Draw(framed, framed.Rect.Inset(1), img, img.Bounds().Min, draw.Src)
	var b bytes.Buffer
	if err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&b, fewColours(framed)); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// fewColours is the same picture with a palette, which makes a smaller file, or
// the picture itself where a palette does not hold its colours.
func fewColours(img *image.NRGBA) image.Image {
	out := image.NewPaletted(img.Rect, nil)
	index := make(map[color.NRGBA]uint8)
	for i := range out.Pix {
		c := color.NRGBA{img.Pix[4*i], img.Pix[4*i+1], img.Pix[4*i+2], img.Pix[4*i+3]}
		n, ok := index[c]
		if !ok {
			if len(index) == 256 {
				return img
			}
			n = uint8(len(index))
			index[c], out.Palette = n, append(out.Palette, c)
		}
		out.Pix[i] = n
	}
	return out
}

// shownClip is a clip whose frames a panel shows.
type shownClip struct {
	*container.Reader
	head container.Header
}

// A misreading turns the frame that was packed into the one that a wrong panel
// or firmware shows in its place; what the header says may change with it.
type misreading func(h *container.Header, frame []byte) []byte

// beat shows a beat, misread in the ways given.
func beat(number uint32, wrong ...misreading) func(*shownClip) (image.Image, error) {
	return func(c *shownClip) (image.Image, error) { return c.show(number, wrong...) }
}

// pixels returns what the panel shows at a beat.
func (c *shownClip) pixels(number uint32) ([]byte, error) {
	h := c.Reader.Header()
	panel := container.NewPanel(&h)
	err := c.Reader.Show(number, panel, new(container.Beat))
	return panel.Pixels, err
}

func (c *shownClip) show(number uint32, wrong ...misreading) (*image.NRGBA, error) {
	frame, err := c.pixels(number)
	if err != nil {
		return nil, err
	}
	h := c.head
	for _, w := range wrong {
		frame = w(&h, frame)
	}
	return fill.Picture(&h, frame)
}

// turned is a board that stands otherwise than the player file says.
func turned(quarters uint8) misreading {
	return func(h *container.Header, frame []byte) []byte {
		h.Turn = (h.Turn + quarters) % 4
		return frame
	}
}

// readAs is a panel that expects another pixel format. What comes too late to
// fill it stays black.
func readAs(f pixel.Format) misreading {
	return func(h *container.Header, frame []byte) []byte {
		h.PixelFormat = f
		seen := make([]byte, f.FrameBytes(int(h.Width), int(h.Height)))
		copy(seen, frame)
		return seen
	}
}

// words is a change of each pixel of 16 bits, RRRRRGGG GGGBBBBB.
func words(change func(v uint16) uint16) misreading {
	return func(_ *container.Header, frame []byte) []byte {
		for i := 0; i < len(frame); i += 2 {
			binary.BigEndian.PutUint16(frame[i:], change(binary.BigEndian.Uint16(frame[i:])))
		}
		return frame
	}
}

// moved gives each pixel of the panel's own scan the packed pixel that from
// tells by its number; a negative one is noise.
func moved(from func(x, y, w, h int) int) misreading {
	return func(head *container.Header, frame []byte) []byte {
		noise := rand.New(rand.NewPCG(1, 2))
		w, h := int(head.Width), int(head.Height)
		var seen []byte
		for i := range w * h {
			v := uint16(noise.Uint32())
			if n := from(i%w, i/w, w, h); n >= 0 {
				v = binary.BigEndian.Uint16(frame[2*n:])
			}
			seen = binary.BigEndian.AppendUint16(seen, v)
		}
		return seen
	}
}

var (
	rowsFlipped    = moved(func(x, y, w, h int) int { return (h-1-y)*w + x })
	columnsFlipped = moved(func(x, y, w, h int) int { return y*w + w - 1 - x })
	// offsetOne is a picture that lies a pixel too early in the panel's memory,
	// both ways.
	offsetOne = moved(func(x, y, w, h int) int {
		if x == w-1 || y == h-1 {
			return -1
		}
		return (y+1)*w + x + 1
	})
	// rowTooLong is a window a pixel wider than the picture.
	rowTooLong = moved(func(x, y, w, h int) int {
		if n := y*(w+1) + x; n < w*h {
			return n
		}
		return -1
	})
)

// corners enlarges the upper right and the lower left corner.
func corners(of func(*shownClip) (image.Image, error)) func(*shownClip) (image.Image, error) {
	return func(c *shownClip) (image.Image, error) {
		whole, err := of(c)
		if err != nil {
			return nil, err
		}
		const w, h, zoom = 40, 34, 4
		size := whole.Bounds().Size()
		out := imaging.New(2*w*zoom+sheetGap, h*zoom, edgeColour)
		for i, at := range []image.Point{{size.X - w, 0}, {0, size.Y - h}} {
			part := imaging.Crop(whole, image.Rectangle{at, at.Add(image.Pt(w, h))})
			out = imaging.Paste(out, imaging.Resize(part, w*zoom, 0, imaging.NearestNeighbor), image.Pt(i*(w*zoom+sheetGap), 0))
		}
		return out, nil
	}
}

// torn shows the scan of a panel half of whose memory has the next beat.
func torn(number uint32) func(*shownClip) (image.Image, error) {
	return func(c *shownClip) (image.Image, error) {
		next, err := c.pixels(number + 1)
		if err != nil {
			return nil, err
		}
		return c.show(number, func(_ *container.Header, frame []byte) []byte {
			copy(frame[:len(frame)/2], next)
			return frame
		})
	}
}

// photograph is what a camera sees that is open from one beat to another: the
// mean of their light. In place of a dropped beat the one before stays.
func photograph(from, to, dropped int) func(*shownClip) (image.Image, error) {
	return func(c *shownClip) (image.Image, error) {
		var light []float64
		var out *image.NRGBA
		for n := from; n < to; n++ {
			number := n
			if n == dropped {
				number--
			}
			img, err := c.show(uint32(number))
			if err != nil {
				return nil, err
			}
			if out == nil {
				out, light = img, make([]float64, len(img.Pix))
			}
			for i, v := range img.Pix {
				light[i] += linear(float64(v)/255) / float64(to-from)
			}
		}
		for i, v := range light {
			out.Pix[i] = uint8(math.Round(255 * encoded(v)))
		}
		return out, nil
	}
}

// linear and encoded are the transfer function of sRGB (IEC 61966-2-1).
func linear(v float64) float64 {
	if v <= 0.04045 {
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}

func encoded(v float64) float64 {
	if v <= 0.0031308 {
		return 12.92 * v
	}
	return 1.055*math.Pow(v, 1/2.4) - 0.055
}
