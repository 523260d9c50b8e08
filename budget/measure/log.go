package measure

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"example.org/stampreel/budget/card"
)

// The bounds of a log; examples/firmware/LOG.md states them.
const (
	maxRequests = 1 << 21   // 23 hours of 25 beats a second
	maxLine     = 200       // bytes of a line with its end
	maxRead     = 1 << 26   // bytes of one request
	maxTook     = 1<<32 - 1 // microseconds
	maxStart    = 1e15      // microseconds: of a counter of 64 bits
	wrap        = 1 << 32   // where a counter of 32 bits begins again
)

// Columns of a log.
const (
	startColumn   = "start_us"
	bytesColumn   = "bytes"
	sectorsColumn = "sectors"
	tookColumn    = "took_us"
	beatColumn    = "beat"
)

var columns = []string{startColumn, bytesColumn, sectorsColumn, tookColumn, beatColumn}

// Log is what a player wrote down of its reads.
type Log struct {
	Requests []Request
	Beats    bool // it says which beats were read
	Cut      bool // the last line had no end, so it may lack digits: it was left out
}

// LogError is a line of a log that cannot be right.
type LogError struct {
	File string
	Line int // counted from 1
	What string
	Try  string
}

func (e *LogError) Error() string {
	return fmt.Sprintf("measure: %s:%d: %s", e.File, e.Line, e.What)
}

// Tries returns what to do.
func (e *LogError) Tries() []string { return []string{e.Try} }

// ReadLog reads a player's log in the form that examples/firmware/LOG.md
// describes; name stands in its errors, which are *LogError where a line is
// wrong.
func ReadLog(name string, r io.Reader) (Log, error) {
	return readLog(name, r, maxRequests)
}

func readLog(name string, r io.Reader, most int) (Log, error) {
	l := logReader{name: name, in: bufio.NewReaderSize(r, maxLine+1), most: most}
	if err := l.all(); err != nil {
		return Log{}, err
	}
	return l.log, nil
}

type logReader struct {
	name string
	in   *bufio.Reader
	log  Log
	most int // requests
	line int
	head []string // names of the columns

	previous uint64 // start of the request before, as the log has it
	base     uint64 // what was added to it, for the counter began again
	first    uint64
}

func (l *logReader) err(what, try string) error { return &LogError{l.name, l.line, what, try} }

const tryLayout = "see examples/firmware/LOG.md for how such a log looks"

func (l *logReader) all() error {
	for {
		text, err := l.in.ReadSlice('\n')
		l.line++
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			return l.err(fmt.Sprintf("a line of more than %d bytes", maxLine), tryLayout)
		case err != nil && !errors.Is(err, io.EOF):
			return fmt.Errorf("measure: %s: %w", l.name, err)
		case err != nil && len(text) > 0 && l.head != nil:
			l.log.Cut = true
			return l.complete()
		case err != nil && len(text) == 0:
			return l.complete()
		}
		if l.line == 1 {
			text = bytes.TrimPrefix(text, []byte("\ufeff"))
		}
		if !utf8.Valid(text) {
			return l.err("a character that is no text", tryLayout)
		}
		fields := strings.TrimSpace(string(text))
		if fields != "" && fields[0] != '#' {
			if err := l.row(strings.Split(fields, ",")); err != nil {
				return err
			}
		}
		if err != nil {
			return l.complete()
		}
	}
}

func (l *logReader) complete() error {
	switch {
	case l.head == nil:
		l.line = 1
		return l.err("no line with the names of the columns", "begin the log with start_us,bytes,took_us,beat")
	case len(l.log.Requests) == 0:
		return l.err("no request in this log", tryLayout)
	}
	return nil
}

// row takes one line apart: the first names the columns.
func (l *logReader) row(fields []string) error {
	for i := range fields {
		fields[i] = strings.TrimSpace(fields[i])
	}
	if l.head == nil {
		return l.heading(fields)
	}
	if len(fields) != len(l.head) {
		return l.err(fmt.Sprintf("%d fields, want %d as in the heading: %s", len(fields), len(l.head), strings.Join(l.head, ",")), "delete the line, or see where it was cut")
	}
	if len(l.log.Requests) == l.most {
		return l.err(fmt.Sprintf("more than %d requests", l.most), "take a part of the log: the heading and the lines around the stutter")
	}
	r := Request{Beat: NoBeat}
	for i, column := range l.head {
		if column == beatColumn && fields[i] == "" {
			continue
		}
		low, high := uint64(0), uint64(maxStart)
		switch column {
		case bytesColumn:
			low, high = 1, maxRead
		case sectorsColumn:
			low, high = 1, maxRead/card.SectorBytes
		case tookColumn:
			high = maxTook
		case beatColumn:
			high = 1<<32 - 1
		}
		n, err := strconv.ParseUint(fields[i], 10, 64)
		if err != nil || n < low || n > high || fields[i][0] == '+' {
			return l.err(fmt.Sprintf("%s is %s, want a whole number from %d to %d", column, short(fields[i]), low, high), "delete the line, or see what wrote it")
		}
		switch column {
		case startColumn:
			if r.Start, err = l.start(n); err != nil {
				return err
			}
		case bytesColumn:
			r.Bytes = int64(n)
		case sectorsColumn:
			r.Bytes = int64(n) * card.SectorBytes
		case tookColumn:
			r.Took = time.Duration(n) * time.Microsecond
		case beatColumn:
			r.Beat = int64(n)
		}
	}
	l.log.Requests = append(l.log.Requests, r)
	return nil
}

// heading checks the names of the columns.
func (l *logReader) heading(names []string) error {
	seen := map[string]bool{}
	for _, n := range names {
		switch {
		case !slices.Contains(columns, n):
			return l.err(fmt.Sprintf("no column is called %s; there are %s", short(n), strings.Join(columns, ", ")), "begin the log with start_us,bytes,took_us,beat")
		case seen[n]:
			return l.err(fmt.Sprintf("column %s stands here twice", n), "name each column once")
		}
		seen[n] = true
	}
	if !seen[startColumn] || !seen[tookColumn] || seen[bytesColumn] == seen[sectorsColumn] {
		return l.err("want the columns start_us, took_us and one of bytes and sectors; beat may be there too", "begin the log with start_us,bytes,took_us,beat")
	}
	l.head, l.log.Beats = names, seen[beatColumn]
	return nil
}

// start counts from the first request, through a counter of 32 bits that begins
// again.
func (l *logReader) start(us uint64) (time.Duration, error) {
	if len(l.log.Requests) == 0 {
		l.first = us
	} else if us < l.previous {
		if l.previous >= wrap || us+wrap-l.previous >= wrap/2 {
			return 0, l.err(fmt.Sprintf("start_us goes back from %d to %d", l.previous, us), "want one run of the player: cut the log where it was started again")
		}
		l.base += wrap
	}
	l.previous = us
	return time.Duration(us+l.base-l.first) * time.Microsecond, nil
}

// short is a field for an error.
func short(field string) string {
	if runes := []rune(field); len(runes) > 30 {
		field = string(runes[:30]) + "…"
	}
	return strconv.Quote(field)
}
