package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/urfave/cli/v2"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/container/cardfs"
)

func playerCommand() *command {
	file := operand{"[FILE]", "a player file, or the name of a built-in player; player.yaml when left out"}
	return &command{
		name: "player", group: "The player",
		short: "describe the player",
		about: "A player file tells what the player is made of: its panel, speaker, card and " +
			"wiring, memory and pins, in units people write (40 MHz, 64 KiB, 30 ms). All other " +
			"commands obey it.",
		commands: []*command{
			{
				name:  "new",
				short: "begin a player file",
				about: "Writes a player file with every key explained, to be edited. With --like it is that " +
					"of a built-in player. An existing file is not touched.",
				operands: []operand{{"[FILE]", "where to write it; player.yaml when left out, - for standard output"}},
				flags:    []cli.Flag{&cli.StringFlag{Name: "like", Usage: "begin with the built-in player `NAME`"}},
				examples: []example{
					{"stampreel player new", "player.yaml in this folder, every key explained"},
					{"stampreel player new clock.yaml --like round-240", "a copy of a built-in player"},
				},
				results: true,
				run:     runPlayerNew,
			},
			{
				name:     "known",
				short:    "list the built-in players",
				about:    "Lists the players that are built in, or shows the file of one.",
				operands: []operand{{"[NAME]", "show the file of this one"}},
				examples: []example{{"stampreel player known", "names and panels"}, {"stampreel player known round-240", "its player file"}},
				results:  true,
				run:      runPlayerKnown,
			},
			{
				name:  "show",
				short: "show every figure of a player and where it comes from",
				about: "Lists every figure of a player: declared by the file, assumed because the file is " +
					"silent, or measured.",
				operands: []operand{file},
				examples: []example{{"stampreel player show", "of player.yaml in this folder"}},
				results:  true,
				run:      runPlayerShow,
			},
			{
				name:  "header",
				short: "write the player's constants as a C header",
				about: "Writes the figures of a player as a C header, so that the firmware and the clips " +
					"that are packed for it cannot disagree: sizes, pixel format and turn as a clip's " +
					"header codes them, real clocks and rates as ratios.",
				operands: []operand{file},
				flags:    []cli.Flag{&cli.StringFlag{Name: "output", Aliases: []string{"o"}, Usage: "write it to `FILE`", DefaultText: "standard output"}},
				examples: []example{{"stampreel player header -o player.h", "of player.yaml in this folder"}},
				results:  true,
				run:      runPlayerHeader,
			},
			{
				name:  "schema",
				short: "write a JSON Schema of player files",
				about: "Writes a JSON Schema (draft 2020-12) of player files, for editors that check YAML by " +
					"one. It knows keys, words and units; what player check says counts.",
				examples: []example{{"stampreel player schema > player.schema.json", "for the settings of an editor"}},
				run:      runPlayerSchema,
			},
			{
				name:     "check",
				short:    "read a player file and say what is wrong",
				about:    "Reads a player file. What cannot be right is shown with its line and what to try.",
				operands: []operand{file},
				examples: []example{{"stampreel player check clock.yaml", "right, or the line that is not"}},
				results:  true,
				run:      runPlayerCheck,
			},
		},
	}
}

func runPlayerNew(_ context.Context, c *call) error {
	data := playerfile.Template()
	if name := c.String("like"); name != "" {
		var err error
		if data, err = playerfile.KnownFile(name); err != nil {
			return badChoice("like", name)
		}
	}
	path := c.operand(0)
	switch {
	case path == "-":
		c.console.Text(string(data))
		return c.console.JSON(map[string]any{"file": path, "text": string(data)})
	case path == "":
		path = playerFileName
	}
	if _, err := os.Lstat(path); err == nil {
		return &existsError{path}
	}
	if err := cardfs.Write(path, func(w io.Writer) error { _, err := w.Write(data); return err }); err != nil {
		return err
	}
	c.console.Result("%s written: edit it, then look at it with: stampreel player show %[1]s", console.Name(path))
	return c.console.JSON(map[string]any{"file": path})
}

func runPlayerSchema(_ context.Context, c *call) error {
	c.console.Text(string(playerfile.JSONSchema()))
	return nil
}

// existsError keeps a file from being overwritten.
type existsError struct{ path string }

func (e *existsError) Error() string { return e.path + " exists already and is not touched" }
func (e *existsError) Tries() []string {
	return []string{"another name, or remove it first"}
}

func runPlayerKnown(_ context.Context, c *call) error {
	if name := c.operand(0); name != "" {
		data, err := playerfile.KnownFile(name)
		if err != nil {
			return badWord("NAME", name, playerfile.Known(), "stampreel player known")
		}
		c.console.Text(string(data))
		p, err := playerfile.LoadKnown(name)
		if err != nil {
			return err
		}
		return c.console.JSON(p)
	}
	type known struct {
		Name   string `json:"name"`
		Player string `json:"player"`
		Panel  string `json:"panel"`
		Card   string `json:"card"`
	}
	all := []known{}
	t := console.NewTable(console.Words("name"), console.Words("player"), console.Words("panel"), console.Words("card"))
	for _, name := range playerfile.Known() {
		p, err := playerfile.LoadKnown(name)
		if err != nil {
			return err
		}
		panel := fmt.Sprintf("%d×%d %v", p.Panel.Size.Value.W, p.Panel.Size.Value.H, p.Panel.Pixels.Value)
		if p.Panel.Shape.Value == playerfile.Round {
			panel += ", round"
		}
		card := fmt.Sprintf("%v at %g MHz", p.Card.Wiring.Value, p.Card.RealClock.Value.Float()/1e6)
		if p.Card.Bus.Value == playerfile.Shared {
			card += ", shared with the panel"
		}
		all = append(all, known{name, p.Name.Value, panel, card})
		t.Row(name, p.Name.Value, panel, card)
	}
	c.console.Table(t)
	return c.console.JSON(all)
}

// named loads the player that a command of the group is about.
func (c *call) named() (*playerfile.Player, string, error) {
	name := c.operand(0)
	if name == "" {
		name = playerFileName
		if _, err := os.Stat(name); errors.Is(err, os.ErrNotExist) {
			return nil, name, usagef("there is no %s in this folder", name).try("stampreel player new, to begin one").try("%s NAME, with one of: %s", c.Command.HelpName, orList(playerfile.Known()))
		}
	}
	p, err := loadPlayer(name)
	return p, name, err
}

func runPlayerShow(_ context.Context, c *call) error {
	p, _, err := c.named()
	if err != nil {
		return err
	}
	c.console.Result("%s", p.Name.Value)
	t := console.NewTable(console.Words("section"), console.Words("figure"), console.Words("value"), console.Words("origin"))
	section := ""
	for _, r := range p.Show() {
		shown := r.Section
		if shown == section {
			shown = ""
		}
		section = r.Section
		origin := r.Origin.String()
		if r.Why != "" {
			origin += ": " + r.Why
		}
		text := r.Text
		if text == "" {
			text = "–"
		}
		t.Row(shown, r.Key, text, origin)
	}
	c.console.Table(t)
	reading, origin := p.Reading()
	ceiling, _ := reading.Ceiling().Float64()
	rate, _ := reading.Rate().Float64()
	c.console.Result("card: at most %s by its bus, %s inside a request (%v)", console.Rate(ceiling), console.Rate(rate), origin)
	return c.console.JSON(p)
}

func runPlayerHeader(_ context.Context, c *call) error {
	p, name, err := c.named()
	if err != nil {
		return err
	}
	text := p.CHeader(filepath.Base(name))
	path := c.String("output")
	if path == "" || path == "-" {
		c.console.Text(text)
		return c.console.JSON(map[string]any{"file": "-", "text": text})
	}
	if ext := strings.ToLower(filepath.Ext(path)); ext != ".h" && ext != ".hpp" {
		return usagef("--output: %s: the name of a C header ends with .h", console.Name(path)).try("-o %s", console.Name(strings.TrimSuffix(path, filepath.Ext(path))+".h"))
	}
	if err := cardfs.Write(path, func(w io.Writer) error { _, err := io.WriteString(w, text); return err }); err != nil {
		return err
	}
	c.console.Result("%s written", console.Name(path))
	return c.console.JSON(map[string]any{"file": path})
}

func runPlayerCheck(_ context.Context, c *call) error {
	p, name, err := c.named()
	if err != nil {
		return err
	}
	assumed := 0
	for _, r := range p.Show() {
		if r.Origin == playerfile.Assumed {
			assumed++
		}
	}
	c.console.Result("%s: %s, %d×%d %v: right; %s assumed", console.Name(name), p.Name.Value, p.Panel.Size.Value.W, p.Panel.Size.Value.H, p.Panel.Pixels.Value, console.Count(int64(assumed), "figure is", "figures are"))
	return c.console.JSON(map[string]any{"file": name, "player": p.Name.Value, "right": true, "assumed": assumed})
}
