package console

import (
	"strings"
	"testing"
)

func clips() *Table {
	t := NewTable(Words("clip"), Numbers("need", "MB/s"), Numbers("margin", "%"), Words("verdict"))
	t.Row("film.srq", "1.26", "16", Careful("tight"))
	t.Row("駅.srq", "0.85", "-7", Bad("stutters"))
	t.Row("a.srq", "12.00", "60", Good("plays"))
	return t
}

func TestNumbersStandRightUnderTheirUnit(t *testing.T) {
	c, stdout, _ := pipe()
	table := clips()
	table.Total("3 clips", "14.11")
	c.Table(table)
	want := `
clip       need  margin  verdict
           MB/s       %
film.srq   1.26      16  tight
駅.srq     0.85      -7  stutters
a.srq     12.00      60  plays
---------------------------------
3 clips   14.11
`
	if got := "\n" + stdout.String(); got != want {
		t.Errorf("got%swant%s", got, want)
	}
}

func TestATableWithoutUnitsHasOneLineOfHeadings(t *testing.T) {
	table := NewTable(Words("kind"), Numbers("files", ""))
	table.Row("GIF", "12")
	if got, want := table.render(0, false), "kind  files\nGIF      12\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestANarrowTerminalCutsTheWidestText(t *testing.T) {
	c, stdout, _ := terminal(30, false)
	table := NewTable(Words("clip"), Numbers("need", "MB/s"), Words("verdict"))
	table.Row("a very long name of a clip.srq", "1.26", "plays")
	table.Row("日本日本日本日本日本日本", "1.26", "plays")
	c.Table(table)
	want := "" +
		"clip             need  verdict\n" +
		"                 MB/s\n" +
		"a very long na…  1.26  plays\n" +
		"日本日本日本日…  1.26  plays\n"
	if got := stdout.String(); got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
	// In a pipe nothing is cut.
	if got := table.render(0, false); !strings.Contains(got, "a very long name of a clip.srq  1.26") {
		t.Errorf("cut in a pipe:\n%s", got)
	}
}

func TestColourDoesNotMoveColumns(t *testing.T) {
	plainText := clips().render(0, false)
	coloured := clips().render(0, true)
	if coloured == plainText {
		t.Fatal("no colour")
	}
	for _, p := range []paint{bold, red, green, yellow} {
		coloured = strings.ReplaceAll(coloured, "\x1b["+string(p)+"m", "")
	}
	coloured = strings.ReplaceAll(coloured, "\x1b[0m", "")
	if coloured != plainText {
		t.Errorf("got\n%swant\n%s", coloured, plainText)
	}
}

func TestColumnsFollowTheWidthOfCharacters(t *testing.T) {
	// Unicode Standard Annex #11: ideographs, kana, Hangul syllables and
	// full-width forms take two columns; combining marks take none.
	cases := map[string]int{
		"": 0, "abc": 3, "é": 1, "e\u0301": 1, "日本": 4, "カ": 2, "ｶ": 1, "한": 2, "Ａ": 2, "🚂": 2, "…": 1, "a\u200db": 2,
	}
	for text, want := range cases {
		if got := Columns(text); got != want {
			t.Errorf("Columns(%q) = %d, want %d", text, got, want)
		}
	}
}

func TestCutKeepsWithinItsColumns(t *testing.T) {
	cases := []struct {
		text string
		n    int
		want string
	}{
		{"abcdef", 6, "abcdef"}, {"abcdef", 5, "abcd…"}, {"abcdef", 1, "…"}, {"abcdef", 0, ""}, {"abcdef", -1, ""},
		{"日本語", 5, "日本…"}, {"日本語", 4, "日…"}, {"", 0, ""},
	}
	for _, c := range cases {
		if got := Cut(c.text, c.n); got != c.want {
			t.Errorf("Cut(%q, %d) = %q, want %q", c.text, c.n, got, c.want)
		}
	}
}
