package console

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"
)

// terminal returns a console with a terminal of the given width at both ends.
func terminal(width int, colour bool) (c *Console, stdout, stderr *bytes.Buffer) {
	stdout, stderr = new(bytes.Buffer), new(bytes.Buffer)
	return New(Options{
		Stdout: stdout, Stderr: stderr, StdoutTerminal: true, StderrTerminal: true,
		Colour: colour, Width: func() int { return width },
	}), stdout, stderr
}

// pipe returns a console with no terminal.
func pipe() (c *Console, stdout, stderr *bytes.Buffer) {
	stdout, stderr = new(bytes.Buffer), new(bytes.Buffer)
	return New(Options{Stdout: stdout, Stderr: stderr}), stdout, stderr
}

func TestResultsAndMessagesGoToTheirOwnStreams(t *testing.T) {
	c, stdout, stderr := pipe()
	c.Result("film.srq %d", 7)
	c.Text("one\ntwo\n")
	c.Note("reads %s", "player.yaml")
	c.Warn("source ends early")
	c.Error("clip is damaged", "stampreel verify film.srq", "pack it again")
	if got, want := stdout.String(), "film.srq 7\none\ntwo\n"; got != want {
		t.Errorf("stdout %q, want %q", got, want)
	}
	want := "stampreel: reads player.yaml\n" +
		"stampreel: warning: source ends early\n" +
		"stampreel: error: clip is damaged\n" +
		"stampreel: try: stampreel verify film.srq\n" +
		"stampreel: try: pack it again\n"
	if got := stderr.String(); got != want {
		t.Errorf("stderr\n%swant\n%s", got, want)
	}
}

func TestJSONIsTheOnlyThingOnStdout(t *testing.T) {
	c, stdout, _ := pipe()
	c.WantJSON(true)
	c.Result("dropped")
	table := NewTable(Words("dropped"))
	c.Table(table)
	type doc struct {
		Rate float64 `json:"rate_bytes_per_second"`
		Name string  `json:"name"`
	}
	in := doc{1.5e6, "<a>&\u202e\u0085\x1b\x7f\t"}
	if err := c.JSON(in); err != nil {
		t.Fatal(err)
	}
	c.Text("dropped")
	if err := c.JSON(in); err == nil {
		t.Error("a second document was accepted")
	}
	var out doc
	dec := json.NewDecoder(stdout)
	if err := dec.Decode(&out); err != nil || out != in {
		t.Errorf("read back %+v, %v, want %+v", out, err, in)
	}
	if dec.More() {
		t.Error("more than one document")
	}
}

func TestJSONHasNoCharacterThatActsOnATerminal(t *testing.T) {
	c, stdout, _ := pipe()
	c.WantJSON(true)
	if err := c.JSON(map[string]string{"name": "\u202e\u0085\u009b31m\x1b[2J\x7f"}); err != nil {
		t.Fatal(err)
	}
	want := "{\n  \"name\": \"\\u202e\\u0085\\u009b31m\\u001b[2J\\u007f\"\n}\n"
	if got := stdout.String(); got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestWithoutJSONTheDocumentIsDropped(t *testing.T) {
	c, stdout, _ := pipe()
	if err := c.JSON(1); err != nil || stdout.Len() != 0 {
		t.Errorf("%v, %q", err, stdout)
	}
}

func TestControlCharactersNeverReachATerminal(t *testing.T) {
	const evil = "a\x1b[2Jb\x07\u009b31m\u202ec\rd\x7f\xff"
	const shown = `a\x1b[2Jb\x07\u009b31m\u202ec\rd\x7f\xff`
	for _, colour := range []bool{false, true} {
		c, stdout, stderr := terminal(80, colour)
		c.Result("%s", evil)
		if got, want := stdout.String(), shown+"\n"; got != want {
			t.Errorf("result %q, want %q", got, want)
		}
		stdout.Reset()
		table := NewTable(Words("name"))
		table.Row(evil + "\n")
		c.Table(table)
		if !strings.Contains(stdout.String(), "\n"+shown+`\n`+"\n") {
			t.Errorf("table %q", stdout)
		}
		c.Error(evil, evil)
		c.Warn("%s", evil)
		c.Note("%s", evil)
		if n := strings.Count(stderr.String(), shown+"\n"); n != 4 {
			t.Errorf("%d of 4 messages cleaned: %q", n, stderr)
		}
	}
}

func TestResultsInAPipeKeepTheirBytes(t *testing.T) {
	c, stdout, _ := pipe()
	const name = "a\x1b\xff\u202e"
	c.Result("%s", name)
	if got := stdout.String(); got != name+"\n" {
		t.Errorf("got %q", got)
	}
}

func TestNamesStayReadableUnlessTheyMustNot(t *testing.T) {
	cases := map[string]string{
		"Füße 日本 🚂.gif": "Füße 日本 🚂.gif",
		"a b":           "a b",
		"a\nb\tc":       `a\nb\tc`,
		"\u2028":        `\u2028`,
		"\ufffd":        "\ufffd", // a replacement character that is in the name
		"":              "",
	}
	for in, want := range cases {
		if got := Name(in); got != want {
			t.Errorf("Name(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestColourOnlyWhereItIsAllowed(t *testing.T) {
	c, _, stderr := terminal(80, true)
	c.Error("bad")
	if got, want := stderr.String(), "stampreel: \x1b[1;31merror: \x1b[0mbad\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	c, _, stderr = terminal(80, false)
	c.Error("bad")
	if strings.Contains(stderr.String(), "\x1b") {
		t.Errorf("colour without leave: %q", stderr)
	}
	var b bytes.Buffer
	c = New(Options{Stderr: &b, Colour: true})
	c.Error("bad")
	if strings.Contains(b.String(), "\x1b") {
		t.Errorf("colour in a pipe: %q", b.String())
	}
}

// narrow fails from the second write on.
type narrow struct{ writes int }

var errFull = errors.New("no room")

func (n *narrow) Write(p []byte) (int, error) {
	n.writes++
	if n.writes > 1 {
		return 0, errFull
	}
	return len(p), nil
}

func TestTheFirstFailureToWriteIsKept(t *testing.T) {
	w := &narrow{}
	c := New(Options{Stdout: w, Stderr: &bytes.Buffer{}})
	c.Result("1")
	if c.Err() != nil {
		t.Fatal(c.Err())
	}
	c.Result("2")
	c.Result("3")
	if !errors.Is(c.Err(), errFull) {
		t.Errorf("error %v", c.Err())
	}
	if w.writes != 2 {
		t.Errorf("%d writes, want none after the failure", w.writes)
	}
}

func TestQuietKeepsWarnings(t *testing.T) {
	c, _, stderr := pipe()
	c.Quiet(true)
	c.Note("a")
	c.Warn("b")
	if got := stderr.String(); got != "stampreel: warning: b\n" {
		t.Errorf("got %q", got)
	}
}

func FuzzNothingUnshowableReachesATerminal(f *testing.F) {
	for _, seed := range []string{"", "plain", "\x1b[2J", "\u009b", "a\nb", "\xff\xfe", "日本\u202e"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, name string) {
		c, stdout, stderr := terminal(20, false)
		table := NewTable(Words("name"), Numbers("n", ""))
		table.Row(name, "1")
		c.Table(table)
		c.Result("%s", name)
		c.Error(name)
		for _, b := range []string{stdout.String(), stderr.String()} {
			for _, r := range b {
				if r != '\n' && r != '\t' && unshowable(r, true) {
					t.Fatalf("%q shows %q", name, b)
				}
			}
		}
		c.WantJSON(true)
		stdout.Reset()
		if err := c.JSON(name); err != nil {
			t.Fatal(err)
		}
		var back string
		if err := json.Unmarshal(stdout.Bytes(), &back); err != nil || back != strings.ToValidUTF8(name, "\ufffd") && !strings.Contains(back, "\ufffd") {
			t.Fatalf("%q came back as %q, %v", name, back, err)
		}
	})
}
