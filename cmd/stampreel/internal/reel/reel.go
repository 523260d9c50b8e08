// Package reel reads the file in which a folder of sources says how its clips are packed:
// settings for all of them, and others for single ones. It has the names of the flags of
// `pack`, and leaves their values to whoever reads those flags, so that a setting means the
// same in both places. Like a player file it is strict: a key that nobody knows, or a source
// that is not there, is an error with its place.
package reel

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"

	"example.org/stampreel/budget/playerfile/strict"
	"example.org/stampreel/container/guide"
)

// Name is that of the file in its folder.
const Name = "reel.yaml"

// Setting is something that the file may say of clips.
type Setting struct {
	Name  string
	YesNo bool     // yes or no; else any text, …
	Words []string // … or one of these
	Doc   string   // one line of the template
}

// Value is a setting as it was given: in the file, or, with Line 0, on the command line.
type Value struct {
	Name         string
	Text         string // "true" and "false" for yes and no
	Line, Column int    // of the text
}

// Clip is what the file says of one source.
type Clip struct {
	Source       string // its path in the folder, with slashes
	Skip         bool   // no clip is made of it
	Title        string // in the card's guide; "" for the name of its file
	Order        int    // on its shelf, from 1; 0 behind those that have one
	Values       []Value
	Line, Column int // of the name
}

// File is what a reel file says.
type File struct {
	Defaults []Value
	Clips    []Clip

	doc strict.Document
}

// Load reads the file of a folder; nil when there is none.
func Load(path string, settings []Setting) (*File, error) {
	data, err := strict.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("reel: %w", err)
	}
	return Parse(path, data, settings)
}

// Parse reads a reel file; name stands in its errors, all of which are *strict.Error.
func Parse(name string, data []byte, settings []Setting) (*File, error) {
	f := &File{doc: strict.Document{Package: "reel", File: name, Noun: "reel", Template: "start from the template that `reel new` writes", Src: strict.Text(data)}}
	root, err := f.doc.Tree()
	if err != nil {
		return nil, err
	}
	err = f.each(root, "a reel file is made of defaults: and clips:", func(key *token.Token, name string, n ast.Node) error {
		switch name {
		case "defaults":
			f.Defaults, err = f.section(key, name, n, settings)
			return err
		case "clips":
			return f.each(n, "clips: holds names of sources, each with its settings", func(key *token.Token, source string, n ast.Node) error {
				if source == "" {
					return f.doc.ErrAt(key, "a source without a name", "write its path in the folder, as trains/express.gif:")
				}
				c := Clip{Source: source, Line: key.Position.Line, Column: key.Position.Column}
				values, err := f.section(key, source, n, append(ofOne[:len(ofOne):len(ofOne)], settings...))
				for _, v := range values {
					switch v.Name {
					case "skip":
						c.Skip = v.Text == "true"
					case "title":
						c.Title = v.Text
						if what := guide.CheckTitle(v.Text); err == nil && what != nil {
							err = f.Bad(v, what.Error(), "a shorter title on one line")
						}
					case "order":
						var what error
						c.Order, what = strconv.Atoi(v.Text)
						if err == nil && (what != nil || c.Order < 1 || c.Order > guide.MaxClips) {
							err = f.Bad(v, fmt.Sprintf("order: %q is no whole number from 1 to %d", v.Text, guide.MaxClips), "order: 1 for the first clip of its shelf")
						}
					default:
						c.Values = append(c.Values, v)
					}
				}
				f.Clips = append(f.Clips, c)
				return err
			})
		}
		return f.unknown(key, fmt.Sprintf("unknown section %q", name), name, []string{"defaults", "clips"})
	})
	if err != nil {
		return nil, err
	}
	return f, nil
}

// ofOne are the settings of single sources alone, beside those that fill is given.
var ofOne = []Setting{
	{Name: "skip", YesNo: true, Doc: "make no clip of this source"},
	{Name: "title", Doc: "of the clip in the card's guide, in place of the name of its file"},
	{Name: "order", Doc: "of the clip on its shelf, from 1; clips without one come behind, by their names"},
}

// each goes through the keys of a mapping.
func (f *File) each(n ast.Node, otherwise string, do func(key *token.Token, name string, n ast.Node) error) error {
	m, ok := n.(*ast.MappingNode)
	if !ok {
		var t *token.Token
		if n != nil {
			t = n.GetToken()
		}
		return f.doc.ErrAt(t, otherwise, f.doc.Template)
	}
	seen := make(map[string]bool)
	for _, pair := range m.Values {
		name, err := f.doc.Key(pair.Key)
		if err != nil {
			return err
		}
		key := pair.Key.GetToken()
		if key.Position == nil {
			return f.doc.ErrAt(nil, "a key must be a plain word", f.doc.Template)
		}
		if seen[name] {
			return f.doc.ErrAt(key, fmt.Sprintf("%s stands here a second time", name), "keep one of the two")
		}
		seen[name] = true
		if _, empty := pair.Value.(*ast.NullNode); empty || pair.Value == nil {
			return f.doc.ErrAt(key, fmt.Sprintf("%s has no value", name), "write one behind or below it, or delete the line")
		}
		if err := do(key, name, pair.Value); err != nil {
			return err
		}
	}
	return nil
}

// section reads the settings of one clip, or of all.
func (f *File) section(at *token.Token, of string, n ast.Node, settings []Setting) (values []Value, err error) {
	err = f.each(n, fmt.Sprintf("%s holds settings, not one value", of), func(key *token.Token, name string, n ast.Node) error {
		for _, s := range settings {
			if s.Name != name {
				continue
			}
			text, t, err := f.doc.Scalar(key, name, n, s.example())
			if err != nil {
				return err
			}
			if s.YesNo {
				switch text {
				case "yes", "true":
					text = "true"
				case "no", "false":
					text = "false"
				default:
					return f.doc.ErrAt(t, fmt.Sprintf("%s: %q is neither yes nor no", name, text), "write "+name+": yes")
				}
			}
			v := Value{Name: name, Text: text, Line: key.Position.Line, Column: key.Position.Column}
			if t.Position != nil {
				v.Line, v.Column = t.Position.Line, t.Position.Column
			}
			values = append(values, v)
			return nil
		}
		var names []string
		for _, s := range settings {
			names = append(names, s.Name)
		}
		if slices.ContainsFunc(ofOne, func(s Setting) bool { return s.Name == name }) {
			return f.doc.ErrAt(key, name+" is for single sources, under clips:", "delete the line")
		}
		return f.unknown(key, fmt.Sprintf("unknown key %q in %s", name, of), name, names)
	})
	return values, err
}

func (s Setting) example() string {
	if s.YesNo {
		return s.Name + ": yes"
	}
	return s.Name + ": VALUE"
}

func (f *File) unknown(t *token.Token, what, name string, names []string) error {
	if near := strict.Nearest(name, names); near != "" {
		return f.doc.ErrAt(t, what, fmt.Sprintf("did you mean %s?", near))
	}
	return f.doc.ErrAt(t, what, "there are "+strings.Join(names, ", "))
}

// Matches says whether every source that the file names is among those of the folder; if one
// is not, the error names one that is like it.
func (f *File) Matches(sources []string) error {
	known := make(map[string]bool)
	for _, s := range sources {
		known[s] = true
	}
	for _, c := range f.Clips {
		if known[c.Source] {
			continue
		}
		try := "write its path in the folder, or delete the entry"
		if near := strict.Nearest(c.Source, sources); near != "" {
			try = fmt.Sprintf("did you mean %s?", near)
		}
		return f.doc.Err(c.Line, c.Column, fmt.Sprintf("no source of the folder is called %q", c.Source), try)
	}
	return nil
}

// Clip is what the file says of a source; one that it does not name has nothing of its own.
func (f *File) Clip(source string) Clip {
	for _, c := range f.Clips {
		if c.Source == source {
			return c
		}
	}
	return Clip{Source: source}
}

// Bad is an error at a value of the file.
func (f *File) Bad(v Value, what, try string) error { return f.doc.Err(v.Line, v.Column, what, try) }

// Over lays values over others: a setting that both give is that of the upper ones, and so is
// one that the upper ones rule out.
func Over(upper, lower []Value) []Value {
	all := append([]Value(nil), upper...)
	for _, low := range lower {
		keep := true
		for _, up := range upper {
			keep = keep && up.Name != low.Name && !up.rulesOut(low.Name)
		}
		if keep {
			all = append(all, low)
		}
	}
	return all
}

// rulesOut tells of settings that cannot stand beside this one.
func (v Value) rulesOut(name string) bool {
	switch v.Name {
	case "loop":
		return name == "no-loop"
	case "no-loop":
		return name == "loop"
	case "bars":
		return name == "crop" && v.Text == "true"
	case "crop":
		return name == "bars"
	case "quality":
		return name == "margin"
	case "margin":
		return name == "quality"
	case "coding":
		return name == "quality" && v.Text != "jpeg" && v.Text != "auto"
	}
	return false
}

// Template is a reel file with every setting explained, all of them off.
func Template(settings []Setting) []byte {
	var b strings.Builder
	b.WriteString("# How the clips of this folder are packed. The settings are the flags of `pack`, by\n" +
		"# the same names. A flag of `fill` wins over what a clip has here, and that over defaults.\n" +
		"# Take the # away from what you want, and from the line of its section.\n\n" +
		"# For all clips.\n#defaults:\n")
	for _, s := range settings {
		for line := ""; s.Doc != ""; {
			line, s.Doc = firstLine(s.Doc, 84)
			fmt.Fprintf(&b, "  # %s\n", line)
		}
		fmt.Fprintf(&b, "  #%s\n", s.example())
	}
	fmt.Fprintf(&b, "\n# For single ones, under the path of their source in this folder.\n#clips:\n  #trains/express.gif:\n    #rate: 12.5\n")
	for i, line := range []string{"title: The night express", "order: 1"} {
		fmt.Fprintf(&b, "    #%s # %s\n", line, ofOne[1+i].Doc)
	}
	fmt.Fprintf(&b, "  #trains/draft.gif:\n    #skip: yes # %s\n", ofOne[0].Doc)
	return []byte(b.String())
}

// firstLine takes the words from a text that make a line of so many bytes, or at least one.
func firstLine(text string, width int) (line, rest string) {
	if len(text) <= width {
		return text, ""
	}
	if i := strings.LastIndexByte(text[:width+1], ' '); i > 0 {
		return text[:i], text[i+1:]
	}
	line, rest, _ = strings.Cut(text, " ")
	return line, rest
}
