package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/urfave/cli/v2"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
)

func isFolder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

func fillCommand() *command {
	return &command{
		name:  "fill",
		short: "pack a folder of sources onto a card",
		about: "Packs every animation, picture, video and sound in FOLDER and its sub-folders into " +
			"a clip on CARD, which is a mounted card, any folder, or the image of a card (a file " +
			"that ends in .img). A folder of numbered frames is " +
			"one clip; a sound that has the name of pictures beside it goes with them. One source " +
			"that cannot be opened does not stop the others. Each clip is written under a temporary " +
			"name, verified, and named last, so that no half clip is left when a run is stopped. " +
			"A clip that is there already, of the same bytes and settings, stays, under a new name " +
			"where its source has one; sources whose size and times are as they were are not read " +
			"again. FOLDER's reel.yaml may set the flags below for all clips and for single ones; " +
			"flags that are typed win over it (stampreel reel --help).\n\n" +
			"An image is a partition table and FAT32 with every clip in one piece. It is made " +
			"anew each time, of the clips that it had and those that have changed, and takes its " +
			"name last; that needs room for the clips and for both images beside it. Writing it to " +
			"a card is left to your own tool, which erases whatever disk it is told to: look at " +
			"size and name of the disk twice. The other commands open an image as they do a " +
			"folder, and one clip in it as card.img/shelf/film.srq.",
		operands: []operand{
			{"FOLDER", "the sources"},
			{"CARD", "where the clips go; made when missing"},
		},
		flags: append([]cli.Flag{
			&cli.BoolFlag{Name: "rehash", Category: everywhere, Usage: "read sources and clips, even where their size and times say that they have not changed"},
			&cli.BoolFlag{Name: "remove-gone", Category: everywhere, Usage: "remove clips whose source is not in FOLDER any more; nothing that Stampreel did not pack"},
			&cli.StringFlag{Name: "verify", Value: "new", Category: everywhere, Usage: "when the card is full, read back `WHAT` past this computer's caches: new clips, all, or off; that takes as long as reading them over the link does"},
			&cli.StringFlag{Name: "sort", Value: "name", Category: everywhere, Usage: "order the clips of a shelf for the remote control by `WHAT`: name, or date, on which sources were taken (written, where they do not say)"},
			&cli.BoolFlag{Name: "dry-run", Category: everywhere, Usage: "show what would be packed, how much it takes and how long writing it would, and write nothing"},
			&cli.BoolFlag{Name: "sure", Category: everywhere, Usage: "CARD is a card, though it holds other files and no clip"},
			&cli.BoolFlag{Name: "remove-litter", Category: everywhere, Usage: "remove from CARD what desktop systems leave there (.Trashes, Thumbs.db, System Volume Information and the like)"},
			&cli.BoolFlag{Name: "events", Category: everywhere, Usage: "write a line of JSON for each thing that happens, as it happens, in place of the table"},
			&cli.BoolFlag{Name: "repack", Category: everywhere, Usage: "pack clips anew that are on the card already"},
			&cli.StringFlag{Name: "size", Usage: "size of the card that CARD is the image of, no more than it has: `SIZE`", DefaultText: "as the image that is there"},
			&cli.BoolFlag{Name: "whole", Usage: "let the image be as long as the card, not as what is used of it"},
		}, packingFlags()...),
		examples: []example{
			{"stampreel fill reel/ /media/card", "all of reel for the player of reel/player.yaml"},
			{"stampreel fill reel/ card/ --player mono-128x64 --dither bayer", "for a built-in player"},
			{"stampreel fill reel/ card.img --size 4GiB", "the image of a card of 4 GiB, to be written to one"},
			{"stampreel fill reel/ card/ --dry-run", "what that would pack, and how long it would take"},
			{"stampreel fill reel/ card/ --json", "the same facts for a script"},
		},
		results: true, player: true,
		run: runFill,
	}
}

// errSomeFailed ends a fill in which sources failed; each was told of already.
type errSomeFailed struct{ failed, all int }

func (e *errSomeFailed) Error() string {
	if e.failed == e.all {
		return fmt.Sprintf("none of %s could be packed", console.Count(int64(e.all), "source", "sources"))
	}
	return fmt.Sprintf("%d of %s could not be packed; the others are on the card", e.failed, console.Count(int64(e.all), "source", "sources"))
}

func runFill(ctx context.Context, c *call) error {
	folder, card := c.operand(0), c.operand(1)
	player, err := c.player(folder)
	if err != nil {
		return err
	}
	plan, err := c.reelOf(folder, player)
	if err != nil {
		return err
	}
	s, err := plan.defaults()
	if err != nil {
		return err
	}
	s.TrackOrFirst = true
	if _, ok := fill.ReadBacks()[c.String("verify")]; !ok {
		return badChoice("verify", c.String("verify"))
	}
	if !slices.Contains(flagChoices()["sort"], c.String("sort")) {
		return badChoice("sort", c.String("sort"))
	}
	if !isFolder(folder) {
		if _, err := os.Stat(folder); err != nil {
			return err
		}
		return usagef("%s is not a folder", folder).try("stampreel pack %s", folder)
	}
	if c.Bool("events") && c.Bool("json") {
		return usagef("--events and --json exclude each other")
	}
	image, size, err := c.wantsImage(card)
	if err != nil {
		return err
	}
	if a, err := os.Stat(folder); err == nil {
		if b, err := os.Stat(card); err == nil && os.SameFile(a, b) {
			return usagef("%s is the folder of the sources: the clips need another one", console.Name(card)).try("stampreel fill %s card/", console.Name(folder))
		}
	}
	items, skipped, err := fill.Find(ctx, folder, card)
	if err != nil {
		return err
	}
	if items, skipped, err = plan.apply(items, skipped); err != nil {
		return err
	}
	items, skipped = fill.ForPlayer(items, skipped, player.HasSound())
	c.noteSkipped(skipped)
	for _, it := range items {
		if it.Sound != "" {
			c.console.Note("%s gets the sound of %s", console.Name(it.Source), console.Name(it.Sound))
		}
	}
	if len(items) == 0 {
		return fmt.Errorf("%s: no source in this folder for %s", folder, player.Name.Value)
	}
	if c.String("sort") == "date" {
		fill.NoteCaptured(folder, items)
	}
	o := c.fillOptions(s, image)
	if c.Bool("dry-run") {
		return c.dryRun(ctx, folder, card, items, skipped, s, o)
	}
	beats := int64(0) // that are to be packed, about; 0 where nobody has looked
	if !image {
		if err := c.looksLikeACard(ctx, card); err != nil {
			return err
		}
		doc, err := c.survey(ctx, folder, card, items, s, o, false)
		if err != nil {
			return err
		}
		c.announce(&doc)
		beats = doc.beats
		c.noteSystem(card)
		folder, end := stage(card, &doc, s.Workers)
		defer end()
		o.Stage = folder
	}
	var outcomes []fill.Outcome
	if image {
		outcomes, err = c.fillImage(ctx, folder, card, size, items, s)
	} else if outcomes, err = c.fillCard(ctx, folder, card, items, s, o, beats); err == nil {
		if err = c.noteGone(ctx, card, items); err == nil && c.Bool("remove-litter") {
			err = c.removeLitter(card)
		}
		if err == nil {
			err = c.writeGuide(ctx, card, s.Player, items)
		}
	}
	if err != nil {
		return err
	}
	c.notePieces(card, outcomes, player)
	defer c.noteDone(card)
	return c.reportFill(card, player.Name.Value, outcomes, skipped)
}

// removeLitter removes what systems have left on a card, and tells what that was.
func (c *call) removeLitter(card string) error {
	gone, err := fill.RemoveLitter(card)
	for _, name := range gone {
		c.console.Note("%s is removed from the card: it is what a desktop system leaves there", console.Name(name))
	}
	return err
}

// writeGuide writes the guide of a card. One without it still plays, so that a card which has
// no room for it is no failure.
func (c *call) writeGuide(ctx context.Context, card string, player *playerfile.Player, items []fill.Item) error {
	_, err := fill.WriteGuide(ctx, card, player, items)
	if err == nil || ctx.Err() != nil {
		return ctx.Err()
	}
	c.console.Warn("%s has no new guide for its firmware: %s", console.Name(card), plainText(err))
	return nil
}

// noteSkipped tells once for each reason what was left out.
func (c *call) noteSkipped(skipped []fill.Skipped) {
	count := make(map[string]int)
	for _, s := range skipped {
		count[s.Why]++
	}
	for _, s := range skipped {
		if n := count[s.Why]; n > 0 {
			more := ""
			if n > 1 {
				more = fmt.Sprintf(" and %d more", n-1)
			}
			c.console.Note("left out: %s%s (%s)", console.Name(s.Path), more, s.Why)
			count[s.Why] = 0
		}
	}
}

// noteGone tells of, and with --remove-gone removes, clips whose sources are not in the folder any more.
func (c *call) noteGone(ctx context.Context, card string, items []fill.Item) error {
	gone, err := fill.Gone(ctx, card, items)
	if err != nil {
		return err
	}
	what, more := "%s stays on the card, though its source is not in the folder (--remove-gone removes it)", "so do %d more"
	if c.Bool("remove-gone") {
		if err := fill.RemoveGone(card, gone); err != nil {
			return err
		}
		what, more = "%s is removed from the card: its source is not in the folder", "so are %d more"
	}
	const most = 5
	for i, clip := range gone {
		if i == most {
			c.console.Note(more, len(gone)-most)
			break
		}
		c.console.Note(what, console.Name(clip))
	}
	return nil
}

// tellError tells of an error that does not end the command.
func (c *call) tellError(err error) {
	var t trier
	var tries []string
	if errors.As(err, &t) {
		tries = t.Tries()
	}
	c.console.Error(plainText(err), tries...)
}

func (c *call) fillOptions(s fill.Settings, image bool) fill.Options {
	o := fill.Options{Workers: s.Workers, Repack: c.Bool("repack"), Rehash: c.Bool("rehash"), NoLedger: image}
	if !image {
		o.ReadBack = fill.ReadBacks()[c.String("verify")]
	}
	return o
}

// fillCard packs the items and tells of each that fails as it happens.
func (c *call) fillCard(ctx context.Context, folder, card string, items []fill.Item, s fill.Settings, o fill.Options, beats int64) ([]fill.Outcome, error) {
	progress := c.console.Progress(console.Job{What: "filling", Unit: "pictures", Piece: "clips", Doing: "packing"})
	defer progress.Stop()
	progress.ExpectPieces(len(items))
	if beats > 0 {
		progress.Expect(beats)
	}
	var reading *console.Progress
	defer func() { reading.Stop() }()
	began := time.Time{}
	events := c.eventLines()
	for _, it := range items {
		events.tell("item", map[string]any{"source": it.Source, "clip": it.Clip})
	}
	return fill.Run(ctx, folder, card, items, s, o, fill.Events{
		Reading: func(n int64) {
			if reading == nil {
				progress.Stop()
				began = time.Now()
				reading = c.console.Progress(console.Job{What: "reading " + card + " back", Unit: "bytes"})
			}
			reading.Add(n)
		},
		Read: func(n int64, past bool) {
			events.tell("read_back", map[string]any{"bytes": n, "past_caches": past})
			reading.Stop()
			from := "past this computer's caches"
			if !past {
				from = "perhaps out of this computer's caches, which this system does not bypass"
			}
			if took := time.Since(began); took > time.Second {
				c.console.Note("%s read back in %s, %s", console.Size(n), console.Duration(took), from)
			} else if !past {
				c.console.Note("%s read back, %s", console.Size(n), from)
			}
		},
		Begin: func(it fill.Item) {
			events.tell("begins", map[string]any{"source": it.Source, "clip": it.Clip})
			progress.Begin()
		},
		Beats: func(n int64) {
			events.beats(n)
			progress.Add(n)
		},
		Wrote: func(n int64) {
			events.wrote(n)
			progress.Wrote(n)
		},
		End: func(o fill.Outcome) {
			progress.End()
			events.ended(o)
			if o.Err != nil {
				c.tellError(o.Err)
				return
			}
			for _, w := range o.Packed.Result.Warnings {
				c.console.Warn("%s: %s", console.Name(o.Source), w)
			}
			own := o.SettingsOr(&s)
			if own.Bars && (o.Packed.Bars != nil || o.Packed.BarsErr != nil) {
				c.noteBars(o.Source, o.Packed)
			}
			c.noteSoftened(o.Source, o.Packed)
			c.noteQuality(o.Source, o.Packed)
			c.warnFlashes(o.Source, &o.Packed.Flashes, "--soften-flashes lowers their contrast")
			if was := o.Packed.Was; was != "" {
				c.console.Note("%s was %s: it has the bytes of %s", console.Name(o.Clip), console.Name(within(card, was)), console.Name(o.Source))
			}
			if o.Packed.Kept {
				if !o.Packed.Result.Incomplete {
					return // counted at the end
				}
				c.console.Note("%s: as incomplete as it was; %s stays", console.Name(o.Source), console.Name(o.Clip))
				return
			}
			if own.Rate.Num == 0 {
				c.noteRate(o.Source, o.Packed)
			}
		},
	})
}

// within is a path below a folder, as seen from there.
func within(folder, path string) string {
	if rel, err := filepath.Rel(folder, path); err == nil {
		return rel
	}
	return path
}

// filled is what --json says of a fill.
type filled struct {
	Card    string         `json:"card"`
	Clips   []packedFacts  `json:"clips"`
	Failed  []failedSource `json:"failed"`
	Skipped []string       `json:"skipped"`
	Bytes   int64          `json:"bytes"`
	Seconds float64        `json:"length_s"`
}

type failedSource struct {
	Source string `json:"source"`
	Error  string `json:"error"`
}

// filledFrom gathers the facts of a fill.
func filledFrom(card string, outcomes []fill.Outcome, skipped []fill.Skipped) filled {
	doc := filled{Card: card, Clips: []packedFacts{}, Failed: []failedSource{}, Skipped: []string{}}
	for _, o := range outcomes {
		if o.Err != nil {
			doc.Failed = append(doc.Failed, failedSource{o.Source, o.Err.Error()})
			continue
		}
		facts := factsOf(o.Packed)
		facts.Source = o.Source
		doc.Clips = append(doc.Clips, facts)
		doc.Bytes += facts.Bytes
		doc.Seconds += facts.Seconds
	}
	for _, s := range skipped {
		doc.Skipped = append(doc.Skipped, s.Path)
	}
	return doc
}

// reportFill shows the table and returns the error that the exit code comes
// from.
func (c *call) reportFill(card, player string, outcomes []fill.Outcome, skipped []fill.Skipped) error {
	doc := filledFrom(card, outcomes, skipped)
	t := console.NewTable(console.Words("clip"), console.Numbers("length", "m:ss"), console.Numbers("rate", "/s"), console.Numbers("size", "MB"), console.Numbers("margin", "%"), console.Words("verdict"))
	packed := doc.Clips
	for _, o := range outcomes {
		if o.Err != nil {
			t.Row(console.Name(o.Source), "", "", "", "", console.Bad("failed"))
			continue
		}
		facts := packed[0]
		packed = packed[1:]
		name := console.Name(o.Clip)
		if facts.Cut {
			name += " (source incomplete)"
		}
		t.Row(name, console.Duration(seconds(facts.Seconds)), facts.rate, console.MB(float64(facts.Bytes)), console.PercentNumber(o.Verdict.Typical.Margin), verdictCell(o.Verdict))
	}
	t.Total(console.Count(int64(len(doc.Clips)), "clip", "clips")+" on "+console.Name(card), console.Duration(seconds(doc.Seconds)), "", console.MB(float64(doc.Bytes)))
	if c.Bool("events") {
		c.eventLines().tell("done", map[string]any{"clips": len(doc.Clips), "failed": len(doc.Failed), "bytes": doc.Bytes, "length_s": doc.Seconds})
	} else {
		c.console.Table(t)
	}
	kept := 0
	for _, facts := range doc.Clips {
		if facts.Kept {
			kept++
		}
	}
	if kept > 0 {
		c.console.Note("%s there already, of the same bytes and settings", console.Count(int64(kept), "clip was", "clips were"))
	}
	if err := c.console.JSON(doc); err != nil {
		return err
	}
	if n := len(doc.Failed); n > 0 {
		return &errSomeFailed{n, len(outcomes)}
	}
	unfit, first := 0, ""
	for _, o := range outcomes {
		if !o.Verdict.OK() {
			if unfit++; unfit == 1 {
				first = o.Packed.Files[0]
			}
		}
	}
	if unfit > 0 {
		return &NotFitError{
			Text: fmt.Sprintf("%d of %s would not play on %s; all are on the card", unfit, console.Count(int64(len(outcomes)), "clip", "clips"), player),
			Try:  []string{c.again("stampreel check "+console.Name(first)) + ", for what would help"},
		}
	}
	return nil
}
