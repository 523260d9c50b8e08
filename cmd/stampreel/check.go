package main

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"slices"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
)

func checkCommand() *command {
	return &command{
		name: "check", group: "Will it play?",
		short: "say whether clips play on a player",
		about: "Holds what each clip asks of the card, the panel's bus and the memory against what " +
			"the player gives, and says plays, tight (in time with less than 20 % to spare) or " +
			"stutters. Two levels are judged: the pause of the card that the player file gives, which " +
			"decides, and the 100 ms that the SD specification allows a card to take. Exit code 3 " +
			"when a clip stutters or was made for another player. Whether all bytes of a clip are " +
			"right, verify tells.",
		operands: []operand{{"CLIP|FOLDER...", "clips, or folders of them (a card)"}},
		examples: []example{
			{"stampreel check film.srq", "every part of the player that film.srq loads, with margins"},
			{"stampreel check /media/card --player player.yaml", "a table of all clips on a card"},
		},
		results: true, player: true,
		run: runCheck,
	}
}

// checked is one clip's verdict, for JSON.
type checked struct {
	Clip    string         `json:"clip"`
	Seconds float64        `json:"length_s"`
	Rate    float64        `json:"rate_hz"`
	Bytes   int64          `json:"bytes"`
	Verdict budget.Verdict `json:"verdict"`
	Fits    bool           `json:"fits"`
}

func runCheck(ctx context.Context, c *call) error {
	clips, err := clipsIn(ctx, c.operands)
	if err != nil {
		return err
	}
	folder := c.operand(0)
	if !isFolder(folder) {
		folder = filepath.Dir(folder)
	}
	player, err := c.player(folder)
	if err != nil {
		return err
	}
	type failed struct {
		Clip  string `json:"clip"`
		Error string `json:"error"`
	}
	doc := struct {
		Player string    `json:"player"`
		Clips  []checked `json:"clips"`
		Failed []failed  `json:"failed"`
	}{player.Name.Value, []checked{}, []failed{}}
	for _, path := range clips {
		h, clip, err := fill.Load(ctx, path)
		if err == nil {
			var v budget.Verdict
			if v, err = budget.Judge(clip, player); err == nil {
				doc.Clips = append(doc.Clips, checked{
					Clip: path, Seconds: container.BeatTime(h.Rate(), h.Beats).Seconds(), Rate: h.Rate().Float(),
					Bytes: int64(h.FileSectors) * container.SectorBytes, Verdict: v, Fits: v.Fits(),
				})
				continue
			}
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if len(clips) == 1 {
			return err
		}
		c.console.Error(plainText(err))
		doc.Failed = append(doc.Failed, failed{path, err.Error()})
	}
	if len(clips) == 1 {
		c.explain(&doc.Clips[0], player)
	} else {
		c.checkTable(doc.Clips, len(clips), player)
	}
	if err := c.console.JSON(doc); err != nil {
		return err
	}
	return c.checkError(doc.Clips, len(doc.Failed), player)
}

// checkTable is a line a clip.
func (c *call) checkTable(clips []checked, all int, player *playerfile.Player) {
	t := console.NewTable(console.Words("clip"), console.Numbers("length", "m:ss"), console.Numbers("rate", "/s"), console.Numbers("size", "MB"), console.Numbers("margin", "%"), console.Words("verdict"), console.Words("tightest"), console.Words("at 100 ms pauses"))
	play := 0
	for i := range clips {
		k := &clips[i]
		if k.Fits && k.Verdict.Typical.Word != budget.Stutters {
			play++
		}
		t.Row(console.Name(k.Clip), console.Duration(seconds(k.Seconds)), number(k.Rate), console.MB(float64(k.Bytes)), console.PercentNumber(k.Verdict.Typical.Margin), verdictCell(&k.Verdict), string(k.Verdict.Typical.Tightest), k.Verdict.Limit.Word.String())
	}
	t.Total(fmt.Sprintf("%d of %s on %s", play, console.Count(int64(all), "clip plays", "clips play"), player.Name.Value))
	c.console.Table(t)
}

// explain shows one clip in full.
func (c *call) explain(k *checked, player *playerfile.Player) {
	v := &k.Verdict
	c.console.Result("%s on %s: %s", console.Name(k.Clip), player.Name.Value, verdictText(v))
	for _, m := range v.Misfits {
		c.console.Result("  %s", m.What)
	}
	for _, level := range []struct {
		name string
		l    *budget.Level
	}{
		{fmt.Sprintf("the card pauses for up to %.0f ms (%v)", 1000*v.Typical.Stall, v.Typical.Origin), &v.Typical},
		{fmt.Sprintf("a pause of %.0f ms, the most that the SD specification allows", 1000*v.Limit.Stall), &v.Limit},
	} {
		c.console.Result("")
		c.console.Result("%s: %v%s", level.name, level.l.Word, lateText(level.l))
		t := console.NewTable(console.Words("  part"), console.Numbers("need", ""), console.Numbers("has", ""), console.Words("unit"), console.Numbers("margin", "%"), console.Words("verdict"), console.Words("figures"))
		for _, r := range level.l.Rows {
			need, has, unit := amounts(&r)
			t.Row("  "+string(r.Part), need, has, unit, console.PercentNumber(r.Margin), r.Word.String(), r.Origin.String())
		}
		c.console.Table(t)
	}
	if v.Strips {
		c.console.Note("the memory is too small for whole beats: pictures are drawn in strips as they arrive")
	}
}

func lateText(l *budget.Level) string {
	if l.Late < 0 {
		return fmt.Sprintf(", tightest is the %s", l.Tightest)
	}
	return fmt.Sprintf(", from beat %d at %s on; tightest is the %s", l.Late, console.Duration(seconds(l.LateAt)), l.Tightest)
}

// amounts writes a row's figures in the unit people use for it.
func amounts(r *budget.Row) (need, has, unit string) {
	number := func(x float64) string {
		switch r.Unit {
		case "bytes/s":
			return console.MB(x)
		case "s":
			return fmt.Sprintf("%.2f", 1000*x)
		}
		return console.KiB(int64(math.Ceil(x)))
	}
	need = number(r.Need)
	if r.Never {
		need = "never"
	}
	return need, number(r.Service), map[string]string{"bytes/s": "MB/s", "s": "ms", "bytes": "KiB"}[r.Unit]
}

// checkError turns verdicts into the exit code.
func (c *call) checkError(clips []checked, failed int, player *playerfile.Player) error {
	var bad []*checked
	for i := range clips {
		if !clips[i].Verdict.OK() {
			bad = append(bad, &clips[i])
		}
	}
	switch {
	case len(bad) == 0 && failed > 0:
		return fmt.Errorf("%s could not be read", console.Count(int64(failed), "clip", "clips"))
	case len(bad) == 0:
		return nil
	case len(clips) > 1:
		e := &NotFitError{Text: fmt.Sprintf("%d of %s would not play on %s", len(bad), console.Count(int64(len(clips)), "clip", "clips"), player.Name.Value)}
		e.Try = append(e.Try, c.again("stampreel check "+console.Name(bad[0].Clip))+", for what would help")
		return e
	}
	v := &bad[0].Verdict
	e := &NotFitError{Text: fmt.Sprintf("%s would not play on %s", bad[0].Clip, player.Name.Value)}
	for _, m := range v.Misfits {
		if !slices.Contains(e.Try, m.Try) {
			e.Try = append(e.Try, m.Try)
		}
	}
	if !v.Fits() { // nothing else helps before that
		return e
	}
	for _, p := range v.Proposals {
		e.Try = append(e.Try, fmt.Sprintf("%s: %v with a margin of %s", p.What, p.Word, console.Percent(p.Margin)))
	}
	return e
}
