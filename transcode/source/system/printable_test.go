package system

import "testing"

func TestTitlesSteerNoTerminal(t *testing.T) {
	for title, want := range map[string]string{
		"Director’s commentary": "Director’s commentary",
		"\x1b[2Jgone\a":         "[2Jgone",
		"two\r\nlines":          "two  lines",
		"right\u202eleft":       "rightleft",
		"\tmusic \x00":          "music",
		"caf\xe9":               "caf\ufffd",
	} {
		if got := printable(title); got != want {
			t.Errorf("%q becomes %q, want %q", title, got, want)
		}
	}
}
