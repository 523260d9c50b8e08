package reel

import (
	"errors"
	"strings"
	"testing"

	"example.org/stampreel/budget/playerfile/strict"
)

// Settings go into the file where a person would write them, and nothing else changes.
func TestPutLeavesAllElseAsItIs(t *testing.T) {
	values := []Value{{Name: "rate", Text: "12.5"}, {Name: "dither", Text: ""}}
	for _, c := range []struct{ before, after string }{
		{"", "clips:\n  a b.gif:\n    rate: 12.5\n"},
		{"# mine\n", "# mine\n\nclips:\n  a b.gif:\n    rate: 12.5\n"},
		{"defaults:\n  rate: 5 # slow\n", "defaults:\n  rate: 5 # slow\n\nclips:\n  a b.gif:\n    rate: 12.5\n"},
		{"clips:\n    # the other\n    x.gif:\n        rate: 5\n", "clips:\n    a b.gif:\n      rate: 12.5\n    # the other\n    x.gif:\n        rate: 5\n"},
		{"clips:\n  \"a b.gif\": # best\n    loop: yes\n", "clips:\n  \"a b.gif\": # best\n    rate: 12.5\n    loop: yes\n"},
		{"clips:\r\n  a b.gif:\r\n    rate: 5 # why\r\n    dither: none\r\n    # end\r\n", "clips:\r\n  a b.gif:\r\n    rate: 12.5 # why\r\n    # end\r\n"},
		{"clips:\n  a b.gif:\n    dither: none # steadier\n    loop: yes\ndefaults:\n  loop: no\n", "clips:\n  a b.gif:\n    rate: 12.5\n    # steadier\n    loop: yes\ndefaults:\n  loop: no\n"},
	} {
		got, err := Put(Name, []byte(c.before), some, "a b.gif", values)
		if err != nil || string(got) != c.after {
			t.Errorf("%q becomes\n%q, %v, want\n%q", c.before, got, err, c.after)
		}
	}
	// A template with nothing turned on is still all there.
	template := string(Template(some))
	got, err := Put(Name, []byte(template), some, "ü: 1.gif", values)
	if err != nil || !strings.HasPrefix(string(got), template) || !strings.HasSuffix(string(got), "\nclips:\n  \"ü: 1.gif\":\n    rate: 12.5\n") {
		t.Errorf("%v\n%s", err, got)
	}
}

func TestPutRefusesWhatItCannotChangeSafely(t *testing.T) {
	for _, before := range []string{
		"clips: {a b.gif: {rate: 5}}\n",
		"clips:\n  a b.gif: {rate: 5} # mine\n",
		"{defaults: {rate: 5}}\n",
		"clips:\n  a b.gif:\n    rate:\n      5\n",
		"clips:\n  a b.gif:\n    rates: 5\n",
	} {
		got, err := Put(Name, []byte(before), some, "a b.gif", []Value{{Name: "rate", Text: "12.5"}})
		var e *strict.Error
		if got != nil || !errors.As(err, &e) || e.Try == "" {
			t.Errorf("%q: %q, %v, want an error that says what to do", before, got, err)
		}
	}
}
