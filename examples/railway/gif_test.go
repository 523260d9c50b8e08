package railway

import (
	"bytes"
	"context"
	"image"
	"image/color"
	"image/gif"
	"os"
	"path/filepath"
	"testing"
)

func openGIF(t *testing.T, name string) *gif.GIF {
	t.Helper()
	dir, _ := sharedReel(t)
	data, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		t.Fatal(err)
	}
	anim, err := gif.DecodeAll(bytes.NewReader(data))
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	if len(anim.Image) == 0 {
		t.Fatalf("%s: no pictures", name)
	}
	return anim
}

// show plays an animation by the rules of the GIF89a specification (section
// 23, disposal method): 1 leaves the part, 2 clears its rectangle, 3 brings
// back what was there before. It plays twice and returns the second round.
func show(anim *gif.GIF) []*image.RGBA {
	screen := image.NewRGBA(image.Rect(0, 0, anim.Config.Width, anim.Config.Height))
	var shown []*image.RGBA
	for range 2 {
		shown = shown[:0]
		for i, part := range anim.Image {
			before := bytes.Clone(screen.Pix)
			for y := part.Rect.Min.Y; y < part.Rect.Max.Y; y++ {
				for x := part.Rect.Min.X; x < part.Rect.Max.X; x++ {
					if c := color.RGBAModel.Convert(part.At(x, y)).(color.RGBA); c.A == 255 {
						screen.SetRGBA(x, y, c)
					}
				}
			}
			seen := image.NewRGBA(screen.Rect)
			copy(seen.Pix, screen.Pix)
			shown = append(shown, seen)
			switch anim.Disposal[i] {
			case gif.DisposalBackground:
				for y := part.Rect.Min.Y; y < part.Rect.Max.Y; y++ {
					for x := part.Rect.Min.X; x < part.Rect.Max.X; x++ {
						screen.SetRGBA(x, y, color.RGBA{})
					}
				}
			case gif.DisposalPrevious:
				copy(screen.Pix, before)
			}
		}
	}
	return shown
}

func TestTheExpressUsesEveryDisposalAndPartsWithHoles(t *testing.T) {
	anim := openGIF(t, Express)
	methods, delays := map[byte]int{}, map[int]int{}
	parts, holes := 0, 0
	for i, part := range anim.Image {
		methods[anim.Disposal[i]]++
		delays[anim.Delay[i]]++
		if part.Rect.Dx() < expressWidth {
			parts++
		}
		for _, index := range part.Pix {
			if _, _, _, a := part.Palette[index].RGBA(); a == 0 {
				holes++
			}
		}
	}
	if len(methods) != 3 || methods[gif.DisposalNone] < 2 || methods[gif.DisposalPrevious] < 2 || methods[gif.DisposalBackground] != 1 {
		t.Errorf("disposal methods %v", methods)
	}
	if len(delays) < 3 {
		t.Errorf("delays %v", delays)
	}
	if parts < 10 || holes == 0 {
		t.Errorf("%d parts, %d clear pixels", parts, holes)
	}
	if anim.LoopCount != 0 {
		t.Errorf("loop count %d, want 0: for ever", anim.LoopCount)
	}
}

// The parts, put together, must show the pictures that were drawn, as near as
// 255 colours come to them.
func TestTheExpressShowsThePicturesDrawn(t *testing.T) {
	shown := show(openGIF(t, Express))
	drawn, err := express(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if len(shown) != len(drawn) {
		t.Fatalf("%d pictures shown, %d drawn", len(shown), len(drawn))
	}
	for i := range drawn {
		sum, worst := 0, 0
		for k, v := range drawn[i].Pix {
			d := int(v) - int(shown[i].Pix[k])
			sum += d * d
			worst = max(worst, d, -d)
		}
		mean := float64(sum) / float64(len(drawn[i].Pix))
		if mean > 20 || worst > 60 {
			t.Errorf("picture %d: mean square error %.1f, worst %d", i, mean, worst)
		}
	}
}

func TestTheSignIsBlackAndWhiteAndMovesEvenly(t *testing.T) {
	anim := openGIF(t, Sign)
	if anim.Config.Width != signWidth || anim.Config.Height != signHeight {
		t.Fatalf("%d by %d", anim.Config.Width, anim.Config.Height)
	}
	shown := show(anim)
	lit := 0
	for i, now := range shown {
		next := shown[(i+1)%len(shown)]
		for y := range signHeight {
			for x := range signWidth {
				c := now.RGBAAt(x, y)
				if c != (color.RGBA{A: 255}) && c != (color.RGBA{255, 255, 255, 255}) {
					t.Fatalf("picture %d has %v at %d, %d", i, c, x, y)
				}
				if c.R > 0 {
					lit++
				}
				// The strip moves left; all else stands still.
				from := x
				if y >= signStrip.Min.Y {
					if x+signStep >= signWidth {
						continue
					}
					from = x + signStep
				}
				if now.RGBAAt(from, y) != next.RGBAAt(x, y) {
					t.Fatalf("picture %d does not lead to the next at %d, %d", i, x, y)
				}
			}
		}
	}
	if share := float64(lit) / float64(len(shown)*signWidth*signHeight); share < .1 || share > .5 {
		t.Errorf("%.0f %% of the dots are lit", 100*share)
	}
}
