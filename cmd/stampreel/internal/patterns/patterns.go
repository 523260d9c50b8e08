// Package patterns makes the clips that bring a new player to life. Each shows
// one thing in such a way that every usual mistake (a turned or shifted panel,
// bytes in the wrong order, a sound that comes late, a card that is slower than
// was thought) looks or sounds unmistakably its own, and says what to change.
//
// The pictures are drawn by code at the panel's own size and in its own levels,
// and packed without scaling or dithering like any other source: what is seen
// on the panel is then the doing of the panel, the firmware and the player file
// alone. The same player file gives the same bytes.
package patterns

import (
	"context"
	"fmt"
	"image"
	"io"
	"path/filepath"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/transcode"
	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/source"
)

// Clip is one pattern for one player.
type Clip struct {
	File  string  // its name in the folder; 8.3, for a card driver without long names
	Shows string  // what it shows, in a line
	Right string  // what is seen and heard when all is well, in sentences
	Wrong []Fault // what is seen and heard when it is not

	// Table is more to compare with, rows under headings; nil for none.
	Table [][]string
	// Steps are those of the load clip, in order; nil for the others.
	Steps []Step
	// Heavy says that the clip is meant to be more than the player can bear.
	Heavy bool

	loop  bool
	rates []int64 // beats a second that it can be made at, best first
	media func(rate int64) *source.Media
}

// Fault is a wrong picture or sound and what to change.
type Fault struct{ Seen, Change string }

// Files are the names of all patterns, of which a player gets those that suit it.
var Files = []string{"1-edges.srq", "2-colour.srq", "2-levels.srq", "3-ramp.srq", "4-motion.srq", "5-flash.srq", "6-sound.srq", "7-load.srq"}

// For returns the patterns for a player, in the order in which a new player
// should be given them. One without a speaker gets none that need it.
func For(p *playerfile.Player) ([]Clip, error) {
	b, err := newBoard(p)
	if err != nil {
		return nil, err
	}
	ramp, err := b.ramp()
	if err != nil {
		return nil, err
	}
	clips := []Clip{b.edges(), b.colours(), ramp, b.motion()}
	if p.HasSound() {
		clips = append(clips, b.flash(), b.sound())
	}
	return append(clips, b.load()), nil
}

// Pack writes a clip into a folder. Where the player would not play it at its
// best rate it is made at the next lower one; the last is taken as it is.
func (c *Clip) Pack(ctx context.Context, p *playerfile.Player, folder string, workers int) (*fill.Packed, error) {
	none := picture.None
	// Raw frames are what a new player can show first.
	s := fill.Settings{Player: p, Fit: picture.Stretch, Dither: &none, Loop: &c.loop, Coding: fill.Raw, PlainSound: true, Workers: workers}
	for i, rate := range c.rates {
		s.Rate = source.Ratio{Num: rate, Den: 1}
		path := filepath.Join(folder, c.File)
		packed, err := s.PackInput(ctx, transcode.Input{Media: c.media(rate)}, fill.Job{Clip: path})
		if err != nil {
			return nil, fmt.Errorf("%s: %w", c.File, err)
		}
		if c.Heavy || packed.Verdict.OK() && packed.Verdict.Typical.Word == budget.Plays || i == len(c.rates)-1 {
			return packed, nil
		}
	}
	return nil, fmt.Errorf("patterns: %s has no rate", c.File)
}

// board is a player's panel and speaker as the drawings see them.
type board struct {
	p       *playerfile.Player
	w, h    int
	round   bool
	box     image.Rectangle // where all of a drawing is seen
	colour  bool
	levels  int // of grey
	typeset *typesetter
}

func newBoard(p *playerfile.Player) (*board, error) {
	size, format := p.Panel.Size.Value, p.Panel.Pixels.Value
	b := &board{p: p, w: size.W, h: size.H, round: p.Panel.Shape.Value == playerfile.Round, colour: format.Channels() == 3}
	b.levels = format.Levels(0)
	for ch := range format.Channels() {
		b.levels = min(b.levels, format.Levels(ch))
	}
	b.box = image.Rect(0, 0, b.w, b.h).Inset(min(3, (min(b.w, b.h)-1)/2))
	if b.round {
		// The rectangle in an ellipse that has its proportions: 1/√2 of it.
		b.box = image.Rect(b.w*15/100, b.h*15/100, b.w-b.w*15/100, b.h-b.h*15/100)
	}
	var err error
	// Soft edges of letters need levels between their colour and the ground.
	b.typeset, err = newTypesetter(b.levels >= 16)
	return b, err
}

// bestRates are the rates for motion: as many as the panel takes, none above the
// one that is best.
func (b *board) bestRates(best int64) (rates []int64) {
	num, den := budget.PictureRate(b.p)
	most := max(num/den, 1)
	for _, r := range []int64{30, 25, 24, 20, 15, 12, 10, 8, 6, 5, 4, 3, 2, 1} {
		if r <= best && r <= most {
			rates = append(rates, r)
		}
	}
	return rates
}

// made joins pictures and sound; what tells them from others are the name of
// the clip, its rate and all figures of the player that a drawing depends on.
func (b *board) made(name string, rate int64, p source.Pictures, s source.Sound) *source.Media {
	panel, sound := b.p.Panel, b.p.Sound
	from := fmt.Sprintln("pattern", name, rate, panel.Size.Value, panel.Shape.Value, panel.Pixels.Value, panel.Mounted.Value,
		panel.RealClock.Value, sound.RealRate.Value, sound.Channels.Value)
	return source.Made("test pattern", p, s, []byte(from))
}

// film is pictures drawn by code, each for as many beats as it stays.
type film struct {
	b     *board
	rate  int64                       // beats a second
	beats int64                       // of the whole film
	stays func(beat int64) int64      // beats that the picture of a beat stays; nil: 1
	draw  func(c *canvas, beat int64) // draws onto black
	at    int64
}

func (f *film) Info() source.PicturesInfo {
	return source.PicturesInfo{
		Width: f.b.w, Height: f.b.h, Tick: source.Ratio{Num: 1, Den: f.rate},
		Rate: source.Ratio{Num: f.rate, Den: 1}, Duration: source.Ratio{Num: f.beats, Den: f.rate},
	}
}

func (f *film) Next(context.Context) (*source.Timed, error) {
	if f.at >= f.beats {
		return nil, io.EOF
	}
	stay := int64(1)
	if f.stays != nil {
		stay = f.stays(f.at)
	}
	c := newCanvas(f.b.w, f.b.h)
	f.draw(c, f.at)
	t := &source.Timed{Picture: picture.Picture{Image: c.NRGBA}, At: f.at, Until: min(f.at+stay, f.beats)}
	f.at = t.Until
	return t, nil
}

func (f *film) Close() error { return nil }

// stillSeconds is how long a clip of one picture lasts. It loops.
const stillSeconds = 4

// still is a clip of one picture at a beat a second, the lowest rate.
func (b *board) still(c Clip, draw func(c *canvas)) Clip {
	c.loop, c.rates = true, []int64{1}
	c.media = func(rate int64) *source.Media {
		beats := stillSeconds * rate
		return b.made(c.File, rate, &film{
			b: b, rate: rate, beats: beats,
			stays: func(int64) int64 { return beats },
			draw:  func(c *canvas, _ int64) { draw(c) },
		}, nil)
	}
	return c
}
