package reel

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

	"example.org/stampreel/budget/playerfile/strict"
)

// Put is the reel file src, which may be empty, with settings of a source in it. A value of ""
// takes a setting out. Every other line stays as it is, with its comments, and the result is
// read back: a file in which anything else would have changed is refused. name stands in
// errors, all of which are *strict.Error.
func Put(name string, src []byte, settings []Setting, source string, values []Value) ([]byte, error) {
	text := strict.Text(src)
	e := &editor{lines: strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")}
	e.doc = strict.Document{Package: "reel", File: name, Noun: "reel", Src: text}
	before := &File{}
	if e.empty() {
		section := e.section("", source, values)
		if len(bytes.TrimSpace(text)) == 0 {
			e.lines, section = nil, section[1:]
		}
		e.lines = append(e.lines, section...)
	} else {
		var err error
		if before, err = Parse(name, src, settings); err != nil {
			return nil, err
		}
		if err := e.put(source, values); err != nil {
			return nil, err
		}
	}
	ending := "\n"
	if bytes.Contains(src, []byte("\r\n")) {
		ending = "\r\n"
	}
	edited := []byte(strings.Join(e.lines, ending) + ending)
	if bytes.HasPrefix(src, []byte("\ufeff")) {
		edited = append([]byte("\ufeff"), edited...)
	}
	after, err := Parse(name, edited, settings)
	if err != nil {
		return nil, err
	}
	if !sameBut(before, after, source, values) {
		return nil, e.refuse(nil)
	}
	return edited, nil
}

// sameBut says whether a file differs from another by what was put into it, and by nothing else.
func sameBut(before, after *File, source string, values []Value) bool {
	plain := func(c Clip) map[string]string {
		m := map[string]string{"skip": fmt.Sprint(c.Skip), "title": c.Title, "order": fmt.Sprint(c.Order)}
		for _, v := range c.Values {
			m["="+v.Name] = v.Text
		}
		return m
	}
	want := plain(before.Clip(source))
	for _, v := range values {
		if want["="+v.Name] = v.Text; v.Text == "" {
			delete(want, "="+v.Name)
		}
	}
	if !reflect.DeepEqual(want, plain(after.Clip(source))) || !reflect.DeepEqual(plain(Clip{Values: before.Defaults}), plain(Clip{Values: after.Defaults})) {
		return false
	}
	others := func(f *File) map[string]map[string]string {
		m := map[string]map[string]string{}
		for _, c := range f.Clips {
			if c.Source != source {
				m[c.Source] = plain(c)
			}
		}
		return m
	}
	return reflect.DeepEqual(others(before), others(after))
}

// editor changes the text of a reel file, line by line.
type editor struct {
	doc   strict.Document
	lines []string
}

func (e *editor) refuse(t *token.Token) error {
	return e.doc.ErrAt(t, "this file is written in a way in which settings cannot be put into it safely", "write clips: and the sources below it with one key on a line, then save again")
}

// empty tells of a file that has nothing but comments.
func (e *editor) empty() bool {
	return !slices.ContainsFunc(e.lines, func(l string) bool {
		l = strings.TrimSpace(l)
		return l != "" && !strings.HasPrefix(l, "#")
	})
}

// plainText needs no quotes in YAML.
var plainText = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9 ./_-]*$`)

func quoted(text string) string {
	if plainText.MatchString(text) && strings.TrimSpace(text) == text {
		return text
	}
	return strconv.Quote(text)
}

func entries(indent string, values []Value) (lines []string) {
	for _, v := range values {
		if v.Text != "" {
			lines = append(lines, indent+v.Name+": "+quoted(v.Text))
		}
	}
	return lines
}

func (e *editor) section(indent, source string, values []Value) []string {
	return append([]string{"", indent + "clips:", indent + "  " + quoted(source) + ":"}, entries(indent+"    ", values)...)
}

// block is the mapping below a key, each of whose keys stands on a line of its own.
func (e *editor) block(n ast.Node, at *token.Token) (*ast.MappingNode, error) {
	m, ok := n.(*ast.MappingNode)
	if !ok || m.IsFlowStyle {
		return nil, e.refuse(at)
	}
	return m, nil
}

// find is the pair of a key, nil where there is none.
func (e *editor) find(m *ast.MappingNode, name string) *ast.MappingValueNode {
	for _, pair := range m.Values {
		if key, err := e.doc.Key(pair.Key); err == nil && key == name {
			return pair
		}
	}
	return nil
}

// place is the number of a key's line and what stands before it.
func (e *editor) place(pair *ast.MappingValueNode) (line int, indent string, err error) {
	t := pair.Key.GetToken()
	if t == nil || t.Position == nil || t.Position.Line < 1 || t.Position.Line > len(e.lines) {
		return 0, "", e.refuse(t)
	}
	line = t.Position.Line - 1
	indent = e.lines[line][:len(e.lines[line])-len(strings.TrimLeft(e.lines[line], " "))]
	if len(indent) != t.Position.Column-1 {
		return 0, "", e.refuse(t)
	}
	return line, indent, nil
}

// aValue is a key with its value, and what follows on its line.
var aValue = regexp.MustCompile(`^(\s*[\w"'-]+\s*:[ \t]+)("(?:[^"\\]|\\.)*"|'(?:[^']|'')*'|[^\s"'#].*?)((?:[ \t]+#.*)?[ \t]*)$`)

func (e *editor) put(source string, values []Value) error {
	root, err := e.doc.Tree()
	if err != nil {
		return err
	}
	top, err := e.block(root, root.GetToken())
	if err != nil {
		return err
	}
	clips := e.find(top, "clips")
	if clips == nil {
		if slices.Contains(e.lines, "...") {
			return e.refuse(root.GetToken())
		}
		e.lines = append(e.lines, e.section("", source, values)...)
		return nil
	}
	all, err := e.block(clips.Value, clips.Key.GetToken())
	if err != nil {
		return err
	}
	clip := e.find(all, source)
	if clip == nil {
		line, _, err := e.place(clips)
		if err != nil {
			return err
		}
		_, indent, err := e.place(all.Values[0])
		if err != nil {
			return err
		}
		e.lines = slices.Insert(e.lines, line+1, append([]string{indent + quoted(source) + ":"}, entries(indent+"  ", values)...)...)
		return nil
	}
	own, err := e.block(clip.Value, clip.Key.GetToken())
	if err != nil {
		return err
	}
	first, _, err := e.place(clip)
	if err != nil {
		return err
	}
	_, indent, err := e.place(own.Values[0])
	if err != nil {
		return err
	}
	var fresh []Value
	gone := map[int]bool{}
	for _, v := range values {
		pair := e.find(own, v.Name)
		if pair == nil {
			fresh = append(fresh, v)
			continue
		}
		line, _, err := e.place(pair)
		if err != nil {
			return err
		}
		m := aValue.FindStringSubmatch(e.lines[line])
		switch {
		case m == nil:
			return e.refuse(pair.Key.GetToken())
		case v.Text != "":
			e.lines[line] = m[1] + quoted(v.Text) + m[3]
		case strings.TrimSpace(m[3]) != "": // the comment stays
			e.lines[line] = indent + strings.TrimSpace(m[3])
		default:
			gone[line] = true
		}
	}
	kept := slices.Clone(e.lines[:first+1])
	kept = append(kept, entries(indent, fresh)...)
	for i, l := range e.lines[first+1:] {
		if !gone[first+1+i] {
			kept = append(kept, l)
		}
	}
	e.lines = kept
	return nil
}
