package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/card"
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
			"decides, and the 100 ms that the SD specification allows a card to take. One clip is shown in " +
			"full, with what would help, each change judged again; of several there is a table, the " +
			"seams between clips that follow each other without a gap, and how long a copy takes. Exit " +
			"code 3 when a clip stutters or was made for another player, or when all of them do not " +
			"fit the card of --card-size. Whether all bytes of a clip are right, verify tells.",
		operands: []operand{{"CLIP|FOLDER...", "clips, or folders of them (a card)"}},
		flags: []cli.Flag{
			&cli.StringFlag{Name: "card-size", Usage: "does it all fit a card of `SIZE`, as printed on it: 4GB?"},
		},
		examples: []example{
			{"stampreel check film.srq", "every part of the player that film.srq loads, with margins"},
			{"stampreel check /media/card --player player.yaml", "a table of all clips on a card"},
			{"stampreel check reel --card-size 4GB", "the same of a folder, and whether a card of 4 GB holds it"},
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
	Flashes *flashFacts    `json:"flashes"` // as its packer noted; null where nothing is noted

	flashes fill.Flashes
}

// seam is going on from one clip to the next, for JSON.
type seam struct {
	From   string        `json:"from"`
	To     string        `json:"to"`
	Word   budget.Word   `json:"verdict"`
	Margin budget.Margin `json:"margin"`
	Late   int           `json:"first_late"` // counted from the first beat of from
}

// copying is a way to the card, for JSON.
type copying struct {
	Link  string  `json:"link"`
	Write float64 `json:"write_s"`
	Least float64 `json:"write_least_s"`
	Read  float64 `json:"read_s"`
}

// checkedAll is what check says, for JSON.
type checkedAll struct {
	Player string    `json:"player"`
	Clips  []checked `json:"clips"`
	Seams  []seam    `json:"seams"` // between clips that are alike, in their order
	Failed []failed  `json:"failed"`
	Copy   []copying `json:"copying"`
	Room   *cardRoom `json:"card,omitempty"`
}

type failed struct {
	Clip  string `json:"clip"`
	Error string `json:"error"`
}

// cardRoom is what a card of a size holds.
type cardRoom struct {
	Size  int64 `json:"size_bytes"`
	Room  int64 `json:"room_bytes"`
	Taken int64 `json:"taken_bytes"` // whole clusters
	Fits  bool  `json:"fits"`
}

func runCheck(ctx context.Context, c *call) error {
	room, err := c.cardRoom()
	if err != nil {
		return err
	}
	clips, err := clipsIn(ctx, c.operands)
	if err != nil {
		return err
	}
	player, err := c.player(folderOf(c.operand(0)))
	if err != nil {
		return err
	}
	doc := checkedAll{Player: player.Name.Value, Clips: []checked{}, Seams: []seam{}, Failed: []failed{}, Room: room}
	var before budget.Clip // the last one that was judged
	for _, path := range clips {
		h, clip, err := fill.Load(ctx, path)
		var v budget.Verdict
		if err == nil {
			v, err = budget.Judge(clip, player)
		}
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil && len(clips) == 1:
			return err
		case err != nil:
			c.console.Error(plainText(err))
			doc.Failed = append(doc.Failed, failed{path, err.Error()})
			continue
		}
		now := checked{
			Clip: path, Seconds: container.BeatTime(h.Rate(), h.Beats).Seconds(), Rate: h.Rate().Float(),
			Bytes: int64(h.FileSectors) * container.SectorBytes, Verdict: v, Fits: v.Fits(),
		}
		if _, flashes, _, ok := fill.HowMade(&h); ok {
			now.Flashes, now.flashes = flashFactsOf(&flashes), flashes
		}
		if n := len(doc.Clips); n > 0 && v.Fits() && doc.Clips[n-1].Fits {
			level, alike, err := budget.Seam(before, clip, player)
			if err != nil {
				return err
			}
			if alike {
				doc.Seams = append(doc.Seams, seam{doc.Clips[n-1].Clip, path, level.Word, level.Margin, level.Late})
			}
		}
		doc.Clips, before = append(doc.Clips, now), clip
	}
	if len(clips) == 1 {
		c.explain(&doc.Clips[0], player)
	} else {
		c.checkTable(doc.Clips, len(clips), player)
		c.seams(doc.Seams, doc.Clips)
	}
	for i := range doc.Clips {
		c.warnFlashes(doc.Clips[i].Clip, &doc.Clips[i].flashes, "pack it again with --soften-flashes")
	}
	c.copying(&doc, len(clips) > 1)
	if err := c.console.JSON(doc); err != nil {
		return err
	}
	return c.checkError(&doc, player)
}

// cardRoom reads --card-size.
func (c *call) cardRoom() (*cardRoom, error) {
	text := c.String("card-size")
	if text == "" {
		return nil, nil
	}
	size, err := parseSize("card-size", text)
	if err != nil {
		return nil, err
	}
	return &cardRoom{Size: size, Room: card.Room(size)}, nil
}

// seams tells of clips that play by themselves but not after each other.
func (c *call) seams(seams []seam, clips []checked) {
	words := map[string]budget.Word{}
	for i := range clips {
		words[clips[i].Clip] = clips[i].Verdict.Typical.Word
	}
	for _, s := range seams {
		if s.Word < min(words[s.From], words[s.To]) {
			c.console.Result("from %s on to %s without a gap: %v", console.Name(s.From), console.Name(s.To), s.Word)
		}
	}
}

// copying shows how long a copy takes, and whether a card holds it.
func (c *call) copying(doc *checkedAll, show bool) {
	var bytes int64
	var length float64
	for i := range doc.Clips {
		k := &doc.Clips[i]
		bytes += k.Bytes
		length += k.Seconds
		if doc.Room != nil {
			doc.Room.Taken += card.Taken(k.Bytes)
		}
	}
	t := console.NewTable(console.Words("copying to a card"), console.Numbers("usually", "m:ss"), console.Numbers("at least", "m:ss"), console.Numbers("reading back", "m:ss"))
	for _, l := range card.Links() {
		usual, least := l.Writing(bytes)
		doc.Copy = append(doc.Copy, copying{l.Name, usual.Seconds(), least.Seconds(), l.Reading(bytes).Seconds()})
		t.Row("over "+l.Name, console.TimeLeft(usual), console.TimeLeft(least), console.TimeLeft(l.Reading(bytes)))
	}
	if show {
		c.console.Result("")
		c.console.Result("%s, %s long", console.Size(bytes), console.Duration(seconds(length)))
		c.console.Table(t)
	}
	r := doc.Room
	if r == nil {
		return
	}
	r.Fits = r.Taken <= r.Room
	text := "holds all of it"
	if !r.Fits {
		text = fmt.Sprintf("is %s too small", console.Size(r.Taken-r.Room))
	}
	more := ""
	if bytes > 0 && r.Room > r.Taken {
		more = fmt.Sprintf(", with room for %s more like that", console.Duration(seconds(length*float64(r.Room-r.Taken)/float64(bytes))))
	}
	c.console.Result("A card of %s %s%s.", console.Size(r.Size), text, more)
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
	var unjudged []string
	for i := range clips {
		unjudged = append(unjudged, clips[i].Verdict.Unjudged...)
	}
	t.Total(fmt.Sprintf("%d of %s on %s", play, console.Count(int64(all), "clip plays", "clips play"), player.Name.Value))
	c.console.Table(t)
	c.unjudged(unjudged)
}

// unjudged notes once each what the player file tells too little about.
func (c *call) unjudged(found []string) {
	slices.Sort(found)
	for _, what := range slices.Compact(found) {
		c.console.Note("not judged: the player file does not say %s", what)
	}
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
		c.console.Result("%s: %s%s", level.name, levelText(level.l), lateText(level.l))
		t := console.NewTable(console.Words("  part"), console.Numbers("need", ""), console.Numbers("has", ""), console.Words("unit"), console.Numbers("margin", "%"), console.Words("verdict"), console.Words("figures"))
		for _, r := range level.l.Rows {
			need, has, unit := amounts(&r)
			t.Row("  "+string(r.Part), need, has, unit, console.PercentNumber(r.Margin), r.Word.String(), r.Origin.String())
		}
		c.console.Table(t)
	}
	c.console.Result("")
	start := fmt.Sprintf("from the press of a button to the picture: %.2f s with memory full first", v.Start.Full)
	if v.Start.Least > 0 {
		start += fmt.Sprintf(", %.2f s at the least", v.Start.Least)
	}
	c.console.Result("%s", start)
	if len(v.Proposals) > 0 && v.Fits() {
		c.console.Result("")
		t := console.NewTable(console.Words("what would help"), console.Numbers("margin", "%"), console.Words("verdict"), console.Numbers("card's pins", ""))
		for _, p := range v.Proposals {
			t.Row(p.What, console.PercentNumber(p.Margin), wordCell(p.Word), strconv.Itoa(p.Pins))
		}
		c.console.Table(t)
	}
	if text := classText(player.Card.Classes); text != "" {
		c.console.Note("%s", text)
	}
	c.unjudged(v.Unjudged)
	if v.Strips {
		c.console.Note("the memory is too small for whole beats: pictures are drawn in strips as they arrive")
	}
}

// classText says what the marks on a card promise.
func classText(classes []card.Class) string {
	var promises []string
	for _, k := range classes {
		text := fmt.Sprintf("%s promises writing %s", k.Mark, console.Rate(float64(k.Write)))
		if k.Reads > 0 {
			text = fmt.Sprintf("%s promises %d random reads of 4 KiB a second on average", k.Mark, k.Reads)
		}
		promises = append(promises, text)
	}
	if len(promises) == 0 {
		return ""
	}
	return "on the card: " + strings.Join(promises, ", ") + "; neither bounds a pause, so no verdict rests on it"
}

// levelText is a verdict, with pictures and sound apart where they differ.
func levelText(l *budget.Level) string {
	switch {
	case l.Word == budget.Stutters && !l.HasSound():
		return "stutters: pictures come late"
	case l.Pictures == budget.Stutters && l.Sound != budget.Stutters:
		return "stutters: pictures come late, the sound goes on"
	case l.Pictures != budget.Stutters && l.Sound == budget.Stutters:
		return "stutters: the sound has gaps"
	case l.Word == budget.Stutters:
		return "stutters: pictures come late and the sound has gaps"
	}
	return l.Word.String()
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
	if r.Margin == budget.Never {
		need = "never"
	}
	return need, number(r.Service), map[string]string{"bytes/s": "MB/s", "s": "ms", "bytes": "KiB"}[r.Unit]
}

// mostTries is how many proposals stand below an error; the table has all of them.
const mostTries = 3

// checkError turns verdicts into the exit code.
func (c *call) checkError(doc *checkedAll, player *playerfile.Player) error {
	var bad []*checked
	clips := doc.Clips
	for i := range clips {
		if !clips[i].Verdict.OK() {
			bad = append(bad, &clips[i])
		}
	}
	switch {
	case len(bad) == 0 && len(doc.Failed) > 0:
		return fmt.Errorf("%s could not be read", console.Count(int64(len(doc.Failed)), "clip", "clips"))
	case len(bad) == 0 && doc.Room != nil && !doc.Room.Fits:
		return &NotFitError{Text: fmt.Sprintf("a card of %s does not hold all of it", console.Size(doc.Room.Size)), Try: []string{"a larger card, fewer clips, or a lower --rate"}}
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
	for _, p := range v.Proposals[:min(mostTries, len(v.Proposals))] {
		e.Try = append(e.Try, fmt.Sprintf("%s: %v with a margin of %s", p.What, p.Word, console.Percent(p.Margin)))
	}
	if len(e.Try) == 0 {
		e.Try = append(e.Try, "smaller pictures: no wiring, memory or rate of pictures is enough for these")
	}
	return e
}
