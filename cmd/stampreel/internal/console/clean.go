package console

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/width"
)

// Name returns the name of a file as it may be shown inside a line: control
// characters, line breaks, marks that reorder text and bytes that are not
// UTF-8 appear as escapes such as \n, \x1b and \u202e.
func Name(name string) string { return clean(name, false) }

// cleanLines is Name for text of several lines.
func cleanLines(text string) string { return clean(text, true) }

func clean(text string, lines bool) string {
	fine := true
	for i, r := range text {
		if unshowable(r, lines) || isBadByte(text, i, r) {
			fine = false
			break
		}
	}
	if fine {
		return text
	}
	var b strings.Builder
	for i, r := range text {
		switch {
		case isBadByte(text, i, r):
			fmt.Fprintf(&b, `\x%02x`, text[i])
		case !unshowable(r, lines):
			b.WriteRune(r)
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\r':
			b.WriteString(`\r`)
		case r == '\t':
			b.WriteString(`\t`)
		case r < 0x80:
			fmt.Fprintf(&b, `\x%02x`, r)
		default:
			fmt.Fprintf(&b, `\u%04x`, r)
		}
	}
	return b.String()
}

func isBadByte(text string, at int, r rune) bool {
	if r != utf8.RuneError {
		return false
	}
	_, size := utf8.DecodeRuneInString(text[at:])
	return size == 1
}

// unshowable tells whether r acts on a terminal or on the order of the text
// around it: the controls of ISO 6429 (C0, DEL, C1), the line and paragraph
// separators, and the bidirectional controls of Unicode (UAX #9). In text of
// several lines, line ends and tabs are part of the layout.
func unshowable(r rune, lines bool) bool {
	switch {
	case r == '\n', r == '\t':
		return !lines
	case unicode.IsControl(r):
		return true
	case r == 0x2028, r == 0x2029:
		return true
	}
	return unicode.Is(unicode.Bidi_Control, r)
}

// escapeJSON writes the characters that act on a terminal as \u escapes. They
// occur in a JSON document only inside strings (the layout uses \n and space),
// where the escape stands for the same character.
func escapeJSON(document string) string {
	var b strings.Builder
	for _, r := range document {
		if r != '\n' && unshowable(r, true) {
			fmt.Fprintf(&b, `\u%04x`, r)
		} else {
			b.WriteRune(r)
		}
	}
	return b.String()
}

// Columns is the number of terminal columns that text of one line takes: two
// for a wide character (Unicode Standard Annex #11), none for a mark on the
// character before.
func Columns(text string) int {
	n := 0
	for _, r := range text {
		n += columns(r)
	}
	return n
}

func columns(r rune) int {
	if unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf) {
		return 0
	}
	switch width.LookupRune(r).Kind() {
	case width.EastAsianWide, width.EastAsianFullwidth:
		return 2
	}
	return 1
}

// Cut shortens text to at most n columns, ending it with "…" where something
// was left out.
func Cut(text string, n int) string {
	if Columns(text) <= n {
		return text
	}
	if n < 1 {
		return ""
	}
	taken := 0
	for i, r := range text {
		if taken+columns(r) > n-1 {
			return text[:i] + "…"
		}
		taken += columns(r)
	}
	return text
}
