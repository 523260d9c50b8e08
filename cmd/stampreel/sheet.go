package main

import (
	"context"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"
	"path/filepath"

	"github.com/disintegration/imaging"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"

	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
)

// Measures of a contact sheet, in pixels.
const (
	sheetMargin   = 20
	sheetGap      = 12   // between frames, and above a section
	sheetFrame    = 240  // wanted width of a frame
	sheetTallest  = 360  // a frame is enlarged up to here
	sheetWidth    = 1100 // wanted width of a clip's frames together
	headingHeight = 46   // name and facts
	stripHeight   = 28   // bytes of each beat
	stripGap      = 14   // below it, with marks where frames are from
	captionHeight = 20
	sheetLimit    = 64 << 20 // pixels of the whole sheet
)

var (
	sheetColour   = color.NRGBA{0x24, 0x24, 0x26, 255}
	edgeColour    = color.NRGBA{0x4c, 0x4c, 0x50, 255} // around a frame, so that black ends somewhere
	nameColour    = color.NRGBA{0xf0, 0xf0, 0xf0, 255}
	factsColour   = color.NRGBA{0xb8, 0xb8, 0xbc, 255}
	captionColour = color.NRGBA{0x9a, 0x9a, 0xa0, 255}
)

// codingColours are those of the page on a dark ground.
var codingColours = map[container.FrameCoding]color.NRGBA{
	container.Repeat:   {0xa8, 0xaf, 0xb7, 255},
	container.Raw:      {0x7f, 0x9c, 0xc0, 255},
	container.Tiles:    {0x55, 0xb3, 0xa8, 255},
	container.KeyTiles: {0xa5, 0xde, 0xd6, 255},
	container.JPEG:     {0xbc, 0xc8, 0x6a, 255},
}

// sheet is a contact sheet laid out but not drawn.
type sheet struct {
	sections      []section
	width, height int
	name, facts   *typeface
}

// section is a clip on the sheet: its name, its facts, its frames.
type section struct {
	clip        *previewed
	name, facts string
	zoom        int // screen pixels of a side of a panel pixel
	cell        size
	columns     int
	top         int
}

// cellAt is where frame i stands, with its edge of one pixel.
func (s *section) cellAt(i int) image.Rectangle {
	return image.Rect(0, 0, s.cell.Width, s.cell.Height).Add(image.Pt(
		sheetMargin+i%s.columns*(s.cell.Width+sheetGap),
		s.top+headingHeight+stripHeight+stripGap+i/s.columns*(s.cell.Height+captionHeight+sheetGap)))
}

// strip is where the bytes of the beats are drawn, in a sheet so wide.
func (s *section) strip(width int) image.Rectangle {
	return image.Rect(sheetMargin, s.top+headingHeight, width-sheetMargin, s.top+headingHeight+stripHeight)
}

// layOut places the clips: a row for each of a folder, a block for one alone.
func layOut(operand string, folder bool, clips []*previewed) (*sheet, error) {
	s := &sheet{}
	var err error
	if s.name, err = newTypeface(gobold.TTF, 15); err != nil {
		return nil, err
	}
	if s.facts, err = newTypeface(goregular.TTF, 13); err != nil {
		return nil, err
	}
	widest := 0
	y := sheetMargin
	for _, clip := range clips {
		h := &clip.header
		upright := uprightSize(h)
		sec := section{clip: clip, name: filepath.Base(clip.Path), facts: clipText(h), zoom: zoomOf(upright), columns: len(clip.Beats), top: y}
		if folder {
			if rel, err := filepath.Rel(operand, clip.Path); err == nil {
				sec.name = filepath.ToSlash(rel)
			}
		}
		sec.name = console.Name(sec.name)
		sec.cell = size{upright.Width*sec.zoom + 2, upright.Height*sec.zoom + 2}
		if !folder {
			sec.columns = columnsFor(len(clip.Beats), sec.cell.Width)
		}
		rows := (len(clip.Beats) + sec.columns - 1) / sec.columns
		widest = max(widest, sec.columns*(sec.cell.Width+sheetGap)-sheetGap, min(s.facts.width(sec.facts), sheetWidth))
		y += headingHeight + stripHeight + stripGap + rows*(sec.cell.Height+captionHeight+sheetGap)
		s.sections = append(s.sections, sec)
	}
	s.width, s.height = widest+2*sheetMargin, y-sheetGap+sheetMargin
	if int64(s.width)*int64(s.height) > sheetLimit {
		e := &triedError{fmt.Sprintf("a sheet of %d×%d pixels is too large to draw, %d million are the most", s.width, s.height, sheetLimit>>20), "fewer frames: --frames 3"}
		if folder && len(clips) > 1 {
			e.try = "a folder inside " + console.Name(operand) + ", or --frames 2"
		}
		return nil, e
	}
	return s, nil
}

// zoomOf is the whole number by which a frame comes closest to the wanted
// width without becoming very tall.
func zoomOf(s size) int {
	zoom := int(math.Round(sheetFrame / float64(s.Width)))
	return max(1, min(zoom, sheetTallest/s.Height))
}

// columnsFor spreads frames over rows of equal length as far as possible.
func columnsFor(frames, width int) int {
	most := max(1, (sheetWidth+sheetGap)/(width+sheetGap))
	rows := (frames + most - 1) / most
	return (frames + rows - 1) / rows
}

func (s *sheet) draw(ctx context.Context, done func(int64)) (*image.NRGBA, error) {
	img := imaging.New(s.width, s.height, sheetColour)
	for _, sec := range s.sections {
		room := s.width - 2*sheetMargin
		s.name.write(img, sheetMargin, sec.top+14, room, nameColour, sec.name)
		s.facts.write(img, sheetMargin, sec.top+34, room, factsColour, sec.facts)
		if err := s.drawFrames(ctx, img, sec, done); err != nil {
			return nil, err
		}
	}
	return img, nil
}

func (s *sheet) drawFrames(ctx context.Context, img *image.NRGBA, sec section, done func(int64)) error {
	r, f, err := openClip(sec.clip.Path)
	if err != nil {
		return err
	}
	defer f.Close()
	h := r.Header()
	if h.Beats != sec.clip.header.Beats || uprightSize(&h) != uprightSize(&sec.clip.header) {
		return fmt.Errorf("%s changed while it was read", sec.clip.Path)
	}
	if err := s.drawStrip(ctx, img, sec, r); err != nil {
		return err
	}
	var b container.Beat
	panel := container.NewPanel(&h)
	for i, number := range sec.clip.Beats {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := r.Show(number, panel, &b); err != nil {
			return fmt.Errorf("%s: %w", sec.clip.Path, err)
		}
		frame, err := fill.Picture(&h, panel.Pixels)
		if err != nil {
			return fmt.Errorf("%s: %w", sec.clip.Path, err)
		}
		cell := sec.cellAt(i)
		draw.Draw(img, cell, image.NewUniform(edgeColour), image.Point{}, draw.Src)
		large := imaging.Resize(frame, frame.Bounds().Dx()*sec.zoom, 0, imaging.NearestNeighbor)
		draw.Draw(img, cell.Inset(1), large, image.Point{}, draw.Src)
		caption := console.Duration(container.BeatTime(h.Rate(), number))
		s.facts.write(img, cell.Min.X, cell.Max.Y+15, sec.cell.Width, captionColour, caption)
		done(1)
	}
	return nil
}

// drawStrip draws the bytes of each beat as a bar in the colour of its coding, of those in a
// column the largest one's, and marks where the frames below are from. A beat whose header
// cannot be read has no bar.
func (s *sheet) drawStrip(ctx context.Context, img *image.NRGBA, sec section, r *container.Reader) error {
	h := r.Header()
	at := sec.strip(s.width)
	largest, biggest := int64(1), make([]struct {
		bytes  int64
		coding container.FrameCoding
	}, min(int(h.Beats), at.Dx()))
	column := func(n uint32) int { return int(int64(n) * int64(len(biggest)) / int64(h.Beats)) }
	for n := range h.Beats {
		if n%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		var b container.Beat
		if r.ReadHeader(h.FirstBeat+n, &b) != nil {
			continue
		}
		if c, bytes := &biggest[column(n)], int64(b.Sectors)*container.SectorBytes; bytes > c.bytes {
			c.bytes, c.coding = bytes, b.FrameCoding
			largest = max(largest, bytes)
		}
	}
	left := func(c int) int { return at.Min.X + c*at.Dx()/len(biggest) }
	for i, c := range biggest {
		bar := image.Rect(left(i), at.Max.Y-int((int64(at.Dy())*c.bytes+largest-1)/largest), left(i+1), at.Max.Y)
		if bar.Dx() > 3 {
			bar.Max.X--
		}
		draw.Draw(img, bar, image.NewUniform(codingColours[c.coding]), image.Point{}, draw.Src)
	}
	for _, number := range sec.clip.Beats {
		c := column(number - h.FirstBeat)
		x := (left(c) + left(c+1)) / 2
		draw.Draw(img, image.Rect(x, at.Max.Y+2, x+2, at.Max.Y+6), image.NewUniform(nameColour), image.Point{}, draw.Src)
	}
	text := "largest beat " + console.Size(largest)
	room := s.width - 2*sheetMargin
	if width := s.facts.width(text); s.facts.width(sec.facts)+width+sheetGap <= room {
		s.facts.write(img, at.Max.X-width, sec.top+34, width, captionColour, text)
	}
	return nil
}

// typeface is a font at one size.
type typeface struct{ face font.Face }

func newTypeface(ttf []byte, pixels float64) (*typeface, error) {
	parsed, err := opentype.Parse(ttf)
	if err != nil {
		return nil, fmt.Errorf("sheet: %w", err)
	}
	face, err := opentype.NewFace(parsed, &opentype.FaceOptions{Size: pixels, DPI: 72, Hinting: font.HintingFull})
	if err != nil {
		return nil, fmt.Errorf("sheet: %w", err)
	}
	return &typeface{face}, nil
}

func (t *typeface) width(text string) int { return font.MeasureString(t.face, text).Ceil() }

// write puts text on a baseline, cut to the room there is.
func (t *typeface) write(img draw.Image, x, baseline, room int, c color.Color, text string) {
	for n := len([]rune(text)) - 1; n > 0 && t.width(text) > room; n-- {
		text = console.Cut(text, n)
	}
	d := font.Drawer{Dst: img, Src: image.NewUniform(c), Face: t.face, Dot: fixed.P(x, baseline)}
	d.DrawString(text)
}
