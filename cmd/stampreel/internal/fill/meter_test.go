package fill

import (
	"bytes"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
)

// sineWAV is a second of 997 Hz at a level in dBFS; of full scale, so is its RMS
// level (AES17). The header is written out by hand.
func sineWAV(db float64) []byte {
	return waveOf(48000, 48000, func(t float64) float64 { return math.Pow(10, db/20) * math.Sin(2*math.Pi*997*t) })
}

func TestASoundAloneShowsItsLevel(t *testing.T) {
	notShort(t)
	dir := t.TempDir()
	round, err := playerfile.Parse("player.yaml", []byte("player:\n  name: Test\npanel:\n  size: 160x160\n  shape: round\n  pixels: grey4\n  bus-clock: 40 MHz\n"+
		"sound:\n  rate: 22050 Hz\n  bits: 16\ncard:\n  wiring: 4-bit\n  clock: 40 MHz\nmemory:\n  read-ahead: 256 KiB\n"))
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range []*playerfile.Player{known(t, "rect-240x135"), known(t, "mono-128x64"), round} {
		for db, share := range map[float64]float64{0: 1, -20: 28. / 48, -36: 0.25, -60: 0} { // of a scale from -48 to 0 dB
			s := Settings{Player: p, Workers: 2, Meter: true}
			path := filepath.Join(dir, "tone.srq")
			if _, err := s.Pack(background, Job{Source: put(t, dir, "tone.wav", sineWAV(db)), Clip: path}); err != nil {
				t.Fatal(err)
			}
			r, h := clip(t, path)
			if rate := h.Rate().Float(); math.Abs(rate-25) > 0.01 {
				t.Errorf("%s: %.3f pictures a second, want 25", p.Name.Value, rate)
			}
			// The line of pixels in the middle of the bar: its frame, a gap, what is
			// lit, what is not, a gap, the other side of the frame.
			img := upright(t, r, &h, h.FirstBeat+5) // behind the fade of the beginning
			y := 2 * img.Rect.Dy() / 5
			var edges []int // where dark and lit change
			was := false
			for x := range img.Rect.Dx() {
				if lit := img.NRGBAAt(x, y).R > 128; lit != was {
					edges, was = append(edges, x), lit
				}
			}
			line := edges[1] - edges[0]
			width := edges[len(edges)-2] - edges[1] - 2*line
			got := 0
			if len(edges) > 4 {
				got = edges[3] - edges[2]
				if edges[2] != edges[1]+line {
					t.Errorf("%s: %g dBFS: what is lit begins at %d, the frame ends at %d", p.Name.Value, db, edges[2], edges[1])
				}
			}
			if want := share * float64(width); math.Abs(float64(got)-want) > 1 || width < img.Rect.Dx()*3/4 {
				t.Errorf("%s: %g dBFS fills %d of %d pixels, want %.1f", p.Name.Value, db, got, width, want)
			}
		}
	}
}

func TestAMeterIsForSoundWithoutPicturesAlone(t *testing.T) {
	dir := t.TempDir()
	film, chime, other := put(t, dir, "film.y4m", madeY4M(16, 8, 50, 25)), put(t, dir, "chime.wav", sineWAV(-20)), put(t, dir, "other.wav", sineWAV(0))
	pack := func(s Settings, src, snd string) (data []byte, h container.Header) {
		t.Helper()
		path := filepath.Join(dir, "out.srq")
		if _, err := s.Pack(background, Job{Source: src, Sound: snd, Clip: path}); err != nil {
			t.Fatal(err)
		}
		_, h = clip(t, path)
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return data[int(container.SectorBytes):], h // the header notes that it was asked for
	}
	plain := sign(t)
	metered := plain
	metered.Meter = true
	a, _ := pack(plain, film, chime)
	b, _ := pack(metered, film, chime)
	if !bytes.Equal(a, b) {
		t.Error("a film with its sound is packed otherwise")
	}
	var nothing *NothingError
	if _, err := metered.Pack(background, Job{Source: other, Sound: chime, Clip: filepath.Join(dir, "none.srq")}); !errors.As(err, &nothing) {
		t.Errorf("a sound beside a sound: %v", err)
	}
	_, one := pack(plain, chime, "")
	_, two := pack(metered, chime, "")
	if one.Identity != two.Identity || one.Beats == two.Beats {
		t.Errorf("identities %x and %x of %d and %d beats, want one and others", one.Identity, two.Identity, one.Beats, two.Beats)
	}
	r, h := clip(t, filepath.Join(dir, "out.srq"))
	lit := 0
	img := upright(t, r, &h, h.FirstBeat+5) // behind the fade of the beginning
	for x := range 128 {
		if img.NRGBAAt(x, 25).R > 128 {
			lit++
		}
	}
	if lit < 60 || lit > 85 { // 28 of 48 parts of 116 pixels and the frame
		t.Errorf("%d pixels are lit for -20 dBFS", lit)
	}
	silent := metered
	silent.Player = known(t, "round-240")
	if _, err := silent.Pack(background, Job{Source: chime, Clip: filepath.Join(dir, "none.srq")}); err == nil || !strings.Contains(err.Error(), "nothing to pack") {
		t.Errorf("for a player without a speaker: %v", err)
	}
}
