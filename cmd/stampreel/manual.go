package main

import (
	"context"
	"strings"

	"example.org/stampreel/cmd/stampreel/internal/console"
)

func manualCommand() *command {
	return &command{
		name:  "manual",
		short: "write the manual page of the program or of a command",
		about: "Writes a manual page in the language of man: of the program, with the list of its " +
			"commands, or of a command, with its flags. It says what --help does.",
		operands: []operand{{"[COMMAND...]", "the command; the program when left out"}},
		examples: []example{
			{"stampreel manual pack | man -l -", "reads the page of pack"},
			{"stampreel manual > ~/.local/share/man/man1/stampreel.1", "keeps that of the program for: man stampreel"},
		},
		run: runManual,
	}
}

func runManual(_ context.Context, c *call) error {
	of := newRoot(commands())
	for _, name := range c.Args().Slice() {
		sub := of.sub(name)
		if sub == nil {
			return of.noCommand(name)
		}
		of = sub
	}
	c.console.Text(manualPage(of))
	return nil
}

// manualPage is the help of a command in the macros of man(7).
func manualPage(c *command) string {
	var p roffPage
	title := strings.ReplaceAll(c.full(), " ", "-")
	short := c.short
	if c.parent == nil {
		short = "clips for a player the size of a postage stamp"
	}
	// The third place is that of a date, which a page made from the program has not.
	p.macro("TH", strings.ToUpper(title), "1", "", console.Program+" "+version)
	p.section("NAME")
	p.text(title + " - " + short)
	p.section("SYNOPSIS")
	p.text(c.usage())
	p.section("DESCRIPTION")
	p.paragraphs(c.about)
	if c.parent == nil {
		p.macro("PP")
		p.text(howToCall)
	}
	if len(c.operands) > 0 {
		p.section("OPERANDS")
		for _, o := range c.operands {
			p.entry(o.name, o.text)
		}
	}
	if len(c.commands) > 0 {
		p.section("COMMANDS")
		for _, list := range c.commandLists() {
			p.subsection(list.heading, c.parent == nil)
			for _, sub := range list.commands {
				p.entry(sub.name, sub.short)
			}
		}
	}
	p.section("OPTIONS")
	for _, list := range c.flagLists() {
		p.subsection(list.heading, true)
		for _, d := range list.flags {
			p.entry(d.label(), d.text())
		}
	}
	if len(c.examples) > 0 {
		p.section("EXAMPLES")
		for _, e := range c.examples {
			p.entry(e.line, e.text)
		}
	}
	p.section("EXIT STATUS")
	p.text(exitCodes + ".")
	p.section("SEE ALSO")
	if c.parent != nil {
		p.text(strings.ReplaceAll(c.parent.full(), " ", "-") + "(1)")
	}
	for _, list := range c.commandLists() {
		for _, sub := range list.commands {
			p.text(strings.ReplaceAll(sub.full(), " ", "-") + "(1)")
		}
	}
	return p.String()
}

// roffPage is a manual page in the making.
type roffPage struct{ strings.Builder }

// roff keeps text from being read as commands: a hyphen as one to copy, a backslash as itself.
var roff = strings.NewReplacer(`\`, `\e`, "-", `\-`, "'", `\(aq`, "`", `\(ga`, "~", `\(ti`, "^", `\(ha`)

func (p *roffPage) macro(name string, args ...string) {
	p.WriteString("." + name)
	for _, a := range args {
		p.WriteString(` "` + strings.ReplaceAll(roff.Replace(a), `"`, `\(dq`) + `"`)
	}
	p.WriteString("\n")
}

func (p *roffPage) section(heading string) { p.macro("SH", heading) }

func (p *roffPage) subsection(heading string, wanted bool) {
	if wanted {
		p.macro("SS", heading)
	}
}

// text is one paragraph, a line for each line of the source.
func (p *roffPage) text(text string) {
	for _, line := range strings.Split(strings.TrimRight(indent(text, "", ""), "\n"), "\n") {
		line = roff.Replace(line)
		if strings.HasPrefix(line, ".") {
			line = `\&` + line
		}
		p.WriteString(line + "\n")
	}
}

func (p *roffPage) paragraphs(text string) {
	for i, paragraph := range strings.Split(strings.TrimSpace(text), "\n\n") {
		if i > 0 {
			p.macro("PP")
		}
		p.text(paragraph)
	}
}

// entry is a label with its text below.
func (p *roffPage) entry(label, text string) {
	p.macro("TP", "12")
	p.macro("B", label)
	p.text(text)
}
