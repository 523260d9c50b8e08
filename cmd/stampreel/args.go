package main

import (
	"slices"
	"strings"

	"github.com/urfave/cli/v2"
)

// The library stops reading flags at the first operand, so "pack film.gif
// --rate 20" would run with no rate at all and an operand "--rate". People
// type flags in any order: here the command line is taken apart by the
// commands' own flag definitions, and handed to the library with the flags
// first and each value tied to its flag.

// line is a command line taken apart.
type line struct {
	command  *command // the innermost command named
	flags    []typedFlag
	operands []string
}

// typedFlag is a flag as typed, without its dashes.
type typedFlag struct {
	name  string
	value string // "true" for a flag without value
	owner *command
	long  string // the flag's first name
}

// parseLine takes args apart, which do not include the program's name. When it
// returns an error, line still names the command as far as it is known, and
// holds a wish for help wherever it stands.
func parseLine(root *command, args []string) (line, error) {
	l := line{command: root}
	err := l.parse(args)
	if err != nil && wantsHelp(args) {
		l.flags = append(l.flags, typedFlag{name: "help", long: "help"})
	}
	return l, err
}

func (l *line) parse(args []string) error {
	onlyOperands := false
	for i := 0; i < len(args); i++ {
		arg := args[i]
		switch {
		case onlyOperands || !looksLikeFlag(arg) || isNumber(arg) && l.command.flag(dashless(arg)) == nil:
			if err := l.word(arg); err != nil {
				return err
			}
		case arg == "--":
			onlyOperands = true
		default:
			name, value, hasValue := strings.Cut(dashless(arg), "=")
			f := l.command.flagAnywhere(name)
			if f == nil {
				return l.command.noFlag(arg)
			}
			if !hasValue {
				value = "true"
				if takesValue(f) {
					if i+1 == len(args) || looksLikeFlag(args[i+1]) && !isNumber(args[i+1]) {
						return l.command.noValue(f)
					}
					i++
					value = args[i]
				}
			}
			l.flags = append(l.flags, typedFlag{name: name, value: value})
		}
	}
	for i := range l.flags {
		if err := l.flags[i].settle(l.command); err != nil {
			return err
		}
	}
	return nil
}

// word takes in an argument that is no flag: the name of a command as long as
// one is due, then operands.
func (l *line) word(arg string) error {
	if l.command.run != nil {
		l.operands = append(l.operands, arg)
		return nil
	}
	sub := l.command.sub(arg)
	if sub != nil {
		l.command = sub
		return nil
	}
	if arg == "help" {
		l.flags = append(l.flags, typedFlag{name: "help", value: "true"})
		return nil
	}
	return l.command.noCommand(arg)
}

// settle finds the command that owns the flag: the innermost that has it.
func (t *typedFlag) settle(c *command) error {
	for owner := c; owner != nil; owner = owner.parent {
		if f := owner.flag(t.name); f != nil {
			t.owner, t.long = owner, f.Names()[0]
			return nil
		}
	}
	return c.noFlag(dashes(t.name))
}

// complete checks that nothing is missing and nothing is too much.
func (l line) complete() error {
	c := l.command
	if c.run == nil {
		return c.noCommand("")
	}
	fewest, most := c.operandCount()
	if len(l.operands) < fewest {
		missing := strings.TrimSuffix(c.operands[min(len(l.operands), len(c.operands)-1)].name, "...")
		missing = strings.ReplaceAll(missing, "|", " or ")
		return usagef("%s needs %s", c.full(), missing).try("%s", c.usage())
	}
	if most >= 0 && len(l.operands) > most {
		extra := l.operands[most]
		e := usagef("%s: %q is one operand too many", c.full(), extra)
		if f := c.flag(extra); f != nil {
			e.try("%s", describe(f).label())
		}
		return e.try("%s", c.usage())
	}
	for _, f := range c.flags {
		if r, ok := f.(cli.RequiredFlag); ok && r.IsRequired() && !l.has(f.Names()[0]) {
			return usagef("%s needs %s", c.full(), describe(f).long()).try("%s", c.usage())
		}
	}
	return nil
}

// arguments is the command line in the order that the library reads.
func (l line) arguments() []string {
	var path []*command
	for c := l.command; c != nil; c = c.parent {
		path = append(path, c)
	}
	slices.Reverse(path)
	var args []string
	for _, c := range path {
		args = append(args, c.name)
		for _, f := range l.flags {
			if f.owner == c {
				args = append(args, dashes(f.long)+"="+f.value)
			}
		}
	}
	return append(append(args, "--"), l.operands...)
}

// has tells whether the flag of that first name was typed, and not denied as
// in --json=false.
func (l line) has(long string) bool {
	return slices.ContainsFunc(l.flags, func(f typedFlag) bool {
		return f.long == long && f.value != "false"
	})
}

// operandCount is the fewest and the most operands the command takes; most is
// -1 for any number.
func (c *command) operandCount() (fewest, most int) {
	for _, o := range c.operands {
		if !strings.HasPrefix(o.name, "[") {
			fewest++
		}
		if strings.HasSuffix(strings.TrimSuffix(o.name, "]"), "...") {
			most = -1
		}
		if most >= 0 {
			most++
		}
	}
	return fewest, most
}

func (c *command) sub(name string) *command {
	for _, sub := range c.commands {
		if sub.name == name {
			return sub
		}
	}
	return nil
}

// flag returns the command's own flag of that name or short name, or nil.
func (c *command) flag(name string) cli.Flag {
	for _, f := range c.flags {
		if slices.Contains(f.Names(), name) {
			return f
		}
	}
	return nil
}

// flagAnywhere looks for a flag that may be meant at this point of the line:
// one of this command, of those above it, or, for a flag typed before the
// command's name, of those below.
func (c *command) flagAnywhere(name string) cli.Flag {
	for above := c; above != nil; above = above.parent {
		if f := above.flag(name); f != nil {
			return f
		}
	}
	return c.flagBelow(name)
}

func (c *command) flagBelow(name string) cli.Flag {
	for _, sub := range c.commands {
		if f := sub.flag(name); f != nil {
			return f
		}
		if f := sub.flagBelow(name); f != nil {
			return f
		}
	}
	return nil
}

func takesValue(f cli.Flag) bool {
	d, ok := f.(cli.DocGenerationFlag)
	return !ok || d.TakesValue()
}

// looksLikeFlag tells a flag, or the -- that ends them, from an operand; a
// lone dash is an operand, standard input by custom.
func looksLikeFlag(arg string) bool { return len(arg) > 1 && arg[0] == '-' }

// isNumber tells whether a dash begins a negative number: -5, -.5, -3s.
func isNumber(arg string) bool {
	digits := strings.TrimPrefix(strings.TrimPrefix(arg, "-"), ".")
	return digits != "" && '0' <= digits[0] && digits[0] <= '9'
}

func dashless(arg string) string {
	return strings.TrimPrefix(strings.TrimPrefix(arg, "-"), "-")
}

func dashes(name string) string {
	if len(name) == 1 {
		return "-" + name
	}
	return "--" + name
}

func wantsHelp(args []string) bool {
	for _, arg := range args {
		switch arg {
		case "--":
			return false
		case "--help", "-help", "-h", "--h":
			return true
		}
	}
	return false
}

// noFlag is the error of a flag that the command does not have.
func (c *command) noFlag(arg string) error {
	name, _, _ := strings.Cut(arg, "=")
	e := usagef("%s has no flag %s", c.full(), name)
	var known []string
	for _, f := range c.flags {
		for _, n := range f.Names() {
			if len(n) > 1 {
				known = append(known, n)
			}
		}
	}
	plain := dashless(name)
	for _, near := range nearest(plain, known) {
		e.try("%s", describe(c.flag(near)).label())
	}
	if len(e.Try) == 0 && !strings.HasPrefix(arg, "--") && plain != "" {
		// A value stuck to a short flag, as in -oCLIP.
		if f := c.flag(plain[:1]); f != nil && takesValue(f) {
			e.try("-%s %s", plain[:1], plain[1:])
		}
	}
	if len(e.Try) == 0 {
		e.try("%s --help", c.full())
	}
	return e
}

func (c *command) noValue(f cli.Flag) error {
	d := describe(f)
	return usagef("%s needs a value", d.long()).try("%s, %s", d.label(), d.usage)
}

// noCommand is the error of a command that does not exist, or of none where
// one is due.
func (c *command) noCommand(name string) error {
	if name == "" {
		e := usagef("%s needs a command", c.full())
		e.help = c
		return e
	}
	e := usagef("%s has no command %q", c.full(), name)
	var known []string
	for _, sub := range c.commands {
		if !sub.hidden {
			known = append(known, sub.name)
		}
	}
	for _, near := range nearest(name, known) {
		e.try("%s", c.sub(near).usage())
	}
	if len(e.Try) == 0 {
		e.try("%s --help", c.full())
	}
	return e
}

// nearest returns the names closest to word by edit distance, at most two, and
// none when all are further than a third of its length; a name that word
// begins counts as near.
func nearest(word string, names []string) []string {
	best := max(1, len([]rune(word))/3)
	var near []string
	for _, name := range names {
		d := distance(strings.ToLower(word), strings.ToLower(name))
		if len(word) > 2 && strings.HasPrefix(name, word) {
			d = min(d, 1)
		}
		switch {
		case d < best:
			best, near = d, []string{name}
		case d == best:
			near = append(near, name)
		}
	}
	return near[:min(len(near), 2)]
}

// distance is the number of letters to add, drop, change or swap with a
// neighbour that turns a into b (optimal string alignment).
func distance(a, b string) int {
	s, t := []rune(a), []rune(b)
	before, last := make([]int, len(t)+1), make([]int, len(t)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(s); i++ {
		row := make([]int, len(t)+1)
		row[0] = i
		for j := 1; j <= len(t); j++ {
			change := 1
			if s[i-1] == t[j-1] {
				change = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+change)
			if i > 1 && j > 1 && s[i-1] == t[j-2] && s[i-2] == t[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last = last, row
	}
	return last[len(t)]
}
