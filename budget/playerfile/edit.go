package playerfile

import (
	"bytes"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// WithMeasured is the player file src with m as its section card.measured:
// figures that m does not know are taken out, for they belong to another timing.
// Every other line stays as it is, with its comments, and the result is read
// back: a file in which anything else would have changed is refused. name stands
// in errors, all of which are *Error.
func WithMeasured(name string, src []byte, m CardMeasured) ([]byte, error) {
	before, err := Parse(name, src)
	if err != nil {
		return nil, err
	}
	body := bytes.TrimPrefix(src, []byte("\ufeff"))
	mark := src[:len(src)-len(body)]
	e := &editor{walker: newWalker(name, body), lines: strings.SplitAfter(string(body), "\n"), ending: "\n"}
	if strings.HasSuffix(e.lines[0], "\r\n") {
		e.ending = "\r\n"
	}
	if err := e.measured(m); err != nil {
		return nil, err
	}
	edited := append(slices.Clone(mark), strings.Join(e.lines, "")...)
	after, err := Parse(name, edited)
	if err != nil {
		return nil, err
	}
	want := *before
	want.Card.Measured = m
	if !reflect.DeepEqual(after, &want) {
		return nil, e.refuse(nil)
	}
	return edited, nil
}

// editor changes the text of a player file, line by line.
type editor struct {
	walker
	lines  []string // each with its ending
	ending string
}

// entry is a key and its value as text.
type entry struct{ key, text string }

const measuredSection = "card.measured"

// entries writes the figures of m in the order of the schema.
func (m CardMeasured) entries() (all []entry) {
	p := &Player{Card: Card{Measured: m}}
	for _, f := range sectionOf(measuredSection).fields {
		if r := f.show(p); r.Origin != Unknown {
			all = append(all, entry{f.key, quoted(r.Text)})
		}
	}
	return all
}

// plainValue is text that needs no quotes in YAML, wherever it stands.
var plainValue = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9 ./_()-]*$`)

func quoted(text string) string {
	if plainValue.MatchString(text) {
		return text
	}
	return strconv.Quote(text)
}

func inBraces(entries []entry) string {
	var parts []string
	for _, x := range entries {
		parts = append(parts, x.key+": "+x.text)
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

func (e *editor) refuse(t *token.Token) error {
	return e.ErrAt(t, "this file is written in a way in which measured figures cannot be put into it safely", "write card: and measured: with one key on a line, then save again")
}

// measured changes, adds or fills the section.
func (e *editor) measured(m CardMeasured) error {
	entries := m.entries()
	root, err := e.Tree()
	if err != nil {
		return err
	}
	top, ok := root.(*ast.MappingNode)
	if !ok || top.IsFlowStyle {
		return e.refuse(root.GetToken())
	}
	at := index(top, "card")
	if at < 0 {
		return e.refuse(root.GetToken())
	}
	card, ok := top.Values[at].Value.(*ast.MappingNode)
	if !ok || card.IsFlowStyle {
		return e.refuse(top.Values[at].Key.GetToken())
	}
	old := index(card, "measured")
	if old < 0 {
		return e.append(top, at, card, entries)
	}
	section, ok := card.Values[old].Value.(*ast.MappingNode)
	switch {
	case !ok:
		return e.refuse(card.Values[old].Key.GetToken())
	case section.IsFlowStyle:
		return e.between(section.Start, section.End, inBraces(entries))
	}
	return e.keys(section, entries)
}

// index is the place of a key in a section, or -1.
func index(m *ast.MappingNode, key string) int {
	return slices.IndexFunc(m.Values, func(v *ast.MappingValueNode) bool {
		t := v.Key.GetToken()
		return t != nil && t.Value == key
	})
}

// cut parts the line of t before its column.
func (e *editor) cut(t *token.Token) (line int, left, right string, ok bool) {
	if t == nil || t.Position == nil || t.Position.Line < 1 || t.Position.Line > len(e.lines) {
		return 0, "", "", false
	}
	line = t.Position.Line - 1
	runes := []rune(e.lines[line])
	column := t.Position.Column - 1
	if column < 0 || column > len(runes) {
		return 0, "", "", false
	}
	return line, string(runes[:column]), string(runes[column:]), true
}

// between puts text in place of what stands from one brace to the other.
func (e *editor) between(open, shut *token.Token, text string) error {
	first, left, from, ok1 := e.cut(open)
	last, to, right, ok2 := e.cut(shut)
	if !ok1 || !ok2 || first > last || !strings.HasPrefix(from, "{") || !strings.HasPrefix(right, "}") {
		return e.refuse(open)
	}
	if first != last && strings.Contains(from+strings.Join(e.lines[first+1:last], "")+to, "#") {
		return e.refuse(open) // comments in there would be lost
	}
	e.lines = slices.Replace(e.lines, first, last+1, left+text+right[1:])
	return nil
}

// oneLine is a key with its value and what follows: space and a comment.
var oneLine = regexp.MustCompile(`^([ \t]*[\w"'-]+[ \t]*:[ \t]+)("(?:[^"\\]|\\.)*"|'(?:[^']|'')*'|[^\s"'#].*?)((?:[ \t]+#.*?)?[ \t]*)(\r?\n?)$`)

// keys changes the lines of a section that has one key on each.
func (e *editor) keys(section *ast.MappingNode, entries []entry) error {
	last, indent := 0, ""
	changed := map[int]string{}
	for _, v := range section.Values {
		t := v.Key.GetToken()
		line, left, _, ok := e.cut(t)
		if !ok || strings.Trim(left, " ") != "" {
			return e.refuse(t)
		}
		m := oneLine.FindStringSubmatch(e.lines[line])
		if m == nil {
			return e.refuse(t)
		}
		indent, last = left, max(last, line)
		i := slices.IndexFunc(entries, func(x entry) bool { return x.key == t.Value })
		switch comment := strings.TrimLeft(m[3], " \t"); {
		case i >= 0:
			changed[line] = m[1] + entries[i].text + m[3] + m[4]
			entries = slices.Delete(entries, i, i+1)
		case comment != "":
			changed[line] = indent + comment + m[4]
		default:
			changed[line] = ""
		}
	}
	for line, text := range changed {
		e.lines[line] = text
	}
	e.insert(last+1, indent, entries)
	return nil
}

// append writes the section behind all that belongs to card.
func (e *editor) append(top *ast.MappingNode, at int, card *ast.MappingNode, entries []entry) error {
	line := len(e.lines)
	if at+1 < len(top.Values) {
		next, _, _, ok := e.cut(top.Values[at+1].Key.GetToken())
		if !ok {
			return e.refuse(top.Values[at].Key.GetToken())
		}
		line = next
	}
	indent := strings.Repeat(" ", card.Values[0].Key.GetToken().Position.Column-1)
	for line > 0 {
		text := strings.TrimSpace(e.lines[line-1])
		above := strings.HasPrefix(text, "#") && !strings.HasPrefix(e.lines[line-1], indent) // speaks of the next section
		if text != "" && text != "..." && !above {
			break
		}
		line--
	}
	e.insert(line, indent, []entry{{"measured", ""}})
	e.insert(line+1, indent+"  ", entries)
	return nil
}

// insert puts keys in front of a line.
func (e *editor) insert(line int, indent string, entries []entry) {
	if len(entries) == 0 {
		return
	}
	if line > 0 && e.lines[line-1] != "" && !strings.HasSuffix(e.lines[line-1], "\n") {
		e.lines[line-1] += e.ending
	}
	var added []string
	for _, x := range entries {
		added = append(added, strings.TrimRight(fmt.Sprintf("%s%s: %s", indent, x.key, x.text), " ")+e.ending)
	}
	e.lines = slices.Insert(e.lines, line, added...)
}
