package fill

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"example.org/stampreel/transcode/picture"
)

// A video with bars above and below loses them, whoever decodes it.
func TestBlackBarsAreCutOff(t *testing.T) {
	notShort(t)
	const w, h, top, bottom = 160, 120, 16, 20
	rnd := rand.New(rand.NewPCG(4, 4))
	var y4m bytes.Buffer
	fmt.Fprintf(&y4m, "YUV4MPEG2 W%d H%d F10:1 Ip A1:1 Cmono\n", w, h)
	for range 8 {
		y4m.WriteString("FRAME\n")
		for y := range h {
			for range w {
				luma := byte(16)
				if y >= top && y < h-bottom {
					luma = byte(120 + rnd.IntN(100))
				}
				y4m.WriteByte(luma)
			}
		}
	}
	dir := t.TempDir()
	film := filepath.Join(dir, "film.y4m")
	if err := os.WriteFile(film, y4m.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	s := Settings{Player: known(t, "rect-240x135"), Bars: true}
	cut, err := s.Pack(context.Background(), Job{Source: film, Clip: filepath.Join(dir, "cut.srq")})
	if err != nil {
		t.Fatal(err)
	}
	if want := (picture.Crop{Y: top, W: w, H: h - top - bottom}); cut.Bars == nil || cut.Bars.Crop != want {
		t.Fatalf("bars %+v, want crop %+v", cut.Bars, want)
	}
	s.Bars, s.Crop = false, cut.Bars.Crop
	same, err := s.Pack(context.Background(), Job{Source: film, Clip: filepath.Join(dir, "same.srq")})
	if err != nil {
		t.Fatal(err)
	}
	if same.Bars != nil {
		t.Error("bars are told of that nobody asked for")
	}
	a, errA := os.ReadFile(cut.Files[0])
	b, errB := os.ReadFile(same.Files[0])
	if errA != nil || errB != nil || !bytes.Equal(a, b) {
		t.Errorf("not the clip that --crop makes: %v, %v", errA, errB)
	}
}
