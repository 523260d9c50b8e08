package strict

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// Error is something in a file that cannot be right.
type Error struct {
	Package string // that reads such files
	File    string
	Line    int    // counted from 1
	Column  int    // in characters, counted from 1
	What    string // what is wrong
	Try     string // what to do about it
	Excerpt string // the line and its neighbour above, a caret under the place
}

func (e *Error) Error() string {
	return fmt.Sprintf("%s: %s:%d:%d: %s", e.Package, e.File, e.Line, e.Column, e.What)
}

// Tries returns what to do, if anything.
func (e *Error) Tries() []string {
	if e.Try == "" {
		return nil
	}
	return []string{e.Try}
}

// newError places an error in the source; the excerpt is cut from it.
func newError(pack, file string, src []byte, line, column int, what, try string) *Error {
	lines := strings.Split(strings.ReplaceAll(strings.ReplaceAll(string(src), "\r\n", "\n"), "\r", "\n"), "\n")
	line = min(max(line, 1), len(lines))
	column = min(max(column, 1), utf8.RuneCountInString(lines[line-1])+1)
	if r := []rune(what); len(r) > 240 {
		what = string(r[:120]) + " … " + string(r[len(r)-100:])
	}
	from := 0 // characters of an overlong line that the excerpt leaves out
	if column > excerptWidth/2 {
		from = column - excerptWidth/2
	}
	var b strings.Builder
	for n := max(line-1, 1); n <= line; n++ {
		fmt.Fprintf(&b, "%4d | %s\n", n, visible(lines[n-1], from))
	}
	fmt.Fprintf(&b, "     | %s^", strings.Repeat(" ", column-1-from))
	return &Error{Package: pack, File: file, Line: line, Column: column, What: what, Try: try, Excerpt: b.String()}
}

// excerptWidth is the most characters of a line that an excerpt shows.
const excerptWidth = 100

// visible keeps one printed column for each character, so that the caret stands
// where it should, and lets no control character through to a terminal.
func visible(line string, from int) string {
	var b strings.Builder
	runes := []rune(line)
	for _, r := range runes[min(from, len(runes)):min(from+excerptWidth, len(runes))] {
		switch {
		case r == '\t':
			r = ' '
		case r < ' ' || r >= 0x7f && r < 0xa0 || r == utf8.RuneError:
			r = '?'
		}
		b.WriteRune(r)
	}
	return b.String()
}

// Nearest gives the name most like word, or "" when none comes near.
func Nearest(word string, names []string) string {
	best, found := len(word)/3+2, ""
	for _, n := range names {
		if d := distance(word, n); d < best {
			best, found = d, n
		}
	}
	return found
}

// distance counts the letters to add, drop, change or exchange with their
// neighbour to turn a into b (Damerau and Levenshtein, no letter touched twice).
func distance(a, b string) int {
	s, t := []rune(a), []rune(b)
	if len(s) > 64 {
		return len(s)
	}
	rows := [3][]int{make([]int, len(t)+1), make([]int, len(t)+1), make([]int, len(t)+1)}
	for j := range rows[1] {
		rows[1][j] = j
	}
	for i := 1; i <= len(s); i++ {
		older, above, row := rows[(i-1)%3], rows[i%3], rows[(i+1)%3]
		row[0] = i
		for j := 1; j <= len(t); j++ {
			change := above[j-1]
			if s[i-1] != t[j-1] {
				change++
			}
			row[j] = min(above[j]+1, row[j-1]+1, change)
			if i > 1 && j > 1 && s[i-1] == t[j-2] && s[i-2] == t[j-1] {
				row[j] = min(row[j], older[j-2]+1)
			}
		}
	}
	return rows[(len(s)+1)%3][len(t)]
}
