package console

import (
	"bytes"
	"image"
	"image/color"
	"strings"
	"testing"
)

func filmOn(o Options) (*Film, *bytes.Buffer) {
	var out bytes.Buffer
	o.Stdout, o.Stderr, o.StdoutTerminal = &out, &out, true
	f, _ := New(o).Film()
	return f, &out
}

func size(n int) func() int { return func() int { return n } }

// ECMA-48: SGR 38;2 and 48;2 (ISO 8613-6) set the colours of text and ground.
func TestAFilmShowsTwoPixelsInACellAndStaysInItsPlace(t *testing.T) {
	img := image.NewNRGBA(image.Rect(0, 0, 2, 3))
	for i, c := range []color.NRGBA{{1, 2, 3, 255}, {1, 2, 3, 255}, {4, 5, 6, 255}, {7, 8, 9, 255}, {10, 11, 12, 255}, {13, 14, 15, 255}} {
		img.SetNRGBA(i%2, i/2, c)
	}
	f, out := filmOn(Options{Colour: true, Width: size(4), Height: size(5)})
	f.Show(img, "one\x1b[2J more")
	want := "\x1b[38;2;1;2;3m\x1b[48;2;4;5;6m▀\x1b[48;2;7;8;9m▀\x1b[0m\x1b[K\n" +
		"\x1b[38;2;10;11;12m\x1b[48;2;0;0;0m▀\x1b[38;2;13;14;15m▀\x1b[0m\x1b[K\n"
	if got := out.String(); !strings.HasPrefix(got, want) || strings.Contains(got, "\x1b[2J") || strings.Count(got, "\n") != 3 {
		t.Errorf("%q, want %q and a caption without escapes", got, want)
	}
	out.Reset()
	f.Show(img, "two")
	if got := out.String(); !strings.HasPrefix(got, "\r\x1b[3A"+want) {
		t.Errorf("the second picture begins with %q, want three lines up", got)
	}
}

func TestAFilmIsFittedToTheTerminal(t *testing.T) {
	for _, c := range []struct{ w, h, columns, lines, wantColumns, wantLines int }{
		{240, 240, 80, 24, 44, 22},     // two pixels a line
		{240, 240, 20, 100, 19, 10},    // narrow
		{16, 8, 80, 24, 64, 16},        // four times as large: five would be 80 wide
		{1024, 1, 10, 10, 9, 1},        // very wide
		{1, 1024, 10, 10, 1, 8},        // very tall
		{240, 240, 1, 1, 1, 1},         // hardly there
		{240, 240, 300, 200, 240, 120}, // as it is
	} {
		f, out := filmOn(Options{Width: size(c.columns), Height: size(c.lines)})
		f.Show(image.NewNRGBA(image.Rect(0, 0, c.w, c.h)), "x")
		lines := strings.Split(strings.ReplaceAll(out.String(), "\x1b[K", ""), "\n")
		if got := len(lines) - 2; got != c.wantLines || Columns(lines[0]) != c.wantColumns {
			t.Errorf("%d×%d on %d×%d: %d columns in %d lines, want %d in %d", c.w, c.h, c.columns, c.lines, Columns(lines[0]), got, c.wantColumns, c.wantLines)
		}
	}
}

func TestWithoutColourAFilmHasShades(t *testing.T) {
	img := image.NewNRGBA(image.Rect(0, 0, 5, 2))
	for x := range 5 {
		for y := range 2 {
			v := uint8(x * 255 / 4)
			img.SetNRGBA(x, y, color.NRGBA{v, v, v, 255})
		}
	}
	f, out := filmOn(Options{Width: size(7), Height: size(4)})
	f.Show(img, "")
	if got := out.String(); !strings.HasPrefix(got, " ░▒▓█\x1b[K\n") || strings.Contains(got, "m") {
		t.Errorf("%q, want five shades and no colour", got)
	}
}

func TestAFilmNeedsATerminal(t *testing.T) {
	for what, o := range map[string]Options{"a pipe": {}, "a dumb terminal": {StdoutTerminal: true, Still: true}} {
		if _, ok := New(o).Film(); ok {
			t.Errorf("%s shows a film", what)
		}
	}
}
