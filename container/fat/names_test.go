package fat

import (
	"errors"
	"fmt"
	"strings"
	"testing"
)

// The first two are Microsoft's own examples (from memory); the rest follow the
// specification's rules for the basis name and the numeric tail.
func TestShortNamesAreThoseOfTheSpecification(t *testing.T) {
	for _, c := range []struct{ name, want string }{
		{"The quick brown.fox", "THEQUI~1.FOX"},
		{"TextFile.Mine.txt", "TEXTFI~1.TXT"},
		{"ABC.TXT", "ABC.TXT"},
		{"abc.txt", "ABC.TXT"},
		{"abcdefgh.txt", "ABCDEFGH.TXT"},
		{"abcdefghi.txt", "ABCDEF~1.TXT"},
		{"abc.text", "ABC~1.TEX"},
		{".profile", "PROFIL~1"},
		{"a+b.c,d", "A_B~1.C_D"},
		{"Süd.srq", "S_D~1.SRQ"},
		{"東", "_~1"},
		{"🚂.srq", "_~1.SRQ"},
		{"a b", "AB~1"},
		{"v1.2.srq", "V12~1.SRQ"},
		{"x", "X"},
	} {
		if got := aliases([]string{c.name})[0].String(); got != c.want {
			t.Errorf("%s becomes %s, want %s", c.name, got, c.want)
		}
	}
}

// The twin is the specification's own loop, from memory; that mtools and 7-Zip find
// the long names of every card in cards_test.go holds it as well.
func TestChecksumsTieLongNamesToShortOnes(t *testing.T) {
	sum := func(name string) byte {
		var s byte
		for i := range 11 {
			if s&1 != 0 {
				s = 0x80 + s>>1 + name[i]
			} else {
				s = s>>1 + name[i]
			}
		}
		return s
	}
	for _, name := range []string{"THEQUI~1FOX", "A       SRQ", "           ", "\xE5\xFF\x80ABCDEFGH"} {
		var s shortName
		copy(s[:], name)
		if got, want := s.checksum(), sum(name); got != want {
			t.Errorf("%q: %#x, want %#x", name, got, want)
		}
	}
}

func TestShortNamesOfAFolderAreAllDifferent(t *testing.T) {
	names := []string{"film one.srq", "FILM~1.SRQ", "FILMON~1.SRQ", "filmon~2.srq", "film one.srqx"}
	for i := range 20_000 {
		names = append(names, fmt.Sprintf("film one %d.srq", i))
	}
	for i := range 2_000 {
		names = append(names, fmt.Sprintf("filmo%d.a long end", i))
	}
	seen := make(map[shortName]string)
	for i, s := range aliases(names) {
		if other, ok := seen[s]; ok {
			t.Fatalf("%s and %s are both %s", other, names[i], s)
		}
		seen[s] = names[i]
		stem, ext, _ := strings.Cut(s.String(), ".")
		if len(stem) > 8 || len(ext) > 3 || s.String() != strings.ToUpper(s.String()) {
			t.Fatalf("%s becomes %s", names[i], s)
		}
	}
	for name, want := range map[string]string{"FILM~1.SRQ": "FILM~1.SRQ", "FILMON~1.SRQ": "FILMON~1.SRQ", "filmon~2.srq": "FILMON~2.SRQ", "film one.srq": "FILMON~3.SRQ"} {
		var s shortName
		for at, n := range seen {
			if n == name {
				s = at
			}
		}
		if s.String() != want {
			t.Errorf("%s becomes %s, want %s", name, s, want)
		}
	}
}

func TestNamesThatACardCannotHaveAreRefused(t *testing.T) {
	for _, path := range []string{
		"", ".", "/a", "a/", "a/../b", "a//b", "a:b", "a*", "tab\t", "end.", "end ", "folder./a", "con", "Aux.srq", "nul.tar.gz", "com1", "LPT9.x", "COM²", "lpt1 .txt", "conin$",
		"bad\xff", strings.Repeat("x", 256), strings.Repeat("🚂", 128), `a\b`,
	} {
		var name *NameError
		if _, err := Plan(Options{Bytes: 64 * mib}, []Planned{{Path: path}}); !errors.As(err, &name) {
			t.Errorf("%q: %v, want a NameError", path, err)
		}
	}
	for _, path := range []string{"console", "com", "com0", "com10", "lpt", "auxiliary.srq", " x", strings.Repeat("x", 255), strings.Repeat("🚂", 127), "a.b.c", ".a", "com１"} {
		if _, err := Plan(Options{Bytes: 64 * mib}, []Planned{{Path: path}}); err != nil {
			t.Errorf("%q: %v", path, err)
		}
	}
}

func TestNamesThatDifferInCaseAloneCollide(t *testing.T) {
	for _, pair := range [][2]string{{"a.srq", "A.SRQ"}, {"süd", "SÜD"}, {"ПОЕЗД", "поезд"}, {"Σς", "σΣ"}, {"x/a", "X/b"}, {"a", "a"}, {"a", "a/b"}, {"ǆ", "ǅ"}} {
		var name *NameError
		_, err := Plan(Options{Bytes: 64 * mib}, []Planned{{Path: pair[0]}, {Path: pair[1]}})
		if !errors.As(err, &name) || !strings.Contains(err.Error(), "case") {
			t.Errorf("%s and %s: %v, want a NameError", pair[0], pair[1], err)
		}
	}
	if _, err := Plan(Options{Bytes: 64 * mib}, []Planned{{Path: "straße"}, {Path: "strasse"}, {Path: "\u00e9"}, {Path: "e\u0301"}}); err != nil {
		t.Errorf("different names: %v", err)
	}
}

func TestLabelsAreShortAndInCapitals(t *testing.T) {
	for label, ok := range map[string]bool{"": true, "CARD": true, "DRIVE-IN 12": true, "card": false, "TOO LONG A NAME": false, "A/B": false, " A": false, "ÄB": false} {
		if _, err := Plan(Options{Bytes: 64 * mib, Label: label}, nil); (err == nil) != ok {
			t.Errorf("label %q: %v", label, err)
		}
	}
}
