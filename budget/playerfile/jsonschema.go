package playerfile

import (
	"encoding/json"
	"maps"
	"regexp"
	"slices"
	"strings"
)

// form is a JSON Schema of one value, as far as one can say it: limits of figures with units,
// and what goes with what, it cannot.
type form map[string]any

func like(pattern string) form { return form{"type": "string", "pattern": "^" + pattern + "$"} }

func oneOfWords(names ...string) form { return form{"enum": names} }

// form is that of a number and a unit.
func (u unitTable) form() form {
	var units []string
	for _, name := range slices.Sorted(maps.Keys(u.scale)) {
		units = append(units, regexp.QuoteMeta(name))
	}
	return like(`([0-9]+/[0-9]+|[0-9]+(\.[0-9]+)?) *(` + strings.Join(units, "|") + `)`)
}

// JSONSchema is a JSON Schema (draft 2020-12, json-schema.org) of the player file, for editors
// that check YAML by one. What it refuses Parse refuses too; Parse has the last word.
func JSONSchema() []byte {
	root := form{
		"$schema":     "https://json-schema.org/draft/2020-12/schema",
		"title":       "A video player, described for Stampreel",
		"description": "Units belong to every figure.",
	}
	root.hold("")
	text, err := json.MarshalIndent(root, "", "  ")
	if err != nil {
		panic(err) // of maps, texts and numbers
	}
	return append(text, '\n')
}

// hold adds the keys and sections that may stand in a section.
func (f form) hold(path string) {
	keys, needed := form{}, []string{}
	if s := sectionOf(path); s != nil {
		for _, field := range s.fields {
			keys[field.key] = field.schema()
			if field.need {
				needed = append(needed, field.key)
			}
		}
		if s.free != nil {
			f["additionalProperties"] = form{"type": "integer", "minimum": 1, "maximum": 1000}
		}
	}
	for _, s := range schema {
		parent, name := s.place()
		if parent != path {
			continue
		}
		inner := form{"description": unwrapped(s.doc)}
		inner.hold(s.name)
		keys[name] = inner
		if s.need {
			needed = append(needed, name)
		}
	}
	f["type"] = "object"
	f["properties"] = keys
	if len(needed) > 0 {
		f["required"] = needed
	}
	if f["additionalProperties"] == nil {
		f["additionalProperties"] = false
	}
}

func (f *field) schema() form {
	s := maps.Clone(f.form)
	if f.list {
		s = form{"type": "array", "items": s}
	} else {
		s["examples"] = []string{f.example}
	}
	s["description"] = unwrapped(f.doc)
	return s
}

// unwrapped is a text of the template in one line.
func unwrapped(text string) string { return strings.ReplaceAll(text, "\n", " ") }
