package system

import (
	"errors"
	"fmt"
	"strings"
)

// MissingError means that this computer lacks what a file needs.
type MissingError struct {
	Path  string
	Holds string // such as "H.264 video, AAC sound"; empty when that is not known
	Lacks string // such as "a decoder for H.264 video"
	Why   string // what loading the libraries came up with; may be empty
	try   []string
}

func (e *MissingError) Error() string {
	if e.Path == "" {
		return "system: " + e.What()
	}
	return fmt.Sprintf("system: %s: %s", e.Path, e.What())
}

// Lacking begins what a MissingError says when it is not known what the file holds.
const Lacking = "this computer lacks "

// What is the error without the file.
func (e *MissingError) What() string {
	var b strings.Builder
	if e.Holds != "" {
		b.WriteString("holds " + e.Holds + "; ")
	}
	b.WriteString(Lacking + e.Lacks)
	if e.Why != "" {
		b.WriteString(" (" + e.Why + ")")
	}
	return b.String()
}

// Tries returns how to install what is missing.
func (e *MissingError) Tries() []string { return e.try }

// UnknownError means that a file is nothing that the libraries know as video or
// sound.
type UnknownError struct {
	Path string
	Why  string
}

func (e *UnknownError) Error() string { return fmt.Sprintf("system: %s: %s", e.Path, e.Why) }

// DamagedError means that a file breaks the rules of its own kind.
type DamagedError struct {
	Path  string
	Where string // such as "at 12.60 s"; may be empty
	Why   string
}

func (e *DamagedError) Error() string {
	if e.Where != "" {
		return fmt.Sprintf("system: %s: %s: %s", e.Path, e.Where, e.Why)
	}
	return fmt.Sprintf("system: %s: %s", e.Path, e.Why)
}

// EndedError means that a stream has ended before the time from which it is wanted.
type EndedError struct {
	Path string
	Why  string // of the stream: "no picture of it" or "no sample of it"
}

func (e *EndedError) Error() string {
	return fmt.Sprintf("system: %s: %s comes at the time asked for, or later", e.Path, e.Why)
}

// Failure is what became of a worker.
type Failure int

const (
	Crashed  Failure = iota // ended by itself before it was done
	Stalled                 // brought nothing for as long as Stall, and was ended
	TooLarge                // took more than MaxMemory, and was ended
)

// WorkerError means that a codec failed in a way that ended its process.
type WorkerError struct {
	Path   string
	What   Failure
	Detail string // what the process said last; may be empty
	limit  string // that it went beyond
}

func (e *WorkerError) Error() string {
	text := "the decoder crashed"
	switch e.What {
	case Stalled:
		text = "the decoder brought nothing for " + e.limit + " and was ended"
	case TooLarge:
		text = "the decoder took more than " + e.limit + " of memory and was ended"
	}
	if e.Detail != "" {
		text += ": " + e.Detail
	}
	return fmt.Sprintf("system: %s: %s", e.Path, text)
}

// Tries returns what to do.
func (e *WorkerError) Tries() []string {
	return []string{"the file may be damaged, or this decoder may have a fault: bring the system's codecs up to date, or convert the file to another kind"}
}

var errNotBuiltIn = errors.New("this program was built without the part that loads them")
