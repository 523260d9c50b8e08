package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/card"
	"example.org/stampreel/budget/measure"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container/cardfs"
)

func measureCommand() *command {
	const ofCard, ofLog = "A card in this computer", "A log of the player"
	return &command{
		name:  "measure",
		short: "time a card, or read the player's own log; explain a stutter",
		about: "With --log, reads what a player wrote down of its own reads (examples/firmware/LOG.md " +
			"describes the log) and says what its card gives: the rate, the time of a request, the " +
			"pauses. With --clip it says which beat came late, and why. --save writes the figures into a " +
			"player file; verdicts rest on them from then on.\n\n" +
			"With CARD, times a mounted card through this computer: writing and reading in order, reading " +
			"at random, and the reads that the player makes. It writes one hidden file and removes it. Those " +
			"are the figures of this computer and its reader, a ceiling and not the speed of the player: " +
			"they are shown, no verdict uses them, and --save refuses them unless --in-player says that " +
			"this computer is the player. With --capacity it fills the card and reads it back.",
		operands: []operand{{"[CARD]", "the folder where a card is mounted"}},
		flags: []cli.Flag{
			&cli.StringFlag{Name: "log", Category: ofLog, Usage: "read the log `FILE`"},
			&cli.StringFlag{Name: "clip", Category: ofLog, Usage: "the `CLIP` that was played: explain its stutters"},
			&cli.StringFlag{Name: "bytes", Category: ofCard, Value: "64MB", Usage: "`SIZE` of the file that is written; with --capacity, fill no more than that", DefaultText: "64MB, or all that is free"},
			&cli.Float64Flag{Name: "seconds", Category: ofCard, Value: 20, Usage: "stop timing after that"},
			&cli.BoolFlag{Name: "in-player", Category: ofCard, Usage: "this computer is the player, so its figures are"},
			&cli.BoolFlag{Name: "capacity", Category: ofCard, Usage: "fill the card and read it back: does it hold what it claims?"},
			&cli.BoolFlag{Name: "yes", Category: ofCard, Usage: "do not ask before filling"},
			&cli.StringFlag{Name: "save", Usage: "write the figures into the player file `FILE`"},
		},
		examples: []example{
			{"stampreel measure --log reads.csv --save player.yaml", "what the card gives in the player, for all verdicts from then on"},
			{"stampreel measure --log reads.csv --clip film.srq", "which beat of film.srq came late, and why"},
			{"stampreel measure /media/card", "twenty seconds' look at a card before it goes into the player"},
			{"stampreel measure /media/card --capacity", "is it as large as it claims? This takes hours"},
		},
		results: true, player: true,
		run: runMeasure,
	}
}

func runMeasure(ctx context.Context, c *call) error {
	path, log := c.operand(0), c.String("log")
	switch {
	case path == "" && log == "":
		return usagef("measure what? A card in this computer, or the log of a player").try("stampreel measure CARD").try("stampreel measure --log FILE")
	case path != "" && log != "":
		return usagef("a card in this computer and a log of the player are measured one at a time").try("stampreel measure %s", console.Name(path)).try("stampreel measure --log %s", console.Name(log))
	case log == "" && c.IsSet("clip"):
		return usagef("--clip explains a log of its reads").try("--log FILE")
	case log != "":
		for _, flag := range []string{"bytes", "seconds", "in-player", "capacity", "yes"} {
			if c.IsSet(flag) {
				return usagef("--%s is for a card in this computer, not for a log", flag)
			}
		}
		return c.measureLog(ctx, log)
	case c.IsSet("save") && !c.Bool("in-player"):
		return usagef("--save: this computer's figures are a ceiling for the card, not the speed of the player, and no verdict may rest on them").
			try("stampreel measure --log FILE --save %s, with what the player itself wrote down", console.Name(c.String("save"))).
			try("--in-player, if this computer is the player")
	case c.Bool("capacity"):
		if c.IsSet("save") || c.IsSet("in-player") {
			return usagef("--capacity gives no figures to save")
		}
		return c.measureCapacity(ctx, path)
	}
	return c.measureCard(ctx, path)
}

// measuredPlayer is the player that the figures are held against.
func (c *call) measuredPlayer(folder string) (*playerfile.Player, error) {
	if save := c.String("save"); save != "" && c.String("player") == "" {
		return loadPlayerFile(save)
	}
	return c.player(folder)
}

// savable says early whether figures can be saved.
func (c *call) savable() error {
	path := c.String("save")
	if path == "" {
		return nil
	}
	_, err := loadPlayerFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return usagef("--save: there is no player file %s", console.Name(path)).try("stampreel player new %s, to begin one", console.Name(path))
	}
	return err
}

// save writes safe figures into the player file, and says so.
func (c *call) save(fit *measure.Fit, by string) error {
	path := c.String("save")
	if path == "" {
		return nil
	}
	m := playerfile.CardMeasured{
		Rate:  measured(fit.Safe.Rate),
		Stall: measured(fit.Safe.Stall),
		Date:  measured(time.Now().Format(time.DateOnly)),
		By:    measured(by),
	}
	if fit.Split {
		m.RequestTime = measured(fit.Safe.RequestTime)
	}
	old, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	text, err := playerfile.WithMeasured(path, old, m)
	if err != nil {
		return fmt.Errorf("%s is left as it was: %w", console.Name(path), excerpt(err))
	}
	if err := cardfs.Write(path, func(w io.Writer) error { _, err := w.Write(text); return err }); err != nil {
		return err
	}
	c.console.Note("%s has them now, as card: measured:", console.Name(path))
	if p, err := playerfile.Load(path); err == nil && p.Card.Cluster.Value > 0 {
		c.console.Note("the steps from cluster to cluster are in them, too; %s counts those once more, for the safe side, until it says card: cluster: 0 KiB", console.Name(path))
	}
	if !fit.Split {
		c.console.Note("the time of a request is not among them: reads of one size do not tell it, so that of %s is counted on top", console.Name(path))
	}
	return nil
}

func measured[T any](v T) playerfile.Figure[T] {
	return playerfile.Figure[T]{Value: v, Origin: playerfile.Measured}
}

// figures are what was measured, for JSON, in SI units.
type figures struct {
	Worth       string           `json:"worth"` // "ceiling" of the card, or figures of the "player"
	Requests    int              `json:"requests"`
	Bytes       int64            `json:"bytes"`
	Rate        float64          `json:"rate_bytes_per_s"`
	RequestTime *float64         `json:"request_time_s"` // null: not told by reads of one size
	Pauses      pauses           `json:"pauses_s"`
	Over        int              `json:"pauses_over_limit"` // longer than the specification allows
	Safe        *safeFigures     `json:"to_count_on"`       // null for a ceiling
	Saved       string           `json:"saved,omitempty"`
	Timing      *timing          `json:"timing,omitempty"`
	Explanation *explanationJSON `json:"clip,omitempty"`
}

type pauses struct {
	Median float64 `json:"median"`
	P99    float64 `json:"p99"`
	P999   float64 `json:"p999"`
	Worst  float64 `json:"worst"`
}

type safeFigures struct {
	Rate        int64    `json:"rate_bytes_per_s"`
	RequestTime *float64 `json:"request_time_s"`
	Stall       float64  `json:"stall_s"`
}

type timing struct {
	Card       string  `json:"card"`
	Caches     string  `json:"caches"`
	Bypassed   bool    `json:"caches_bypassed"`
	Written    int64   `json:"written_bytes"`
	WriteRate  float64 `json:"write_bytes_per_s"`
	Read       int64   `json:"read_bytes"`
	ReadRate   float64 `json:"read_bytes_per_s"`
	Random     float64 `json:"random_reads_per_s"`
	RandomTime pauses  `json:"random_read_s"`
	Piece      int64   `json:"player_read_bytes"`
	PieceTime  pauses  `json:"player_read_s"`
}

func inSeconds(p measure.Percentiles) pauses {
	return pauses{p.Median.Seconds(), p.P99.Seconds(), p.P999.Seconds(), p.Worst.Seconds()}
}

func newFigures(fit *measure.Fit, worth string) figures {
	f := figures{Worth: worth, Requests: fit.Requests, Bytes: fit.Bytes, Rate: fit.Rate, Pauses: inSeconds(fit.Pauses), Over: fit.Over}
	safe := safeFigures{Rate: fit.Safe.Rate, Stall: fit.Safe.Stall.Seconds()}
	if fit.Split {
		q, s := fit.RequestTime.Seconds(), fit.Safe.RequestTime.Seconds()
		f.RequestTime, safe.RequestTime = &q, &s
	}
	if worth == ofPlayer {
		f.Safe = &safe
	}
	return f
}

// What figures are worth.
const (
	ofPlayer  = "player"
	isCeiling = "ceiling"
)

// ms writes a time in milliseconds.
func ms(d time.Duration) string { return strconv.FormatFloat(d.Seconds()*1000, 'f', 1, 64) }

// atLeast writes a percentile of a row of reads that is long enough to have one.
func atLeast(fit *measure.Fit, reads int, d time.Duration) string {
	if fit.Requests < reads {
		return "–"
	}
	return ms(d)
}

// fitTable shows what a row of reads came to.
func (c *call) fitTable(fit *measure.Fit, wiring string) {
	t := console.NewTable(console.Words("what"), console.Numbers("fitted", ""), console.Numbers("to count on", ""), console.Words("unit"), console.Words("to compare"))
	t.Row("rate inside a read", console.MB(fit.Rate), console.MB(float64(fit.Safe.Rate)), "MB/s", wiring)
	if fit.Split {
		two := func(d time.Duration) string { return strconv.FormatFloat(d.Seconds()*1000, 'f', 2, 64) }
		t.Row("time of a request", two(fit.RequestTime), two(fit.Safe.RequestTime), "ms", "cards of high capacity state 1 ms of access time")
	}
	limit := fmt.Sprintf("the SD specification allows %s ms", strconv.FormatInt(card.ReadLimit.Milliseconds(), 10))
	t.Row("pauses: worst", ms(fit.Pauses.Worst), ms(fit.Safe.Stall), "ms", limit)
	t.Row("  of 99.9 % of reads", atLeast(fit, 1000, fit.Pauses.P999), "", "ms", "")
	t.Row("  of 99 % of reads", atLeast(fit, 100, fit.Pauses.P99), "", "ms", "")
	c.console.Table(t)
	if fit.Over > 0 {
		c.console.Result("%s longer than the specification allows: no player can hide that", console.Count(int64(fit.Over), "pause was", "pauses were"))
	}
	if !fit.Split {
		c.console.Result("The reads are of one size: the rate has the time of a request in it, and holds for that size.")
	}
}

// wiringText is what the player's wiring carries at most.
func wiringText(p *playerfile.Player) (text string, ceiling float64) {
	r, _ := p.Reading()
	ceiling, _ = r.Ceiling().Float64()
	return fmt.Sprintf("%v at %s MHz carries %s at most", p.Card.Wiring.Value, number(p.Card.RealClock.Value.Float()/1e6), console.MB(ceiling)), ceiling
}

// measureLog reads a player's log, explains a clip's stutters by it and saves its
// figures.
func (c *call) measureLog(ctx context.Context, path string) error {
	if err := c.savable(); err != nil {
		return err
	}
	log, err := readLog(path)
	if err != nil {
		return err
	}
	if log.Cut {
		c.console.Note("the last line of %s has no end: it was cut, and is left out", console.Name(path))
	}
	fit, err := measure.NewFit(log.Requests)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	clipPath := c.String("clip")
	folder := "."
	if clipPath != "" {
		folder = filepath.Dir(clipPath)
	}
	var player *playerfile.Player
	wiring, ceiling := "", math.Inf(1)
	if _, err := os.Stat(playerFileName); err == nil || clipPath != "" || c.String("player") != "" || c.String("save") != "" {
		if player, err = c.measuredPlayer(folder); err != nil {
			return err
		}
		wiring, ceiling = wiringText(player)
	}
	last := log.Requests[len(log.Requests)-1]
	c.console.Result("%s: %s, %s in %s", console.Name(path), console.Count(int64(fit.Requests), "read", "reads"), console.Size(fit.Bytes), console.Duration(last.Start+last.Took))
	c.fitTable(&fit, wiring)
	if fit.Rate > ceiling {
		c.console.Warn("that is more than the player's wiring carries: is the clock in its file the one on the wire, do the log's microseconds last as long as they should?")
	}
	doc := newFigures(&fit, ofPlayer)
	if clipPath != "" {
		if doc.Explanation, err = c.explainLog(ctx, &log, &fit, clipPath, player); err != nil {
			return err
		}
	}
	if err := c.save(&fit, fmt.Sprintf("player log of %d reads", fit.Requests)); err != nil {
		return err
	}
	doc.Saved = c.String("save")
	return c.console.JSON(doc)
}

func readLog(path string) (measure.Log, error) {
	if isFolder(path) {
		return measure.Log{}, fmt.Errorf("%s is a folder, want a log (examples/firmware/LOG.md)", path)
	}
	f, err := os.Open(path)
	if err != nil {
		return measure.Log{}, err
	}
	defer f.Close()
	return measure.ReadLog(path, f)
}

// stutterJSON is one stutter.
type stutterJSON struct {
	Beat    int64         `json:"beat"`
	At      float64       `json:"at_s"`
	Beats   int           `json:"beats"`
	By      float64       `json:"late_s"` // below 0: to spare
	Cause   measure.Cause `json:"cause"`
	Total   float64       `json:"cause_s"`
	Longest float64       `json:"longest_s"`
	During  int64         `json:"longest_beat"`
	Need    float64       `json:"need_bytes_per_s"`
	Got     float64       `json:"got_bytes_per_s"`
	Silent  bool          `json:"sound_gap"`
	Text    string        `json:"text"`
}

type explanationJSON struct {
	Clip     string        `json:"clip"`
	Beats    int           `json:"beats"`
	Stutters []stutterJSON `json:"stutters"`
	Closest  *stutterJSON  `json:"closest"` // where there are none
}

func newStutter(s *measure.Stutter) stutterJSON {
	return stutterJSON{s.Beat, s.At.Seconds(), s.Beats, s.By.Seconds(), s.Cause, s.Total.Seconds(), s.Longest.Seconds(), s.During, s.Need, s.Got, s.Silent, whyText(s)}
}

// mostStutters is how many are listed on the screen.
const mostStutters = 20

func (c *call) explainLog(ctx context.Context, log *measure.Log, fit *measure.Fit, path string, player *playerfile.Player) (*explanationJSON, error) {
	h, clip, err := fill.Load(ctx, path)
	if err != nil {
		return nil, err
	}
	x, err := measure.Explain(log, fit, clip, h.FirstBeat, player.Memory.ReadAhead.Value)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if x.Ahead {
		c.console.Warn("the player reads further ahead than the %s of its file (memory: read-ahead:) allow: correct that, the times below rest on it", console.Memory(player.Memory.ReadAhead.Value))
	}
	doc := &explanationJSON{Clip: path, Beats: x.Beats, Stutters: []stutterJSON{}}
	c.console.Text("\n")
	if len(x.Stutters) == 0 {
		near := newStutter(&x.Closest)
		doc.Closest = &near
		c.console.Result("%s: of %s none came late; the closest was beat %d at %s with %s ms to spare: %s", console.Name(path), console.Count(int64(x.Beats), "beat", "beats"), near.Beat, console.Duration(x.Closest.At), ms(-x.Closest.By), near.Text)
		return doc, nil
	}
	t := console.NewTable(console.Words("at"), console.Numbers("beat", ""), console.Numbers("beats late", ""), console.Numbers("by", "ms"), console.Words("why"))
	for i := range x.Stutters {
		s := &x.Stutters[i]
		doc.Stutters = append(doc.Stutters, newStutter(s))
		if i < mostStutters {
			t.Row(console.Duration(s.At), strconv.FormatInt(s.Beat, 10), strconv.Itoa(s.Beats), ms(s.By), whyText(s))
		}
	}
	c.console.Result("%s: %s in %s", console.Name(path), console.Count(int64(len(x.Stutters)), "stutter", "stutters"), console.Count(int64(x.Beats), "beat", "beats"))
	c.console.Table(t)
	if more := len(x.Stutters) - mostStutters; more > 0 {
		c.console.Result("and %d more; --json has them all", more)
	}
	return doc, nil
}

// whyText is a cause in words.
func whyText(s *measure.Stutter) string {
	text := ""
	where := fmt.Sprintf("at beat %d, %s", s.During, console.Duration(s.DuringAt))
	single := s.Longest >= s.Total*9/10
	switch {
	case s.Cause == measure.CardPaused && single:
		text = fmt.Sprintf("card stalled %s ms (%s)", ms(s.Longest), where)
	case s.Cause == measure.CardPaused:
		text = fmt.Sprintf("card stalled %s ms in all, %s at most (%s)", ms(s.Total), ms(s.Longest), where)
	case s.Cause == measure.PlayerIdle && single:
		text = fmt.Sprintf("player asked %s ms late (%s)", ms(s.Longest), where)
	case s.Cause == measure.PlayerIdle:
		text = fmt.Sprintf("player asked late, %s ms in all, %s at most (%s)", ms(s.Total), ms(s.Longest), where)
	default:
		text = fmt.Sprintf("beats ask for %s, card gave %s", console.Rate(s.Need), console.Rate(s.Got))
	}
	if s.Silent {
		text += "; sound had a gap"
	}
	return text
}

// playerRead is the size of one beat with a whole raw picture: what a player reads
// at a time.
func playerRead(p *playerfile.Player) int64 {
	num, den := budget.PictureRate(p)
	sampleNum, sampleDen := p.SampleRate()
	sound := float64(sampleNum) / float64(sampleDen) * float64(den) / float64(num) * float64(p.Sound.Channels.Value*p.Sound.Bits.Value) / 8
	return int64(p.FrameBytes()) + card.SectorBytes + int64(math.Ceil(sound))
}

// measureCard times a mounted card.
func (c *call) measureCard(ctx context.Context, path string) error {
	bytes, err := parseSize("bytes", c.String("bytes"))
	if err != nil {
		return err
	}
	limit := c.Float64("seconds")
	if !(limit >= 1 && limit <= 3600) {
		return usagef("--seconds: %g is not from 1 to 3600", limit)
	}
	if err := c.savable(); err != nil {
		return err
	}
	storage, err := measure.Folder(path)
	if err != nil {
		return err
	}
	player, err := c.measuredPlayer(path)
	if err != nil {
		return err
	}
	began := time.Now()
	t, err := c.time(ctx, storage, measure.Options{Bytes: bytes, Time: seconds(limit), Request: playerRead(player)}, path)
	if err != nil {
		return err
	}
	worth := isCeiling
	if c.Bool("in-player") {
		worth = ofPlayer
	}
	doc := newFigures(&t.Fit, worth)
	doc.Timing = &timing{path, t.How, t.Bypassed, t.Written, t.WriteRate, t.Read, t.ReadRate, t.RandomPerSecond, inSeconds(t.Random), t.Request, inSeconds(t.Reads)}
	c.console.Result("%s: a file of %s, %s, caches kept out by %s", console.Name(path), console.Size(t.Written), console.Duration(time.Since(began)), t.How)
	if !t.Bypassed {
		c.console.Warn("this system does not let its caches be bypassed here: what is said of reading may be said of this computer's memory")
	}
	wiring, ceiling := wiringText(player)
	table := console.NewTable(console.Words("what"), console.Numbers("figure", ""), console.Words("unit"), console.Words("to compare"))
	table.Row("write in order", console.MB(t.WriteRate), "MB/s", "")
	table.Row("read in order", console.MB(t.ReadRate), "MB/s", wiring)
	table.Row("read 4 KiB at random", number(math.Floor(t.RandomPerSecond)), "a second", fmt.Sprintf("class A1 asks for %d, A2 for %d", measure.A1Reads, measure.A2Reads))
	table.Row(fmt.Sprintf("read %s, a beat", console.Size(t.Request)), ms(t.Reads.Median), "ms", "")
	table.Row("pauses: worst", ms(t.Fit.Pauses.Worst), "ms", fmt.Sprintf("the SD specification allows %d", card.ReadLimit.Milliseconds()))
	table.Row("  of 99.9 % of reads", atLeast(&t.Fit, 1000, t.Fit.Pauses.P999), "ms", fmt.Sprintf("%d reads were made", t.Fit.Requests))
	table.Row("  of 99 % of reads", atLeast(&t.Fit, 100, t.Fit.Pauses.P99), "ms", "")
	c.console.Table(table)
	c.console.Text("\n")
	if worth == isCeiling {
		c.console.Result("These are figures of this computer and its reader: a ceiling for the card, not the speed of the")
		c.console.Result("player; pauses may be the computer's own. No verdict uses them. The player's own log gives its")
		c.console.Result("speed: stampreel measure --log FILE.")
		if t.Bypassed && t.ReadRate < ceiling {
			c.console.Result("Card or reader bring less than the player's wiring carries: it will hardly be faster there.")
		} else if t.Bypassed {
			c.console.Result("The player's wiring carries less than that: wiring, clock and the card's pauses decide.")
		}
		c.console.Result("Classes A1 and A2 promise random reads, C, U and V writing; none promises reads without pauses.")
		return c.console.JSON(doc)
	}
	if !t.Bypassed && c.IsSet("save") {
		return errors.New("nothing is saved: the figures may be those of memory")
	}
	c.fitTable(&t.Fit, wiring)
	if err := c.save(&t.Fit, "this program on the player"); err != nil {
		return err
	}
	doc.Saved = c.String("save")
	return c.console.JSON(doc)
}

// time is measure.Time with progress and errors for people.
func (c *call) time(ctx context.Context, s measure.Storage, o measure.Options, path string) (measure.Timing, error) {
	show := steps{c: c}
	defer show.stop()
	o.Progress = show.add
	t, err := measure.Time(ctx, s, o)
	return t, spaceText(err, path)
}

// steps shows one progress line after another.
type steps struct {
	c     *call
	total int64 // bytes of each; 0 when not known
	what  string
	line  *console.Progress
}

func (s *steps) add(what string, done int64) {
	if what != s.what {
		s.stop()
		s.what, s.line = what, s.c.console.Progress(console.Job{What: what, Unit: "bytes"})
		s.line.Expect(s.total)
	}
	s.line.Add(done)
}

func (s *steps) stop() { s.line.Stop() }

// spaceText says how much room there is in units that people use.
func spaceText(err error, path string) error {
	var space *measure.SpaceError
	if !errors.As(err, &space) {
		return err
	}
	e := &roomError{text: fmt.Sprintf("%s has %s free, want %s and %s that stay free", path, console.Size(space.Free), console.Size(space.Want), console.Size(measure.Margin)), err: err}
	if left := (space.Free - measure.Margin) / 1_048_576; left >= 1 {
		e.tries = append(e.tries, fmt.Sprintf("--bytes %dMiB", left))
	}
	return e
}

type roomError struct {
	text  string
	tries []string
	err   error
}

func (e *roomError) Error() string   { return e.text }
func (e *roomError) Tries() []string { return e.tries }
func (e *roomError) Unwrap() error   { return e.err }

// measureCapacity fills a card and reads it back.
func (c *call) measureCapacity(ctx context.Context, path string) error {
	most := int64(0)
	if c.IsSet("bytes") {
		var err error
		if most, err = parseSize("bytes", c.String("bytes")); err != nil {
			return err
		}
	}
	storage, err := measure.Folder(path)
	if err != nil {
		return err
	}
	free, err := storage.Free()
	if err != nil {
		return err
	}
	fills := free - measure.Margin
	if most > 0 {
		fills = min(fills, most)
	}
	t, err := c.time(ctx, storage, measure.Options{Bytes: max(measure.MinBytes, min(16<<20, fills)), Time: 4 * time.Second, Request: 1 << 16}, path)
	if err != nil {
		return err
	}
	if !t.Bypassed {
		return fmt.Errorf("%s: this system does not let its caches be bypassed here, and its memory would answer for the card", path)
	}
	takes := seconds(float64(fills)/t.WriteRate + float64(fills)/t.ReadRate)
	c.console.Warn("filling %s with %s and reading them back takes about %s; on a card that holds less than it claims, what lies on it already may be overwritten: copy that off first", console.Name(path), console.Size(fills), console.TimeLeft(takes))
	if !c.Bool("yes") {
		if err := c.confirm(ctx); err != nil {
			return err
		}
	}
	show := steps{c: c, total: fills}
	defer show.stop()
	got, err := measure.Fill(ctx, storage, measure.FillOptions{Bytes: most, Seed: rand.Uint64(), Progress: show.add})
	show.stop()
	if err != nil {
		return spaceText(err, path)
	}
	return c.capacityResult(path, &got)
}

// confirm asks for a yes.
func (c *call) confirm(ctx context.Context) error {
	c.console.Warn("answer yes to go on:")
	answer := make(chan string, 1)
	go func() {
		line, _ := bufio.NewReader(io.LimitReader(c.stdin, 100)).ReadString('\n')
		answer <- strings.ToLower(strings.TrimSpace(line))
	}()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case text := <-answer:
		if text == "yes" {
			return nil
		}
		return usagef("not confirmed, nothing was filled").try("--yes")
	}
}

func (c *call) capacityResult(path string, got *measure.Capacity) error {
	t := console.NewTable(console.Words("what"), console.Numbers("size", "MB"), console.Words(""))
	t.Row("written", console.MB(float64(got.Written)), "")
	t.Row("read back right", console.MB(float64(got.Kept)), "")
	if got.Wrapped > 0 {
		t.Row("what was written elsewhere", console.MB(float64(got.Wrapped)), fmt.Sprintf("offset %d reads as offset %d", got.FirstWrapped, got.ReadsAs))
	}
	if got.Lost > 0 {
		t.Row("something else", console.MB(float64(got.Lost)), fmt.Sprintf("from offset %d on", got.FirstLost))
	}
	if got.Unreadable > 0 {
		t.Row("not readable", console.MB(float64(got.Unreadable)), plainText(got.ReadErr))
	}
	c.console.Table(t)
	doc := map[string]any{
		"card": path, "written_bytes": got.Written, "kept_bytes": got.Kept, "wrapped_bytes": got.Wrapped, "lost_bytes": got.Lost,
		"unreadable_bytes": got.Unreadable, "whole": got.Whole(), "first_wrapped": nil, "reads_as": nil, "write_error": nil,
	}
	if got.Wrapped > 0 {
		doc["first_wrapped"], doc["reads_as"] = got.FirstWrapped, got.ReadsAs
	}
	if got.WriteErr != nil {
		doc["write_error"] = got.WriteErr.Error()
	}
	if err := c.console.JSON(doc); err != nil {
		return err
	}
	bad := &capacityError{}
	switch {
	case got.Whole():
		c.console.Result("%s holds what was written, all of it", console.Name(path))
		return nil
	case got.Wrapped > 0:
		bad.text = fmt.Sprintf("%s holds less than it claims: %s of %s are there, the rest was written over them", path, console.Size(got.Kept), console.Size(got.Written))
	case got.Kept < got.Written:
		bad.text = fmt.Sprintf("%s does not hold what is written to it: %s of %s read back right", path, console.Size(got.Kept), console.Size(got.Written))
	default:
		bad.text = fmt.Sprintf("%s took %s and then failed: %s", path, console.Size(got.Written), plainText(got.WriteErr))
	}
	return bad
}

type capacityError struct{ text string }

func (e *capacityError) Error() string { return e.text }
func (e *capacityError) Tries() []string {
	return []string{"copy off what you need, and use another card"}
}

// parseSize reads a number of bytes: 64MB, 1.5GB, 512KiB.
func parseSize(flag, text string) (int64, error) {
	bad := usagef("--%s: %q is not a size such as 64MB, 1.5GB or 512KiB", flag, text)
	for _, u := range []struct {
		name string
		size float64
	}{{"KiB", 1 << 10}, {"MiB", 1 << 20}, {"GiB", 1 << 30}, {"kB", 1e3}, {"KB", 1e3}, {"MB", 1e6}, {"GB", 1e9}} {
		digits, ok := strings.CutSuffix(text, u.name)
		if !ok {
			continue
		}
		n, err := strconv.ParseFloat(strings.TrimSpace(digits), 64)
		if err != nil || strings.Trim(strings.TrimSpace(digits), "0123456789.") != "" || !(n*u.size >= 1 && n*u.size <= 1<<50) {
			return 0, bad
		}
		return int64(n * u.size), nil
	}
	return 0, bad
}
