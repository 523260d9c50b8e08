package viewer

import (
	"fmt"
	"math"
	"math/big"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/card"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/budget/simulate"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
)

// playerFacts is what the page says of the player, and where its controls stand
// at first.
type playerFacts struct {
	Name    string  `json:"name"`
	Shape   string  `json:"shape"` // rectangle or round
	Wiring  string  `json:"wiring"`
	Shared  bool    `json:"shared_bus"`
	Clock   float64 `json:"clock_hz"`
	Buffer  int64   `json:"buffer_bytes"`
	Stall   float64 `json:"stall_s"`
	HasPins bool    `json:"pins_known"`
	Width   float64 `json:"width_m"` // of the panel's picture, upright; 0 where the file does not say
}

func playerFactsOf(p *playerfile.Player) playerFacts {
	shape := "rectangle"
	if p.Panel.Shape.Value == playerfile.Round {
		shape = "round"
	}
	return playerFacts{
		p.Name.Value, shape, p.Card.Wiring.Value.String(), p.Card.Bus.Value == playerfile.Shared, p.Card.RealClock.Value.Float(),
		p.Memory.ReadAhead.Value, p.Stall().Value.Seconds(), p.Pins.Chip.Known(), float64(p.Panel.Width.Value) / 1e6,
	}
}

// What may be asked for; the page's controls stay well inside.
const (
	mostClock  = 500_000_000 // Hz
	mostBuffer = 64 << 20    // bytes
	mostStall  = 5           // seconds, as in a player file
	mostEvery  = 10
)

// changed is the player with the read-ahead buffer and the pause that a query
// asks for; what it does not name stays as the player file has it.
func changed(p *playerfile.Player, q url.Values) (*playerfile.Player, error) {
	changed := *p
	if text := q.Get("buffer"); text != "" {
		n, err := strconv.ParseInt(text, 10, 64)
		if err != nil || n < 1 || n > mostBuffer {
			return nil, &request{http.StatusBadRequest, fmt.Sprintf("buffer=%s, want 1 to %d bytes", text, mostBuffer)}
		}
		if n != p.Memory.ReadAhead.Value {
			changed.Memory.ReadAhead = playerfile.Figure[int64]{Value: n, Origin: playerfile.Assumed}
		}
	}
	if text := q.Get("stall"); text != "" {
		n, err := strconv.ParseFloat(text, 64)
		if err != nil || !(n >= 0 && n <= mostStall) {
			return nil, &request{http.StatusBadRequest, fmt.Sprintf("stall=%s, want 0 to %d seconds", text, mostStall)}
		}
		pause := time.Duration(math.Round(n * 1e9))
		if pause != p.Stall().Value {
			changed.Card.Stall = playerfile.Figure[time.Duration]{Value: pause, Origin: playerfile.Assumed}
			changed.Card.Measured.Stall = playerfile.Figure[time.Duration]{}
		}
	}
	return &changed, nil
}

// choice is the wiring that a query asks for, or else the player's own.
func choice(p *playerfile.Player, q url.Values) (budget.Choice, error) {
	own := budget.Choice{Wiring: p.Card.Wiring.Value, Bus: p.Card.Bus.Value, Clock: p.Card.RealClock.Value, Every: 1, Own: true}
	c := own
	if text := q.Get("wiring"); text != "" {
		known := false
		for _, w := range card.Wirings() {
			if w.String() == text {
				c.Wiring, known = w, true
			}
		}
		if !known {
			return c, &request{http.StatusBadRequest, fmt.Sprintf("wiring=%s, want one of %v", text, card.Wirings())}
		}
		c.Bus = playerfile.Private
		if q.Get("shared") == "1" {
			c.Bus = playerfile.Shared
		}
		if c.Bus == playerfile.Shared && c.Wiring != card.SPI {
			return c, &request{http.StatusBadRequest, fmt.Sprintf("shared=1: %s cannot share the panel's bus, only spi can", text)}
		}
	}
	if text := q.Get("clock"); text != "" {
		hz, err := strconv.ParseInt(text, 10, 64)
		if err != nil || hz < 1000 || hz > mostClock {
			return c, &request{http.StatusBadRequest, fmt.Sprintf("clock=%s, want 1000 to %d Hz", text, mostClock)}
		}
		if math.Abs(float64(hz)-own.Clock.Float()) >= 1 { // a player's own may be no whole number
			c.Clock = playerfile.Ratio{Num: hz, Den: 1}
		}
	}
	if text := q.Get("every"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > mostEvery {
			return c, &request{http.StatusBadRequest, fmt.Sprintf("every=%s, want 1 to %d", text, mostEvery)}
		}
		c.Every = n
	}
	c.Own = c.Wiring == own.Wiring && c.Bus == own.Bus && c.Clock == own.Clock
	return c, nil
}

// budget is what the budget has to know of a clip. It needs the headers of all beats.
func (o *opened) budget(r *http.Request) (budget.Clip, error) {
	o.judging.Lock()
	defer o.judging.Unlock()
	if o.judged == nil {
		_, clip, err := fill.Load(r.Context(), o.clip.Path)
		if err != nil {
			return budget.Clip{}, err
		}
		o.judged = &clip
	}
	return *o.judged, nil
}

// wired is a row of the wiring table.
type wired struct {
	What     string        `json:"what"`  // what a fallback gives up; "" for an ordinary choice
	Every    int           `json:"every"` // of how many pictures one is shown
	Wiring   string        `json:"wiring"`
	Shared   bool          `json:"shared_bus"`
	Hz       int64         `json:"clock_hz"`
	Own      bool          `json:"as_wired"`
	Pins     int64         `json:"pins"`
	Left     int64         `json:"pins_left"` // of meaning where the chip's are known
	Usable   float64       `json:"usable_bytes_per_s"`
	Word     budget.Word   `json:"verdict"`
	Margin   budget.Margin `json:"margin"`
	Tightest budget.Part   `json:"tightest"`
}

func (s *Server) serveWirings(w http.ResponseWriter, r *http.Request, o *opened) error {
	p, err := changed(s.player, r.URL.Query())
	if err != nil {
		return err
	}
	clip, err := o.budget(r)
	if err != nil {
		return err
	}
	choices := budget.Choices(p)
	for _, c := range budget.Fallbacks(p) {
		if _, ok := c.Of(&clip); ok { // else none of its pictures can be left out
			choices = append(choices, c)
		}
	}
	table := budget.NewWirings(p, choices)
	if err := table.Add(clip); err != nil {
		return err
	}
	rows := []wired{}
	for i := range table.Rows {
		row := &table.Rows[i]
		rows = append(rows, wired{
			row.What, row.Every, row.Wiring.String(), row.Bus == playerfile.Shared, int64(math.Round(row.Clock.Float())), row.Own && row.What == "", row.Pins, row.Left,
			row.Usable(), row.Word, row.Margin, row.Tightest,
		})
	}
	return answer(w, rows)
}

// verdict is what one wiring makes of a clip.
type verdict struct {
	Word     budget.Word      `json:"verdict"`
	Margin   budget.Margin    `json:"margin"`
	Tightest budget.Part      `json:"tightest"`
	First    int              `json:"first_late"` // beat, −1 for none
	Pictures budget.Word      `json:"pictures"`
	Sound    budget.Word      `json:"sound"`
	Strips   bool             `json:"strips"`
	Rows     []budget.Row     `json:"rows"`
	Misfits  []budget.Finding `json:"misfits"`
	Unjudged []string         `json:"unjudged"`
	Start    float64          `json:"start_s"` // from the press of a button to the picture
	Every    int              `json:"every"`   // of how many pictures one is shown

	prediction
}

// prediction is what happens with one wiring, played step by step.
type prediction struct {
	Late  []lateness `json:"late"`  // pictures, in order
	Gaps  []lateness `json:"gaps"`  // sounds, by the beat that they play with
	Ahead []int64    `json:"ahead"` // bytes of whole beats in memory when each beat is due, its own among them
}

// lateness is how long after its time a picture or a sound comes.
type lateness struct {
	Beat    int     `json:"beat"`
	Seconds float64 `json:"s"`
}

func (s *Server) serveVerdict(w http.ResponseWriter, r *http.Request, o *opened) error {
	q := r.URL.Query()
	p, err := changed(s.player, q)
	if err != nil {
		return err
	}
	c, err := choice(p, q)
	if err != nil {
		return err
	}
	clip, err := o.budget(r)
	if err != nil {
		return err
	}
	on := c.On(p)
	shown, ok := c.Of(&clip)
	if !ok {
		return &request{http.StatusUnprocessableEntity, "the pictures of this clip build on each other: none can be left out"}
	}
	judged, err := budget.Judge(*shown, on)
	if err != nil {
		return err
	}
	v := verdict{
		Word: judged.Typical.Word, Margin: judged.Typical.Margin, Tightest: judged.Typical.Tightest, First: judged.Typical.Late,
		Pictures: judged.Typical.Pictures, Sound: judged.Typical.Sound, Strips: judged.Strips, Rows: judged.Typical.Rows,
		Misfits: judged.Misfits, Unjudged: judged.Unjudged, Start: judged.Start.Full,
	}
	if v.Misfits == nil {
		v.Misfits = []budget.Finding{}
	}
	if v.Unjudged == nil {
		v.Unjudged = []string{}
	}
	if v.prediction, err = predict(shown, on); err != nil {
		return err
	}
	v.spread(c.Every, int(o.header.Beats))
	if v.Every = c.Every; v.First > 0 {
		v.First *= c.Every
	}
	return answer(w, v)
}

// spread puts a prediction for a clip with so many beats made one back on its own beats.
func (p *prediction) spread(every, beats int) {
	if every == 1 {
		return
	}
	for _, list := range [][]lateness{p.Late, p.Gaps} {
		for i := range list {
			list[i].Beat *= every
		}
	}
	ahead := make([]int64, beats)
	for i := range ahead {
		ahead[i] = p.Ahead[min(i/every, len(p.Ahead)-1)]
	}
	p.Ahead = ahead
}

// predict plays a clip step by step on a player whose card pauses, for the
// longest that it does, each time that memory was full: the worst moments there
// are for a player that is given the time to recover between two pauses. What
// comes late is what it finds, no more: the verdict, which allows for pauses at
// any moment and for what nobody knows of the card, may be worse. A clip that
// loops is played once.
func predict(c *budget.Clip, p *playerfile.Player) (prediction, error) {
	parts, clip, err := apart(c, p)
	if err != nil {
		return prediction{}, err
	}
	pause := simulate.Seconds(p.Stall().Value.Seconds())
	played, err := simulate.Run(parts, clip, simulate.Pauses{Length: pause, Full: pause > 0})
	if err != nil {
		return prediction{}, err
	}
	seconds := func(t simulate.Time) float64 { return float64(t) / float64(simulate.Second) }
	seen := prediction{[]lateness{}, []lateness{}, make([]int64, 0, len(played.Beats))}
	next, held := 0, int64(0) // the first beat that is not yet in memory; sectors of those before it
	for i, times := range played.Beats {
		due := played.Start + simulate.Time(i)*clip.Interval
		for next < len(played.Beats) && played.Beats[next].Read <= due {
			held += int64(clip.Beats[next].Sectors)
			next++
		}
		seen.Ahead = append(seen.Ahead, max(0, held)*card.SectorBytes)
		held -= int64(clip.Beats[i].Sectors) // may be owed, where the beat comes late

		behind := times.Drawn - due - clip.Interval // has to be drawn by the time of the next
		if parts.Memory.Strip == 0 {
			behind = max(behind, times.Read-due)
		}
		if clip.Beats[i].Windows > 0 && behind > simulate.Grace {
			seen.Late = append(seen.Late, lateness{i, seconds(behind)})
		}
		heard := i + c.Lead
		over := times.Sounded - due - simulate.Time(c.Lead)*clip.Interval
		if clip.Beats[i].SoundSectors > 0 && heard < len(played.Beats) && over > simulate.Grace {
			seen.Gaps = append(seen.Gaps, lateness{heard, seconds(over)})
		}
	}
	return seen, nil
}

// Ahead returns the bytes that a player holds ahead at the time of each beat, its card pausing
// as [predict] has it, and how many beats are late or silent.
func Ahead(c *budget.Clip, p *playerfile.Player) (bytes []int64, late int, err error) {
	seen, err := predict(c, p)
	return seen.Ahead, len(seen.Late) + len(seen.Gaps), err
}

// strips of a player whose memory is smaller than a beat are at most so many
// sectors, and a quarter of its memory.
const mostStrip = 8

// apart takes a player and a clip apart into what package simulate knows.
func apart(c *budget.Clip, p *playerfile.Player) (*simulate.Player, *simulate.Clip, error) {
	reading, _ := p.Reading()
	rate, _ := reading.Rate().Float64()
	asking, _ := reading.Overhead().Float64()
	// A block is 512 clocks of a byte each: that is the rate, gaps and all, also
	// where it was measured.
	parts := &simulate.Player{
		Card: simulate.Card{Hz: rate, Block: card.SectorBytes, Access: simulate.Seconds(asking)},
		Panel: simulate.Panel{
			Hz: p.Panel.RealClock.Value.Float(), WindowBytes: p.Panel.WindowBytes.Value,
			SetUp: simulate.Seconds(p.Panel.SetUpTime.Value.Seconds()),
		},
		Shared: p.Card.Bus.Value == playerfile.Shared,
		NoDMA:  !p.Panel.DMA.Value,
	}
	if reading.Cluster > 0 {
		parts.Card.Cluster, parts.Card.Step = reading.Cluster, simulate.Seconds(reading.ClusterTime.Seconds())
		parts.Card.Table = card.TableClusters
	}
	clip := &simulate.Clip{Interval: interval(c), Lead: c.Lead}
	place, largest := c.Place, 0
	for b := range c.Beats {
		s := simulate.Beat{Place: place, Sectors: b.Sectors, PanelBytes: b.PanelBytes, Windows: b.Windows}
		if c.HasSound() && b.SoundBytes > 0 {
			s.SoundSectors = int((container.BeatHeaderBytes + b.SoundBytes + card.SectorBytes - 1) / card.SectorBytes)
		}
		if b.Windows > 0 && (b.Coding == container.Tiles || b.Coding == container.KeyTiles) {
			d := &p.Decode
			s.Decode = []simulate.Time{times(d.TileSetUp.Value, int64(b.Windows)) + times(d.TileByte.Value, b.PanelBytes)}
		}
		if b.Coding == container.JPEG { // all of it before any of it is drawn
			d := &p.Decode
			s.Decode = []simulate.Time{times(d.JPEGBlock.Value, int64(b.Blocks)) + times(d.JPEGCoefficient.Value, int64(b.Coefficients)) + times(d.JPEGByte.Value, b.FrameBytes)}
		}
		place += int64(b.Sectors)
		largest = max(largest, b.Sectors)
		clip.Beats = append(clip.Beats, s)
	}
	sectors := int(max(0, p.Memory.ReadAhead.Value-c.SoundHeld) / card.SectorBytes)
	parts.Memory = simulate.Memory{Sectors: sectors, Buffers: int(p.Memory.Buffers.Value), Decoded: max(1, int(p.Decode.Buffers.Value))}
	switch buffers := parts.Memory.Buffers; {
	case buffers > 0 && sectors < buffers*largest, sectors < 4:
		return nil, nil, &request{http.StatusUnprocessableEntity, "the read-ahead buffer cannot hold this clip at all: its sound alone, or one beat, is larger"}
	case buffers == 0 && sectors < largest:
		parts.Memory.Strip = max(1, min(mostStrip, sectors/4))
	}
	return parts, clip, nil
}

// times is n times a duration.
func times(d time.Duration, n int64) simulate.Time {
	return simulate.Seconds(d.Seconds() * float64(n))
}

// interval is the time of a beat, rounded down: against the player.
func interval(c *budget.Clip) simulate.Time {
	t := new(big.Int).Mul(big.NewInt(int64(simulate.Second)), big.NewInt(c.RateDen))
	return simulate.Time(t.Quo(t, big.NewInt(c.RateNum)).Int64())
}
