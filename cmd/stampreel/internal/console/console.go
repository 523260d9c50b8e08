// Package console is all that a person sees in a terminal. Results go to
// standard output so that pipes stay clean; notes, warnings, errors, what to
// try next and progress go to standard error. With JSON asked for, standard
// output carries one JSON document and nothing else. Text that may hold names
// of files is cleaned of control characters before it reaches a terminal, for
// a file name must not be able to move the cursor or recolour the screen.
// Other packages return values and errors; only this one writes.
package console

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"
)

// Program is the name that begins every message on standard error.
const Program = "stampreel"

// Options say where a console writes and what stands at the other end.
type Options struct {
	Stdout, Stderr io.Writer

	// Whether a person's terminal stands at the other end, which asks for
	// cleaning, allows colour and, for Stderr, progress.
	StdoutTerminal, StderrTerminal bool

	// Colour allows colour on whichever of the two is a terminal.
	Colour bool

	// Still terminals cannot redraw a line: no progress is shown on them.
	Still bool

	// Width gives the columns of the terminal now; nil or a result below 1
	// means 80.
	Width func() int

	// Height gives its lines now; nil or a result below 1 means 24.
	Height func() int

	// Now is the clock behind progress; nil means time.Now.
	Now func() time.Time
}

// Console writes results and messages. It is safe for use by several
// goroutines at once; every call writes whole lines.
type Console struct {
	o Options

	mu       sync.Mutex
	json     bool
	quiet    bool
	document bool      // the JSON document has been written
	progress *Progress // the one shown now, or nil
	failed   error     // first failure to write to standard output
}

// New returns a console that writes as o says.
func New(o Options) *Console {
	if o.Now == nil {
		o.Now = time.Now
	}
	return &Console{o: o}
}

// WantJSON turns on JSON: Result, Table and Text are dropped from then on and
// JSON writes its document.
func (c *Console) WantJSON(on bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.json = on
}

// IsJSON tells whether JSON was asked for.
func (c *Console) IsJSON() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.json
}

// Quiet silences notes and progress; warnings, errors and results stay.
func (c *Console) Quiet(on bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.quiet = on
}

// StdoutIsTerminal tells whether results are read by a person right now.
func (c *Console) StdoutIsTerminal() bool { return c.o.StdoutTerminal }

// Width is the number of columns of the terminal, 80 where it is not known.
func (c *Console) Width() int {
	if c.o.Width != nil {
		if w := c.o.Width(); w > 0 {
			return w
		}
	}
	return 80
}

// Err is the first failure to write to standard output, nil if there was none.
// Results are not checked one by one: the program asks once, at its end.
func (c *Console) Err() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.failed
}

// Result writes one line of the result to standard output, "" for an empty one.
func (c *Console) Result(format string, args ...any) {
	c.Text(strings.TrimSuffix(fmt.Sprintf(format, args...), "\n") + "\n")
}

// Text writes lines of the result to standard output, ending the last one.
func (c *Console) Text(text string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.json {
		return
	}
	if c.o.StdoutTerminal {
		text = cleanLines(text)
	}
	c.out(endLine(text))
}

// JSON writes v, indented, as the one document on standard output when JSON
// was asked for, and does nothing otherwise, so that a command hands over both
// its table and its document and exactly one of them appears. A second
// document is an error.
func (c *Console) JSON(v any) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.json {
		return nil
	}
	if c.document {
		return errors.New("console: a second JSON document for one run")
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(v); err != nil {
		return fmt.Errorf("console: writing JSON: %w", err)
	}
	c.document = true
	c.out(escapeJSON(b.String()))
	return c.failed
}

// Note tells something worth knowing, on standard error, unless quiet.
func (c *Console) Note(format string, args ...any) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.quiet {
		c.say("", plain, fmt.Sprintf(format, args...))
	}
}

// Warn tells of something that may spoil the result, on standard error.
func (c *Console) Warn(format string, args ...any) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.say("warning: ", yellow, fmt.Sprintf(format, args...))
}

// Error tells on standard error what went wrong and, one line each, what to
// try next.
func (c *Console) Error(text string, tries ...string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.say("error: ", red, text)
	for _, try := range tries {
		c.say("try: ", bold, try)
	}
}

// Aside writes text as it is to standard error: the help shown when the
// command line was wrong.
func (c *Console) Aside(text string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.clearProgress()
	io.WriteString(c.o.Stderr, endLine(text))
}

// say writes one message. Further lines of the text are indented, so that no
// text can pass for a message of its own.
func (c *Console) say(label string, p paint, text string) {
	c.clearProgress()
	text = strings.TrimRight(text, "\n")
	if c.o.StderrTerminal {
		text = cleanLines(text)
	}
	text = strings.ReplaceAll(text, "\n", "\n  ")
	if label != "" && c.o.StderrTerminal && c.o.Colour {
		label = p.on(label)
	}
	io.WriteString(c.o.Stderr, Program+": "+label+text+"\n")
}

// out writes text to standard output and remembers the first failure; after
// one nothing more is written.
func (c *Console) out(text string) {
	if c.failed != nil {
		return
	}
	if c.o.StdoutTerminal {
		c.clearProgress()
	}
	if _, err := io.WriteString(c.o.Stdout, text); err != nil {
		c.failed = fmt.Errorf("writing the result: %w", err)
	}
}

func endLine(text string) string {
	if text == "" || strings.HasSuffix(text, "\n") {
		return text
	}
	return text + "\n"
}

// paint is a select-graphic-rendition parameter of ECMA-48.
type paint string

const (
	plain  paint = ""
	bold   paint = "1"
	red    paint = "1;31"
	green  paint = "32"
	yellow paint = "33"
)

func (p paint) on(text string) string {
	if p == plain || text == "" {
		return text
	}
	return "\x1b[" + string(p) + "m" + text + "\x1b[0m"
}
