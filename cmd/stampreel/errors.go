package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"regexp"
	"runtime"
	"strings"
	"syscall"

	"example.org/stampreel/cmd/stampreel/internal/console"
)

// Exit codes.
const (
	exitDone        = 0
	exitFailed      = 1
	exitUsage       = 2
	exitNotFit      = 3
	exitInterrupted = 130 // 128 + SIGINT, as shells count it
)

// exitCodes says what the codes mean, for help.
const exitCodes = "0 done, 1 failed, 2 wrong command line, " +
	"3 a clip does not fit the player, 130 interrupted"

// trier is an error that knows what to try next, one suggestion a line. Any
// package may implement it.
type trier interface{ Tries() []string }

// UsageError is a command line that cannot be meant: exit code 2.
type UsageError struct {
	Text string
	Try  []string

	help *command // whose help is shown first, or nil
}

func (e *UsageError) Error() string   { return e.Text }
func (e *UsageError) Tries() []string { return e.Try }

// usagef makes a UsageError; try adds to it.
func usagef(format string, args ...any) *UsageError {
	return &UsageError{Text: fmt.Sprintf(format, args...)}
}

func (e *UsageError) try(format string, args ...any) *UsageError {
	e.Try = append(e.Try, fmt.Sprintf(format, args...))
	return e
}

// badChoice is the UsageError of a flag whose value is none of those it takes.
func badChoice(flag, value string) *UsageError {
	return badWord("--"+flag, value, choices(flag), "--"+flag)
}

// badWord is an error of a word that is none of those that may stand there; before is what
// stands before it in a line to try.
func badWord(what, value string, words []string, before string) *UsageError {
	e := usagef("%s: %q is none of %s", what, value, orList(words))
	for _, near := range nearest(value, words) {
		e.try("%s %s", before, near)
	}
	return e
}

// NotFitError is a clip that the player cannot play, or a card that cannot
// hold it: exit code 3.
type NotFitError struct {
	Text string
	Try  []string
	Err  error // the cause, or nil
}

func (e *NotFitError) Error() string {
	if e.Text == "" && e.Err != nil {
		return e.Err.Error()
	}
	return e.Text
}
func (e *NotFitError) Tries() []string { return e.Try }
func (e *NotFitError) Unwrap() error   { return e.Err }

// report tells of err, if it is one, and returns the exit code. Here alone
// errors become messages and codes.
func report(ctx context.Context, con *console.Console, err error) int {
	if err == nil {
		return exitDone
	}
	var tries []string
	var t trier
	if errors.As(err, &t) {
		tries = t.Tries()
	}
	var usage *UsageError
	var notFit *NotFitError
	switch {
	case ctx.Err() != nil && errors.Is(err, context.Canceled):
		con.Error("interrupted", tries...)
		return exitInterrupted
	case ctx.Err() != nil:
		con.Error("interrupted: "+plainText(err), tries...)
		return exitInterrupted
	case con.Err() != nil && errors.Is(err, con.Err()) && isBrokenPipe(err):
		// Who read the result has seen enough of it.
		return exitFailed
	case errors.As(err, &usage):
		if usage.help != nil {
			con.Aside(helpText(usage.help) + "\n")
		}
		con.Error(err.Error(), tries...)
		return exitUsage
	case errors.As(err, &notFit):
		con.Error(plainText(err), tries...)
		return exitNotFit
	}
	if errors.Is(err, syscall.ENOSPC) {
		tries = append(tries, "free some space there, or use a larger card")
	}
	con.Error(plainText(err), tries...)
	return exitFailed
}

// ours are the prefixes by which our packages sign their errors; a person need
// not know the house.
var ours = regexp.MustCompile(`\b(budget|card|cardfs|container|fat|fill|guide|measure|patterns|picture|pixel|playback|playerfile|railway|reel|sample|sound|source|system|transcode): `)

// plainText is the text of an error for a person: without the names of packages
// and system calls, and with names of files made harmless.
func plainText(err error) string {
	text := err.Error()
	var p *fs.PathError
	if errors.As(err, &p) {
		if before, after, ok := strings.Cut(text, p.Error()); ok { // a file may be called as a package is
			return unsigned(before) + console.Name(p.Path) + ": " + unsigned(p.Err.Error()+after)
		}
	}
	return unsigned(text)
}

func unsigned(text string) string { return ours.ReplaceAllString(text, "") }

func isBrokenPipe(err error) bool {
	if errors.Is(err, syscall.EPIPE) {
		return true
	}
	// ERROR_BROKEN_PIPE and ERROR_NO_DATA of the Windows API.
	return runtime.GOOS == "windows" &&
		(errors.Is(err, syscall.Errno(109)) || errors.Is(err, syscall.Errno(232)))
}
