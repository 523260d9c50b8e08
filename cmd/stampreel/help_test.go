package main

import (
	"context"
	"errors"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/urfave/cli/v2"
)

var typedFlags = regexp.MustCompile(`(^|[\s\[(])(--?[a-z][a-z0-9-]*)`)

// everyHelp visits the help of every command, the tests' own among them, so
// that it never passes for want of commands.
func everyHelp(t *testing.T, visit func(c *command, help string)) {
	t.Helper()
	visited := 0
	for _, set := range [][]*command{commands(), trialCommands()} {
		walk(newRoot(set), func(c *command) {
			visit(c, helpText(c))
			visited++
		})
	}
	if visited < 8 {
		t.Fatalf("found the help of %d commands only", visited)
	}
}

func TestHelpFitsEightyColumns(t *testing.T) {
	everyHelp(t, func(c *command, help string) {
		for _, line := range strings.Split(help, "\n") {
			if utf8.RuneCountInString(line) > helpWidth {
				t.Errorf("%s: %d columns: %s", c.full(), utf8.RuneCountInString(line), line)
			}
			if strings.TrimRight(line, " \t") != line {
				t.Errorf("%s: blanks at the end of %q", c.full(), line)
			}
		}
	})
}

func TestHelpShowsEveryFlagOperandAndCommand(t *testing.T) {
	everyHelp(t, func(c *command, help string) {
		for _, f := range c.flags {
			if d := describe(f); !d.hidden && !strings.Contains(help, "  "+d.label()+"\n") && !strings.Contains(help, d.label()+"  ") {
				t.Errorf("%s: %s is not in the help", c.full(), d.label())
			}
			if describe(f).usage == "" {
				t.Errorf("%s: %s has no text", c.full(), describe(f).long())
			}
		}
		for _, o := range c.operands {
			if !strings.Contains(help, "\n  "+o.name) || o.text == "" {
				t.Errorf("%s: operand %s is not explained", c.full(), o.name)
			}
		}
		for _, sub := range c.commands {
			if strings.Contains(help, "\n  "+sub.name+" ") == sub.hidden {
				t.Errorf("%s: command %s: hidden %t, and the help does not agree", c.full(), sub.name, sub.hidden)
			}
		}
	})
}

// The texts may speak of flags: each has to be one of the command's own, or,
// where the text names a command below, of that one.
func TestEveryFlagThatHelpSpeaksOfExists(t *testing.T) {
	found := 0
	everyHelp(t, func(c *command, help string) {
		// Examples may be of other commands and are parsed by another test.
		before, _, _ := strings.Cut(help, "\nExamples\n")
		for _, m := range typedFlags.FindAllStringSubmatch(before, -1) {
			found++
			if c.flagAnywhere(dashless(m[2])) == nil {
				t.Errorf("%s: help speaks of %s, which does not exist", c.full(), m[2])
			}
		}
	})
	if found == 0 {
		t.Fatal("no flag found in any help")
	}
}

func TestEveryExampleIsACommandLineThatWorks(t *testing.T) {
	found := 0
	for _, set := range [][]*command{commands(), trialCommands()} {
		root := newRoot(set)
		walk(root, func(c *command) {
			for _, e := range c.examples {
				if e.text == "" {
					t.Errorf("%s: %s: not explained", c.full(), e.line)
				}
				for _, part := range regexp.MustCompile(`\s*(\||&&|;)\s*`).Split(e.line, -1) {
					words := shellWords(t, part)
					if len(words) == 0 || words[0] != root.name {
						continue
					}
					found++
					l, err := parseLine(root, words[1:])
					if err == nil && !l.has("help") && !l.has("version") {
						err = l.complete()
					}
					if err != nil {
						t.Errorf("%s: example %q: %v", c.full(), e.line, err)
					}
				}
			}
		})
	}
	if found == 0 {
		t.Fatal("no example found")
	}
}

// shellWords splits a line as a POSIX shell does where it has only plain words
// and quotes.
func shellWords(t *testing.T, line string) []string {
	t.Helper()
	var words []string
	for rest := strings.TrimSpace(line); rest != ""; rest = strings.TrimSpace(rest) {
		if rest[0] == '"' || rest[0] == '\'' {
			word, after, ok := strings.Cut(rest[1:], rest[:1])
			if !ok {
				t.Errorf("quote not closed in %q", line)
				return words
			}
			words, rest = append(words, word), after
			continue
		}
		word, after, _ := strings.Cut(rest, " ")
		if word == ">" || word == "<" || word == "2>" {
			break
		}
		words, rest = append(words, word), after
	}
	return words
}

func TestHelpNamesTheExitCodes(t *testing.T) {
	for _, code := range []int{exitDone, exitFailed, exitUsage, exitNotFit, exitInterrupted} {
		if !regexp.MustCompile(`(^|, )` + strconv.Itoa(code) + ` `).MatchString(exitCodes) {
			t.Errorf("exit code %d is not explained", code)
		}
	}
}

func TestLongTextsWrapAndLongLabelsStandAlone(t *testing.T) {
	got := entry("-x, --a-very-long-flag-name VALUE", "some text")
	want := "  -x, --a-very-long-flag-name VALUE\n                          some text\n"
	if got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
	if got, want := paragraphs("one\ntwo\n\nthree"), "one two\n\nthree\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	if got := entry("label", ""); got != "  label\n" {
		t.Errorf("got %q", got)
	}
}

func TestDefaultsAreShownWhereTheyMeanSomething(t *testing.T) {
	cases := []struct {
		flag cli.Flag
		want string
	}{
		{&cli.IntFlag{Name: "x"}, ""},
		{&cli.IntFlag{Name: "x", Value: 5}, "5"},
		{&cli.Float64Flag{Name: "x", Value: 2.5}, "2.5"},
		{&cli.BoolFlag{Name: "x"}, ""},
		{&cli.DurationFlag{Name: "x"}, ""},
		{&cli.StringFlag{Name: "x", Value: "whole"}, "whole"},
		{&cli.StringSliceFlag{Name: "x"}, ""},
		{&cli.IntFlag{Name: "x", DefaultText: "the source's"}, "the source's"},
	}
	for _, c := range cases {
		if got := describe(c.flag).byDefault; got != c.want {
			t.Errorf("%T: default %q, want %q", c.flag, got, c.want)
		}
	}
}

func TestInterruptedWorkIsToldFromACancelOfOurOwn(t *testing.T) {
	// A context that a command cancels for itself is no interrupt.
	code, _, stderr := try(t, []*command{{name: "own", run: func(context.Context, *call) error {
		return context.Canceled
	}}}, "own")
	if code != exitFailed || stderr != "stampreel: error: context canceled\n" {
		t.Errorf("exit %d, %q", code, stderr)
	}
	// Nor does a wrapped error lose its kind.
	code, _, stderr = try(t, []*command{{name: "own", run: func(context.Context, *call) error {
		return errors.Join(&NotFitError{Err: errors.New("too fast")})
	}}}, "own")
	if code != exitNotFit || stderr != "stampreel: error: too fast\n" {
		t.Errorf("exit %d, %q", code, stderr)
	}
}
