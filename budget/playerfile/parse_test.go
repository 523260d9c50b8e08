package playerfile

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/container/pixel"
)

// small is a player file with nothing but what is needed.
const small = `player:
  name: Small
panel:
  size: 240x135
  pixels: rgb565
  bus-clock: 40 MHz
card:
  wiring: 1-bit
  clock: 25 MHz
memory:
  read-ahead: 64 KiB
`

func parse(t *testing.T, text string) *Player {
	t.Helper()
	p, err := Parse("player.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestNeededKeysAreEnoughAndTheRestIsAssumed(t *testing.T) {
	p := parse(t, small)
	if p.Panel.WindowBytes != (Figure[int64]{11, Assumed}) {
		t.Errorf("window bytes %v, want 11 assumed", p.Panel.WindowBytes)
	}
	if p.Card.RealClock != (Figure[Ratio]{Ratio{25_000_000, 1}, Assumed}) || p.Card.Clock.Origin != Declared {
		t.Errorf("clock %v, real %v; want 25 MHz declared and assumed", p.Card.Clock, p.Card.RealClock)
	}
	if p.Card.RequestTime != (Figure[time.Duration]{time.Millisecond, Assumed}) {
		t.Errorf("request time %v, want 1 ms assumed", p.Card.RequestTime)
	}
	if p.HasSound() || p.Panel.Refresh.Known() || p.Decode.JPEGByte.Known() {
		t.Error("sound, refresh or decoding is known although nobody gave it")
	}
	if num, den := p.SampleRate(); num != 0 || den != 1 {
		t.Errorf("sample rate %d/%d without sound, want 0/1", num, den)
	}
}

func TestUnitsReadAsPeopleWriteThem(t *testing.T) {
	p := parse(t, strings.NewReplacer(
		"bus-clock: 40 MHz", "bus-clock: 40MHz\n  real-clock: 80/3 MHz\n  set-up-time: 12.5 us\n  mounted: 270 degrees\n  offset: 52, 40\n  width: 0.98 in",
		"64 KiB", "65536 bytes",
		"clock: 25 MHz", "clock: 26.7 MHz\n  measured:\n    rate: 2.5 MB/s\n    stall: 30 ms\n    date: 2026-11-20\n    by: bench\n    request-time: 2 ms",
	).Replace(small)+"sound: {rate: 22050 Hz, real-rate: 375000/17 Hz, bits: 16, channels: 2}\n")
	check := func(what string, got, want any) {
		t.Helper()
		if got != want {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	check("real clock", p.Panel.RealClock.Value, Ratio{80_000_000, 3})
	check("set-up", p.Panel.SetUpTime.Value, 12500*time.Nanosecond)
	check("mounted", p.Panel.Mounted.Value, 3)
	check("width", p.Panel.Width.Value, int64(24892)) // an inch is 25.4 mm
	check("offset", p.Panel.Offset.Value, Point{52, 40})
	check("read-ahead", p.Memory.ReadAhead.Value, int64(65536))
	check("card clock", p.Card.Clock.Value, Ratio{26_700_000, 1})
	check("real rate", p.Sound.RealRate.Value, Ratio{375_000, 17})
	check("measured rate", p.Card.Measured.Rate, Figure[int64]{2_500_000, Measured})
	check("stall", p.Stall(), Figure[time.Duration]{30 * time.Millisecond, Measured})
	check("request time", p.RequestTime(), Figure[time.Duration]{2 * time.Millisecond, Measured})
	r, origin := p.Reading()
	check("reading's request time", r.RequestTime, 2*time.Millisecond)
	check("reading", r.MeasuredRate, int64(2_500_000))
	check("reading's origin", origin, Measured)
	check("stored size", p.StoredSize(), Size{135, 240})
	check("frame bytes", p.FrameBytes(), 135*240*2)
}

// broken files: each names the place and what to try.
var broken = []struct {
	name, old, new string // a change to small
	line, column   int
	what, try      string
}{
	{"unknown key", "wiring", "wirring", 8, 3, `unknown key "wirring" in card`, "did you mean wiring?"},
	{"key of another section", "wiring: 1-bit", "wiring: 1-bit\n  read-ahead: 3 KiB", 9, 3, `unknown key "read-ahead"`, "belongs to section memory"},
	{"unknown section", "memory:", "memori:", 10, 1, `unknown section "memori"`, "did you mean memory?"},
	{"no unit", "40 MHz", "40", 6, 14, `"40" has no unit`, "write bus-clock: 40 MHz"},
	{"unit of something else", "40 MHz", "40 ms", 6, 14, `unit "ms" is not known`, "40 MHz"},
	{"small letters in the unit", "40 MHz", "40 mhz", 6, 14, "tell small letters from capitals", "40 MHz"},
	{"sign", "40 MHz", "-40 MHz", 6, 14, "not a number", "40 MHz"},
	{"nothing at all", "40 MHz", "", 6, 3, "panel.bus-clock has no value", "40 MHz"},
	{"zero", "40 MHz", "0 MHz", 6, 14, "above zero", "40 MHz"},
	{"too fast", "40 MHz", "900 MHz", 6, 14, "between 100000 Hz and 250 MHz", "40 MHz"},
	{"wrong size", "240x135", "240", 4, 9, "WIDTHxHEIGHT", "240x135"},
	{"huge size", "240x135", "24000x135", 4, 9, "1024x1024", "240x135"},
	{"larger than a clip's picture", "240x135", "240x1025", 4, 9, "1024x1024", "240x135"},
	{"slower than a clip's sound", "card:", "sound:\n  rate: 1500 Hz\n  bits: 8\ncard:", 8, 9, "between 2000 Hz and 96000 Hz", "rate: 22050 Hz"},
	{"terms longer than a clip's", "card:", "sound:\n  rate: 22050 Hz\n  real-rate: 1543500007/70001 Hz\n  bits: 8\ncard:", 9, 14, "too long", "real-rate: 375000/17 Hz"},
	{"unknown pixels", "rgb565", "rgb556", 5, 11, `"rgb556" is none of rgb565`, "pixels: rgb565"},
	{"unknown wiring", "1-bit", "2-bit", 8, 11, "is none of spi, 1-bit, 4-bit", "wiring: 1-bit"},
	{"half a byte", "64 KiB", "1.23 bytes", 11, 15, "not a whole number of bytes", "80 KiB"},
	{"fraction for a whole number", "bus-clock: 40 MHz", "bus-clock: 40 MHz\n  window-bytes: 12.5", 7, 17, `"12.5" is not a whole number`, "window-bytes: 11"},
	{"width without a unit", "240x135", "240x135\n  width: 25", 5, 10, "a length is written in mm, cm, in", "width: 25 mm"},
	{"width of a wall", "240x135", "240x135\n  width: 2400 cm", 5, 10, "between 1 mm and 1000 mm", "width: 24.9 mm"},
	{"skewed mount", "bus-clock: 40 MHz", "bus-clock: 40 MHz\n  mounted: 45 degrees", 7, 12, "none of 0, 90, 180 and 270", "90 degrees"},
	{"duplicate key", "  pixels: rgb565", "  pixels: rgb565\n  pixels: grey8", 6, 3, "already defined", "keep one"},
	{"second document", "memory:", "---\nmemory:", 11, 0, "second document", "keep one player"},
	{"list for a value", "rgb565", "[rgb565]", 5, 11, "single value", "rgb565"},
	{"value for a section", "memory:\n  read-ahead: 64 KiB", "memory: 64 KiB", 10, 9, "memory holds keys", "indented"},
	{"empty section", "memory:\n  read-ahead: 64 KiB", "memory:", 10, 1, "memory is empty", "delete the line"},
	{"missing key", "  wiring: 1-bit\n", "", 7, 1, "section card has no wiring", "add wiring: 1-bit"},
	{"missing section", "memory:\n  read-ahead: 64 KiB\n", "", 1, 1, "section memory is missing", "read-ahead"},
	{"anchor", "rgb565", "&a rgb565", 5, 11, "repeat a value", "write the value out"},
	{"alias", "rgb565", "*a", 5, 11, "", ""},
	{"merge", "memory:", "<<: {a: 1}\nmemory:", 10, 1, "merged", "write the keys out"},
	{"type mark", "rgb565", "!!str rgb565", 5, 11, "type marks", "value alone"},
	{"text over lines", "rgb565", "|\n    rgb565", 5, 11, "one line", "behind the colon"},
	{"tab", "  size", "\tsize", 4, 0, "", ""},
	{"open quote", "rgb565", "'rgb565", 5, 11, "", ""},
	{"control character", "Small", "Sm\x01all", 2, 11, "no text", "UTF-8"},
	{"not UTF-8", "Small", "Sm\xffall", 2, 11, "no text", "UTF-8"},
	{"deep nesting", "Small", strings.Repeat("[", 9000), 2, 0, "brackets", ""},
	{"shared bus with 1-bit", "clock: 25 MHz", "clock: 25 MHz\n  bus: shared", 10, 3, "cannot share", "private"},
	{"faster than the wiring", "clock: 25 MHz", "clock: 80 MHz", 9, 3, "80 MHz is more than the 50 MHz", "really on the wire"},
	{"measured more than the bus carries", "clock: 25 MHz", "clock: 25 MHz\n  measured: {rate: 4 MB/s}", 10, 14, "at most 3.11 MB/s", "measure again"},
	{"colour order without colour", "rgb565", "grey8\n  colour-order: rgb", 6, 3, "has no colours", "delete"},
	{"too many pins", "memory:", "pins: {chip: 5, uses: {panel: 4}}\nmemory:", 10, 8, "7 pins are used", "fewer pins"},
	{"card under pins", "memory:", "pins: {chip: 5, uses: {card: 4}}\nmemory:", 10, 30, "follow from its wiring", "panel: 5"},
	{"optional part that is not used", "memory:", "pins: {optional: [lamp], uses: {panel: 4}}\nmemory:", 10, 19, `no part called "lamp"`, ""},
}

func TestEveryMistakeNamesThePlaceAndWhatToTry(t *testing.T) {
	for _, b := range broken {
		if !strings.Contains(small, b.old) {
			t.Fatalf("%s: the change does not apply", b.name)
		}
		_, err := Parse("player.yaml", []byte(strings.Replace(small, b.old, b.new, 1)))
		var e *Error
		if !errors.As(err, &e) {
			t.Errorf("%s: error %v, want a *Error", b.name, err)
			continue
		}
		if e.Line != b.line || b.column != 0 && e.Column != b.column {
			t.Errorf("%s: placed at %d:%d, want %d:%d (%s)", b.name, e.Line, e.Column, b.line, b.column, e.What)
		}
		if !strings.Contains(e.What, b.what) || !strings.Contains(e.Try, b.try) || e.What == "" || e.Try == "" {
			t.Errorf("%s: says %q, try %q; want %q and %q in them", b.name, e.What, e.Try, b.what, b.try)
		}
		if !strings.HasSuffix(e.Excerpt, "^") {
			t.Errorf("%s: excerpt has no caret:\n%s", b.name, e.Excerpt)
		}
	}
}

func TestOfTwoMistakesTheFirstIsTold(t *testing.T) {
	text := strings.Replace(small, "clock: 25 MHz", "clock: 60 MHz\n  real-clock: 55 MHz", 1)
	for range 20 {
		if _, err := Parse("p.yaml", []byte(text)); err == nil || !strings.Contains(err.Error(), "card.clock: 60 MHz") {
			t.Fatalf("%v", err)
		}
	}
}

func TestExcerptPointsAtTheValue(t *testing.T) {
	_, err := Parse("player.yaml", []byte(strings.Replace(small, "rgb565", "rgb", 1)))
	var e *Error
	if !errors.As(err, &e) {
		t.Fatal(err)
	}
	want := "   4 |   size: 240x135\n   5 |   pixels: rgb\n     |           ^"
	if e.Excerpt != want {
		t.Errorf("excerpt\n%s\nwant\n%s", e.Excerpt, want)
	}
	if got := e.Error(); !strings.HasPrefix(got, "playerfile: player.yaml:5:11: panel.pixels: ") {
		t.Errorf("error text %q", got)
	}
}

func TestExcerptOfALongLineStaysShort(t *testing.T) {
	_, err := Parse("player.yaml", []byte(strings.Replace(small, "rgb565", strings.Repeat("r", 5000), 1)))
	var e *Error
	if !errors.As(err, &e) || len(e.Excerpt) > 400 || len(e.What) > 400 {
		t.Errorf("error %v with an excerpt of %d bytes, want at most 400", e.Line, len(e.Excerpt))
	}
	_, err = Parse("player.yaml", []byte(strings.Replace(small, "Small", strings.Repeat("x", 300)+"\x01", 1)))
	if !errors.As(err, &e) || len(e.Excerpt) > 400 || !strings.HasSuffix(e.Excerpt, "^") {
		t.Errorf("excerpt %q", e.Excerpt)
	}
}

func TestEmptyAndOverlongFilesAreRefused(t *testing.T) {
	for _, text := range []string{"", "\n", "# nothing\n", "---\n", "...\n", "\ufeff", "null\n", "- a\n", "word\n", strings.Repeat("# long\n", 10000)} {
		_, err := Parse("player.yaml", []byte(text))
		var e *Error
		if !errors.As(err, &e) || e.Line < 1 || e.Try == "" {
			t.Errorf("%.10q: error %v, want a *Error with a place", text, err)
		}
	}
}

func TestByteOrderMarkAndCarriageReturnsAreHarmless(t *testing.T) {
	p := parse(t, "\ufeff"+strings.ReplaceAll(small, "\n", "\r\n"))
	if p.Name.Value != "Small" || p.Panel.Pixels.Value != pixel.RGB565 || p.Card.Wiring.Value != card.OneBit {
		t.Errorf("read as %v", p)
	}
}

func TestLoadNamesAFileThatIsNotThere(t *testing.T) {
	if _, err := Load(filepath.Join(t.TempDir(), "none.yaml")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("error %v, want os.ErrNotExist", err)
	}
}

func TestTemplateParsesAndExplainsEveryKey(t *testing.T) {
	text := string(Template())
	p := parse(t, text)
	for _, r := range p.Show() { // nobody gets another board's figures unasked
		if f := sectionOf(r.Section).field(r.Key); f != nil && !f.need && r.Origin == Declared {
			t.Errorf("the template declares %s.%s, which is optional", r.Section, r.Key)
		}
	}
	keys := 0
	for _, s := range schema {
		for _, f := range s.fields {
			keys++
			if !strings.Contains(text, f.key+": "+f.example) || f.doc == "" {
				t.Errorf("template does not explain %s.%s", s.name, f.key)
			}
		}
	}
	if keys < 30 {
		t.Errorf("%d keys, want at least 30", keys)
	}
	// Every key that is commented out is good where it stands, too.
	if p := parse(t, uncomment(text)); p.Card.RealClock.Value != (Ratio{80_000_000, 3}) {
		t.Errorf("template's real clock is %v", p.Card.RealClock)
	}
}

func (s *section) field(key string) *field {
	for i := range s.fields {
		if s.fields[i].key == key {
			return &s.fields[i]
		}
	}
	return nil
}

func TestAdviceKeepsTheValueThatWasMeant(t *testing.T) {
	base := "player:\n  name: A\npanel:\n  size: 128x64\n  pixels: mono-pages\n  bus-clock: 10 MHz\ncard:\n  wiring: spi\n  clock: 20 MHz\nmemory:\n  read-ahead: 8 KiB\n"
	for _, c := range []struct{ old, bad, try string }{
		{"pixels: mono-pages", "pixels: Mono-Pages", "write pixels: mono-pages"},
		{"wiring: spi", "wiring: SPI", "write wiring: spi"},
		{"bus-clock: 10 MHz", "bus-clock: 24", "write bus-clock: 24 MHz"},
		{"bus-clock: 10 MHz", "bus-clock: 10 MHz\n  mounted: 270", "write mounted: 270 degrees"},
		{"read-ahead: 8 KiB", "read-ahead: 8", "write read-ahead: 8 KiB"},
		{"size: 128x64", "size: 128×64", "write size: 128x64"},
		{"wiring: spi", "wiring: parallel", "for example wiring: 1-bit"},
	} {
		_, err := Parse("p.yaml", []byte(strings.Replace(base, c.old, c.bad, 1)))
		var e *Error
		if !errors.As(err, &e) || e.Try != c.try {
			t.Errorf("%s: %v, try %q; want try %q", c.bad, err, tryOf(e), c.try)
		}
	}
}

func tryOf(e *Error) string {
	if e == nil {
		return ""
	}
	return e.Try
}

func TestRealClocksAreWhatDividersGive(t *testing.T) {
	base := "player:\n  name: A\npanel:\n  size: 128x64\n  pixels: mono-pages\n  bus-clock: 24 MHz\n  real-clock: %s\ncard:\n  wiring: spi\n  clock: 20 MHz\nmemory:\n  read-ahead: 8 KiB\n"
	for _, c := range []struct {
		real string
		ok   bool
	}{{"24 MHz", true}, {"20 MHz", true}, {"25 MHz", true}, {"48 MHz", false}, {"1 MHz", false}} {
		_, err := Parse("p.yaml", fmt.Appendf(nil, base, c.real))
		if (err == nil) != c.ok {
			t.Errorf("real clock %s for 24 MHz: %v", c.real, err)
		}
	}
}

// uncomment brings the keys that the template shows commented out to life.
func uncomment(text string) string {
	lines := strings.Split(text, "\n")
	for i, l := range lines {
		if body := strings.TrimLeft(l, " "); strings.HasPrefix(body, "#") && !strings.HasPrefix(body, "# ") {
			lines[i] = strings.Replace(l, "#", "", 1)
		}
	}
	return strings.Join(lines, "\n")
}

func TestPlacesAreRightWhateverEndsALine(t *testing.T) {
	text := strings.Replace(strings.ReplaceAll(small, "\n", " # a remark\n"), "25 MHz", "25", 1)
	for _, ending := range []string{"\n", "\r\n"} {
		_, err := Parse("p.yaml", []byte(strings.ReplaceAll(text, "\n", ending)))
		var e *Error
		if !errors.As(err, &e) || e.Line != 9 || e.Column != 10 {
			t.Errorf("lines that end with %q: %v, want 9:10", ending, err)
		}
	}
}

func TestKnownPlayersParse(t *testing.T) {
	if len(Known()) < 3 {
		t.Fatalf("%d built-in players, want at least 3", len(Known()))
	}
	for _, name := range Known() {
		p, err := LoadKnown(name)
		if err != nil {
			t.Fatal(err)
		}
		if p.FrameBytes() == 0 || p.Memory.ReadAhead.Value == 0 {
			t.Errorf("%s: %v", name, p)
		}
	}
	p, _ := LoadKnown("rect-240x135")
	if p.StoredSize() != (Size{135, 240}) {
		t.Errorf("drive-in screen stores %v, want 135x240", p.StoredSize())
	}
	if _, err := LoadKnown("none"); err == nil || !strings.Contains(err.Error(), "round-240") {
		t.Errorf("error %v, want the names of those there are", err)
	}
}

// Whatever one byte is lost or changed, a player file is an error with a place
// or still a player.
func TestOneDamagedByteIsAnErrorWithAPlaceOrAPlayer(t *testing.T) {
	tried, refused := 0, 0
	for _, name := range Known() {
		data, err := KnownFile(name)
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.Count(string(data), "\n") + 1
		for i := range data {
			for _, b := range []string{"", "\x00", "\n", " ", ":", "#", "9", "{"} {
				tried++
				changed := string(data[:i]) + b + string(data[i+1:])
				p, err := Parse(name, []byte(changed))
				if err == nil && p != nil {
					continue
				}
				refused++
				var e *Error
				if !errors.As(err, &e) || p != nil || e.Line < 1 || e.Line > lines+1 || e.Column < 1 || e.What == "" || e.Try == "" || e.Excerpt == "" {
					t.Fatalf("%s, byte %d changed to %q: player %v, error %#v", name, i, b, p, err)
				}
			}
		}
	}
	if tried < 10_000 || refused < tried/4 {
		t.Errorf("%d changes tried, %d refused: too few to mean anything", tried, refused)
	}
	t.Logf("%d changes tried, %d refused", tried, refused)
}

func TestShowTellsOriginsApart(t *testing.T) {
	p := parse(t, strings.Replace(small, "clock: 25 MHz", "clock: 25 MHz\n  measured: {rate: 2.5 MB/s}", 1))
	want := map[string]Row{
		"panel.bus-clock":    {Text: "40 MHz", Value: int64(40_000_000), Unit: "Hz", Origin: Declared},
		"panel.window-bytes": {Text: "11", Value: int64(11), Origin: Assumed},
		"card.measured.rate": {Text: "2.5 MB/s", Value: int64(2_500_000), Unit: "bytes/s", Origin: Measured},
		"card.stall":         {Text: "10 ms", Value: 0.01, Unit: "s", Origin: Assumed},
	}
	for _, r := range p.Show() {
		key := r.Section + "." + r.Key
		if r.Origin == Assumed && r.Why == "" {
			t.Errorf("%s is assumed without a reason", key)
		}
		if w, ok := want[key]; ok {
			delete(want, key)
			if r.Text != w.Text || r.Value != w.Value || r.Unit != w.Unit || r.Origin != w.Origin {
				t.Errorf("%s shows %+v, want %+v", key, r, w)
			}
		}
	}
	if len(want) != 0 {
		t.Errorf("not shown: %v", want)
	}
}

func TestJSONIsInSIUnits(t *testing.T) {
	data, err := json.Marshal(parse(t, small+"sound: {rate: 22050 Hz, real-rate: 375000/17 Hz, bits: 8}\n"))
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Panel map[string]struct {
			Value  any    `json:"value"`
			Unit   string `json:"unit"`
			Origin string `json:"origin"`
		} `json:"panel"`
		Sound map[string]struct {
			Value float64 `json:"value"`
			Exact string  `json:"exact"`
		} `json:"sound"`
	}
	if err := json.Unmarshal(data, &got); err != nil {
		t.Fatal(err)
	}
	if c := got.Panel["bus-clock"]; c.Value != 40e6 || c.Unit != "Hz" || c.Origin != "declared" {
		t.Errorf("bus clock %+v in %s", c, data)
	}
	if r := got.Sound["real-rate"]; r.Value < 22058.82 || r.Value > 22058.83 || r.Exact != "375000/17 Hz" {
		t.Errorf("real rate %+v", r)
	}
}

// What is shown in the units of the file reads back to the same figure.
func TestShownTextReadsBack(t *testing.T) {
	for _, name := range Known() {
		p, err := LoadKnown(name)
		if err != nil {
			t.Fatal(err)
		}
		q := &Player{Pins: Pins{Uses: p.Pins.Uses}}
		for i := range schema {
			for j := range schema[i].fields {
				f := &schema[i].fields[j]
				r := f.show(p)
				if f.list || r.Origin == Unknown {
					continue
				}
				if err := f.set(q, r.Text, r.Origin); err != nil {
					t.Errorf("%s: %s.%s: %v", name, schema[i].name, f.key, err)
				}
			}
		}
		if a, b := mustJSON(t, p), mustJSON(t, q); a != b {
			t.Errorf("%s reads back as\n%s\nwant\n%s", name, b, a)
		}
	}
}

func mustJSON(t *testing.T, p *Player) string {
	t.Helper()
	data, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func FuzzParse(f *testing.F) {
	for _, name := range Known() {
		data, err := KnownFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte(small))
	f.Add(Template())
	for _, b := range broken {
		f.Add([]byte(strings.Replace(small, b.old, b.new, 1)))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := Parse("player.yaml", data)
		if err == nil {
			if p.FrameBytes() <= 0 || len(p.Show()) < 10 {
				t.Fatalf("accepted, but %v", p)
			}
			mustJSON(t, p)
			return
		}
		var e *Error
		if !errors.As(err, &e) || p != nil || e.Line < 1 || e.Column < 1 || e.Try == "" {
			t.Fatalf("player %v, error %#v", p, err)
		}
	})
}

// A card that shares the panel's bus takes a select line and a data line back more; the
// panel's clock and data are listed with the panel.
func TestPinsAreThoseOfThePartsAndTheCard(t *testing.T) {
	for name, want := range map[string]struct{ card, used int64 }{
		"round-240":    {2, 2 + 6 + 1},
		"rect-240x135": {3, 3 + 6 + 3 + 1 + 2},
		"mono-128x64":  {4, 4 + 5 + 1 + 1},
	} {
		p, err := LoadKnown(name)
		if err != nil {
			t.Fatal(err)
		}
		if p.CardPins() != want.card || p.PinsUsed() != want.used {
			t.Errorf("%s: the card takes %d pins and all take %d, want %d and %d", name, p.CardPins(), p.PinsUsed(), want.card, want.used)
		}
	}
}

func TestClassesAreThoseThatCardsCarry(t *testing.T) {
	text := "player: {name: X}\npanel: {size: 8x8, pixels: rgb565, bus-clock: 40 MHz}\ncard: {wiring: spi, clock: 20 MHz, class: [%s]}\nmemory: {read-ahead: 8 KiB}\n"
	p, err := Parse("x.yaml", []byte(strings.Replace(text, "%s", "V30, A1", 1)))
	if err != nil || len(p.Card.Classes) != 2 || p.Card.Classes[1].Reads != 1500 {
		t.Errorf("%v, %v", p, err)
	}
	if _, err := Parse("x.yaml", []byte(strings.Replace(text, "%s", "V31", 1))); err == nil || !strings.Contains(err.Error(), "V30") {
		t.Errorf("V31: %v", err)
	}
}
