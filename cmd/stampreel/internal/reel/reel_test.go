package reel

import (
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"example.org/stampreel/budget/playerfile/strict"
)

var some = []Setting{{Name: "rate", YesNo: false, Doc: "pictures a second"}, {Name: "loop", YesNo: true, Doc: strings.Repeat("starts anew ", 20) + "."}, {Name: "no-loop", YesNo: true, Doc: ""}, {Name: "dither", YesNo: false, Doc: ""}, {Name: "from", YesNo: false, Doc: ""}}

const good = "defaults:\n  rate: 12.5\n  loop: no\nclips:\n  \"a film.mp4\":\n    from: 1:30\n    dither: none\n  shelf/old.gif:\n    skip: yes\n"

func TestAFileSaysWhatItSays(t *testing.T) {
	f, err := Parse(Name, []byte(good), some)
	if err != nil {
		t.Fatal(err)
	}
	want := []Value{{"rate", "12.5", 2, 9}, {"loop", "false", 3, 9}}
	if !reflect.DeepEqual(f.Defaults, want) {
		t.Errorf("defaults %v, want %v", f.Defaults, want)
	}
	film := f.Clip("a film.mp4")
	if want := []Value{{"from", "1:30", 6, 11}, {"dither", "none", 7, 13}}; !reflect.DeepEqual(film.Values, want) || film.Skip {
		t.Errorf("film %v, want %v", film, want)
	}
	if old := f.Clip("shelf/old.gif"); !old.Skip || len(old.Values) != 0 {
		t.Errorf("old.gif: %v, want it skipped", old)
	}
	f, err = Parse(Name, []byte("clips:\n  a.gif:\n    title: \"Day 1: the yard\"\n    order: 2\n    rate: 5\n"), some)
	if err != nil {
		t.Fatal(err)
	}
	if a := f.Clip("a.gif"); a.Title != "Day 1: the yard" || a.Order != 2 || len(a.Values) != 1 || a.Values[0].Name != "rate" {
		t.Errorf("a.gif: %+v, want its title, its order and its rate", a)
	}
	if other := f.Clip("other.gif"); other.Skip || other.Values != nil {
		t.Errorf("a source that is not named has %v", other)
	}
}

// Each file is wrong in one way, and the error says where and what to do.
var wrong = []struct{ file, place, what, try string }{
	{"", "1:1", "the file is empty", "reel new"},
	{"rate: 5\n", "1:1", `unknown section "rate"`, "there are defaults, clips"},
	{"default:\n  rate: 5\n", "1:1", `unknown section "default"`, "did you mean defaults?"},
	{"defaults: 5\n", "1:11", "defaults holds settings", "reel new"},
	{"defaults:\n", "1:1", "defaults has no value", "delete the line"},
	{"- a\n", "1:1", "made of defaults: and clips:", "reel new"},
	{"defaults:\n  rat: 5\n", "2:3", `unknown key "rat" in defaults`, "did you mean rate?"},
	{"defaults:\n  rate: 5\n  rate: 6\n", "3:3", "already defined", "keep one"},
	{"defaults:\n  rate:\n", "2:3", "rate has no value", "delete"},
	{"defaults:\n  rate: [5]\n", "2:9", "rate wants a single value", "rate: VALUE"},
	{"defaults:\n  rate: &a 5\n", "2:9", "marks that repeat a value", "write the value out"},
	{"defaults:\n  loop: maybe\n", "2:9", `"maybe" is neither yes nor no`, "loop: yes"},
	{"defaults:\n  skip: yes\n", "2:3", "skip is for single sources", "delete"},
	{"defaults:\n  title: a\n", "2:3", "title is for single sources", "delete"},
	{"clips:\n  a.gif:\n    order: first\n", "3:12", `"first" is no whole number`, "order: 1"},
	{"clips:\n  a.gif:\n    order: 0\n", "3:12", `"0" is no whole number`, "order: 1"},
	{"clips:\n  a.gif:\n    title: " + strings.Repeat("ü", 32) + "\n", "3:12", "a title of 64 bytes, want at most 63", "shorter"},
	{"clips:\n  a.gif: 5\n", "2:10", "a.gif holds settings", "reel new"},
	{"clips:\n  a.gif:\n    ditter: none\n", "3:5", `unknown key "ditter" in a.gif`, "did you mean dither?"},
	{"clips:\n  \"\":\n    rate: 5\n", "2:3", "a source without a name", "its path"},
	{"defaults:\n  rate: 5\n---\nclips:\n", "4:6", "a second document", "keep one reel"},
	{"defaults:\n  rate: \x01\n", "2:9", "no text", "UTF-8"},
}

func TestWhatCannotBeRightIsNamedWithItsPlace(t *testing.T) {
	for _, c := range wrong {
		_, err := Parse(Name, []byte(c.file), some)
		var e *strict.Error
		if !errors.As(err, &e) {
			t.Errorf("%q: %v, want an error with a place", c.file, err)
			continue
		}
		if place := fmt.Sprintf("%d:%d", e.Line, e.Column); place != c.place || !strings.Contains(e.What, c.what) || !strings.Contains(e.Try, c.try) || e.Excerpt == "" {
			t.Errorf("%q: %s: %s; try: %s\nwant %s: %s; try: %s", c.file, place, e.What, e.Try, c.place, c.what, c.try)
		}
	}
}

func TestASourceThatIsNotThereIsAnErrorThatNamesOneLikeIt(t *testing.T) {
	f, err := Parse(Name, []byte(good), some)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Matches([]string{"a film.mp4", "shelf/old.gif", "x.gif"}); err != nil {
		t.Errorf("both are there: %v", err)
	}
	var e *strict.Error
	if err := f.Matches([]string{"a film.mp4", "shelf/odl.gif"}); !errors.As(err, &e) || e.Line != 8 || e.Column != 3 || e.Try != "did you mean shelf/odl.gif?" {
		t.Errorf("%v (%+v), want place 8:3 and the name", err, e)
	}
}

func TestUpperValuesWinAndRuleOut(t *testing.T) {
	v := func(pairs ...string) (all []Value) {
		for i := 0; i < len(pairs); i += 2 {
			all = append(all, Value{Name: pairs[i], Text: pairs[i+1]})
		}
		return all
	}
	for _, c := range []struct{ upper, lower, want []Value }{
		{v("rate", "5"), v("rate", "6", "fit", "cover"), v("rate", "5", "fit", "cover")},
		{v("loop", "true"), v("no-loop", "true"), v("loop", "true")},
		{v("no-loop", "true"), v("loop", "true"), v("no-loop", "true")},
		{v("crop", "0,0,1x1"), v("bars", "true"), v("crop", "0,0,1x1")},
		{v("bars", "true"), v("crop", "0,0,1x1"), v("bars", "true")},
		{v("bars", "false"), v("crop", "0,0,1x1"), v("bars", "false", "crop", "0,0,1x1")},
		{v("coding", "raw"), v("coding", "jpeg", "quality", "70"), v("coding", "raw")},
		{v("coding", "jpeg"), v("quality", "70"), v("coding", "jpeg", "quality", "70")},
	} {
		if got := Over(c.upper, c.lower); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%v over %v: %v, want %v", c.upper, c.lower, got, c.want)
		}
	}
}

func TestTheTemplateIsReadOnceItsMarksAreGone(t *testing.T) {
	text := string(Template(some))
	on := regexp.MustCompile(`(?m)^( *)#(\S)`).ReplaceAllString(text, "$1$2")
	f, err := Parse(Name, []byte(on), some)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	if len(f.Defaults) != len(some) || len(f.Clips) != 2 || !f.Clips[1].Skip {
		t.Errorf("%d settings and %v, want %d and two clips", len(f.Defaults), f.Clips, len(some))
	}
}

func FuzzParse(f *testing.F) {
	seeds := 0
	for _, c := range wrong {
		f.Add(c.file)
		seeds++
	}
	f.Add(good)
	f.Add(string(Template(some)))
	if seeds += 2; seeds < 20 {
		f.Fatalf("%d seeds, want 20 or more", seeds)
	}
	f.Fuzz(func(t *testing.T, text string) {
		file, err := Parse(Name, []byte(text), some)
		var e *strict.Error
		if err != nil && !errors.As(err, &e) {
			t.Errorf("%v has no place", err)
		}
		if err == nil && len(file.Defaults) > len(some) {
			t.Errorf("%d defaults of %d settings", len(file.Defaults), len(some))
		}
	})
}
