package main

import (
	"context"
	"errors"
	"io"
	"regexp"

	"github.com/urfave/cli/v2"

	"example.org/stampreel/cmd/stampreel/internal/console"
)

// commands lists the commands in the order of the job, which is the order in
// which help shows them.
func commands() []*command {
	return []*command{
		packCommand(),
		fillCommand(),
		reelCommand(),
		checkCommand(),
		wiringCommand(),
		suggestCommand(),
		measureCommand(),
		previewCommand(),
		infoCommand(),
		verifyCommand(),
		unpackCommand(),
		playerCommand(),
		patternsCommand(),
		sourcesCommand(),
		demoCommand(),
		completionCommand(),
		candidatesCommand(),
		manualCommand(),
	}
}

// command is one command: what help says of it, its flags and operands, and
// what it does. A command has either a run function or sub-commands.
type command struct {
	name     string
	group    string // heading in the list of commands; empty: as the one before
	short    string // one line for the list of commands
	about    string // what it does, in a paragraph; blank lines part paragraphs
	operands []operand
	flags    []cli.Flag // own flags; Category is the heading in help
	examples []example
	results  bool // has results: takes --json
	player   bool // obeys a player file: takes --player
	hidden   bool // not for people: neither listed nor proposed
	run      func(ctx context.Context, c *call) error
	commands []*command

	parent *command // nil for the root
}

// operand describes one operand. The name says how often it stands: "CLIP"
// once, "[SOUND]" at most once, "CLIP|FOLDER..." once or more,
// "[FOLDER...]" any number of times.
type operand struct {
	name string
	text string
}

// example is a command line worth copying and what it is for.
type example struct {
	line string
	text string
}

// call is one run of a command. The flags' values are in its Context.
type call struct {
	*cli.Context
	console  *console.Console
	operands []string
	stdin    io.Reader
	events   *eventLines // once they have begun
}

// operand returns operand i, "" where it was left out.
func (c *call) operand(i int) string {
	if i < len(c.operands) {
		return c.operands[i]
	}
	return ""
}

// newRoot joins the commands under the program's name.
func newRoot(commands []*command) *command {
	root := &command{
		name: console.Program,
		about: "Stampreel turns the videos, animations and sound you own into clips for a " +
			"player the size of a postage stamp, and tells you before you copy them " +
			"(or solder anything) whether they will play.",
		flags: []cli.Flag{
			&cli.BoolFlag{Name: "version", Category: everywhere, Usage: "show the version of the program"},
		},
		commands: commands,
	}
	root.adopt()
	return root
}

// adopt sets the parents and adds the flags common to all commands.
func (c *command) adopt() {
	if c.player {
		c.flags = append(c.flags, &cli.StringFlag{
			Name: "player", Category: everywhere,
			Usage:       "the player, a `FILE` or the name of a built-in one",
			DefaultText: "player.yaml in the folder, then a built-in one",
		})
	}
	if c.results {
		c.flags = append(c.flags, &cli.BoolFlag{
			Name: "json", Category: everywhere,
			Usage: "write the result as one JSON document, in SI units",
		})
	}
	if c.run != nil {
		c.flags = append(c.flags, &cli.BoolFlag{
			Name: "quiet", Aliases: []string{"q"}, Category: everywhere,
			Usage: "no notes and no progress; warnings and errors stay",
		})
	}
	c.flags = append(c.flags, &cli.BoolFlag{
		Name: "help", Aliases: []string{"h"}, Category: everywhere,
		Usage: "show this help",
	})
	for _, sub := range c.commands {
		sub.parent = c
		sub.adopt()
	}
}

// full is the command as typed: "stampreel player show".
func (c *command) full() string {
	if c.parent == nil {
		return c.name
	}
	return c.parent.full() + " " + c.name
}

// run takes the command line apart, runs the command it names and returns the
// exit code. args do not include the program's name.
func run(ctx context.Context, root *command, args []string, stdin io.Reader, con *console.Console) int {
	err := dispatch(ctx, root, args, stdin, con)
	if err == nil {
		err = con.Err()
	}
	return report(ctx, con, err)
}

func dispatch(ctx context.Context, root *command, args []string, stdin io.Reader, con *console.Console) error {
	line, err := parseLine(root, args)
	if line.has("help") {
		con.Text(helpText(line.command))
		return nil
	}
	if err != nil {
		return err
	}
	if line.has("version") {
		con.Result("%s %s", console.Program, version)
		return nil
	}
	if err := line.complete(); err != nil {
		return err
	}
	return newApp(root, stdin, con).RunContext(ctx, line.arguments())
}

// newApp builds the library's application. The library is left no way of its
// own to print or to exit: its help and version flags are off, and all errors
// come back.
func newApp(root *command, stdin io.Reader, con *console.Console) *cli.App {
	top := root.build(stdin, con)
	return &cli.App{
		Name:                      top.Name,
		Flags:                     top.Flags,
		Commands:                  top.Subcommands,
		Action:                    top.Action,
		OnUsageError:              top.OnUsageError,
		HideHelp:                  true,
		HideVersion:               true,
		DisableSliceFlagSeparator: true, // a comma may be part of a file's name
		ExitErrHandler:            func(*cli.Context, error) {},
		Reader:                    stdin,
		Writer:                    io.Discard,
		ErrWriter:                 io.Discard,
	}
}

func (c *command) build(stdin io.Reader, con *console.Console) *cli.Command {
	cmd := &cli.Command{
		Name:     c.name,
		Usage:    c.short,
		Flags:    c.flags,
		HideHelp: true,
		OnUsageError: func(_ *cli.Context, err error, _ bool) error {
			return c.badValue(err)
		},
		Action: func(cc *cli.Context) error {
			if c.run == nil {
				return c.noCommand(cc.Args().First())
			}
			con.WantJSON(c.results && cc.Bool("json"))
			con.Quiet(cc.Bool("quiet"))
			return c.run(cc.Context, &call{Context: cc, console: con, operands: cc.Args().Slice(), stdin: stdin})
		},
	}
	for _, sub := range c.commands {
		cmd.Subcommands = append(cmd.Subcommands, sub.build(stdin, con))
	}
	return cmd
}

// The library reports a value it cannot read in the words of package flag.
var valueErrors = []*regexp.Regexp{
	regexp.MustCompile(`(?s)^invalid value "(?P<value>.*)" for flag -(?P<flag>[^ :]+): (?P<why>.*)$`),
	regexp.MustCompile(`(?s)^invalid boolean value "(?P<value>.*)" for -(?P<flag>[^ :]+): (?P<why>.*)$`),
}

// badValue puts an error of the library's parser into our words.
func (c *command) badValue(err error) error {
	for _, re := range valueErrors {
		m := re.FindStringSubmatch(err.Error())
		if m == nil {
			continue
		}
		value, name, why := m[re.SubexpIndex("value")], m[re.SubexpIndex("flag")], m[re.SubexpIndex("why")]
		f := c.flag(name)
		if f == nil {
			break
		}
		text := describe(f)
		var e *UsageError
		if why == "value out of range" {
			e = usagef("%s: %s is too large", text.long(), value)
		} else if text.wants != "" {
			e = usagef("%s: %q is not %s", text.long(), value, text.wants)
		} else {
			e = usagef("%s: %q: %s", text.long(), value, why)
		}
		return e.try("%s, %s", text.label(), text.usage)
	}
	var usage *UsageError
	if errors.As(err, &usage) {
		return err
	}
	return usagef("%s: %v", c.full(), err).try("%s --help", c.full())
}
