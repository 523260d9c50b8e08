package main

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"

	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/patterns"
	"example.org/stampreel/container"
	"example.org/stampreel/container/cardfs"
)

func patternsCommand() *command {
	return &command{
		name:  "patterns",
		short: "test clips to bring a new player to life",
		about: "Draws and packs test clips for the player: edges and orientation, colours, every level, " +
			"motion, sound against picture, a sweep, and a load that rises until the card or the panel " +
			"gives up. " + patterns.PageName + " beside them says what right and each usual wrong result " +
			"looks like, and what to change in the player file or the firmware.\n\n" +
			"One clip flashes once a second in a small square, and one has steady tones: read the " +
			"cautions on the page first and begin with the volume down.",
		operands: []operand{{"[FOLDER]", "where they go; patterns when left out"}},
		examples: []example{
			{"stampreel patterns", "for the player of player.yaml, into patterns"},
			{"stampreel patterns card/ --player round-240", "for a built-in player, straight onto a card"},
		},
		results: true, player: true,
		run: runPatterns,
	}
}

// patternFacts is what --json says of one pattern.
type patternFacts struct {
	Shows string      `json:"shows"`
	Steps []loadFacts `json:"steps,omitempty"`
	packedFacts
}

type loadFacts struct {
	From  float64 `json:"from_s"`
	Rate  float64 `json:"rate_Bps"`
	Share float64 `json:"beats_with_frame"`
}

func runPatterns(ctx context.Context, c *call) error {
	folder := c.operand(0)
	if folder == "" {
		folder = "patterns"
	}
	home := "."
	if _, err := os.Stat(filepath.Join(folder, playerFileName)); err == nil {
		home = folder
	}
	player, err := c.player(home)
	if err != nil {
		return err
	}
	clips, err := patterns.For(player)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	lock, err := cardfs.TakeLock(folder)
	if err != nil {
		return err
	}
	defer lock.Release()
	if _, err := cardfs.RemoveLeftovers(folder); err != nil {
		return err
	}
	progress := c.console.Progress(console.Job{What: "drawing", Piece: "clips", Doing: "packing"})
	defer progress.Stop()
	progress.ExpectPieces(len(clips))
	var made []patterns.Made
	facts := []patternFacts{}
	t := console.NewTable(patterns.Columns...)
	total := int64(0)
	for _, clip := range clips {
		progress.Begin()
		packed, err := clip.Pack(ctx, player, folder, runtime.GOMAXPROCS(0))
		if err != nil {
			return err
		}
		progress.End()
		h := packed.Headers[0]
		m := patterns.Made{Clip: clip, Length: container.BeatTime(h.Rate(), h.Beats), Bytes: packed.Bytes}
		made = append(made, m)
		row := m.Row()
		t.Row(row[0], row[1], row[2], row[3])
		total += packed.Bytes
		f := patternFacts{Shows: clip.Shows, packedFacts: factsOf(packed)}
		for _, s := range clip.Steps {
			f.Steps = append(f.Steps, loadFacts{float64(s.From) / h.Rate().Float(), s.BytesPerSecond, s.Share()})
		}
		facts = append(facts, f)
		if !clip.Heavy && !packed.Verdict.OK() {
			c.console.Warn("%s would not play well on %s: stampreel check %s tells why", clip.File, player.Name.Value, console.Name(filepath.Join(folder, clip.File)))
		}
	}
	progress.Stop()
	for _, name := range patterns.Files {
		path := filepath.Join(folder, name)
		if _, err := os.Stat(path); err == nil && !slices.ContainsFunc(made, func(m patterns.Made) bool { return m.File == name }) {
			c.console.Warn("%s is left from another player: %s has no use for it", console.Name(path), player.Name.Value)
		}
	}
	page := filepath.Join(folder, patterns.PageName)
	text := patterns.Page(player, made)
	if err := cardfs.Write(page, func(w io.Writer) error { _, err := io.WriteString(w, text); return err }); err != nil {
		return err
	}
	t.Total(console.Count(int64(len(made)), "clip", "clips")+" in "+console.Name(folder), "", console.MB(float64(total)))
	c.console.Table(t)
	c.console.Result("")
	c.console.Result("Read %s first: what is right, what is wrong, what to change.", console.Name(page))
	return c.console.JSON(map[string]any{"folder": folder, "player": player.Name.Value, "page": page, "clips": facts, "bytes": total})
}
