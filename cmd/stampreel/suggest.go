package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/card"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/cmd/stampreel/internal/reel"
	"example.org/stampreel/cmd/stampreel/internal/suggest"
	"example.org/stampreel/container/cardfs"
	"example.org/stampreel/transcode/source"
)

func suggestCommand() *command {
	return &command{
		name:  "suggest",
		short: "find settings that play, best pictures first",
		about: fmt.Sprintf("Packs stretches of SOURCE for the player with one setting after another: the rate of "+
			"its pictures and whole fractions of it, exact pictures, tiles and JPEG, sound as PCM or IMA "+
			"ADPCM. Those that play with the margin wanted are shown, best pictures first, each with its command and what it "+
			"costs. How good pictures are is the mean SSIM of what the panel shows against all "+
			"pictures of the source, so that one that is left out counts as wrong as the one in its place. "+
			"Of a FOLDER each source gets a setting of its own; with a card's size or a time for the "+
			"copy, quality is given up where that costs least. A flag of pack that is typed holds for all, "+
			"and what it sets is not searched for.\n\n"+
			"Looked at are %d stretches of %d s, one in each part of the source, at a place drawn by a "+
			"seeded lot (sources up to %d s as a whole), at most %d pictures of them and %d settings. A "+
			"longer clip may hold a scene that needs more: pack says whether it plays.",
			suggest.Stretches, suggest.Seconds, suggest.WholeSeconds, suggest.Pictures, suggest.Tries),
		operands: []operand{{"SOURCE|FOLDER", "what is to be packed, or a folder of sources"}},
		flags: append([]cli.Flag{
			&cli.BoolFlag{Name: "write", Category: everywhere, Usage: "put the best into reel.yaml of the folder, which fill obeys; the rest of that file stays as it is"},
			&cli.StringFlag{Name: "wiring", Usage: "ways to wire the card, as `LIST` of spi, 1-bit and 4-bit: it has to play with all of them", DefaultText: "as the player file has it"},
			&cli.StringFlag{Name: "card-size", Usage: "all of it has to fit a card of `SIZE`, such as 4GB, no more than it has"},
			&cli.StringFlag{Name: "copy-in", Usage: "all of it has to be copied within `TIME`, such as 5:00 for five minutes"},
			&cli.StringFlag{Name: "over", Value: "full-speed", Usage: "`LINK` over which it is copied: full-speed or high-speed USB, or a card reader"},
		}, packingFlags()...),
		examples: []example{
			{"stampreel suggest film.mp4", "what plays on the player of player.yaml"},
			{"stampreel suggest film.mp4 --wiring 1-bit --rate 25", "at 25 pictures a second, with one data line"},
			{"stampreel suggest reel/ --card-size 4GB --write", "a setting for each source, so that all fits; then: stampreel fill reel/ card/"},
			{"stampreel suggest reel/ --copy-in 10:00 --over high-speed", "what is copied in ten minutes"},
		},
		results: true, player: true,
		run: runSuggest,
	}
}

// linkNames are those of --over, in the order of card.Links.
var linkNames = []string{"full-speed", "high-speed", "reader"}

func runSuggest(ctx context.Context, c *call) error {
	src := c.operand(0)
	if src == "-" {
		return usagef("a pipe can be read but once, and suggest reads the source several times").try("a file")
	}
	if strings.EqualFold(filepath.Ext(src), fill.ClipExtension) {
		return usagef("%s is a clip already", console.Name(src)).try("stampreel check %s", console.Name(src))
	}
	if _, err := os.Stat(src); err != nil {
		return err
	}
	player, err := c.player(folderOf(src))
	if err != nil {
		return err
	}
	g, err := c.suggestion(player)
	if err != nil {
		return err
	}
	if isFolder(src) {
		if _, frames, err := source.Sniff(src); err != nil || !frames {
			return g.folder(ctx, src)
		}
	}
	return g.single(ctx, src)
}

// suggestion is what is asked for, and what for.
type suggestion struct {
	c      *call
	player *playerfile.Player
	wanted suggest.Wanted
	most   int64 // bytes that all may take; 0 for any number
	target string
	link   card.Link
}

func (c *call) suggestion(player *playerfile.Player) (*suggestion, error) {
	g := &suggestion{c: c, player: player}
	w := &g.wanted
	s, err := packingSettings(c, player)
	if err != nil {
		return nil, err
	}
	if w.Margin = budget.TightMargin; s.Margin != nil {
		w.Margin = *s.Margin
	}
	w.Rate, w.Coding, w.Quality = c.IsSet("rate"), c.IsSet("coding"), c.IsSet("quality")
	w.Ignore, w.SoundCoding = c.IsSet("ignore"), c.IsSet("sound-coding")
	names := []string{}
	for _, name := range strings.Split(c.String("wiring"), ",") {
		if name = strings.TrimSpace(name); name == "" && c.String("wiring") == "" {
			break
		}
		if !slices.ContainsFunc(card.Wirings(), func(w card.Wiring) bool { return w.String() == name }) {
			return nil, usagef("--wiring: %q is none of spi, 1-bit and 4-bit", name).try("--wiring 1-bit,4-bit")
		}
		names = append(names, name)
	}
	asked := map[string]bool{}
	for _, choice := range budget.Choices(player, player.Card.RealClock.Value) {
		name := choice.Wiring.String()
		want := choice.Own
		if len(names) > 0 {
			want = slices.Contains(names, name) && (choice.Own || choice.Bus == playerfile.Private)
		}
		if want {
			w.Wirings, asked[name] = append(w.Wirings, choice), true
		} else {
			w.Others = append(w.Others, choice)
		}
	}
	for _, name := range names {
		if !asked[name] {
			return nil, usagef("--wiring: %s does not take the card's clock of %s MHz", name, megahertz(player.Card.RealClock.Value))
		}
	}
	link := slices.Index(linkNames, c.String("over"))
	if link < 0 {
		return nil, badChoice("over", c.String("over"))
	}
	g.link = card.Links()[link]
	var targets []string
	if text := c.String("card-size"); text != "" {
		size, err := parseSize("card-size", text)
		if err != nil {
			return nil, err
		}
		if g.most = card.Room(size); g.most == 0 {
			return nil, usagef("--card-size: %s has no room for a clip", text).try("--card-size 4GB")
		}
		targets = append(targets, "on a card of "+text)
	}
	if text := c.String("copy-in"); text != "" {
		within, err := parseTime("copy-in", text)
		if err != nil {
			return nil, err
		}
		if within.Num == 0 {
			return nil, usagef("--copy-in: %s is not above 0", text)
		}
		bytes := int64(within.Float() * float64(g.link.Write))
		if g.most == 0 || bytes < g.most {
			g.most = bytes
		}
		targets = append(targets, fmt.Sprintf("copied in %s over %s", console.Duration(seconds(within.Float())), g.link.Name))
	}
	g.target = strings.Join(targets, " and ")
	return g, nil
}

// guideBytes is no less than what the guide takes of a clip: its records and two small pictures
// of a part of the panel's.
func (g *suggestion) guideBytes(clips int64) int64 {
	return clips*(int64(g.player.FrameBytes())/2+4<<10) + 64<<10
}

// settingFacts is what --json says of a setting.
type settingFacts struct {
	Command string        `json:"command"`
	Rate    float64       `json:"rate_hz"` // 0: the one that pack takes
	Coding  string        `json:"coding"`
	Quality int           `json:"quality,omitempty"`
	Ignore  int           `json:"ignore"`
	Sound   string        `json:"sound_coding"`
	SSIM    float64       `json:"ssim"`
	Worst   float64       `json:"ssim_worst"`
	PSNR    float64       `json:"psnr_db"`
	Bytes   int64         `json:"bytes"`
	Most    int64         `json:"bytes_at_most"`
	Copy    float64       `json:"copy_s"`
	Need    float64       `json:"need_bytes_per_s"`
	Margin  budget.Margin `json:"margin"`
	Pins    int64         `json:"fewest_pins"`
	Freed   int64         `json:"pins_freed"`
	Wiring  string        `json:"fewest_pins_wiring"`
	Sure    bool          `json:"packed_whole"` // the figures are those of the whole clip
}

func (g *suggestion) facts(t *suggest.Tried, command string) settingFacts {
	usual, _ := g.link.Writing(t.Bytes)
	f := settingFacts{
		Command: command, Rate: t.Rate.Float(), Coding: codingName(t.Coding), Quality: t.Quality, Ignore: t.Ignore, Sound: soundCodingName(t.ADPCM),
		SSIM: t.SSIM, Worst: t.Worst, PSNR: t.PSNR, Bytes: t.Bytes, Most: t.Most, Copy: usual.Seconds(), Need: t.Need, Margin: t.Margin, Sure: t.Confirmed,
	}
	for i, choice := range slices.Concat(g.wanted.Wirings, g.wanted.Others) {
		if pins := choice.On(g.player).CardPins(); float64(t.Margins[i]) >= g.wanted.Margin && (f.Wiring == "" || pins < f.Pins) {
			f.Pins, f.Wiring = pins, choiceText(choice)
		}
	}
	f.Freed = g.player.CardPins() - f.Pins
	return f
}

func codingName(k fill.Coding) string {
	for name, v := range fill.Codings() {
		if v == k {
			return name
		}
	}
	panic("a coding without a name")
}

func soundCodingName(adpcm bool) string {
	if adpcm {
		return "ima-adpcm"
	}
	return "pcm"
}

// values are a setting by the names of the flags; "" where a flag is not needed.
func (g *suggestion) values(k suggest.Setting) []reel.Value {
	values := []reel.Value{{Name: "rate"}, {Name: "coding", Text: codingName(k.Coding)}, {Name: "quality"}, {Name: "ignore"}, {Name: "sound-coding"}}
	if k.Rate.Num > 0 {
		values[0].Text = rateText(k.Rate)
	}
	if k.Quality > 0 {
		values[2].Text = strconv.Itoa(k.Quality)
	}
	if k.Ignore > 0 {
		values[3].Text = strconv.Itoa(k.Ignore)
	}
	if k.ADPCM {
		values[4].Text = soundCodingName(true)
	}
	for _, f := range reelFlags() { // what was typed
		name := f.Names()[0]
		if name == "margin" && k.Quality > 0 { // which a fixed quality does not take
			continue
		}
		if g.c.IsSet(name) && !slices.ContainsFunc(values, func(v reel.Value) bool { return v.Name == name }) {
			values = append(values, reel.Value{Name: name, Text: fmt.Sprint(g.c.Value(name))})
		}
	}
	return values
}

// rateText is a rate as --rate takes it.
func rateText(r source.Ratio) string {
	v := big.NewRat(r.Num, r.Den)
	text := strings.TrimRight(strings.TrimRight(v.FloatString(3), "0"), ".")
	if back, ok := new(big.Rat).SetString(text); ok && back.Cmp(v) == 0 {
		return text
	}
	return fmt.Sprintf("%d/%d", v.Num(), v.Denom())
}

// command is the line that packs a source so.
func (g *suggestion) command(src string, k suggest.Setting) string {
	line := "stampreel pack " + console.Name(src)
	for _, v := range g.values(k) {
		switch {
		case v.Text == "":
		case v.Text == "true":
			line += " --" + v.Name
		default:
			line += " --" + v.Name + " " + console.Name(v.Text)
		}
	}
	return g.c.again(line)
}

// picturesText is how pictures are stored, in words.
func picturesText(k suggest.Setting, player *playerfile.Player) string {
	switch {
	case k.Rate.Num == 0 && k.Coding == fill.Auto && k.Quality == 0:
		return "exact"
	case k.Coding == fill.JPEG && k.Quality == 0:
		return "JPEG, as fits"
	case k.Coding == fill.JPEG || k.Quality > 0:
		return fmt.Sprintf("JPEG %d", k.Quality)
	case k.Coding == fill.Raw || k.Coding == fill.Auto && !budget.DecodesTiles(player):
		return "raw"
	case k.Ignore > 0:
		return fmt.Sprintf("tiles, off by %d", k.Ignore)
	}
	return "tiles, exact"
}

// likeness is a measure of pictures; a sound alone has none.
func likeness(v float64, decimals int) string {
	if v == 0 {
		return "–"
	}
	return strconv.FormatFloat(v, 'f', decimals, 64)
}

// single suggests settings for one source.
func (g *suggestion) single(ctx context.Context, src string) error {
	s, err := packingSettings(g.c, g.player)
	if err != nil {
		return err
	}
	if g.most > 0 {
		g.wanted.Bytes = g.most
		if g.c.String("card-size") != "" {
			g.wanted.Bytes = max(1, g.most-card.DefaultCluster-g.guideBytes(1))
		}
	}
	found, err := g.search(ctx, s, fill.Job{Source: src}, "looking for settings for "+console.Name(src))
	if err != nil {
		return err
	}
	g.say(src, found)
	doc := struct {
		Source   string         `json:"source"`
		Player   string         `json:"player"`
		Seconds  float64        `json:"length_s"`
		Whole    bool           `json:"looked_at_whole"`
		Looked   int            `json:"stretches"`
		Tries    int            `json:"settings_tried"`
		Settings []settingFacts `json:"settings"`
	}{src, g.player.Name.Value, found.Length, found.Whole, len(found.Stretches), found.Tries, []settingFacts{}}
	if len(found.Best) > 0 {
		t := console.NewTable(console.Numbers("", ""), console.Numbers("rate", "/s"), console.Words("pictures"), console.Words("sound"), console.Numbers("SSIM", ""), console.Numbers("PSNR", "dB"),
			console.Numbers("size", "MB"), console.Numbers("copy", "m:ss"), console.Numbers("need", "MB/s"), console.Numbers("margin", "%"), console.Numbers("fewest pins", ""), console.Numbers("freed", ""))
		for i := range found.Best {
			k := &found.Best[i]
			f := g.facts(k, g.command(src, k.Setting))
			doc.Settings = append(doc.Settings, f)
			rate, sound := "–", "–"
			if f.Rate > 0 {
				rate = number(f.Rate)
			}
			if found.Stretches[0].HasSound() {
				sound = f.Sound
			}
			t.Row(strconv.Itoa(i+1), rate, picturesText(k.Setting, g.player), sound, likeness(f.SSIM, 4), likeness(f.PSNR, 1), console.MB(float64(f.Bytes)),
				console.TimeLeft(seconds(f.Copy)), console.MB(f.Need), console.PercentNumber(f.Margin), strconv.FormatInt(f.Pins, 10), strconv.FormatInt(f.Freed, 10))
		}
		g.c.console.Table(t)
		g.c.console.Result("")
		for i, f := range doc.Settings {
			g.c.console.Result("%2d  %s", i+1, f.Command)
		}
	}
	if err := g.c.console.JSON(doc); err != nil {
		return err
	}
	if len(found.Best) == 0 {
		return g.nothing(src, found)
	}
	if g.c.Bool("write") {
		clean := filepath.Clean(src)
		return g.write(filepath.Dir(clean), []written{{filepath.ToSlash(filepath.Base(clean)), g.values(found.Best[0].Setting)}})
	}
	return nil
}

// search runs a search with its progress shown.
func (g *suggestion) search(ctx context.Context, s fill.Settings, job fill.Job, what string) (*suggest.Found, error) {
	progress := g.c.console.Progress(console.Job{What: what, Unit: "settings tried"})
	defer progress.Stop()
	return suggest.Search(ctx, s, job, g.wanted, func() { progress.Add(1) })
}

// say tells what was looked at.
func (g *suggestion) say(src string, f *suggest.Found) {
	what := "all of it"
	if !f.Whole {
		what = "stretches at"
		for i, st := range f.Stretches {
			if i > 0 {
				what += ","
			}
			what += " " + console.Duration(seconds(st.From.Float()))
		}
	}
	g.c.console.Note("%s: %s packed in %s", console.Name(src), what, console.Count(int64(f.Tries), "way", "ways"))
	switch {
	case f.Whole || len(f.Best) == 0:
	case f.Best[0].Confirmed:
		g.c.console.Note("the first was packed as a whole as well; the others are as the stretches have it")
	default:
		g.c.console.Note("all of it was not packed, which takes long: pack says whether it plays everywhere")
	}
}

// nothing is the error of a source for which there is no setting.
func (g *suggestion) nothing(src string, f *suggest.Found) error {
	e := &NotFitError{Text: fmt.Sprintf("%s: nothing that was tried plays on %s with %s to spare", console.Name(src), g.player.Name.Value, console.Percent(g.wanted.Margin))}
	n := f.Nearest
	if n == nil {
		return e
	}
	if n.Plays(&g.wanted) {
		e.Text = fmt.Sprintf("%s: nothing that was tried plays and is %s; the smallest takes about %s", console.Name(src), g.target, console.Size(n.Bytes))
		e.Try = append(e.Try, "a part of it, with --from and --to")
		return e
	}
	near := picturesText(n.Setting, g.player)
	if n.Rate.Num > 0 {
		near += fmt.Sprintf(" at %s pictures/s", number(n.Rate.Float()))
	}
	if n.Margin >= 0 {
		e.Try = append(e.Try, fmt.Sprintf("--margin %d, which %s has to spare", int(100*n.Margin), near))
	} else if n.Margin != budget.Never {
		e.Try = append(e.Try, fmt.Sprintf("a faster card or bus: %s comes nearest, and lacks %s", near, console.Percent(-n.Margin)))
	}
	for i, choice := range slices.Concat(g.wanted.Wirings, g.wanted.Others) {
		if i >= len(g.wanted.Wirings) && float64(n.Margins[i]) >= g.wanted.Margin {
			e.Try = append(e.Try, fmt.Sprintf("the card wired as %s, which plays %s", choiceText(choice), near))
			break
		}
	}
	if !budget.DecodesJPEG(g.player) && !g.wanted.Coding {
		e.Try = append(e.Try, "decode.jpeg in the player file, if its firmware decodes JPEG: the file does not say how fast, so it was not tried")
	}
	return e
}

// folderFacts is what --json says of one source of a folder.
type folderFacts struct {
	Source  string        `json:"source"`
	Clip    string        `json:"clip"`
	Setting *settingFacts `json:"setting"` // nil where nothing plays
	Error   string        `json:"error,omitempty"`
}

// folder suggests a setting for each source of a folder.
func (g *suggestion) folder(ctx context.Context, folder string) error {
	c := g.c
	plan, err := c.reelOf(folder, g.player)
	if err != nil {
		return err
	}
	all, err := plan.defaults()
	if err != nil {
		return err
	}
	all.TrackOrFirst = true
	items, skipped, err := fill.Find(ctx, folder, "")
	if err != nil {
		return err
	}
	if items, skipped, err = plan.apply(items, skipped); err != nil {
		return err
	}
	items, skipped = fill.ForPlayer(items, skipped, g.player.HasSound())
	c.noteSkipped(skipped)
	if len(items) == 0 {
		return fmt.Errorf("%s: no source in this folder for %s", folder, g.player.Name.Value)
	}
	size := func(bytes int64) int64 { return bytes }
	if c.String("card-size") != "" {
		size = card.Taken
		g.most = max(1, g.most-card.Taken(g.guideBytes(int64(len(items)))))
	}
	g.wanted.Curve = g.most > 0
	facts := make([]folderFacts, len(items))
	var found []*suggest.Found
	var of []int // the item of each
	failed := 0
	for i, it := range items {
		facts[i] = folderFacts{Source: it.Source, Clip: it.Clip}
		job := fill.Job{Source: filepath.Join(folder, filepath.FromSlash(it.Source))}
		if it.Sound != "" {
			job.Sound = filepath.Join(folder, filepath.FromSlash(it.Sound))
		}
		f, err := (*suggest.Found)(nil), it.Err
		if err == nil {
			f, err = g.search(ctx, *it.SettingsOr(&all), job, fmt.Sprintf("%s, %d of %d", console.Name(it.Source), i+1, len(items)))
		}
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil:
			c.tellError(err)
			facts[i].Error = err.Error()
			failed++
		case len(f.Best) == 0:
			e := g.nothing(it.Source, f)
			c.tellError(e)
			facts[i].Error = e.Error()
		default:
			found, of = append(found, f), append(of, i)
		}
	}
	chosen, total, fits, err := g.choose(ctx, found, size)
	if err != nil {
		return err
	}
	t := console.NewTable(console.Words("source"), console.Numbers("rate", "/s"), console.Words("pictures"), console.Words("sound"), console.Numbers("SSIM", ""), console.Numbers("size", "MB"), console.Numbers("need", "MB/s"), console.Numbers("margin", "%"), console.Numbers("fewest pins", ""))
	var puts []written
	var bytes int64
	pins := int64(0)
	for j, f := range found {
		k, it := &f.Best[chosen[j]], items[of[j]]
		s := g.facts(k, g.command(filepath.Join(folder, filepath.FromSlash(it.Source)), k.Setting))
		facts[of[j]].Setting = &s
		puts = append(puts, written{it.Source, g.values(k.Setting)})
		bytes, pins = bytes+k.Bytes, max(pins, s.Pins)
		rate, sound := "–", "–"
		if s.Rate > 0 {
			rate = number(s.Rate)
		}
		if f.Stretches[0].HasSound() {
			sound = s.Sound
		}
		t.Row(console.Name(it.Source), rate, picturesText(k.Setting, g.player), sound, likeness(s.SSIM, 4), console.MB(float64(s.Bytes)), console.MB(s.Need), console.PercentNumber(s.Margin), strconv.FormatInt(s.Pins, 10))
	}
	t.Total(console.Count(int64(len(found)), "clip", "clips"), "", "", "", "", console.MB(float64(bytes)), "", "", strconv.FormatInt(pins, 10))
	c.console.Table(t)
	usual, _ := g.link.Writing(bytes)
	c.console.Result("")
	c.console.Result("copied over %s in about %s; up to %s on the card", g.link.Name, console.TimeLeft(usual), console.Size(total))
	if err := c.console.JSON(struct {
		Folder  string        `json:"folder"`
		Player  string        `json:"player"`
		Clips   []folderFacts `json:"clips"`
		Bytes   int64         `json:"bytes"`
		Most    int64         `json:"bytes_at_most"`
		Allowed int64         `json:"bytes_allowed,omitempty"`
		Fits    bool          `json:"fits"`
		Copy    float64       `json:"copy_s"`
	}{folder, g.player.Name.Value, facts, bytes, total, g.most, fits, usual.Seconds()}); err != nil {
		return err
	}
	switch {
	case failed > 0:
		return fmt.Errorf("%d of %s could not be looked at", failed, console.Count(int64(len(items)), "source", "sources"))
	case len(found) < len(items):
		return &NotFitError{Text: fmt.Sprintf("%d of %s have no setting that plays on %s", len(items)-len(found), console.Count(int64(len(items)), "source", "sources"), g.player.Name.Value)}
	case !fits:
		return &NotFitError{Text: fmt.Sprintf("the smallest that plays takes up to %s, and %s may be %s", console.Size(total), console.Size(g.most), g.target),
			Try: []string{"leave a source out, with skip: yes in reel.yaml", "--margin 0, or fewer seconds of the long ones (to: in reel.yaml)"}}
	case c.Bool("write"):
		return g.write(folder, puts)
	}
	c.console.Note("--write puts that into %s, and then: %s", console.Name(filepath.Join(folder, reel.Name)), c.again("stampreel fill "+console.Name(folder)+" CARD"))
	return nil
}

// choose takes one setting of each source, so that all are within what they may take, and packs
// those as a whole that no one has. One that does not play then is dropped, but for the last.
func (g *suggestion) choose(ctx context.Context, all []*suggest.Found, size func(int64) int64) (chosen []int, total int64, fits bool, err error) {
	progress := g.c.console.Progress(console.Job{What: "packing them as a whole", Unit: "clips"})
	defer progress.Stop()
	for again := true; again; {
		chosen, total, fits = suggest.Fit(all, cmp.Or(g.most, 1<<62), size)
		again = false
		for i, f := range all {
			if f.Best[chosen[i]].Confirmed {
				continue
			}
			was := f.Best[chosen[i]].Most
			ok, _, err := f.Confirm(ctx, chosen[i])
			if err != nil {
				return nil, 0, false, err
			}
			progress.Add(1)
			if !ok && len(f.Best) > 1 {
				f.Drop(chosen[i])
				again = true
				break
			}
			again = again || f.Best[chosen[i]].Most != was
		}
	}
	return chosen, total, fits, nil
}

// written is what reel.yaml is to say of a source.
type written struct {
	source string
	values []reel.Value
}

// write puts settings into the reel.yaml of a folder.
func (g *suggestion) write(folder string, all []written) error {
	path := filepath.Join(folder, reel.Name)
	data, err := os.ReadFile(path)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	for _, w := range slices.Backward(all) { // new ones are put first
		if data, err = reel.Put(path, data, reelSettings(), w.source, w.values); err != nil {
			return excerpt(err)
		}
	}
	if err := cardfs.Write(path, func(w io.Writer) error { _, err := w.Write(data); return err }); err != nil {
		return err
	}
	g.c.console.Note("%s has it now: %s", console.Name(path), g.c.again("stampreel fill "+console.Name(folder)+" CARD"))
	return nil
}
