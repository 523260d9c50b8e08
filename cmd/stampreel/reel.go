package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"github.com/urfave/cli/v2"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/cmd/stampreel/internal/reel"
	"example.org/stampreel/container/cardfs"
)

func reelCommand() *command {
	return &command{
		name: "reel", group: "Making clips",
		short: "say how the clips of a folder are packed",
		about: "A folder of sources may hold reel.yaml, which has the settings of pack for all of its " +
			"clips (defaults) and for single ones (clips, by the path of the source), by the names " +
			"of the flags. fill obeys it: a flag of fill wins over what a clip has there, and that " +
			"over the defaults. A changed entry packs anew the clips that it touches.",
		commands: []*command{{
			name:     "new",
			short:    "begin the reel.yaml of a folder",
			about:    "Writes reel.yaml with every setting explained and none of them on, to be edited. An existing file is not touched.",
			operands: []operand{{"[FOLDER]", "where to write it; this folder when left out, - for standard output"}},
			examples: []example{{"stampreel reel new reel/", "reel/reel.yaml, every setting explained"}},
			results:  true,
			run:      runReelNew,
		}, {
			name:     "schema",
			short:    "write a JSON Schema of reel.yaml",
			about:    "Writes a JSON Schema (draft 2020-12) of reel.yaml, for editors that check YAML by one.",
			examples: []example{{"stampreel reel schema > reel.schema.json", "for the settings of an editor"}},
			run:      runReelSchema,
		}},
	}
}

func runReelNew(_ context.Context, c *call) error {
	data, path := reel.Template(reelSettings()), filepath.Join(c.operand(0), reel.Name)
	if c.operand(0) == "-" {
		c.console.Text(string(data))
		return c.console.JSON(map[string]any{"file": "-", "text": string(data)})
	}
	if _, err := os.Lstat(path); err == nil {
		return &existsError{path}
	}
	if err := cardfs.Write(path, func(w io.Writer) error { _, err := w.Write(data); return err }); err != nil {
		return err
	}
	c.console.Result("%s written: edit it, and fill obeys it", console.Name(path))
	return c.console.JSON(map[string]any{"file": path})
}

func runReelSchema(_ context.Context, c *call) error {
	c.console.Text(string(reel.JSONSchema(reelSettings())))
	return nil
}

// reelFlags are the flags of pack that reel.yaml has as settings: all that say what becomes of
// a clip.
func reelFlags() (flags []cli.Flag) {
	for _, f := range packingFlags() {
		if f.Names()[0] != "workers" {
			flags = append(flags, f)
		}
	}
	return flags
}

func reelSettings() (settings []reel.Setting) {
	for _, f := range reelFlags() {
		settings = append(settings, reel.Setting{Name: f.Names()[0], YesNo: !takesValue(f), Words: flagChoices()[f.Names()[0]], Doc: describe(f).usage})
	}
	return settings
}

// reelPlan is how each clip of a folder is packed.
type reelPlan struct {
	c      *call
	player *playerfile.Player
	file   *reel.File   // nil where the folder has none
	typed  []reel.Value // on the command line, over all that the file says
}

// reelOf reads the reel.yaml of a folder.
func (c *call) reelOf(folder string, player *playerfile.Player) (*reelPlan, error) {
	p := &reelPlan{c: c, player: player}
	if !isFolder(folder) {
		return p, nil
	}
	path := filepath.Join(folder, reel.Name)
	file, err := reel.Load(path, reelSettings())
	if err != nil {
		return nil, excerpt(err)
	}
	if p.file = file; file == nil {
		return p, nil
	}
	c.console.Note("settings: %s", console.Name(path))
	for _, f := range reelFlags() {
		if name := f.Names()[0]; c.IsSet(name) {
			p.typed = append(p.typed, reel.Value{Name: name, Text: fmt.Sprint(c.Value(name))})
		}
	}
	return p, nil
}

// defaults are the settings of clips that have none of their own.
func (p *reelPlan) defaults() (fill.Settings, error) {
	if p.file == nil {
		return packingSettings(p.c, p.player)
	}
	return p.settings("defaults", nil)
}

// settings are those of a clip with values of its own.
func (p *reelPlan) settings(of string, own []reel.Value) (fill.Settings, error) {
	values := reel.Over(p.typed, reel.Over(own, p.file.Defaults))
	set := flag.NewFlagSet(of, flag.ContinueOnError)
	for _, f := range packingFlags() {
		if err := f.Apply(set); err != nil {
			return fill.Settings{}, err
		}
	}
	for _, v := range values {
		if err := set.Set(v.Name, v.Text); err != nil {
			return fill.Settings{}, excerpt(p.file.Bad(v, fmt.Sprintf("%s: %q is not a number", v.Name, v.Text), "write "+v.Name+": 1"))
		}
	}
	if p.c.IsSet("workers") {
		if err := set.Set("workers", fmt.Sprint(p.c.Int("workers"))); err != nil {
			return fill.Settings{}, err
		}
	}
	s, err := packingSettings(&call{Context: cli.NewContext(p.c.App, set, nil), console: p.c.console}, p.player)
	return s, p.placed(err, of, values)
}

var (
	flagWithValue = regexp.MustCompile(`--([a-z-]+) ([^-\s]\S*)`)
	flagAlone     = regexp.MustCompile(`--([a-z-]+)`)
)

// asKeys writes what is said of flags as the file has them.
func asKeys(text string) string {
	return flagAlone.ReplaceAllString(flagWithValue.ReplaceAllString(text, "$1: $2"), "$1")
}

// placed gives an error of a flag its place in the file, where the value is from there.
func (p *reelPlan) placed(err error, of string, values []reel.Value) error {
	var usage *UsageError
	if !errors.As(err, &usage) {
		return err
	}
	var at *reel.Value
	for _, named := range flagAlone.FindAllStringSubmatch(usage.Text, -1) {
		for i := range values {
			if values[i].Name == named[1] && values[i].Line > 0 && at == nil {
				at = &values[i]
			}
		}
	}
	if at == nil { // of the command line, by itself or against what the file has
		if _, alone := packingSettings(p.c, p.player); alone != nil && alone.Error() == usage.Text {
			return usage
		}
		usage.Text += fmt.Sprintf(" (%s of %s)", of, reel.Name)
		return usage
	}
	return excerpt(p.file.Bad(*at, flagAlone.ReplaceAllString(usage.Text, "$1"), asKeys(strings.Join(usage.Try, ", or "))))
}

// apply gives the items their settings, and leaves out those that the file skips.
func (p *reelPlan) apply(items []fill.Item, skipped []fill.Skipped) ([]fill.Item, []fill.Skipped, error) {
	if p.file == nil {
		return items, skipped, nil
	}
	var sources []string
	for _, it := range items {
		sources = append(sources, it.Source)
	}
	if err := p.file.Matches(sources); err != nil {
		return nil, nil, excerpt(err)
	}
	kept := items[:0:0]
	for _, it := range items {
		clip := p.file.Clip(it.Source)
		it.Title, it.Order = clip.Title, clip.Order
		if len(clip.Values) > 0 {
			s, err := p.settings(clip.Source, clip.Values)
			if err != nil {
				return nil, nil, err
			}
			s.TrackOrFirst = true
			it.Settings = &s
		}
		if clip.Skip {
			skipped = append(skipped, fill.Skipped{Path: it.Source, Why: reel.Name + " skips it"})
			continue
		}
		kept = append(kept, it)
	}
	return kept, skipped, nil
}
