package patterns

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container/pixel"
)

func TestEdgePixelsAreExactInEveryMounting(t *testing.T) {
	for _, panel := range []string{"size: 96x64\npixels: rgb565", "size: 67x45\npixels: rgb444", "size: 128x64\npixels: mono-pages", "size: 61x90\npixels: grey4"} {
		for quarters := range 4 {
			_, c := pack(t, player(t, fmt.Sprintf("%s\nmounted: %d degrees", panel, 90*quarters), ""), "1-")
			c.upright(t, func(beat int, img *image.NRGBA) {
				w, h := img.Rect.Dx(), img.Rect.Dy()
				for y := range h {
					for x := range w {
						from := min(x, y, w-1-x, h-1-y) // pixels to the nearest edge
						switch got := img.NRGBAAt(x, y); {
						case from == 0 && got != white:
							t.Fatalf("%s turned %d: pixel %d,%d of the edge is %v at beat %d", panel, quarters, x, y, got, beat)
						case (from == 1 || from == 2) && got != black:
							t.Fatalf("%s turned %d: pixel %d,%d beside the edge is %v at beat %d", panel, quarters, x, y, got, beat)
						}
					}
				}
			})
		}
	}
}

func TestTheRingOfARoundPanelIsItsOutermostPixels(t *testing.T) {
	for quarters := range 4 {
		_, c := pack(t, player(t, fmt.Sprintf("size: 80x80\nshape: round\npixels: rgb565\nmounted: %d degrees", 90*quarters), ""), "1-")
		img := c.first(t)
		seen := func(x, y int) bool { return math.Hypot(float64(x)-39.5, float64(y)-39.5) <= 40 }
		ring := 0
		for y := range 80 {
			for x := range 80 {
				edge := seen(x, y) && (!seen(x-1, y) || !seen(x+1, y) || !seen(x, y-1) || !seen(x, y+1))
				got := img.NRGBAAt(x, y)
				switch {
				case edge && got != white, !seen(x, y) && got != black:
					t.Fatalf("turned %d: pixel %d,%d is %v", quarters, x, y, got)
				case edge:
					ring++
				}
			}
		}
		if ring < 200 { // the circumference is 251; steps join at corners
			t.Errorf("a ring of %d pixels", ring)
		}
	}
}

// cornerOne tells in which corner of a picture the red block lies.
func cornerOne(t *testing.T, img *image.NRGBA) string {
	t.Helper()
	w, h := img.Rect.Dx(), img.Rect.Dy()
	for name, at := range map[string]image.Point{"upper left": {4, 4}, "upper right": {w - 5, 4}, "lower right": {w - 5, h - 5}, "lower left": {4, h - 5}} {
		if img.NRGBAAt(at.X, at.Y) == (color.NRGBA{255, 0, 0, 255}) {
			return name
		}
	}
	t.Fatal("no corner is red")
	return ""
}

func TestAWrongMountingLooksAsThePageSays(t *testing.T) {
	// The arrow points where it has been turned to, and so does corner 1.
	looks := [4]struct{ arrow, corner string }{{"", "upper left"}, {"points right", "upper right"}, {"points down", "lower right"}, {"points left", "lower left"}}
	for said := range 4 {
		p := player(t, fmt.Sprintf("size: 96x64\npixels: rgb565\nmounted: %d degrees", 90*said), "")
		clip, c := pack(t, p, "1-")
		for off := range 4 {
			truth := (said + off) % 4
			c.stored(t, func(beat int, img *image.NRGBA) {
				if got := cornerOne(t, clockwise(img, truth)); beat == 0 && got != looks[off].corner {
					t.Errorf("packed for %d, mounted %d: corner 1 is at the %s, want %s", said, truth, got, looks[off].corner)
				}
			})
			if off > 0 {
				if got, want := advice(t, clip, looks[off].arrow), fmt.Sprintf("`mounted: %d degrees`", 90*truth); !strings.Contains(got, want) {
					t.Errorf("packed for %d, arrow %s: %q, want %s", said, looks[off].arrow, got, want)
				}
			}
		}
	}
}

func TestAWrongOffsetCutsTheEdgeThatThePageNames(t *testing.T) {
	for mounted := range 4 {
		p := player(t, fmt.Sprintf("size: 96x64\npixels: rgb565\nmounted: %d degrees", 90*mounted), "")
		clip, c := pack(t, p, "1-")
		c.stored(t, func(beat int, img *image.NRGBA) {
			if beat > 0 {
				return
			}
			for _, shift := range []struct {
				axis  string
				by    image.Point
				which string
			}{{"X", image.Pt(3, 0), "larger"}, {"X", image.Pt(-3, 0), "smaller"}, {"Y", image.Pt(0, 3), "larger"}, {"Y", image.Pt(0, -3), "smaller"}} {
				// What is seen begins that much further into the panel's memory
				// than where the picture was written.
				seen := image.NewNRGBA(img.Rect)
				for y := range img.Rect.Dy() {
					for x := range img.Rect.Dx() {
						seen.SetNRGBA(x, y, img.NRGBAAt(x+shift.by.X, y+shift.by.Y))
					}
				}
				cut := cutEdge(clockwise(seen, mounted))
				want := shift.axis + " is larger where the " + cut + " edge is cut"
				if shift.which == "smaller" {
					want = ", smaller where the " + cut + " is"
				}
				got := advice(t, clip, "cut off on one side")
				part := got[strings.Index(got, shift.axis+" is larger"):]
				part, _, _ = strings.Cut(part, ";")
				if !strings.Contains(part, want) {
					t.Errorf("mounted %d, true %s %s: the %s edge is cut, and the page says %q", mounted, shift.axis, shift.which, cut, part)
				}
			}
		})
	}
}

// cutEdge names the side that lacks its white line and shows the picture.
func cutEdge(img *image.NRGBA) string {
	w, h := img.Rect.Dx(), img.Rect.Dy()
	for name, line := range map[string][2]image.Point{"left": {{0, 20}, {0, h - 20}}, "right": {{w - 1, 20}, {w - 1, h - 20}}, "top": {{20, 0}, {w - 20, 0}}, "bottom": {{20, h - 1}, {w - 20, h - 1}}} {
		found := true
		for x := line[0].X; x <= line[1].X; x++ {
			for y := line[0].Y; y <= line[1].Y; y++ {
				// Nothing was written to the other side, it stays transparent.
				got := img.NRGBAAt(x, y)
				found = found && got != white && got.A != 0
			}
		}
		if found {
			return name
		}
	}
	return "no"
}

func TestPackingChangesNoPixelOfThePatterns(t *testing.T) {
	// container/pixel takes the nearest level by itself; what the pipeline packs
	// must be the same bytes, in each format.
	checked := 0
	for _, f := range pixel.Formats() {
		p := player(t, fmt.Sprintf("size: 97x66\npixels: %v", f), "")
		clips, err := For(p)
		if err != nil {
			t.Fatal(err)
		}
		for i := range 3 {
			media := clips[i].media(1)
			timed, err := media.Pictures.Next(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			want := make([]byte, f.FrameBytes(97, 66))
			if err := f.FromImage(want, timed.Image); err != nil {
				t.Fatal(err)
			}
			packed := packClip(t, p, &clips[i], 1)
			got, _ := f.Image(want, 97, 66)
			if !bytes.Equal(packed.first(t).Pix, got.Pix) {
				t.Errorf("%v: %s is not packed as it was drawn", f, clips[i].File)
			}
			checked++
		}
	}
	if checked != 27 {
		t.Errorf("%d pictures compared, want three in each of nine formats", checked)
	}
}

func TestWrongByteOrderHasTheColoursThatThePageNames(t *testing.T) {
	// By hand, of RRRRRGGG GGGBBBBB. Red f8 00 becomes 00 f8: no red, green 7 of
	// 63, blue 24 of 31, a blue. Green 07 e0 becomes e0 07: red 28, no green, blue
	// 7, between red and pink. Blue 00 1f becomes 1f 00: red 3, green 56, no blue.
	want := map[string][3]string{
		"RED": {"blue", "blue", "cyan"}, "GREEN": {"crimson", "green", "magenta"}, "BLUE": {"green", "red", "yellow"},
		"WHITE": {"white", "white", "black"}, "BLACK": {"black", "black", "white"},
		"CYAN": {"yellow", "yellow", "red"}, // 07 ff, ff 07: red 31, green 56, blue 7
	}
	c := find(t, player(t, "size: 96x64\npixels: rgb565", ""), "2-")
	seen := 0
	for _, row := range c.Table {
		w, ok := want[row[0]]
		if !ok {
			continue
		}
		seen++
		if row[1] != strings.ToLower(row[0]) || [3]string(row[2:]) != w {
			t.Errorf("%v, want %v", row, w)
		}
	}
	if seen != len(want) {
		t.Errorf("%d of %d bars in the table", seen, len(want))
	}
	if got := advice(t, c, "bytes swapped"); !strings.Contains(got, "rgb565le") {
		t.Errorf("%q, want rgb565le", got)
	}
	for _, column := range []int{2, 3, 4} { // no two mistakes look alike
		for _, other := range []int{1, 2, 3, 4} {
			same := column != other
			for _, row := range c.Table[1:] {
				same = same && row[column] == row[other]
			}
			if same {
				t.Errorf("columns %d and %d look alike", column, other)
			}
		}
	}
}

func TestTheRampHasEveryLevelOnce(t *testing.T) {
	for _, f := range []pixel.Format{pixel.RGB565, pixel.RGB444, pixel.RGB332, pixel.Grey4, pixel.MonoRows} {
		_, c := pack(t, player(t, fmt.Sprintf("size: 240x135\npixels: %v", f), ""), "3-")
		img := c.first(t)
		b, err := newBoard(player(t, fmt.Sprintf("size: 240x135\npixels: %v", f), ""))
		if err != nil {
			t.Fatal(err)
		}
		strips, row := 3, columns(b.box, b.labelShare(), 100-b.labelShare())[1]
		if f.Channels() == 3 {
			strips = 6
		}
		all := rows(row, equal(strips)...)
		rising := func(strip, channel, want int) {
			y, last, steps := all[strip].Min.Y+2, -1, 0
			for x := row.Min.X; x < row.Max.X; x++ {
				c := img.NRGBAAt(x, y)
				v := int([3]uint8{c.R, c.G, c.B}[channel])
				if v < last {
					t.Fatalf("%v: strip %d falls at %d", f, strip, x)
				}
				if v > last {
					steps++
				}
				last = v
			}
			if steps != want || last != 255 {
				t.Errorf("%v: strip %d has %d levels up to %d, want %d up to 255", f, strip, steps, last, want)
			}
		}
		grey := f.Levels(0)
		for ch := range f.Channels() {
			grey = min(grey, f.Levels(ch))
		}
		rising(0, 0, grey)
		for ch := range f.Channels() {
			if f.Channels() == 3 {
				rising(2+ch, ch, f.Levels(ch))
			}
		}
	}
}

func TestTheBarMovesEvenlyAndTheLightRunsACellABeat(t *testing.T) {
	for _, panel := range []string{"size: 96x64\npixels: rgb565", "size: 96x64\npixels: rgb565\nmounted: 90 degrees", "size: 128x64\npixels: mono-pages"} {
		p := player(t, panel, "")
		clip, c := pack(t, p, "4-")
		b, _ := newBoard(p)
		if !clip.loop || !c.head.Loop() {
			t.Error("it does not loop")
		}
		if c.head.Beats%cells != 0 {
			t.Errorf("%d beats: the light jumps at the end of the loop", c.head.Beats)
		}
		step, crossing := b.stride(int64(c.head.RateNum))
		if int64(c.head.Beats)%crossing != 0 {
			t.Errorf("%d beats: the bar jumps at the end of the loop", c.head.Beats)
		}
		c.upright(t, func(beat int, img *image.NRGBA) {
			lit := -1
			for i, r := range b.cellsAt() {
				if img.NRGBAAt((r.Min.X+r.Max.X)/2, (r.Min.Y+r.Max.Y)/2) == white {
					if lit >= 0 {
						t.Fatalf("%q: beat %d: cells %d and %d are lit", panel, beat, lit, i)
					}
					lit = i
				}
			}
			if lit != beat%cells {
				t.Fatalf("%q: beat %d: cell %d is lit", panel, beat, lit)
			}
			// The first lit pixel along an outermost line of the panel.
			at := -1
			length := b.w
			if b.sideways() {
				length = b.h
			}
			for i := length - 1; i >= 0; i-- {
				x, y := i, 0
				if b.sideways() {
					x, y = 0, i
				}
				if img.NRGBAAt(x, y) == white {
					at = i
				}
			}
			want := beat % int(crossing) * int(step)
			if want >= length {
				want = -1
			}
			if at != want {
				t.Fatalf("%q: beat %d: the bar is at %d, want %d", panel, beat, at, want)
			}
		})
	}
}

func TestLoadStepsTakeWhatIsPrinted(t *testing.T) {
	for _, p := range []*playerfile.Player{
		player(t, "size: 96x64\npixels: rgb565", ""),
		player(t, "size: 128x64\npixels: mono-pages", mono8),
		player(t, "size: 160x128\npixels: rgb565\nbus-clock: 1 MHz", ""), // 3 pictures a second
		player(t, "size: 320x240\npixels: rgb666\nbus-clock: 1 MHz", ""), // less than one
	} {
		clip, c := pack(t, p, "7-")
		if len(clip.Steps) < 5 {
			t.Fatalf("%v: %d steps", p, len(clip.Steps))
		}
		at, last := int64(0), 0.0
		page := Page(p, []Made{{Clip: *clip, Length: 16 * time.Second}})
		for i, s := range clip.Steps {
			bytes, frames := int64(0), 0
			for n := s.From; n < s.To; n++ {
				var h = readHeader(t, c, uint32(n))
				bytes += int64(h.sectors) * 512
				if h.raw {
					frames++
				}
			}
			got := float64(bytes) * float64(c.head.RateNum) / float64(c.head.RateDen) / float64(s.To-s.From)
			if math.Abs(got-s.BytesPerSecond) > 1e-6*got {
				t.Errorf("%v: step %d takes %.1f B/s, and %.1f is printed", p, i+1, got, s.BytesPerSecond)
			}
			if int64(frames)*loadPeriod != int64(s.Frames)*(s.To-s.From) {
				t.Errorf("%v: step %d has %d frames in %d beats, want %d of 8", p, i+1, frames, s.To-s.From, s.Frames)
			}
			if s.From != at || s.BytesPerSecond <= last {
				t.Errorf("%v: step %d begins at %d with %.0f B/s after %d and %.0f", p, i+1, s.From, s.BytesPerSecond, at, last)
			}
			if want := fmt.Sprintf("| %d | %d of 8 | %.4g |", i+1, s.Frames, got/1e6); !strings.Contains(page, want) {
				t.Errorf("%v: the page lacks %q", p, want)
			}
			at, last = s.To, s.BytesPerSecond
		}
		if at != int64(c.head.Beats) || clip.Steps[len(clip.Steps)-1].Frames != loadPeriod {
			t.Errorf("%v: steps up to beat %d of %d, the last with %d of 8", p, at, c.head.Beats, clip.Steps[len(clip.Steps)-1].Frames)
		}
	}
}

func TestTheSamePlayerGivesTheSameBytes(t *testing.T) {
	panels := []string{"size: 96x64\npixels: rgb565\nmounted: 90 degrees", "size: 64x64\nshape: round\npixels: rgb444"}
	identities := make(map[[16]byte]string)
	for _, panel := range panels {
		p := player(t, panel, mono8)
		clips, err := For(p)
		if err != nil {
			t.Fatal(err)
		}
		again, err := For(p)
		if err != nil {
			t.Fatal(err)
		}
		for i := range clips {
			one, other := packClip(t, p, &clips[i], 1), packClip(t, p, &again[i], 3)
			if !bytes.Equal(one.data, other.data) {
				t.Errorf("%s differs from run to run", clips[i].File)
			}
			name := panel + clips[i].File
			if before, ok := identities[one.head.Identity]; ok {
				t.Errorf("%q has the identity of %q", name, before)
			}
			identities[one.head.Identity] = name
		}
	}
	if len(identities) != 14 {
		t.Errorf("%d clips, want seven for each of two players", len(identities))
	}
}

func TestASilentPlayerGetsNoPatternThatNeedsASpeaker(t *testing.T) {
	files := func(sound string) (names []string) {
		clips, err := For(player(t, "size: 96x64\npixels: grey8", sound))
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range clips {
			names = append(names, c.File)
		}
		return names
	}
	if got := files(""); fmt.Sprint(got) != "[1-edges.srq 2-levels.srq 3-ramp.srq 4-motion.srq 7-load.srq]" {
		t.Errorf("%v", got)
	}
	if got := files(mono8); len(got) != 7 {
		t.Errorf("%v", got)
	}
}

func TestEveryPatternSaysWhatIsRightAndWrong(t *testing.T) {
	for _, f := range pixel.Formats() {
		p := player(t, fmt.Sprintf("size: 96x64\npixels: %v\nshape: round", f), stereo)
		clips, err := For(p)
		if err != nil {
			t.Fatal(err)
		}
		var made []Made
		for _, c := range clips {
			made = append(made, Made{Clip: c, Length: 4 * time.Second, Bytes: 1e6})
			name := strings.TrimSuffix(c.File, ".srq")
			if !slices.Contains(Files, c.File) || len(name) > 8 || c.Shows == "" || c.Right == "" || len(c.Wrong) < 2 {
				t.Errorf("%v: %s: %d mistakes, %q, %q", f, c.File, len(c.Wrong), c.Shows, c.Right)
			}
		}
		page := Page(p, made)
		for _, m := range made {
			row := m.Row()
			if !strings.Contains(page, "| "+strings.Join(row[:], " | ")+" |") || !strings.Contains(page, "\n## "+m.File+"\n") {
				t.Errorf("%v: the page lacks %s", f, m.File)
			}
		}
		if strings.Count(page, "**Caution.**") != 2 {
			t.Error("the page lacks its cautions")
		}
	}
}

func TestAnySizeOfPanelIsDrawn(t *testing.T) {
	drawn := 0
	for _, size := range []string{"1x1", "2x3", "8x8", "16x2", "2x40", "32x16", "1024x7", "128x32"} {
		for _, kind := range []string{"pixels: mono-rows", "pixels: rgb565\nshape: round", "pixels: grey8"} {
			clips, err := For(player(t, "size: "+size+"\n"+kind, stereo))
			if err != nil {
				t.Fatal(err)
			}
			for _, c := range clips {
				pictures := c.media(c.rates[0]).Pictures
				for range 40 {
					if _, err := pictures.Next(context.Background()); err == io.EOF {
						break
					} else if err != nil {
						t.Fatalf("%s %s: %v", size, c.File, err)
					}
					drawn++
				}
			}
		}
	}
	if drawn < 500 {
		t.Errorf("%d pictures drawn", drawn)
	}
}
