package patterns

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
)

// player is a player of the given panel, with a speaker unless sound is empty.
func player(t *testing.T, panel, sound string) *playerfile.Player {
	t.Helper()
	text := "player:\n  name: Test\npanel:\n"
	if !strings.Contains(panel, "bus-clock") {
		panel += "\nbus-clock: 40 MHz"
	}
	for _, line := range strings.Split(panel, "\n") {
		text += "  " + line + "\n"
	}
	if sound != "" {
		text += "sound:\n"
		for _, line := range strings.Split(sound, "\n") {
			text += "  " + line + "\n"
		}
	}
	text += "card:\n  wiring: 4-bit\n  clock: 40 MHz\nmemory:\n  read-ahead: 128 KiB\n"
	p, err := playerfile.Parse("player.yaml", []byte(text))
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return p
}

const (
	mono8  = "rate: 22050 Hz\nreal-rate: 375000/17 Hz\nbits: 8"
	stereo = "rate: 44100 Hz\nbits: 16\nchannels: 2"
)

// clip is a packed clip, read back.
type clip struct {
	*container.Reader
	head container.Header
	data []byte
}

// find returns one of a player's patterns.
func find(t *testing.T, p *playerfile.Player, file string) *Clip {
	t.Helper()
	clips, err := For(p)
	if err != nil {
		t.Fatal(err)
	}
	for i := range clips {
		if strings.HasPrefix(clips[i].File, file) {
			return &clips[i]
		}
	}
	t.Fatalf("no %s among %d patterns", file, len(clips))
	return nil
}

// pack makes one of a player's patterns.
func pack(t *testing.T, p *playerfile.Player, file string) (*Clip, *clip) {
	t.Helper()
	c := find(t, p, file)
	return c, packClip(t, p, c, 2)
}

func packClip(t *testing.T, p *playerfile.Player, c *Clip, workers int) *clip {
	t.Helper()
	dir := t.TempDir()
	packed, err := c.Pack(context.Background(), p, dir, workers)
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range packed.Result.Warnings {
		t.Errorf("%s: %s", c.File, w)
	}
	data, err := os.ReadFile(filepath.Join(dir, c.File))
	if err != nil {
		t.Fatal(err)
	}
	r, err := container.NewReader(bytes.NewReader(data), int64(len(data)), container.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	return &clip{r, r.Header(), data}
}

// stored calls see with what the panel's own memory shows at each beat.
func (c *clip) stored(t *testing.T, see func(beat int, img *image.NRGBA)) {
	t.Helper()
	var b container.Beat
	var shown *image.NRGBA
	for n := range c.head.Beats {
		if err := c.Read(n, &b); err != nil {
			t.Fatal(err)
		}
		if b.FrameCoding == container.Raw {
			img, err := c.head.PixelFormat.Image(b.Frame, int(c.head.Width), int(c.head.Height))
			if err != nil {
				t.Fatal(err)
			}
			shown = img
		}
		see(int(n), shown)
	}
}

// upright calls see with what the viewer sees at each beat.
func (c *clip) upright(t *testing.T, see func(beat int, img *image.NRGBA)) {
	t.Helper()
	c.stored(t, func(beat int, img *image.NRGBA) { see(beat, clockwise(img, int(c.head.Turn))) })
}

// first is what the viewer sees at the first beat.
func (c *clip) first(t *testing.T) (img *image.NRGBA) {
	t.Helper()
	c.upright(t, func(beat int, seen *image.NRGBA) {
		if beat == 0 {
			img = seen
		}
	})
	return img
}

// clockwise turns a picture by quarter turns, one after another.
func clockwise(img *image.NRGBA, quarters int) *image.NRGBA {
	for range quarters {
		w, h := img.Rect.Dx(), img.Rect.Dy()
		out := image.NewNRGBA(image.Rect(0, 0, h, w))
		for y := range h {
			for x := range w {
				out.SetNRGBA(h-1-y, x, img.NRGBAAt(x, y))
			}
		}
		img = out
	}
	return img
}

// samples returns the sound of a channel in the order of playing, of full scale.
func (c *clip) samples(t *testing.T, channel int) (out []float64) {
	t.Helper()
	for n := range c.head.Beats {
		p, err := c.Sound(n)
		if err != nil {
			t.Fatal(err)
		}
		size := c.head.SampleFrameBytes()
		for ; len(p) >= size; p = p[size:] {
			if c.head.SoundCoding == container.U8 {
				out = append(out, (float64(p[channel])-128)/128)
			} else {
				out = append(out, float64(int16(uint16(p[2*channel])|uint16(p[2*channel+1])<<8))/32768)
			}
		}
	}
	return out
}

// advice is what the page says to change where something is seen.
func advice(t *testing.T, c *Clip, seen string) string {
	t.Helper()
	for _, f := range c.Wrong {
		if strings.Contains(f.Seen, seen) {
			return f.Change
		}
	}
	t.Fatal(fmt.Errorf("%s says nothing of %q", c.File, seen))
	return ""
}
