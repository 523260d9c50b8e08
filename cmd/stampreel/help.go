package main

import (
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"example.org/stampreel/cmd/stampreel/internal/console"
)

const (
	helpWidth = 80
	// everywhere heads the flags that commands have in common.
	everywhere = "Everywhere"
	labelWidth = 26 // columns before the text of a flag or an operand
)

// howToCall holds for all commands.
const howToCall = "Results go to standard output, all else to standard error. " +
	"Flags may stand before or after the operands. " +
	console.Program + " COMMAND --help explains one command."

// helpText is the help of a command, as --help shows it.
func helpText(c *command) string {
	var b strings.Builder
	if c.parent != nil {
		b.WriteString(c.full() + ": " + c.short + "\n\n")
	}
	b.WriteString(indent(c.usage(), "Usage: ", "       "))
	if c.about != "" {
		b.WriteString("\n" + paragraphs(c.about))
	}
	if len(c.operands) > 0 {
		b.WriteString("\nOperands\n")
		for _, o := range c.operands {
			b.WriteString(entry(o.name, o.text))
		}
	}
	b.WriteString(commandList(c))
	b.WriteString(flagList(c))
	if len(c.examples) > 0 {
		b.WriteString("\nExamples\n")
		for _, e := range c.examples {
			b.WriteString("  " + e.line + "\n" + indent(e.text, "      ", "      "))
		}
	}
	if c.parent == nil {
		b.WriteString("\n" + paragraphs(howToCall))
	}
	b.WriteString("\n" + paragraphs("Exit codes: "+exitCodes+"."))
	return b.String()
}

// usage is the command as one writes it.
func (c *command) usage() string {
	parts := []string{c.full()}
	if c.run == nil {
		parts = append(parts, "COMMAND")
	}
	for _, o := range c.operands {
		parts = append(parts, o.name)
	}
	optional := false
	for _, f := range c.flags {
		r, ok := f.(cli.RequiredFlag)
		switch {
		case ok && r.IsRequired():
			parts = append(parts, describe(f).short())
		case describe(f).group != everywhere:
			optional = true
		}
	}
	if optional {
		parts = append(parts, "[flags]")
	}
	return strings.Join(parts, " ")
}

// commandsUnder are commands under one heading.
type commandsUnder struct {
	heading  string
	commands []*command
}

// commandLists groups the commands that people are shown.
func (c *command) commandLists() (lists []commandsUnder) {
	for _, sub := range c.commands {
		if sub.hidden {
			continue
		}
		heading := sub.group
		if heading == "" && len(lists) == 0 {
			heading = "Commands"
		}
		if heading != "" && (len(lists) == 0 || heading != lists[len(lists)-1].heading) {
			lists = append(lists, commandsUnder{heading: heading})
		}
		last := &lists[len(lists)-1]
		last.commands = append(last.commands, sub)
	}
	return lists
}

func commandList(c *command) string {
	var b strings.Builder
	for _, list := range c.commandLists() {
		b.WriteString("\n" + list.heading + "\n")
		for _, sub := range list.commands {
			b.WriteString(entry(sub.name, sub.short))
		}
	}
	return b.String()
}

// flagsUnder are flags under one heading.
type flagsUnder struct {
	heading string
	flags   []flagText
}

// flagLists groups the flags that people are shown, in the order in which the headings first
// appear, those common to all commands last.
func (c *command) flagLists() (lists []flagsUnder) {
	common := flagsUnder{heading: everywhere}
	for _, f := range c.flags {
		d := describe(f)
		at := slices.IndexFunc(lists, func(l flagsUnder) bool { return l.heading == d.group })
		switch {
		case d.hidden:
		case d.group == everywhere:
			common.flags = append(common.flags, d)
		case at < 0:
			lists = append(lists, flagsUnder{d.group, []flagText{d}})
		default:
			lists[at].flags = append(lists[at].flags, d)
		}
	}
	return append(lists, common)
}

func flagList(c *command) string {
	var b strings.Builder
	for _, list := range c.flagLists() {
		b.WriteString("\n" + list.heading + "\n")
		for _, d := range list.flags {
			label := d.label()
			if !strings.HasPrefix(label, "--") {
				b.WriteString(entry(label, d.text()))
			} else {
				b.WriteString(entry("    "+label, d.text())) // in line with "-o, --output"
			}
		}
	}
	return b.String()
}

// flagText is what help and errors say of a flag.
type flagText struct {
	names     []string
	value     string // what its value stands for: "FILE"; empty if it takes none
	wants     string // "a whole number"; empty where the type does not say
	usage     string
	byDefault string
	group     string
	hidden    bool
}

func describe(f cli.Flag) flagText {
	d := flagText{names: f.Names(), group: "Flags"}
	if cat, ok := f.(cli.CategorizableFlag); ok && cat.GetCategory() != "" {
		d.group = cat.GetCategory()
	}
	if v, ok := f.(cli.VisibleFlag); ok {
		d.hidden = !v.IsVisible()
	}
	placeholder := ""
	switch f.(type) {
	case *cli.BoolFlag:
		d.wants = "true or false"
	case *cli.IntFlag, *cli.Int64Flag, *cli.IntSliceFlag, *cli.Int64SliceFlag:
		placeholder, d.wants = "N", "a whole number"
	case *cli.UintFlag, *cli.Uint64Flag, *cli.UintSliceFlag, *cli.Uint64SliceFlag:
		placeholder, d.wants = "N", "a whole number, 0 or more"
	case *cli.Float64Flag, *cli.Float64SliceFlag:
		placeholder, d.wants = "NUMBER", "a number"
	case *cli.DurationFlag:
		placeholder, d.wants = "TIME", "a time such as 1m20s or 300ms"
	default:
		placeholder = "TEXT"
	}
	doc, ok := f.(cli.DocGenerationFlag)
	if !ok {
		return d
	}
	d.usage = doc.GetUsage()
	if before, rest, ok := strings.Cut(d.usage, "`"); ok {
		if name, after, ok := strings.Cut(rest, "`"); ok {
			placeholder, d.usage = name, before+name+after
		}
	}
	if doc.TakesValue() {
		d.value = placeholder
	}
	switch text := strings.Trim(doc.GetDefaultText(), `"`); text {
	case "", "0", "0s", "false", "[]":
	default:
		d.byDefault = text
	}
	return d
}

// text says what the flag is, and what it is when left out.
func (d flagText) text() string {
	if d.byDefault == "" {
		return d.usage
	}
	return d.usage + " (default " + d.byDefault + ")"
}

// long is the flag's first name with its dashes.
func (d flagText) long() string { return dashes(d.names[0]) }

// label is the flag with its short names and value: "-o, --output CLIP".
func (d flagText) label() string {
	var names []string
	for _, short := range d.names[1:] {
		names = append(names, dashes(short))
	}
	return d.with(strings.Join(append(names, d.long()), ", "))
}

// short is the flag as one would type it: "-o CLIP".
func (d flagText) short() string { return d.with(dashes(d.names[len(d.names)-1])) }

func (d flagText) with(name string) string {
	if d.value == "" {
		return name
	}
	return name + " " + d.value
}

// entry is a label with its text beside it, or below when the label is long.
func entry(label, text string) string {
	first := "  " + label
	pad := strings.Repeat(" ", labelWidth)
	if len(first)+2 > labelWidth {
		return first + "\n" + indent(text, pad, pad)
	}
	return indent(text, first+pad[len(first):], pad)
}

// paragraphs wraps text; blank lines part paragraphs.
func paragraphs(text string) string {
	var b strings.Builder
	for i, p := range strings.Split(strings.TrimSpace(text), "\n\n") {
		if i > 0 {
			b.WriteString("\n")
		}
		b.WriteString(indent(p, "", ""))
	}
	return b.String()
}

// indent wraps text to the width of help, its first line after first, the
// others after rest.
func indent(text, first, rest string) string {
	var b strings.Builder
	line, empty := first, true
	for _, word := range strings.Fields(text) {
		if !empty && len([]rune(line))+1+len([]rune(word)) > helpWidth {
			b.WriteString(line + "\n")
			line, empty = rest, true
		}
		if !empty {
			line += " "
		}
		line, empty = line+word, false
	}
	return b.String() + strings.TrimRight(line, " ") + "\n"
}

// orList writes "a, b or c".
func orList(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " or " + words[len(words)-1]
}
