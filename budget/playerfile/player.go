// Package playerfile reads player.yaml: the description of one video player in
// units people write. It names the panel, the speaker, the card and how it is
// wired, the memory, and (once known) how fast the chip decodes and who uses its
// pins. Everything that decides whether a clip plays stands in it.
//
// A figure is declared by the file, assumed because the file is silent, or
// measured on the real player; every figure carries that origin along, so that
// nobody takes a guess for a fact. Whatever the file says that cannot be right
// (an unknown key, a missing unit, an impossible value) is an error with its
// place, an excerpt and what to try.
package playerfile

import (
	"fmt"
	"math/big"
	"time"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/container/pixel"
)

// Origin says where a figure comes from.
type Origin uint8

// The origins. The zero value marks a figure that nobody has given.
const (
	Unknown  Origin = iota // not given and not assumed: the figure has no value
	Assumed                // the file is silent; a cautious or a usual value stands in
	Declared               // the file says so
	Measured               // timed on the real player
)

func (o Origin) String() string {
	switch o {
	case Assumed:
		return "assumed"
	case Declared:
		return "declared"
	case Measured:
		return "measured"
	}
	return "unknown"
}

// Figure is a value and where it comes from.
type Figure[T any] struct {
	Value  T
	Origin Origin
}

// Known says whether there is a value at all.
func (f Figure[T]) Known() bool { return f.Origin != Unknown }

// Ratio is an exact number Num/Den in lowest terms, Den above zero. Real clocks
// are divisions of a crystal and rarely whole.
type Ratio struct{ Num, Den int64 }

// Rat is the same number for arithmetic.
func (r Ratio) Rat() *big.Rat { return big.NewRat(r.Num, r.Den) }

// Float is the number nearest to r.
func (r Ratio) Float() float64 { return float64(r.Num) / float64(r.Den) }

// Size is a number of pixels across and down.
type Size struct{ W, H int }

// Point is a place in the panel's memory: columns from its left, rows from its top.
type Point struct{ X, Y int }

// Shape is the outline of what can be seen of the panel.
type Shape uint8

// The shapes. Round panels show the circle (or ellipse) inside their size.
const (
	Rectangle Shape = iota
	Round
)

// ColourOrder is the order in which the panel's own memory keeps the colours.
type ColourOrder uint8

// The colour orders.
const (
	RGB ColourOrder = iota
	BGR
)

// Bus says who else uses the card's lines.
type Bus uint8

// The buses. A shared bus carries the card's blocks and the panel's pixels in turn.
const (
	Private Bus = iota
	Shared
)

// Player is one player as its file describes it.
type Player struct {
	Name   Figure[string]
	Panel  Panel
	Sound  Sound
	Card   Card
	Memory Memory
	Decode Decode
	Pins   Pins
}

// Panel is the display.
type Panel struct {
	Size        Figure[Size]          // as the viewer sees it, 1 to container.MaxSide each way
	Shape       Figure[Shape]         //
	Width       Figure[int64]         // of the picture as the viewer sees it, in micrometres, 1 mm to 1 m; unknown when not given
	Pixels      Figure[pixel.Format]  // as the bus carries them
	Mounted     Figure[int]           // quarter turns clockwise, 0 to 3, that bring the panel's own scan upright
	Offset      Figure[Point]         // first pixel inside the panel's memory, in its own scan
	ColourOrder Figure[ColourOrder]   // unknown for panels without colour
	Inverted    Figure[bool]          // true: the panel shows complements unless told otherwise
	BusClock    Figure[Ratio]         // Hz asked of the chip
	RealClock   Figure[Ratio]         // Hz the chip's divider gives; one bit a clock
	WindowBytes Figure[int64]         // bus bytes that address one window, 0 to 64
	SetUpTime   Figure[time.Duration] // driver's time to start one transfer, 0 to 1 s
	DMA         Figure[bool]          // pixels go to the panel while the chip does something else
	Refresh     Figure[Ratio]         // Hz at which the panel scans itself; unknown when not given
}

// Sound is the DAC or amplifier. Without the section the player has no speaker
// and every figure here is unknown.
type Sound struct {
	Rate     Figure[Ratio] // Hz asked of the chip
	RealRate Figure[Ratio] // Hz its divider gives
	Bits     Figure[int64] // 8 (unsigned) or 16 (signed)
	Channels Figure[int64] // 1 or 2
	LowCut   Figure[Ratio] // Hz below which the speaker gives nothing; unknown when not given
}

// Card is the SD card and the way to it.
type Card struct {
	Wiring      Figure[card.Wiring]
	Clock       Figure[Ratio]         // Hz asked of the chip
	RealClock   Figure[Ratio]         // Hz its divider gives
	Bus         Figure[Bus]           // shared only over SPI
	RequestTime Figure[time.Duration] // access time and driver set-up of one read, 0 to 1 s
	Cluster     Figure[int64]         // bytes that one read goes on for at most, whole sectors; 0 for any number
	ClusterTime Figure[time.Duration] // finding the next cluster besides its read, 0 to 1 s
	Stall       Figure[time.Duration] // worst pause the card makes in ordinary use, 0 to 5 s
	Classes     []card.Class          // that are printed on it
	Measured    CardMeasured
}

// CardMeasured is what timing the real card in the real player gave. Its figures
// are unknown until that was done.
type CardMeasured struct {
	Rate        Figure[int64]         // bytes a second, sustained
	RequestTime Figure[time.Duration] // of one read, besides its blocks
	Stall       Figure[time.Duration] // worst pause seen
	Date        Figure[string]        // year-month-day
	By          Figure[string]        // who or what took the figures
}

// Memory is the RAM that playing may use.
type Memory struct {
	ReadAhead Figure[int64] // bytes that hold what was read and not yet shown or heard
	Buffers   Figure[int64] // beats that they hold in buffers of their own, 1 to 8; unknown for a ring
}

// Decode is how long the chip takes to decode. Unknown figures mean that nobody
// has said; nothing is assumed.
type Decode struct {
	JPEGBlock       Figure[time.Duration] // one block of 8×8 values
	JPEGCoefficient Figure[time.Duration] // one coefficient that is not zero
	JPEGByte        Figure[time.Duration] // one byte of entropy-coded data
	Buffers         Figure[int64]         // for decoded strips of a picture, 1 or 2; unknown with the rest
	TileSetUp       Figure[time.Duration] // one tile, before its pixels
	TileByte        Figure[time.Duration] // one byte of a tile's pixels
}

// Pins is what the chip has and who uses it. The card's own lines are not listed, as
// they follow from its wiring; the panel's clock and data line are, also where the
// card shares them.
type Pins struct {
	Chip Figure[int64] // usable pins of the chip; unknown when not given
	Uses []PinUse      // in the order of the file
}

// PinUse is one part and the pins it takes.
type PinUse struct {
	Part     string
	Count    int64
	Optional bool // can be left out to free its pins
}

// StoredSize is the size of a picture as the panel's own scan takes it: the size
// the viewer sees, with the sides exchanged for a panel mounted on its side.
func (p *Player) StoredSize() Size {
	s := p.Panel.Size.Value
	if p.Panel.Mounted.Value%2 == 1 {
		return Size{s.H, s.W}
	}
	return s
}

// FrameBytes is the size of one whole picture in the panel's pixels.
func (p *Player) FrameBytes() int {
	s := p.StoredSize()
	return p.Panel.Pixels.Value.FrameBytes(s.W, s.H)
}

// HasSound says whether the player has a speaker.
func (p *Player) HasSound() bool { return p.Sound.Rate.Known() }

// SampleRate is the real sample rate in Hz, or 0/1 for a player without sound.
func (p *Player) SampleRate() (num, den int64) {
	if !p.HasSound() {
		return 0, 1
	}
	r := p.Sound.RealRate.Value
	return r.Num, r.Den
}

// Reading is how the card is read: the measured rate where there is one, else
// what the wiring gives at its real clock. The origin is that of the rate.
func (p *Player) Reading() (card.Reading, Origin) {
	c := p.Card
	r := card.Reading{
		Wiring:      c.Wiring.Value,
		ClockNum:    c.RealClock.Value.Num,
		ClockDen:    c.RealClock.Value.Den,
		RequestTime: p.RequestTime().Value,
		Cluster:     c.Cluster.Value / card.SectorBytes,
		ClusterTime: c.ClusterTime.Value,
	}
	if c.Measured.Rate.Known() {
		r.MeasuredRate = c.Measured.Rate.Value
		return r, Measured
	}
	return r, c.RealClock.Origin
}

// RequestTime is what one read costs besides its blocks: measured, else declared,
// else assumed.
func (p *Player) RequestTime() Figure[time.Duration] {
	if p.Card.Measured.RequestTime.Known() {
		return p.Card.Measured.RequestTime
	}
	return p.Card.RequestTime
}

// Stall is the worst pause of the card in ordinary use: measured, else declared,
// else assumed.
func (p *Player) Stall() Figure[time.Duration] {
	if p.Card.Measured.Stall.Known() {
		return p.Card.Measured.Stall
	}
	return p.Card.Stall
}

// CardPins is how many of the chip's pins the card takes: those of its wiring, or 2
// on a bus that it shares with the panel (a select line and the data line back; the
// clock and the other data line are the panel's).
func (p *Player) CardPins() int64 {
	if p.Card.Bus.Value == Shared {
		return 2
	}
	return int64(p.Card.Wiring.Value.Pins())
}

// PinsUsed counts the pins of every listed part and of the card.
func (p *Player) PinsUsed() int64 {
	n := p.CardPins()
	for _, u := range p.Pins.Uses {
		n += u.Count
	}
	return n
}

func (p *Player) String() string {
	return fmt.Sprintf("%s: %dx%d %s, %s", p.Name.Value, p.Panel.Size.Value.W, p.Panel.Size.Value.H,
		p.Panel.Pixels.Value, p.Card.Wiring.Value)
}
