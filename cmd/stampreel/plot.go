package main

import (
	"fmt"
	"image/color"
	"io"
	"math"
	"path/filepath"
	"strconv"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/card"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/container/cardfs"
)

// plotFormat is the kind of picture that a file name asks for: svg or png.
func plotFormat(path string) (string, error) {
	switch kind := strings.ToLower(strings.TrimPrefix(filepath.Ext(path), ".")); kind {
	case "svg", "png":
		return kind, nil
	}
	return "", usagef("--plot: %s, want a name that ends in .svg or .png", console.Name(path)).try("--plot need.svg")
}

// plotColours are told apart with every usual kind of colour vision by their lightness;
// the dashes differ too.
var plotColours = map[string]struct {
	line   color.RGBA
	dashes []vg.Length
}{
	"spi, the panel's bus": {color.RGBA{0xb8, 0x5c, 0x00, 255}, []vg.Length{2, 3}},
	"1-bit":                {color.RGBA{0x00, 0x7a, 0x87, 255}, []vg.Length{8, 3}},
	"spi":                  {color.RGBA{0x8a, 0x2b, 0x6b, 255}, []vg.Length{5, 3, 1, 3}},
	"4-bit":                {color.RGBA{0x1b, 0x4d, 0x2e, 255}, nil},
}

// drawNeed draws the need of clips over the size of the read-ahead buffer, and what each
// wiring brings at the clock nearest to the player's own.
func drawNeed(path, title string, need *budget.NeedCurve, t *budget.Wirings, player *playerfile.Player) error {
	kind, err := plotFormat(path)
	if err != nil {
		return err
	}
	p := plot.New()
	p.Title.Text = title
	p.Title.Padding = 6
	p.X.Label.Text = "read-ahead, KiB"
	p.Y.Label.Text = "MB/s"
	p.X.Scale, p.Y.Scale = plot.LogScale{}, plot.LogScale{}
	p.Legend.Top, p.Legend.Padding = true, 2

	curve := plotter.XYs{}
	low, high := math.Inf(1), 0.0
	for _, at := range need.Points {
		if !math.IsInf(at.Rate, 1) && at.Rate > 0 {
			curve = append(curve, plotter.XY{X: float64(at.ReadAhead) / 1024, Y: at.Rate / 1e6})
			low, high = min(low, at.Rate/1e6), max(high, at.Rate/1e6)
		}
	}
	if len(curve) == 0 {
		return fmt.Errorf("--plot: no buffer up to %s is enough for these clips at any rate", console.Memory(need.Points[len(need.Points)-1].ReadAhead))
	}
	line, err := plotter.NewLine(curve)
	if err != nil {
		return err
	}
	line.Width, line.Color = 2.5, color.Black
	p.Add(line)
	p.Legend.Add("need, with pauses of "+strconv.FormatFloat(1000*player.Stall().Value.Seconds(), 'f', -1, 64)+" ms", line)

	first, last := float64(need.Points[0].ReadAhead)/1024, float64(need.Points[len(need.Points)-1].ReadAhead)/1024
	for _, w := range nearestClocks(t, player) {
		name := w.Wiring.String()
		if w.Bus == playerfile.Shared {
			name += ", the panel's bus"
		}
		rate := w.Usable() / 1e6
		low, high = min(low, rate), max(high, rate)
		s, err := plotter.NewLine(plotter.XYs{{X: first, Y: rate}, {X: last, Y: rate}})
		if err != nil {
			return err
		}
		look := plotColours[name]
		s.Width, s.Color, s.Dashes = 1.5, look.line, look.dashes
		p.Add(s)
		p.Legend.Add(fmt.Sprintf("%s at %s MHz", name, megahertz(w.Clock)), s)
	}
	low, high = low/1.5, high*3 // room for the legend
	own := float64(player.Memory.ReadAhead.Value) / 1024
	if own >= first && own <= last {
		s, err := plotter.NewLine(plotter.XYs{{X: own, Y: low}, {X: own, Y: high}})
		if err != nil {
			return err
		}
		s.Width, s.Color, s.Dashes = 1, color.Gray{0x80}, []vg.Length{1, 2}
		p.Add(s)
		p.Legend.Add("the player's memory", s)
	}
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = first, last, low, high
	p.X.Tick.Marker, p.Y.Tick.Marker = plot.TickerFunc(doublings), plot.TickerFunc(roundSteps)
	grid := plotter.NewGrid()
	grid.Horizontal.Color, grid.Vertical.Color = color.Gray{0xe0}, color.Gray{0xe0}
	p.Add(grid)

	w, err := p.WriterTo(18*vg.Centimeter, 12*vg.Centimeter, kind)
	if err != nil {
		return err
	}
	return cardfs.Write(path, func(to io.Writer) error { _, err := w.WriteTo(to); return err })
}

// nearestClocks picks one row of each wiring: the one whose clock is nearest to the
// player's own.
func nearestClocks(t *budget.Wirings, player *playerfile.Player) []*budget.Wired {
	type way struct {
		wiring card.Wiring
		bus    playerfile.Bus
	}
	var order []way
	best := map[way]*budget.Wired{}
	off := func(w *budget.Wired) float64 { return math.Abs(w.Clock.Float() - player.Card.RealClock.Value.Float()) }
	for i := range t.Rows {
		w := &t.Rows[i]
		k := way{w.Wiring, w.Bus}
		if best[k] == nil {
			order = append(order, k)
		}
		if best[k] == nil || off(w) < off(best[k]) {
			best[k] = w
		}
	}
	var all []*budget.Wired
	for _, k := range order {
		all = append(all, best[k])
	}
	return all
}

// doublings marks 4, 8, 16 … within a range.
func doublings(low, high float64) (ticks []plot.Tick) {
	for v := 4.0; v < high*0.99; v *= 2 {
		if v >= low {
			ticks = append(ticks, plot.Tick{Value: v, Label: strconv.FormatFloat(v, 'f', -1, 64)})
		}
	}
	return ticks
}

// roundSteps marks 1, 2 and 5 times the powers of ten within a range.
func roundSteps(low, high float64) (ticks []plot.Tick) {
	for power := math.Pow(10, math.Floor(math.Log10(low))); power <= high; power *= 10 {
		for _, times := range []float64{1, 2, 5} {
			if v := times * power; v >= low && v <= high {
				ticks = append(ticks, plot.Tick{Value: v, Label: strconv.FormatFloat(v, 'g', 3, 64)})
			}
		}
	}
	return ticks
}
