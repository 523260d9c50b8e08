package main

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/card"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
)

func wiringCommand() *command {
	return &command{
		name:  "wiring",
		short: "which card wiring plays the clips, and how many pins it takes",
		about: "Judges clips with the card wired in every way: over SPI on the panel's bus or on one of " +
			"its own, with one data line, with four, at usual clocks and at the player's own. For each " +
			"it shows the pins it takes, what the card brings, and how many of the clips are in time; " +
			"where the player file lists pins, how many of the chip's are left over (below zero: it " +
			"lacks). Below stand fallbacks: fewer lines, half the clock, every second picture. With --pins " +
			"it ends with exit code 3 when no wiring of so few pins plays all clips.",
		operands: []operand{{"CLIP|FOLDER...", "clips, or folders of them (a card)"}},
		flags: []cli.Flag{
			&cli.IntFlag{Name: "pins", Usage: "the card may take `N` pins: which wiring is best?"},
			&cli.StringFlag{Name: "clocks", Usage: "clocks that the chip can make, as `LIST`: \"20 MHz, 80/3 MHz, 40 MHz\"", DefaultText: "20, 25, 40 and 50 MHz"},
			&cli.StringFlag{Name: "plot", Usage: "draw what the clips need against what each wiring brings, as `FILE`.svg or .png"},
		},
		examples: []example{
			{"stampreel wiring /media/card --pins 3", "does the whole card play with three pins?"},
			{"stampreel wiring film.srq --plot need.svg", "one clip, as a table and as a picture"},
		},
		results: true, player: true,
		run: runWiring,
	}
}

// wired is a row for JSON.
type wired struct {
	What     string        `json:"what,omitempty"`
	Wiring   string        `json:"wiring"`
	Shared   bool          `json:"shared_bus"`
	Hz       float64       `json:"clock_hz"`
	Own      bool          `json:"as_wired"`
	Every    int           `json:"every_nth_picture"`
	Pins     int64         `json:"pins"`
	Left     *int64        `json:"pins_left,omitempty"`
	Usable   float64       `json:"usable_bytes_per_s"`
	Clips    int           `json:"clips"`
	InTime   int           `json:"clips_in_time"`
	Word     budget.Word   `json:"verdict"`
	Margin   budget.Margin `json:"margin"`
	Tightest budget.Part   `json:"tightest"`
	Worst    string        `json:"worst_clip"`
}

func runWiring(ctx context.Context, c *call) error {
	pins := int64(-1)
	if c.IsSet("pins") {
		if pins = int64(c.Int("pins")); pins < 1 {
			return usagef("--pins: %d, want 1 or more", pins)
		}
	}
	clocks, err := clocksOf(c.String("clocks"))
	if err != nil {
		return err
	}
	if path := c.String("plot"); path != "" {
		if _, err := plotFormat(path); err != nil {
			return err
		}
	}
	clips, err := clipsIn(ctx, c.operands)
	if err != nil {
		return err
	}
	player, err := c.player(folderOf(c.operand(0)))
	if err != nil {
		return err
	}
	choices := budget.NewWirings(player, budget.Choices(player, clocks...))
	fallbacks := budget.NewWirings(player, budget.Fallbacks(player))
	need := budget.NewNeedCurve(player)
	var names []string
	var unjudged []string
	unread, others := 0, 0
	for _, path := range clips {
		_, clip, err := fill.Load(ctx, path)
		if err == nil && !budget.Fits(clip, player) {
			others++
			continue
		}
		for _, add := range []func(budget.Clip) error{choices.Add, fallbacks.Add, need.Add} {
			if err == nil {
				err = add(clip)
			}
		}
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil && len(clips) == 1:
			return err
		case err != nil:
			c.console.Error(plainText(err))
			unread++
			continue
		}
		names, unjudged = append(names, path), append(unjudged, budget.Unjudged(clip, player)...)
	}
	if others > 0 {
		c.console.Warn("%s made for another player, not judged", console.Count(int64(others), "clip was", "clips were"))
	}
	if len(names) == 0 {
		return &NotFitError{Text: fmt.Sprintf("no clip was made for %s", player.Name.Value), Try: []string{"--player FILE, with the player that they were made for", "pack them again for this player"}}
	}

	free := player.Pins.Chip.Value - player.PinsUsed() + player.CardPins()
	if pins < 0 && player.Pins.Chip.Known() {
		pins = free
	}
	best := choices.Cheapest(pins)
	c.wiringTables(choices, fallbacks, player, names)
	c.console.Result("")
	c.console.Result("%s", recommendation(choices, best, pins, player))
	if best >= 0 && choices.Rows[best].Wiring == card.OneBit {
		c.console.Note("with one data line, DAT3 still needs its pull-up at the card, or the card may wake up speaking SPI")
	}
	if player.Card.Measured.Rate.Known() {
		c.console.Note("card.measured.rate was taken with the card as it is wired; all other rows are computed from the bus")
	}
	c.unjudged(unjudged)
	if path := c.String("plot"); path != "" {
		title := console.Name(names[0])
		if len(names) > 1 {
			title = console.Count(int64(len(names)), "clip", "clips")
		}
		if err := drawNeed(path, title+" on "+player.Name.Value, need, choices, player); err != nil {
			return err
		}
		c.console.Note("drawn: %s", console.Name(path))
	}
	doc := struct {
		Player    string   `json:"player"`
		Clips     []string `json:"clips"`
		Stall     float64  `json:"stall_s"`
		Wirings   []wired  `json:"wirings"`
		Fallbacks []wired  `json:"fallbacks"`
		Best      *wired   `json:"recommended"`
	}{Player: player.Name.Value, Clips: names, Stall: player.Stall().Value.Seconds()}
	doc.Wirings, doc.Fallbacks = wiredRows(choices, player, names), wiredRows(fallbacks, player, names)
	if best >= 0 {
		doc.Best = &doc.Wirings[best]
	}
	if err := c.console.JSON(doc); err != nil {
		return err
	}
	switch {
	case best < 0 && c.IsSet("pins"):
		e := &NotFitError{Text: fmt.Sprintf("no wiring of at most %s plays all of it on %s", console.Count(pins, "pin", "pins"), player.Name.Value)}
		if any := choices.Cheapest(-1); any >= 0 {
			e.Try = append(e.Try, fmt.Sprintf("--pins %d: %s would", choices.Rows[any].Pins, choiceText(choices.Rows[any].Choice)))
		}
		if worst := choices.Rows[len(choices.Rows)-1].Worst; worst >= 0 {
			e.Try = append(e.Try, c.again("stampreel check "+console.Name(names[worst]))+", for what else would help")
		}
		return e
	case unread > 0:
		return fmt.Errorf("%s could not be read", console.Count(int64(unread), "clip", "clips"))
	}
	return nil
}

// clocksOf reads the list of --clocks.
func clocksOf(list string) (clocks []playerfile.Ratio, err error) {
	if list == "" {
		return nil, nil
	}
	for _, text := range strings.Split(list, ",") {
		clock, err := playerfile.ParseClock(strings.TrimSpace(text))
		if err != nil {
			return nil, usagef("--clocks: %q: %v", strings.TrimSpace(text), err).try(`--clocks "20 MHz, 80/3 MHz, 40 MHz"`)
		}
		clocks = append(clocks, clock)
	}
	return clocks, nil
}

// wiringTables shows the choices, and the fallbacks below.
func (c *call) wiringTables(choices, fallbacks *budget.Wirings, player *playerfile.Player, names []string) {
	what := console.Name(names[0])
	if len(names) > 1 {
		what = console.Count(int64(len(names)), "clip", "clips")
	}
	c.console.Result("%s on %s, whose card pauses for up to %.4g ms (%v)", what, player.Name.Value, 1000*player.Stall().Value.Seconds(), player.Stall().Origin)
	known := player.Pins.Chip.Known()
	columns := []console.Column{console.Words("wiring"), console.Words("bus"), console.Numbers("clock", "MHz"), console.Numbers("pins", "")}
	if known {
		columns = append(columns, console.Numbers("left", ""))
	}
	columns = append(columns, console.Numbers("usable", "MB/s"), console.Numbers("in time", ""), console.Numbers("margin", "%"), console.Words("verdict"), console.Words("tightest"))
	t := console.NewTable(columns...)
	for i := range choices.Rows {
		w := &choices.Rows[i]
		bus, tightest := "its own", string(w.Tightest)
		if w.Bus == playerfile.Shared {
			bus = "the panel's"
		}
		if w.Own {
			tightest += "  ← as wired"
		}
		row := []any{w.Wiring.String(), bus, megahertz(w.Clock), strconv.FormatInt(w.Pins, 10)}
		if known {
			row = append(row, strconv.FormatInt(w.Left, 10))
		}
		t.Row(append(row, console.MB(w.Usable()), inTime(w, choices.Clips), console.PercentNumber(w.Margin), wordCell(w.Word), tightest)...)
	}
	c.console.Table(t)
	c.console.Result("")
	t = console.NewTable(console.Words("fallback"), console.Numbers("in time", ""), console.Numbers("margin", "%"), console.Words("verdict"), console.Words("tightest"))
	for i := range fallbacks.Rows {
		w := &fallbacks.Rows[i]
		t.Row(w.What, inTime(w, fallbacks.Clips), console.PercentNumber(w.Margin), wordCell(w.Word), string(w.Tightest))
	}
	c.console.Table(t)
}

func megahertz(clock playerfile.Ratio) string {
	return strconv.FormatFloat(float64(int64(clock.Float()/1e4+0.5))/100, 'f', -1, 64)
}

func inTime(w *budget.Wired, of int) string { return fmt.Sprintf("%d of %d", w.InTime, of) }

func wordCell(w budget.Word) console.Cell {
	switch w {
	case budget.Plays:
		return console.Good(w.String())
	case budget.Tight:
		return console.Careful(w.String())
	}
	return console.Bad(w.String())
}

// choiceText is a choice in words.
func choiceText(c budget.Choice) string {
	bus := ""
	if c.Wiring == card.SPI {
		bus = " on a bus of its own"
	}
	if c.Bus == playerfile.Shared {
		bus = " on the panel's bus"
	}
	return fmt.Sprintf("%v%s at %s MHz", c.Wiring, bus, megahertz(c.Clock))
}

// recommendation says which row is best, and what it does with the chip's pins.
func recommendation(t *budget.Wirings, best int, pins int64, player *playerfile.Player) string {
	within := ""
	if pins >= 0 {
		within = fmt.Sprintf(" with at most %s for the card", console.Count(pins, "pin", "pins"))
	}
	if best < 0 {
		return fmt.Sprintf("No wiring here is in time for all clips%s.", within)
	}
	w := &t.Rows[best]
	text := fmt.Sprintf("Fewest pins%s: %s, %s", within, choiceText(w.Choice), console.Count(w.Pins, "pin", "pins"))
	if player.Pins.Chip.Known() {
		switch {
		case w.Left > 0:
			text += fmt.Sprintf(", %d of the chip's left over", w.Left)
		case w.Left < 0:
			text += fmt.Sprintf(", %d more than the chip has", -w.Left)
		}
		var parts []string
		for _, u := range player.Pins.Uses {
			if u.Optional {
				parts = append(parts, fmt.Sprintf("%s would free %d", u.Part, u.Count))
			}
		}
		if len(parts) > 0 && w.Left <= 0 {
			text += " (" + strings.Join(parts, ", ") + ")"
		}
	}
	if w.Word == budget.Tight {
		return text + fmt.Sprintf("; tight, with %s to spare.", console.Percent(w.Margin))
	}
	return text + fmt.Sprintf("; %s to spare.", console.Percent(w.Margin))
}

func wiredRows(t *budget.Wirings, player *playerfile.Player, names []string) []wired {
	rows := make([]wired, 0, len(t.Rows))
	for i := range t.Rows {
		w := &t.Rows[i]
		r := wired{
			What: w.What, Wiring: w.Wiring.String(), Shared: w.Bus == playerfile.Shared, Hz: w.Clock.Float(), Own: w.Own, Every: w.Every,
			Pins: w.Pins, Usable: w.Usable(), Clips: t.Clips, InTime: w.InTime, Word: w.Word, Margin: w.Margin, Tightest: w.Tightest,
		}
		if player.Pins.Chip.Known() {
			r.Left = &w.Left
		}
		if w.Worst >= 0 {
			r.Worst = names[w.Worst]
		}
		rows = append(rows, r)
	}
	return rows
}
