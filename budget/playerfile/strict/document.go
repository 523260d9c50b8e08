// Package strict reads small YAML files that people write by hand, such as player files, and
// places every error: line, column, the line itself with a caret, and what to do about it.
// It knows the language; what keys mean is up to the packages that read with it. Values are
// handed on as the text that stands in the file, so that no YAML type changes them.
package strict

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// MaxBytes is the longest file that is read.
const MaxBytes = 64 << 10

// What is handed to the YAML parser is bounded, since deep nesting costs it time
// with the square of the depth: marks that open a level on one line, and brackets
// in all. The files read so go three deep.
const (
	maxMarks    = 8
	maxBrackets = 64
)

// Document is one file and what its errors say of it.
type Document struct {
	Package  string // that reads it
	File     string // its name
	Noun     string // what it describes: "player"
	Template string // the try: of whoever is lost
	Src      []byte
}

// ReadFile reads a file from the disk, no more of it than it takes to refuse what is too long.
func ReadFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, MaxBytes+1))
}

// Text is what a parser is to see of a file: without byte order mark, and with lines ended as
// the YAML parser counts them; it takes a comment before CR LF for two lines.
func Text(data []byte) []byte {
	return bytes.ReplaceAll(bytes.TrimPrefix(data, []byte("\ufeff")), []byte("\r\n"), []byte("\n"))
}

// Err places an error.
func (d *Document) Err(line, column int, what, try string) error {
	return newError(d.Package, d.File, d.Src, line, column, what, try)
}

// ErrAt places an error at a token, or at the top when there is none.
func (d *Document) ErrAt(t *token.Token, what, try string) error {
	if t == nil || t.Position == nil {
		return d.Err(1, 1, what, try)
	}
	return d.Err(t.Position.Line, t.Position.Column, what, try)
}

// Tree gives the one document of the file.
func (d *Document) Tree() (root ast.Node, err error) {
	if len(d.Src) > MaxBytes {
		return nil, d.Err(1, 1, fmt.Sprintf("longer than %d bytes", MaxBytes), fmt.Sprintf("a %s file is one page of text; is this the right file?", d.Noun))
	}
	if err := d.plainText(); err != nil {
		return nil, err
	}
	// The parser is another's code and may meet a file its authors did not think of.
	defer func() {
		if r := recover(); r != nil {
			root, err = nil, d.Err(1, 1, "not readable as YAML", d.Template)
		}
	}()
	file, err := parser.ParseBytes(d.Src, 0)
	if err != nil {
		var at yaml.Error
		if errors.As(err, &at) && at.GetToken() != nil {
			try := "see the line above, too: a quote, a colon or the indent may be at fault"
			if strings.Contains(at.GetMessage(), "already defined") {
				try = "keep one of the two lines"
			}
			return nil, d.ErrAt(at.GetToken(), at.GetMessage(), try)
		}
		return nil, d.Err(1, 1, "not readable as YAML", d.Template)
	}
	var docs []ast.Node
	for _, one := range file.Docs {
		if one.Body == nil && len(file.Docs) > 1 && len(docs) > 0 {
			return nil, d.ErrAt(one.Start, "a second document begins here", fmt.Sprintf("keep one %s in a file; delete from the line of dashes on", d.Noun))
		}
		if one.Body != nil {
			docs = append(docs, one.Body)
		}
	}
	switch {
	case len(docs) == 0:
		return nil, d.Err(1, 1, "the file is empty", d.Template)
	case len(docs) > 1:
		return nil, d.ErrAt(docs[1].GetToken(), "a second document begins here", fmt.Sprintf("keep one %s in a file; delete from the line of dashes on", d.Noun))
	}
	return docs[0], nil
}

// plainText refuses what is no text, and nesting deep enough to tire a parser.
func (d *Document) plainText() error {
	line, start, marks, brackets, comment := 1, 0, 0, 0, false
	at := func(i int, what, try string) error {
		return d.Err(line, utf8.RuneCount(d.Src[start:i])+1, what, try)
	}
	for i, r := range string(d.Src) {
		switch {
		case r == '\n':
			line, start, marks, comment = line+1, i+1, 0, false
		case r == utf8.RuneError, r < ' ' && r != '\t' && r != '\r', r == 0x7f:
			return at(i, "a character that is no text", "save the file as UTF-8 text")
		case comment:
		case r == '#':
			comment = true
		case r == '[', r == '{':
			brackets++
		case (r == '-' || r == '?' || r == ':') && bytes.HasPrefix(d.Src[i+1:], []byte(" ")):
			marks++
		}
		if marks > maxMarks || brackets > maxBrackets {
			return at(i, "too many brackets, colons or dashes", d.Template)
		}
	}
	return nil
}

// Key is the text of a mapping's key, which must be a plain word.
func (d *Document) Key(k ast.MapKeyNode) (string, error) {
	if _, ok := k.(ast.ScalarNode); !ok || k.GetToken() == nil {
		return "", d.ErrAt(k.GetToken(), "a key must be a plain word", d.Template)
	}
	if _, merge := k.(*ast.MergeKeyNode); merge {
		return "", d.ErrAt(k.GetToken(), "one section cannot be merged into another here", "write the keys out")
	}
	return k.GetToken().Value, nil
}

// Scalar is the text of a single value as it stands in the file.
func (d *Document) Scalar(key *token.Token, full string, n ast.Node, hint string) (string, *token.Token, error) {
	if n == nil {
		return "", nil, d.ErrAt(key, fmt.Sprintf("%s has no value", full), fmt.Sprintf("write one, as %s", hint))
	}
	t := n.GetToken()
	switch n.(type) {
	case *ast.StringNode, *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return strings.TrimSpace(t.Value), t, nil
	case *ast.NullNode:
		return "", nil, d.ErrAt(key, fmt.Sprintf("%s has no value", full), fmt.Sprintf("write one, as %s", hint))
	case *ast.AnchorNode, *ast.AliasNode:
		return "", nil, d.ErrAt(t, fmt.Sprintf("%s: marks that repeat a value (& and *) are not read here", full), "write the value out")
	case *ast.TagNode:
		return "", nil, d.ErrAt(t, fmt.Sprintf("%s: type marks (!) are not read here", full), "write the value alone")
	case *ast.LiteralNode:
		return "", nil, d.ErrAt(t, fmt.Sprintf("%s: a value stands on one line", full), fmt.Sprintf("write it behind the colon, as %s", hint))
	}
	return "", nil, d.ErrAt(t, fmt.Sprintf("%s wants a single value", full), fmt.Sprintf("write it behind the colon, as %s", hint))
}
