// Package flash looks for flashing pictures in what a panel shows, as flashing can
// trigger seizures in people with photosensitive epilepsy.
//
// It judges by the flash thresholds of WCAG 2.2, success criterion 2.3.1:
//
//	general flash  a pair of opposing changes of relative luminance by 10 % of the
//	               maximum or more, where the darker picture is below 0.80
//	red flash      a pair of opposing changes to or from a saturated red (R of linear
//	               R + G + B at least 0.8) by more than 0.2 in CIE 1976 u'v'
//	too much       more than three of either within a second, on more than a quarter of
//	               the view
//
// A panel of a few centimetres covers less than that area of anybody's view at reading
// distance, and would pass whatever it shows. It is judged as if it filled the view, for
// it may be held close, filmed or projected.
//
// ITU-R BT.1702 draws the same lines for television (20 cd/m² with the darker picture
// below 160 cd/m², which are 10 % and 0.80 of a white of 200 cd/m²), and takes any
// flashing that goes on for more than 5 s for a risk; that is reported apart.
//
// The analysis is a help and no certification.
package flash

import (
	"fmt"
	"image"
	"math"
	"time"

	"example.org/stampreel/container/pixel"
)

// Thresholds of WCAG 2.2 and, the last one, of BT.1702.
const (
	change   = 0.10        // of the maximum luminance
	bright   = 0.80        // a change between pictures above it does not count
	redShare = 0.8         // R of R + G + B, linear
	redShift = 0.2         // in u'v'
	area     = 0.25        // of the view
	most     = 3           // flashes in a second
	window   = time.Second // half open: what happens a second later is outside
	long     = 5 * time.Second
)

// Kind is a sort of flash.
type Kind uint8

// The kinds.
const (
	General Kind = iota // of luminance
	Red                 // to and from saturated red
	kinds
)

func (k Kind) String() string { return [...]string{"general", "red"}[k] }

// Finding is what a clip has of one kind of flash.
type Finding struct {
	Rate  float64       // the most flashes within any second
	First time.Duration // when the first second with more than three begins; no meaning with fewer
	Over  []Span        // all that is within a second with more than three
	Long  []Span        // flashing of any rate that goes on for more than 5 s, each within a second of the one before
}

// Passes says whether there are at most three flashes in any second.
func (f *Finding) Passes() bool { return len(f.Over) == 0 }

// Span is a part of a clip.
type Span struct {
	From, To time.Duration
	Mean     [3]float64 // mean linear light of its pictures in R, G and B, 0 to 1; of whole seconds
}

// Report is what a clip has of flashes.
type Report struct{ General, Red Finding }

// Passes says whether a clip stays within the thresholds of WCAG 2.2.
func (r *Report) Passes() bool { return r.General.Passes() && r.Red.Passes() }

// cell is the side in pixels of what is averaged before it is looked at: a panel's pixels
// are some 0.15 mm, so that four of them are 0.1° at 30 cm, and WCAG leaves out patterns
// finer than that. Dithering is.
const cell = 4

// Analyzer looks at pictures one after another. It holds a few bytes for each pixel, a
// time for each change of more than a quarter of the view, and 16 bytes for each second.
type Analyzer struct {
	w, h   int
	number int // of pictures
	cells  []state
	views  [kinds]view

	codes  []uint8         // of the picture at hand
	format pixel.Format    // that light is for
	light  [3][256]float32 // of each code

	loops   bool
	opening []averages // of a clip that loops, the pictures of its first second

	means []mean // of each second
}

// mean is the sum of the mean light of some pictures.
type mean struct {
	light    [3]float32
	pictures float32
}

// averages is a picture as the analysis sees it: the mean colour of each cell, in steps of
// 1/65535 of linear light.
type averages struct {
	at    time.Duration
	cells [][3]uint16
}

// state is what one cell has shown.
type state struct {
	low, high float32 // extremes of luminance since its last change
	last      int8    // direction of its last change: −1, 1, or 0 for none yet

	red, other       colour // its last saturated red, and the colour furthest from red since
	hasRed, hasOther bool
	lastRed          int8 // direction of its last change of red

	changed [kinds]struct{ number, up int } // the picture that changed it last, and which way
}

type colour struct{ u, v float32 }

func (c colour) from(d colour) float64 { return math.Hypot(float64(c.u-d.u), float64(c.v-d.v)) }

// primary is the chromaticity of sRGB's red.
var primary = colour{0.4507, 0.5229}

// view is what the whole view did of one kind.
type view struct {
	recent [2][]changes    // of the pictures as far back as together, down and up
	at     []time.Duration // when more than a quarter changed, in alternating directions
	last   int8            // direction of the last of them
}

// changes is how many pixels have changed last with a picture.
type changes struct {
	number int
	at     time.Duration
	pixels int
}

// New begins an analysis of pictures of w by h pixels. Of a clip that loops its first
// second is remembered, 6 bytes for each cell and picture.
func New(w, h int, loops bool) *Analyzer {
	return &Analyzer{w: w, h: h, loops: loops, cells: make([]state, (w+cell-1)/cell*((h+cell-1)/cell))}
}

// linear is sRGB's transfer function for 8-bit values (IEC 61966-2-1).
var linear = func() (t [256]float32) {
	for i := range t {
		v := float64(i) / 255
		if v <= 0.04045 {
			t[i] = float32(v / 12.92)
		} else {
			t[i] = float32(math.Pow((v+0.055)/1.055, 2.4))
		}
	}
	return t
}()

var srgb = [3][256]float32{linear, linear, linear}

// chromaticity is u'v' of linear sRGB (CIE 15; matrix of IEC 61966-2-1). Black has the
// white point's.
func chromaticity(r, g, b float32) colour {
	x := 0.4124*r + 0.3576*g + 0.1805*b
	y := 0.2126*r + 0.7152*g + 0.0722*b
	z := 0.0193*r + 0.1192*g + 0.9505*b
	d := x + 15*y + 3*z
	if d == 0 {
		return colour{0.1978, 0.4683}
	}
	return colour{4 * x / d, 9 * y / d}
}

// Add takes the picture that is shown from a time on, in sRGB, with times that rise.
// Pictures that repeat the one before need not be added.
func (a *Analyzer) Add(img *image.NRGBA, at time.Duration) {
	if img.Rect.Dx() != a.w || img.Rect.Dy() != a.h {
		panic(fmt.Sprintf("flash: picture of %d×%d, want %d×%d", img.Rect.Dx(), img.Rect.Dy(), a.w, a.h))
	}
	codes := a.codes[:0]
	for y := range a.h {
		for p := img.Pix[y*img.Stride:][:4*a.w]; len(p) > 0; p = p[4:] {
			codes = append(codes, p[0], p[1], p[2])
		}
	}
	a.codes = codes
	a.add(3, &srgb, at)
}

// AddFrame is Add for a frame as a panel takes it.
func (a *Analyzer) AddFrame(f pixel.Format, frame []byte, at time.Duration) {
	if want := f.FrameBytes(a.w, a.h); len(frame) != want {
		panic(fmt.Sprintf("flash: frame of %d bytes, want %d for %d×%d pixels in %v", len(frame), want, a.w, a.h, f))
	}
	channels := f.Channels()
	if a.format != f {
		a.format = f
		for ch := range channels {
			for c := range a.light[ch] {
				a.light[ch][c] = linear[f.Value8(ch, uint8(c))]
			}
		}
	}
	a.codes = append(a.codes[:0], make([]byte, a.w*a.h*channels)...)
	f.Unpack(a.codes, frame, a.w, a.h)
	a.add(channels, &a.light, at)
}

// add looks at a picture of codes, whose light stands in a table for each channel.
func (a *Analyzer) add(channels int, light *[3][256]float32, at time.Duration) {
	a.begin(at)
	var keep [][3]uint16
	if a.loops && at < window {
		keep = make([][3]uint16, len(a.cells))
		a.opening = append(a.opening, averages{at, keep})
	}
	second := int(at / time.Second)
	for len(a.means) <= second {
		a.means = append(a.means, mean{})
	}
	m := &a.means[second]
	m.pictures++
	share := 1 / float32(a.w*a.h)
	i := 0
	for y := 0; y < a.h; y += cell {
		for x := 0; x < a.w; x += cell {
			w, h := min(cell, a.w-x), min(cell, a.h-y)
			var r, g, b float32
			for dy := range h {
				p := a.codes[((y+dy)*a.w+x)*channels:][:w*channels]
				if channels == 1 {
					for _, c := range p {
						r += light[0][c]
					}
					g, b = r, r
					continue
				}
				for ; len(p) > 0; p = p[3:] {
					r, g, b = r+light[0][p[0]], g+light[1][p[1]], b+light[2][p[2]]
				}
			}
			for ch, sum := range [3]float32{r, g, b} {
				m.light[ch] += sum * share
			}
			n := float32(w * h)
			r, g, b = r/n, g/n, b/n
			a.look(i, r, g, b)
			if keep != nil {
				keep[i] = [3]uint16{uint16(65535*r + 0.5), uint16(65535*g + 0.5), uint16(65535*b + 0.5)}
			}
			i++
		}
	}
	a.end()
}

// Again plays the first second of a clip that loops once more, after its end.
func (a *Analyzer) Again(end time.Duration) {
	for _, p := range a.opening {
		a.begin(end + p.at)
		for i, c := range p.cells {
			a.look(i, float32(c[0])/65535, float32(c[1])/65535, float32(c[2])/65535)
		}
		a.end()
	}
}

func (a *Analyzer) begin(at time.Duration) {
	a.number++
	for k := range a.views {
		a.views[k].begin(changes{number: a.number, at: at})
	}
}

func (a *Analyzer) end() {
	for k := range a.views {
		a.views[k].end(area * float64(a.w*a.h))
	}
}

// look looks at the mean colour of a cell.
func (a *Analyzer) look(i int, r, g, b float32) {
	across := (a.w + cell - 1) / cell
	pixels := min(cell, a.w-i%across*cell) * min(cell, a.h-i/across*cell)
	s := &a.cells[i]
	y := 0.2126*r + 0.7152*g + 0.0722*b
	if a.number == 1 {
		s.low, s.high = y, y
	}
	s.low, s.high = min(s.low, y), max(s.high, y)
	switch {
	case s.last <= 0 && y-s.low >= change && s.low < bright:
		s.last, s.low, s.high = 1, y, y
		a.change(s, General, 1, pixels)
	case s.last >= 0 && s.high-y >= change && y < bright:
		s.last, s.low, s.high = -1, y, y
		a.change(s, General, 0, pixels)
	}

	c := chromaticity(r, g, b)
	if r > 0 && r >= redShare*(r+g+b) {
		if s.lastRed <= 0 && s.hasOther && c.from(s.other) > redShift {
			s.lastRed, s.hasOther = 1, false
			a.change(s, Red, 1, pixels)
		}
		s.red, s.hasRed = c, true
		return
	}
	if s.lastRed >= 0 && s.hasRed && c.from(s.red) > redShift {
		s.lastRed, s.hasRed, s.hasOther = -1, false, false
		a.change(s, Red, 0, pixels)
	}
	if !s.hasOther || c.from(primary) > s.other.from(primary) {
		s.other, s.hasOther = c, true
	}
}

// together is how far apart in time the changes of pixels may be that make one change of
// the view: half of a flash, when there are three in a second.
const together = window / (2 * most)

// change takes note that a cell changed with the picture at hand, and no longer before.
func (a *Analyzer) change(s *state, k Kind, up, pixels int) {
	recent := &a.views[k].recent
	last := &s.changed[k]
	if i := last.number - recent[last.up][0].number; i >= 0 {
		recent[last.up][i].pixels -= pixels
	}
	recent[up][len(recent[up])-1].pixels += pixels
	last.number, last.up = a.number, up
}

// begin makes room for the changes of a picture and forgets those too far back.
func (v *view) begin(c changes) {
	for up, row := range v.recent {
		row = append(row, c)
		for row[0].at <= c.at-together {
			row = row[1:]
		}
		v.recent[up] = row
	}
}

// end looks whether more than enough pixels have changed one way, after more than enough
// changed the other way before.
func (v *view) end(enough float64) {
	for up, row := range v.recent {
		sum := 0
		for _, c := range row {
			sum += c.pixels
		}
		if direction := int8(2*up - 1); float64(sum) > enough && v.last != direction {
			v.last, v.at = direction, append(v.at, row[len(row)-1].at)
			return
		}
	}
}

// Report says what was found up to the end of the last picture.
func (a *Analyzer) Report() Report {
	r := Report{General: a.views[General].finding(), Red: a.views[Red].finding()}
	for _, spans := range [][]Span{r.General.Over, r.General.Long, r.Red.Over, r.Red.Long} {
		for i := range spans {
			spans[i].Mean = a.mean(spans[i].From, spans[i].To)
		}
	}
	return r
}

// mean is the mean light of the pictures of all seconds from one time to another. What
// was played again has none of its own.
func (a *Analyzer) mean(from, to time.Duration) (light [3]float64) {
	n := 0.0
	for s := int(from / time.Second); s <= int(to/time.Second) && s < len(a.means); s++ {
		n += float64(a.means[s].pictures)
		for ch, l := range a.means[s].light {
			light[ch] += float64(l)
		}
	}
	for ch := range light {
		light[ch] /= max(n, 1)
	}
	return light
}

// finding counts flashes: two changes, one each way, are one.
func (v *view) finding() Finding {
	var f Finding
	first := 0
	for i, at := range v.at {
		for v.at[first] <= at-window {
			first++
		}
		n := (i - first + 1) / 2
		f.Rate = max(f.Rate, float64(n))
		if n > most {
			if len(f.Over) == 0 {
				f.First = v.at[first]
			}
			f.Over = extend(f.Over, Span{From: v.at[first], To: at})
		}
	}
	from := 0
	for i := range v.at {
		if i+1 < len(v.at) && v.at[i+1]-v.at[i] < window {
			continue
		}
		if v.at[i]-v.at[from] > long {
			f.Long = append(f.Long, Span{From: v.at[from], To: v.at[i]})
		}
		from = i + 1
	}
	return f
}

// extend adds a span to a row of spans, joined to the last one where they touch.
func extend(row []Span, s Span) []Span {
	if n := len(row); n > 0 && s.From <= row[n-1].To {
		row[n-1].To = max(row[n-1].To, s.To)
		return row
	}
	return append(row, s)
}
