package railway

import (
	"context"
	"image"
	"image/color"
	"image/draw"
	"image/gif"
	"io"

	"golang.org/x/image/font"
	"golang.org/x/image/font/basicfont"
	"golang.org/x/image/math/fixed"
)

// The platform sign: pure black and white, one panel pixel for each pixel.
const (
	signWidth, signHeight = 128, 64
	signCalls             = "Calling at Fernhollow, Tinder Bridge and Mossgate"
	signStep              = 2 // pixels the text moves in each picture
)

var signStrip = image.Rect(0, 48, signWidth, signHeight)

// signEngine is the small engine, drawn by hand.
var signEngine = []string{
	".........................",
	"#######........##........",
	".#####.........##.....##.",
	".#...#...##....##.....##.",
	".#...#..####..####...####",
	".#...#.##################",
	".#...####################",
	".########################",
	".#########.##############",
	".########################",
	"#########################",
	"..###..####..####..##.##.",
	".#...##....##....##..#..#",
	".#.#.##.##.##.##.##..#..#",
	".#...##....##....##..#..#",
	"..###..####..####..##.##.",
}

func writeSign(ctx context.Context, w io.Writer) error {
	table := color.Palette{color.Black, color.White}
	board := image.NewPaletted(image.Rect(0, 0, signWidth, signHeight), table)
	signText(board, "20:15", 3, 1, 2, 1)
	tag := image.Rect(81, 3, 126, 22)
	draw.Draw(board, tag, image.White, image.Point{}, draw.Src)
	for _, corner := range []image.Point{{81, 3}, {125, 3}, {81, 21}, {125, 21}} {
		board.SetColorIndex(corner.X, corner.Y, 0)
	}
	signText(board, "Plat 2", 83, 5, 1, 0)
	signText(board, "Lanternmouth", 3, 30, 1, 1)
	draw.Draw(board, image.Rect(0, 26, signWidth, 27), image.White, image.Point{}, draw.Src)
	draw.Draw(board, image.Rect(0, 46, signWidth, 47), image.White, image.Point{}, draw.Src)
	stampEngine(board, 99, 28)

	// The strip is drawn once, long, and every picture shows a window of it.
	glyph := basicfont.Face7x13.Advance
	long := len(signCalls)*glyph + 25 + 2*21
	strip := image.NewPaletted(image.Rect(0, 0, long, signStrip.Dy()), table)
	stampEngine(strip, 21, 0)
	signText(strip, signCalls, 25+2*21, 2, 1, 1)

	anim := &gif.GIF{Config: image.Config{ColorModel: table, Width: signWidth, Height: signHeight}}
	for shift := 0; shift < long; shift += signStep {
		if err := ctx.Err(); err != nil {
			return err
		}
		part := image.NewPaletted(signStrip, table)
		if shift == 0 {
			part = board
		}
		for y := signStrip.Min.Y; y < signStrip.Max.Y; y++ {
			for x := range signWidth {
				part.SetColorIndex(x, y, strip.ColorIndexAt((x+shift)%long, y-signStrip.Min.Y))
			}
		}
		anim.Image = append(anim.Image, part)
		anim.Delay = append(anim.Delay, 4)
		anim.Disposal = append(anim.Disposal, gif.DisposalNone)
	}
	return gif.EncodeAll(w, anim)
}

// signText writes s with its top left corner at (x, y), each dot of the
// typeface size pixels wide.
func signText(img *image.Paletted, s string, x, y, size int, ink uint8) {
	f := basicfont.Face7x13
	dots := image.NewAlpha(image.Rect(0, 0, len(s)*f.Advance, f.Height))
	d := font.Drawer{Dst: dots, Src: image.Opaque, Face: f, Dot: fixed.P(0, f.Ascent)}
	d.DrawString(s)
	for py := range dots.Rect.Dy() * size {
		for px := range dots.Rect.Dx() * size {
			if dots.AlphaAt(px/size, py/size).A >= 128 {
				img.SetColorIndex(x+px, y+py, ink)
			}
		}
	}
}

func stampEngine(img *image.Paletted, x, y int) {
	for dy, row := range signEngine {
		for dx, dot := range row {
			if dot == '#' {
				img.SetColorIndex(x+dx, y+dy, 1)
			}
		}
	}
}
