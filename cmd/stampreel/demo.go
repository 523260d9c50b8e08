package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"time"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container/cardfs"
	"example.org/stampreel/examples/railway"
	"example.org/stampreel/transcode/picture"
)

func demoCommand() *command {
	return &command{
		name: "demo", group: "Trying it",
		short: "the whole job on a made-up reel",
		about: "Draws and sounds a small reel of a model railway, packs it for three players (a " +
			"drive-in screen, a round station clock, a one-bit platform sign), fills a card folder " +
			"for each, checks every clip against its player and draws contact sheets. Nothing else " +
			"has to be installed.",
		operands: []operand{{"[FOLDER]", "where all of it goes; stampreel-demo when left out"}},
		examples: []example{{"stampreel demo", "then look at the sheets it names"}},
		results:  true,
		run:      runDemo,
	}
}

// demoPlayers are the built-in players that the demo fills for. With one bit a
// pixel, dark scenes that keep their light lose their shapes: the sign lifts them.
var demoPlayers = []struct {
	known string
	fit   picture.Fit
	tone  picture.Tone
}{
	{"rect-240x135", picture.Whole, picture.DefaultTone()},
	{"round-240", picture.Cover, picture.DefaultTone()},
	{"mono-128x64", picture.Whole, picture.Tone{Contrast: 1.3, Gamma: 1.8, Saturation: 1}},
}

// demoCard is what the demo made for one player, for JSON.
type demoCard struct {
	Player string  `json:"player"`
	File   string  `json:"file"`
	Sheet  string  `json:"sheet"`
	Wiring []wired `json:"wirings"`
	filled
}

func runDemo(ctx context.Context, c *call) error {
	began := time.Now()
	folder := c.operand(0)
	if folder == "" {
		folder = "stampreel-demo"
	}
	reel := filepath.Join(folder, "reel")
	if entries, err := os.ReadDir(folder); err == nil && len(entries) > 0 {
		if _, err := os.Stat(filepath.Join(reel, railway.Express)); err != nil {
			return &existsError{folder}
		}
	}
	if err := os.MkdirAll(filepath.Join(folder, "players"), 0o755); err != nil {
		return err
	}
	c.console.Note("drawing and sounding the reel: %s", console.Name(reel))
	sources, err := railway.Write(ctx, reel)
	if err != nil {
		return err
	}
	items, skipped, err := fill.Find(ctx, reel, "")
	if err != nil {
		return err
	}
	verdicts := make(map[string]map[string]*budget.Verdict) // by clip, then player
	var clips []string
	var cards []demoCard
	for _, d := range demoPlayers {
		card, outcomes, err := c.demoFill(ctx, folder, reel, d.known, fill.Settings{Fit: d.fit, Tone: d.tone, Workers: runtime.GOMAXPROCS(0)}, items, skipped)
		if err != nil {
			return err
		}
		cards = append(cards, card)
		for _, o := range outcomes {
			if o.Err != nil {
				return o.Err
			}
			if verdicts[o.Clip] == nil {
				verdicts[o.Clip] = make(map[string]*budget.Verdict)
				clips = append(clips, o.Clip)
			}
			verdicts[o.Clip][d.known] = o.Verdict
		}
	}

	columns := []console.Column{console.Words("clip")}
	for _, k := range cards {
		columns = append(columns, console.Words(k.Player))
	}
	t := console.NewTable(columns...)
	for _, clip := range clips {
		row := []any{console.Name(clip)}
		for _, d := range demoPlayers {
			if v := verdicts[clip][d.known]; v != nil {
				row = append(row, fmt.Sprintf("%v, %s to spare", v.Typical.Word, console.Percent(v.Typical.Margin)))
			} else {
				row = append(row, "– (sound alone, no speaker)")
			}
		}
		t.Row(row...)
	}
	total := []any{"on the card"}
	for _, k := range cards {
		total = append(total, console.Size(k.Bytes))
	}
	t.Total(total...)
	c.console.Table(t)
	c.console.Result("")
	c.demoWirings(cards)
	c.console.Result("")
	c.console.Result("Made in %.1f s. Look at:", time.Since(began).Seconds())
	for _, k := range cards {
		c.console.Result("  %-37s %s", console.Name(k.Sheet), "what the "+k.Player+" shows")
	}
	c.console.Result("  %-37s %s", console.Name(reel), "the sources")
	c.console.Result("  %-37s %s", console.Name(filepath.Join(folder, "players")), "the three player files")
	c.console.Result("Then try:")
	clip := filepath.Join(cards[0].Card, "drive-in-feature"+fill.ClipExtension)
	c.console.Result("  stampreel check %s --player %s", console.Name(clip), demoPlayers[0].known)
	c.console.Result("  stampreel unpack %s -o %s", console.Name(clip), console.Name(filepath.Join(folder, "unpacked")))
	return c.console.JSON(map[string]any{"folder": folder, "sources": sources, "cards": cards})
}

// demoFill packs the reel for one player and draws its contact sheet.
func (c *call) demoFill(ctx context.Context, folder, reel, known string, s fill.Settings, items []fill.Item, skipped []fill.Skipped) (demoCard, []fill.Outcome, error) {
	fail := func(err error) (demoCard, []fill.Outcome, error) { return demoCard{}, nil, err }
	data, err := playerfile.KnownFile(known)
	if err != nil {
		return fail(err)
	}
	card := demoCard{File: filepath.Join(folder, "players", known+".yaml"), Sheet: filepath.Join(folder, "sheet-"+known+".png")}
	if err := cardfs.Write(card.File, func(w io.Writer) error { _, err := w.Write(data); return err }); err != nil {
		return fail(err)
	}
	player, err := loadPlayerFile(card.File)
	if err != nil {
		return fail(err)
	}
	s.Player = player
	card.Player = player.Name.Value
	path := filepath.Join(folder, "card-"+known)
	items, skipped = fill.ForPlayer(items, skipped, player.HasSound())
	outcomes, err := c.fillCard(ctx, reel, path, items, s, fill.Options{Workers: s.Workers}, 0)
	if err != nil {
		return fail(err)
	}
	card.filled = filledFrom(path, outcomes, skipped)
	paths := make([]string, 0, len(outcomes))
	for _, o := range outcomes {
		if o.Err == nil {
			paths = append(paths, o.Packed.Files...)
		}
	}
	table := budget.NewWirings(player, slices.DeleteFunc(budget.Choices(player, demoClocks...), func(c budget.Choice) bool { return !slices.Contains(demoClocks, c.Clock) }))
	for _, path := range paths {
		_, clip, err := fill.Load(ctx, path)
		if err == nil {
			err = table.Add(clip)
		}
		if err != nil {
			return fail(err)
		}
	}
	card.Wiring = wiredRows(table, player, paths)
	if _, err := c.drawSheet(ctx, card.Sheet, path, true, paths, 6); err != nil {
		return fail(err)
	}
	return card, outcomes, nil
}

// demoClocks are the clocks of the demo's table of wirings: two that most chips make.
var demoClocks = []playerfile.Ratio{{Num: 20_000_000, Den: 1}, {Num: 40_000_000, Den: 1}}

// demoWirings shows what becomes of each player's card with other wirings. Every player
// has the same rows.
func (c *call) demoWirings(cards []demoCard) {
	columns := []console.Column{console.Words("card wiring"), console.Numbers("clock", "MHz"), console.Numbers("pins", "")}
	for _, k := range cards {
		columns = append(columns, console.Words(k.Player))
	}
	t := console.NewTable(columns...)
	for i, w := range cards[0].Wiring {
		name := w.Wiring
		if w.Shared {
			name += ", the panel's bus"
		}
		row := []any{name, number(w.Hz / 1e6), strconv.FormatInt(w.Pins, 10)}
		for _, k := range cards {
			w := k.Wiring[i]
			text := fmt.Sprintf("%v, %s", w.Word, console.Percent(w.Margin))
			if w.Word == budget.Stutters {
				text = fmt.Sprintf("%d of %d in time", w.InTime, w.Clips)
			}
			if w.Own {
				text += " ← as wired"
			}
			row = append(row, text)
		}
		t.Row(row...)
	}
	c.console.Table(t)
}
