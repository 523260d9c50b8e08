package playerfile

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/container"
	"example.org/stampreel/container/pixel"
)

// The whole language of player.yaml stands in one table, schema. Reading,
// checking, the template, `player show` and JSON all walk it, so none of them can
// know a key that another has not heard of.

// section is a group of keys. A dotted name lies inside another section.
type section struct {
	name   string
	doc    string
	need   bool
	origin Origin // what its figures are: declared, or measured
	fields []field
	free   *freeKeys // not nil: any key may stand here
}

// field is one key.
type field struct {
	key     string
	need    bool
	doc     string
	example string // what the template shows
	assume  func(*Player) string
	why     string // reason of the assumed value
	value
}

// freeKeys is a section whose keys the user invents.
type freeKeys struct {
	example []string
	set     func(p *Player, key, text string) error
	list    func(p *Player) (keys, texts []string, counts []int64)
}

// value reads and shows one figure of a player.
type value struct {
	hint string
	form form
	list bool // a list of names, one set call for each
	set  func(p *Player, text string, o Origin) error
	show func(p *Player) Row
}

// figure joins a kind of value to its place in the player.
func figure[T any](k kind[T], at func(*Player) *Figure[T], checks ...func(T) error) value {
	return value{
		hint: k.hint,
		form: k.form,
		set: func(p *Player, text string, o Origin) error {
			v, err := k.parse(text)
			if err != nil {
				return err
			}
			for _, check := range checks {
				if err := check(v); err != nil {
					return err
				}
			}
			*at(p) = Figure[T]{v, o}
			return nil
		},
		show: func(p *Player) Row {
			f := at(p)
			if !f.Known() {
				return Row{Origin: Unknown}
			}
			return Row{Text: k.text(f.Value), Value: k.si(f.Value), Unit: k.unit, Origin: f.Origin}
		},
	}
}

// between refuses counts, sizes and times outside low to high, both inclusive.
func between[T int64 | time.Duration](low, high T, text func(T) string) func(T) error {
	return func(v T) error {
		if v < low || v > high {
			return fmt.Errorf("must lie between %s and %s", text(low), text(high))
		}
		return nil
	}
}

// band refuses frequencies outside low to high Hz, both inclusive.
func band(low, high int64) func(Ratio) error {
	return func(r Ratio) error {
		if r.Rat().Cmp(Ratio{low, 1}.Rat()) < 0 || r.Rat().Cmp(Ratio{high, 1}.Rat()) > 0 {
			return fmt.Errorf("must lie between %s and %s", frequencies.text(Ratio{low, 1}), frequencies.text(Ratio{high, 1}))
		}
		return nil
	}
}

// sampleTerms refuses a rate whose terms a clip's header has no room for.
func sampleTerms(r Ratio) error {
	if r.Num > container.MaxProduct || r.Den > math.MaxUint16 {
		return fmt.Errorf("%d/%d in lowest terms is too long, at most %d/%d", r.Num, r.Den, container.MaxProduct, math.MaxUint16)
	}
	return nil
}

func wholeSectors(n int64) error {
	if n%card.SectorBytes != 0 {
		return fmt.Errorf("must be whole sectors of %d bytes", card.SectorBytes)
	}
	return nil
}

func oneOf(low, high int64) func(int64) error {
	return func(n int64) error {
		if n != low && n != high {
			return fmt.Errorf("must be %d or %d", low, high)
		}
		return nil
	}
}

func always(text string) func(*Player) string { return func(*Player) string { return text } }

var (
	upToOneSecond = between(0, time.Second, times.text)
	busClocks     = band(100_000, 250_000_000)
	soundRates    = band(container.MinSampleRate, container.MaxSampleRate)
	decodeTimes   = between(0, 100*time.Millisecond, times.text)
	plain         = counts("11")
)

var schema = []section{
	{name: "player", need: true, doc: "What this player is called.", fields: []field{
		{key: "name", need: true, example: "Bench player",
			doc:   "Shown wherever the player is spoken of.",
			value: figure(texts, func(p *Player) *Figure[string] { return &p.Name })},
	}},
	{name: "panel", need: true, doc: "The display.", fields: []field{
		{key: "size", need: true, example: "240x135",
			doc:   "Pixels across and down, as the viewer sees the panel.",
			value: figure(sizes, func(p *Player) *Figure[Size] { return &p.Panel.Size })},
		{key: "shape", example: "rectangle", assume: always("rectangle"), why: "most panels are",
			doc:   "rectangle or round (what shows is the circle inside the size).",
			value: figure(words[Shape]("rectangle", "round"), func(p *Player) *Figure[Shape] { return &p.Panel.Shape })},
		{key: "width", example: "24.9 mm",
			doc:   "How wide its picture is, as the viewer sees it (the active area of data sheets):\npreview shows it in its own size.",
			value: figure(lengths, func(p *Player) *Figure[int64] { return &p.Panel.Width }, between(1000, 1_000_000, lengths.text))},
		{key: "pixels", need: true, example: "rgb565",
			doc:   "Pixels as the bus carries them: rgb565 (high byte first), rgb565le, rgb444,\nrgb666, rgb332, grey8, grey4, mono-rows, mono-pages.",
			value: figure(pixelFormats, func(p *Player) *Figure[pixel.Format] { return &p.Panel.Pixels })},
		{key: "mounted", example: "90 degrees", assume: always("0 degrees"), why: "as if the panel stood upright",
			doc:   "Turns clockwise that bring the panel's own scan upright for the viewer:\n0, 90, 180 or 270 degrees.",
			value: figure(turns, func(p *Player) *Figure[int] { return &p.Panel.Mounted })},
		{key: "offset", example: "52,40", assume: always("0,0"), why: "as if the picture began where the panel's memory does",
			doc:   "Columns and rows of the panel's memory before the first pixel, in its own scan.",
			value: figure(points, func(p *Player) *Figure[Point] { return &p.Panel.Offset })},
		{key: "colour-order", example: "rgb", assume: func(p *Player) string {
			if p.Panel.Pixels.Value.Channels() == 1 {
				return ""
			}
			return "rgb"
		}, why: "usual order",
			doc:   "rgb or bgr: the order in which the panel keeps the colours. Not for grey panels.",
			value: figure(words[ColourOrder]("rgb", "bgr"), func(p *Player) *Figure[ColourOrder] { return &p.Panel.ColourOrder })},
		{key: "inverted", example: "yes", assume: always("no"), why: "as most panels wake up",
			doc:   "yes when the panel must be told to invert, or else shows a negative.",
			value: figure(booleans, func(p *Player) *Figure[bool] { return &p.Panel.Inverted })},
		{key: "bus-clock", need: true, example: "40 MHz",
			doc:   "Clock of the panel's bus that the firmware asks for; one bit a clock.",
			value: figure(frequencies, func(p *Player) *Figure[Ratio] { return &p.Panel.BusClock }, busClocks)},
		{key: "real-clock", example: "40 MHz",
			assume: func(p *Player) string { return frequencies.text(p.Panel.BusClock.Value) }, why: "as asked for",
			doc:   "Clock that the chip's divider gives: asked for 40 MHz, some give 26.7.",
			value: figure(frequencies, func(p *Player) *Figure[Ratio] { return &p.Panel.RealClock }, busClocks)},
		{key: "window-bytes", example: "11", assume: always("11"), why: "two commands of four bytes each and a third to write, as common controllers take",
			doc:   "Bus bytes that address one window.",
			value: figure(plain, func(p *Player) *Figure[int64] { return &p.Panel.WindowBytes }, between(0, 64, plain.text))},
		{key: "set-up-time", example: "50 us", assume: always("50 us"), why: "common practice: some thousand steps of the chip",
			doc:   "Time the driver takes to start one transfer to the panel.",
			value: figure(times, func(p *Player) *Figure[time.Duration] { return &p.Panel.SetUpTime }, upToOneSecond)},
		{key: "dma", example: "yes", assume: always("yes"), why: "usual with chips that drive such panels",
			doc:   "yes when pixels go to the panel while the chip reads on; no when the chip\nmoves each byte itself.",
			value: figure(booleans, func(p *Player) *Figure[bool] { return &p.Panel.DMA })},
		{key: "refresh", example: "60 Hz",
			doc:   "How often the panel scans itself; more pictures a second are wasted.",
			value: figure(frequencies, func(p *Player) *Figure[Ratio] { return &p.Panel.Refresh }, band(1, 1000))},
	}},
	{name: "sound", doc: "The speaker. Leave the section out for a silent player.", fields: []field{
		{key: "rate", need: true, example: "22050 Hz",
			doc:   "Sample rate that the firmware asks for.",
			value: figure(frequencies, func(p *Player) *Figure[Ratio] { return &p.Sound.Rate }, soundRates, sampleTerms)},
		{key: "real-rate", example: "375000/17 Hz",
			assume: func(p *Player) string { return frequencies.text(p.Sound.Rate.Value) }, why: "as asked for",
			doc:   "Sample rate that the chip's divider gives, as a ratio if it is not whole.",
			value: figure(frequencies, func(p *Player) *Figure[Ratio] { return &p.Sound.RealRate }, soundRates, sampleTerms)},
		{key: "bits", need: true, example: "8",
			doc:   "8 (unsigned) or 16 (signed).",
			value: figure(counts("8"), func(p *Player) *Figure[int64] { return &p.Sound.Bits }, oneOf(8, 16))},
		{key: "channels", example: "1", assume: always("1"), why: "one speaker",
			doc:   "1 or 2.",
			value: figure(counts("1"), func(p *Player) *Figure[int64] { return &p.Sound.Channels }, oneOf(1, 2))},
		{key: "low-cut", example: "200 Hz",
			doc:   "Below this the speaker gives nothing.",
			value: figure(frequencies, func(p *Player) *Figure[Ratio] { return &p.Sound.LowCut }, band(1, 5000))},
	}},
	{name: "card", need: true, doc: "The SD card and the way to it.", fields: []field{
		{key: "wiring", need: true, example: "1-bit",
			doc:   "spi (4 pins, on a shared bus 2 besides the panel's), 1-bit (3) or 4-bit (6).",
			value: figure(wirings, func(p *Player) *Figure[card.Wiring] { return &p.Card.Wiring })},
		{key: "clock", need: true, example: "40 MHz",
			doc:   "Clock of the card's bus that the firmware asks for.",
			value: figure(frequencies, func(p *Player) *Figure[Ratio] { return &p.Card.Clock }, busClocks)},
		{key: "real-clock", example: "80/3 MHz",
			assume: func(p *Player) string { return frequencies.text(p.Card.Clock.Value) }, why: "as asked for",
			doc:   "Clock that the chip's divider gives.",
			value: figure(frequencies, func(p *Player) *Figure[Ratio] { return &p.Card.RealClock }, busClocks)},
		{key: "bus", example: "private", assume: always("private"), why: "its own lines",
			doc:   "private, or shared when card and panel take turns on one bus (spi alone can).",
			value: figure(words[Bus]("private", "shared"), func(p *Player) *Figure[Bus] { return &p.Card.Bus })},
		{key: "request-time", example: "1 ms", assume: always("1 ms"), why: "the access time that high-capacity cards state",
			doc:   "What one read costs besides its blocks: the card's access and the driver.",
			value: figure(times, func(p *Player) *Figure[time.Duration] { return &p.Card.RequestTime }, upToOneSecond)},
		{key: "cluster", example: "32 KiB", assume: always("32 KiB"), why: "the SD Association's size for cards over 2 and up to 32 GB, and drivers ask anew for each",
			doc:   "How far one read goes in the file: the size of the card's clusters, or 0 KiB\nwhen the firmware reads a file in one piece without asking anew.",
			value: figure(amounts, func(p *Player) *Figure[int64] { return &p.Card.Cluster }, between(0, 32<<20, amounts.text), wholeSectors)},
		{key: "cluster-time", example: "20 us", assume: always("20 us"), why: "common practice: some hundred steps of the chip",
			doc:   "Time to find the next cluster, besides its read and those of the table.",
			value: figure(times, func(p *Player) *Figure[time.Duration] { return &p.Card.ClusterTime }, upToOneSecond)},
		{key: "stall", example: "10 ms", assume: always("10 ms"), why: "common practice; time the card to know",
			doc:   "Worst pause the card makes in ordinary use. The specification allows 100 ms.",
			value: figure(times, func(p *Player) *Figure[time.Duration] { return &p.Card.Stall }, between(0, 5*time.Second, times.text))},
		{key: "class", example: "[C10, A1]",
			doc:   "Marks printed on the card. They promise writing, and random reads on average;\nno verdict rests on them.",
			value: value{list: true, hint: "[C10, A1]", form: oneOfWords(classMarks()...), set: setClass, show: showClasses}},
	}},
	{name: "card.measured", origin: Measured, doc: "What timing the real card in the real player gave.", fields: []field{
		{key: "rate", example: "2.4 MB/s", doc: "Sustained reading.",
			value: figure(speeds, func(p *Player) *Figure[int64] { return &p.Card.Measured.Rate }, between(1000, 100_000_000, speeds.text))},
		{key: "request-time", example: "1.2 ms", doc: "What one read cost besides its blocks.",
			value: figure(times, func(p *Player) *Figure[time.Duration] { return &p.Card.Measured.RequestTime }, upToOneSecond)},
		{key: "stall", example: "12 ms", doc: "Worst pause seen.",
			value: figure(times, func(p *Player) *Figure[time.Duration] { return &p.Card.Measured.Stall }, between(0, 5*time.Second, times.text))},
		{key: "date", example: "2026-11-20", doc: "When, as year-month-day.",
			value: figure(dates, func(p *Player) *Figure[string] { return &p.Card.Measured.Date })},
		{key: "by", example: "firmware log", doc: "Who or what took the figures.",
			value: figure(texts, func(p *Player) *Figure[string] { return &p.Card.Measured.By })},
	}},
	{name: "memory", need: true, doc: "RAM that playing may use.", fields: []field{
		{key: "read-ahead", need: true, example: "80 KiB",
			doc:   "Buffer for what was read and not yet shown or heard.",
			value: figure(amounts, func(p *Player) *Figure[int64] { return &p.Memory.ReadAhead }, between(1024, 1<<28, amounts.text))},
		{key: "buffers", example: "2",
			doc:   "For firmware that reads each beat into a buffer of its own: how many it has; 1\nreads and draws in turn. Leave it out for a ring, whose sectors are free again\nas the panel takes them.",
			value: figure(plain, func(p *Player) *Figure[int64] { return &p.Memory.Buffers }, between(1, 8, plain.text))},
	}},
	{name: "decode", doc: "How long the chip takes to decode, where it is known."},
	{name: "decode.jpeg", doc: "JPEG pictures.", fields: []field{
		{key: "per-block", example: "9 us", doc: "One block of 8 by 8 values.",
			value: figure(times, func(p *Player) *Figure[time.Duration] { return &p.Decode.JPEGBlock }, decodeTimes)},
		{key: "per-coefficient", example: "120 ns", doc: "One coefficient that is not zero.",
			value: figure(times, func(p *Player) *Figure[time.Duration] { return &p.Decode.JPEGCoefficient }, decodeTimes)},
		{key: "per-byte", example: "90 ns", doc: "One byte of the picture's data.",
			value: figure(times, func(p *Player) *Figure[time.Duration] { return &p.Decode.JPEGByte }, decodeTimes)},
		{key: "buffers", example: "2", assume: func(p *Player) string {
			if !p.Decode.JPEGBlock.Known() {
				return ""
			}
			return "1"
		}, why: "the least",
			doc:   "Strips of a picture that there is room for when they are decoded: with 2 one\nis decoded while the panel takes the other.",
			value: figure(counts("2"), func(p *Player) *Figure[int64] { return &p.Decode.Buffers }, oneOf(1, 2))},
	}},
	{name: "decode.tiles", doc: "Tiles: the changed parts of a picture.", fields: []field{
		{key: "per-tile", example: "15 us", doc: "One tile, before its pixels.",
			value: figure(times, func(p *Player) *Figure[time.Duration] { return &p.Decode.TileSetUp }, decodeTimes)},
		{key: "per-byte", example: "10 ns", doc: "One byte of a tile's pixels.",
			value: figure(times, func(p *Player) *Figure[time.Duration] { return &p.Decode.TileByte }, decodeTimes)},
	}},
	{name: "pins", doc: "The chip's pins. The card's lines follow from its wiring and are not listed; those\nof the panel are, also where the card shares its clock and data line.", fields: []field{
		{key: "chip", example: "24", doc: "Pins of the chip that can be used.",
			value: figure(counts("24"), func(p *Player) *Figure[int64] { return &p.Pins.Chip }, between(1, 1000, plain.text))},
		{key: "optional", example: "[battery-gauge]", doc: "Parts that can be left out to free their pins.",
			value: value{list: true, hint: "[battery-gauge]", form: texts.form, set: setOptional, show: showOptional}},
	}},
	{name: "pins.uses", doc: "Who takes how many, under names of your own.",
		free: &freeKeys{
			example: []string{"panel: 5", "speaker: 3", "remote-control: 1", "battery-gauge: 2"},
			set:     setPinUse, list: listPinUses,
		}},
}

func setPinUse(p *Player, key, text string) error {
	if key == "card" {
		return errors.New("the card's pins follow from its wiring; delete the line, or name an extra line of the socket otherwise")
	}
	n, err := parseCount(text)
	if err != nil {
		return err
	}
	if n < 1 || n > 1000 {
		return errors.New("must lie between 1 and 1000")
	}
	p.Pins.Uses = append(p.Pins.Uses, PinUse{Part: key, Count: n})
	return nil
}

func listPinUses(p *Player) (keys, texts []string, counts []int64) {
	for _, u := range p.Pins.Uses {
		keys = append(keys, u.Part)
		texts = append(texts, plain.text(u.Count))
		counts = append(counts, u.Count)
	}
	return keys, texts, counts
}

// setOptional marks a part; uses are read before it.
func setOptional(p *Player, part string, _ Origin) error {
	for i := range p.Pins.Uses {
		if p.Pins.Uses[i].Part == part {
			p.Pins.Uses[i].Optional = true
			return nil
		}
	}
	return fmt.Errorf("no part called %q stands under uses", part)
}

func showOptional(p *Player) Row {
	text, names := "", []string{}
	for _, u := range p.Pins.Uses {
		if !u.Optional {
			continue
		}
		if text != "" {
			text += ", "
		}
		text += u.Part
		names = append(names, u.Part)
	}
	if len(names) == 0 {
		return Row{Origin: Unknown}
	}
	return Row{Text: text, Value: names, Origin: Declared}
}

func setClass(p *Player, mark string, _ Origin) error {
	c, ok := card.ParseClass(mark)
	if !ok {
		return fmt.Errorf("no card is marked so; there are %s", strings.Join(classMarks(), ", "))
	}
	p.Card.Classes = append(p.Card.Classes, c)
	return nil
}

func classMarks() (marks []string) {
	for _, c := range card.Classes() {
		marks = append(marks, c.Mark)
	}
	return marks
}

func showClasses(p *Player) Row {
	marks := []string{}
	for _, c := range p.Card.Classes {
		marks = append(marks, c.Mark)
	}
	if len(marks) == 0 {
		return Row{Origin: Unknown}
	}
	return Row{Text: strings.Join(marks, ", "), Value: marks, Origin: Declared}
}
