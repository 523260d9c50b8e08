package main

import (
	"context"
	"embed"
	"strings"

	"github.com/urfave/cli/v2"
)

// Each script asks candidates for what may stand at the cursor; where there is nothing to
// say, the shell completes names of files.
//
//go:embed completion
var completionScripts embed.FS

// thisProgram heads the commands that are about the program itself.
const thisProgram = "This program"

func completionCommand() *command {
	return &command{
		name: "completion", group: thisProgram,
		short: "let the shell complete commands, flags and their values",
		about: "Writes the script by which a shell completes what is typed after stampreel. The line " +
			"below that is your shell's goes into the file that it reads when it starts.",
		operands: []operand{{"SHELL", "bash, zsh, fish or powershell"}},
		examples: []example{
			{"source <(stampreel completion bash)", "in ~/.bashrc; zsh in ~/.zshrc likewise"},
			{"stampreel completion fish | source", "in ~/.config/fish/config.fish"},
			{"stampreel completion powershell | Out-String | Invoke-Expression", "in $PROFILE"},
		},
		run: runCompletion,
	}
}

func runCompletion(_ context.Context, c *call) error {
	script, err := completionScripts.ReadFile("completion/" + c.operand(0))
	if err != nil {
		return badWord("SHELL", c.operand(0), shells(), "stampreel completion")
	}
	c.console.Text(string(script))
	return nil
}

func shells() (names []string) {
	scripts, _ := completionScripts.ReadDir("completion")
	for _, s := range scripts {
		names = append(names, s.Name())
	}
	return names
}

func candidatesCommand() *command {
	return &command{
		name: "candidates", hidden: true,
		short:    "what may stand at the cursor",
		about:    "Writes what may stand after the words, a line each: it, a tab, and what it is.",
		operands: []operand{{"[WORD...]", "the words before"}},
		flags:    []cli.Flag{&cli.StringFlag{Name: "begun", Usage: "`TEXT` that it begins with"}},
		run: func(_ context.Context, c *call) error {
			for _, found := range candidates(newRoot(commands()), c.Args().Slice(), c.String("begun")) {
				c.console.Result("%s", strings.TrimSuffix(found.word+"\t"+found.text, "\t"))
			}
			return nil
		},
	}
}

// candidate is a word that may stand at the cursor, and what it is where its name does not say that.
type candidate struct{ word, text string }

// candidates lists what may stand behind words and begins with begun: commands, flags and
// values of flags. It lists nothing where a file is due, or anything.
func candidates(root *command, words []string, begun string) (found []candidate) {
	offer := func(word, text string) {
		if strings.HasPrefix(word, begun) {
			found = append(found, candidate{word, text})
		}
	}
	c, flag := root, cli.Flag(nil)
	for i, word := range words {
		switch {
		case word == "--":
			return nil
		case flag != nil && word == "=" && i == len(words)-1: // bash parts --flag=value in three
		case flag != nil:
			flag = nil
		case looksLikeFlag(word):
			name, _, hasValue := strings.Cut(dashless(word), "=")
			if f := c.flagAnywhere(name); f != nil && takesValue(f) && !hasValue {
				flag = f
			}
		default:
			if sub := c.sub(word); sub != nil {
				c = sub
			}
		}
	}
	name, _, hasValue := strings.Cut(begun, "=")
	switch {
	case flag != nil:
		for _, v := range choices(flag.Names()[0]) {
			offer(v, "")
		}
	case looksLikeFlag(begun) && hasValue:
		if f := c.flagAnywhere(dashless(name)); f != nil {
			for _, v := range choices(f.Names()[0]) {
				offer(name+"="+v, "")
			}
		}
	case strings.HasPrefix(begun, "-"):
		for _, f := range c.flags {
			if d := describe(f); !d.hidden {
				for _, n := range d.names {
					offer(dashes(n), d.usage)
				}
			}
		}
	case c.run == nil:
		for _, sub := range c.commands {
			if !sub.hidden {
				offer(sub.name, sub.short)
			}
		}
	default:
		for _, o := range c.operands {
			for _, v := range choices(o.name) {
				offer(v, "")
			}
		}
	}
	return found
}
