package playerfile

import (
	"fmt"
	"strings"
)

// Template is a player file with every key explained, ready to be edited. It is
// made from the same table that reads the file.
func Template() []byte {
	var b strings.Builder
	b.WriteString("# A video player, described for Stampreel. Units belong to every figure.\n")
	b.WriteString("# Lines that begin with #name: are optional: take the # away and write your own\n")
	b.WriteString("# value, else a usual one is assumed, and said to be so.\n")
	for i := range schema {
		s := &schema[i]
		depth := strings.Count(s.name, ".")
		_, name := s.place()
		indent := strings.Repeat("  ", depth)
		mark := ""
		if allOff(s) {
			mark = "#"
		}
		if depth == 0 {
			b.WriteByte('\n')
		}
		comment(&b, indent, s.doc)
		fmt.Fprintf(&b, "%s%s%s:\n", indent, mark, name)
		for j := range s.fields {
			f := &s.fields[j]
			doc := f.doc
			if f.need {
				doc += " Needed."
			}
			comment(&b, indent+"  ", doc)
			off := ""
			if !f.need {
				off = "#"
			}
			fmt.Fprintf(&b, "%s  %s%s: %s\n", indent, off, f.key, f.example)
		}
		if s.free != nil {
			for _, line := range s.free.example {
				fmt.Fprintf(&b, "%s  #%s\n", indent, line)
			}
		}
	}
	return []byte(b.String())
}

func comment(b *strings.Builder, indent, text string) {
	for _, line := range strings.Split(text, "\n") {
		fmt.Fprintf(b, "%s# %s\n", indent, line)
	}
}

// allOff says whether a section shows no live key, itself or in those inside it.
func allOff(s *section) bool {
	for _, f := range s.fields {
		if f.need {
			return false
		}
	}
	for i := range schema {
		if inner := &schema[i]; strings.HasPrefix(inner.name, s.name+".") && !allOff(inner) {
			return false
		}
	}
	return true
}
