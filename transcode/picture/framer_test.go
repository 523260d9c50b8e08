package picture

import (
	"bytes"
	"image"
	"image/color"
	"strings"
	"testing"

	"example.org/stampreel/container/pixel"
)

// A picture that was framed elsewhere gives the same bytes as the picture
// itself, also where shapes follow one another and the bars move.
func TestFramedPictureIsRenderedAsIfFromTheStart(t *testing.T) {
	for _, f := range []pixel.Format{pixel.RGB565, pixel.MonoPages} {
		o := Options{Width: 40, Height: 24, Format: f, Turn: 1, Background: color.Gray{90},
			Tone: Tone{Contrast: 1.2, Gamma: 1, Saturation: 1.5}, Dither: BlueNoise}
		whole, parted := mustRenderer(t, o), mustRenderer(t, o)
		framer, err := NewFramer(o.Framing())
		if err != nil {
			t.Fatal(err)
		}
		var framed Framed
		for _, card := range []image.Image{testCard(100, 20), testCard(30, 90), testCard(80, 48), testCard(100, 20)} {
			p := Picture{Image: card}
			if err := framer.Frame(&framed, p); err != nil {
				t.Fatal(err)
			}
			want := mustRender(t, whole, p)
			for range 2 { // the framed picture is not used up
				if got := mustRender(t, parted, Picture{Framed: &framed}); !bytes.Equal(got, want) {
					t.Errorf("%v, %v: another frame when framed before", f, card.Bounds())
				}
			}
		}
	}
}

func TestPictureFramedForAnotherPanelIsRefused(t *testing.T) {
	o := Options{Width: 40, Height: 24, Format: pixel.RGB565}
	other, err := NewFramer(Framing{Width: 41, Height: 24})
	if err != nil {
		t.Fatal(err)
	}
	var framed Framed
	if err := other.Frame(&framed, Picture{Image: testCard(41, 24)}); err != nil {
		t.Fatal(err)
	}
	r := mustRenderer(t, o)
	frame := make([]byte, r.FrameBytes())
	if err := r.Render(frame, Picture{Framed: &framed}); err == nil || !strings.Contains(err.Error(), "does not lie on a panel of 40x24") {
		t.Errorf("wider than the panel: %v", err)
	}
	framed.Bounds = image.Rect(0, 0, 40, 24)
	if err := r.Render(frame, Picture{Framed: &framed}); err == nil {
		t.Error("bounds of another size than the picture: no error")
	}
}
