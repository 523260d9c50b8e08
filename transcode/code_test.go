package transcode

import (
	"bytes"
	"math"
	"math/rand/v2"
	"testing"

	"example.org/stampreel/container"
	"example.org/stampreel/container/frame/tiles"
	"example.org/stampreel/container/pixel"
)

// film returns pixels of 64×40 in rgb565, changed from frame to frame: noise everywhere
// where noisy, else one small patch.
func filmOf(rnd *rand.Rand, frame []byte, noisy bool) []byte {
	next := bytes.Clone(frame)
	if noisy {
		for i := range next {
			next[i] = byte(rnd.Uint32())
		}
		return next
	}
	at := rnd.IntN(30)*128 + 2*rnd.IntN(50)
	for y := range 8 {
		copy(next[at+128*y:][:16], bytes.Repeat([]byte{byte(rnd.Uint32()), 7}, 8))
	}
	return next
}

// Of noise raw frames are kept, of small changes tiles; whatever is chosen, the panel shows
// each picture, and what was chosen never costs more than a raw frame.
func TestACodingIsChosenForEachBeat(t *testing.T) {
	settings := container.Settings{Width: 64, Height: 40, PixelFormat: pixel.RGB565, Rate: container.Ratio{Num: 10, Den: 1}}
	h := container.Header{Width: 64, Height: 40, PixelFormat: pixel.RGB565}
	for _, o := range []Coding{{}, {Tiles: true}, {Tiles: true, Always: true}} {
		rnd := rand.New(rand.NewPCG(1, 2))
		c, err := newCoder(o, &settings)
		if err != nil {
			t.Fatal(err)
		}
		panel, pixels := container.NewPanel(&h), make([]byte, 2*64*40)
		kinds := map[bool]map[container.FrameCoding]int{true: {}, false: {}}
		for n := range 400 {
			noisy := n/100%2 == 1
			same := n%7 == 3
			if !same {
				pixels = filmOf(rnd, pixels, noisy)
			}
			frame, err := c.code(pixels, same, n%20 == 0)
			if err != nil {
				t.Fatal(err)
			}
			kinds[noisy][frame.Coding]++
			if len(frame.Bytes) > len(pixels) {
				t.Fatalf("beat %d: %v of %d bytes", n, frame.Coding, len(frame.Bytes))
			}
			b := container.Beat{BeatHeader: container.BeatHeader{Number: uint32(n), FrameCoding: frame.Coding, PanelBytes: uint32(frame.PanelBytes)}, Frame: frame.Bytes}
			if n%20 == 0 && !b.Key() {
				t.Fatalf("beat %d: %v where a key beat is due", n, frame.Coding)
			}
			if err := panel.Show(&b); err != nil || !bytes.Equal(panel.Pixels, pixels) {
				t.Fatalf("beat %d, %v: the panel shows another picture: %v", n, frame.Coding, err)
			}
		}
		calm, noise := kinds[false], kinds[true]
		if o.Tiles && (calm[container.Tiles] < 100 || calm[container.Raw] > 5 || noise[container.Raw] < 100) || !o.Tiles && len(calm)+len(noise) != 4 {
			t.Errorf("%+v: of small changes %v, of noise %v", o, calm, noise)
		}
	}
}

// On a player that decodes slowly but has a slow card too, tiles of a busy picture would
// save more at the card than they take at the panel, and make a clip late that plays of raw
// frames. Whatever is chosen asks the panel and the decoder for no more than a raw frame, or half a beat.
func TestTilesNeverKeepThePanelLonger(t *testing.T) {
	settings := container.Settings{Width: 64, Height: 40, PixelFormat: pixel.RGB565, Rate: container.Ratio{Num: 1000, Den: 1}}
	o := Coding{Tiles: true, TileCost: tiles.Cost{Tile: 20e6, PanelByte: 400e3, CardByte: 4e6}, RawCost: tiles.Cost{Tile: 5e6, PanelByte: 200e3, CardByte: 4e6}}
	c, err := newCoder(o, &settings)
	if err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(5, 6))
	raw, tiled, cheap := 0, 0, 0
	twin, err := tiles.NewEncoder(settings.PixelFormat, 64, 40, tiles.Options{Cost: o.TileCost})
	if err != nil {
		t.Fatal(err)
	}
	for n := range 300 {
		pixels := make([]byte, 2*64*40) // rows of one colour, of which some change
		for y := range 40 {
			shade := byte(y)
			if rnd.IntN(300) < n {
				shade = byte(rnd.Uint32())
			}
			copy(pixels[128*y:], bytes.Repeat([]byte{shade, 9}, 64))
		}
		c.skip = 0
		frame, err := c.code(pixels, false, n == 0)
		if err != nil {
			t.Fatal(err)
		}
		_, stats, err := twin.Append(nil, pixels, n == 0)
		if err != nil {
			t.Fatal(err)
		}
		shown := int64(stats.Tiles)*20e6 + int64(stats.PanelBytes)*400e3
		switch most := int64(5e6 + 2*64*40*200e3); {
		case frame.Coding == container.Raw:
			raw++
			if shown > most && c.tilesCost(stats) < c.rawCost() {
				cheap++
			}
		case shown > most:
			t.Fatalf("beat %d: tiles take %d at the panel, a raw frame %d", n, shown, most)
		default:
			tiled++
		}
	}
	if raw < 20 || tiled < 20 || cheap < 20 {
		t.Errorf("%d raw, %d tiles, %d raw though tiles cost less in all: the test means nothing", raw, tiled, cheap)
	}
}

// What is ignored is no tile, and does not add up.
func TestIgnoredChangesDoNotAddUp(t *testing.T) {
	settings := container.Settings{Width: 16, Height: 8, PixelFormat: pixel.Grey8}
	h := container.Header{Width: 16, Height: 8, PixelFormat: pixel.Grey8}
	c, err := newCoder(Coding{Tiles: true, Ignore: 3, TileCost: tiles.DefaultCost, RawCost: tiles.DefaultCost}, &settings)
	if err != nil {
		t.Fatal(err)
	}
	panel, repeats := container.NewPanel(&h), 0
	for n := range 60 {
		pixels := bytes.Repeat([]byte{byte(100 + n)}, 128)
		frame, err := c.code(pixels, false, n == 0)
		if err != nil {
			t.Fatal(err)
		}
		if frame.Coding == container.Repeat {
			repeats++
		}
		if err := panel.Show(&container.Beat{BeatHeader: container.BeatHeader{FrameCoding: frame.Coding, PanelBytes: uint32(frame.PanelBytes)}, Frame: frame.Bytes}); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(c.panel(pixels), panel.Pixels) {
			t.Fatalf("beat %d: the coder takes the panel to show %d, it shows %d", n, c.panel(pixels)[0], panel.Pixels[0])
		}
		for _, p := range panel.Pixels {
			if d := int(p) - int(pixels[0]); d < -3 || d > 3 {
				t.Fatalf("beat %d shows %d, want %d ± 3", n, p, pixels[0])
			}
		}
	}
	if repeats != 45 { // three of four
		t.Errorf("%d repeats in 60 beats that rise by 1 each, want 45", repeats)
	}
}

// With JPEG every picture that changes is an image, at most one of a small panel a raw frame;
// the panel shows what the image's exact decode gives, near the picture.
func TestPicturesAsJPEG(t *testing.T) {
	for _, c := range []struct {
		format pixel.Format
		side   int
		near   float64 // mean difference of 255, the panel's levels included
	}{{pixel.RGB565, 64, 6}, {pixel.RGB666, 48, 5}, {pixel.Grey8, 64, 4}, {pixel.RGB565, 8, 8}} {
		settings := container.Settings{Width: c.side, Height: c.side, PixelFormat: c.format, Rate: container.Ratio{Num: 10, Den: 1}}
		h := container.Header{Width: uint16(c.side), Height: uint16(c.side), PixelFormat: c.format}
		coder, err := newCoder(Coding{JPEG: 90, Always: true}, &settings)
		if err != nil {
			t.Fatal(err)
		}
		panel := container.NewPanel(&h)
		kinds := map[container.FrameCoding]int{}
		for n := range 20 {
			rgb := make([]byte, 3*c.side*c.side)
			for i := range rgb {
				x, y := i/3%c.side, i/3/c.side
				v := 100 + 90*math.Sin(float64(x+2*n)/9)*math.Cos(float64(y)/11)
				if c.format.Channels() == 3 {
					v += float64(20 * (i % 3))
				}
				rgb[i] = byte(v)
			}
			frame, err := coder.code(rgb, n%5 == 4, n%10 == 0)
			if err != nil {
				t.Fatal(err)
			}
			kinds[frame.Coding]++
			if frame.Coding == container.Repeat {
				continue
			}
			b := container.Beat{BeatHeader: container.BeatHeader{Number: uint32(n), FrameCoding: frame.Coding, PanelBytes: uint32(frame.PanelBytes)}, Frame: frame.Bytes}
			if err := panel.Show(&b); err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(panel.Pixels, coder.panel(rgb)) {
				t.Fatalf("%v: the panel shows another picture than the coder says", c.format)
			}
			img, err := c.format.Image(panel.Pixels, c.side, c.side)
			if err != nil {
				t.Fatal(err)
			}
			sum := 0.0
			for i := range rgb {
				sum += math.Abs(float64(img.Pix[i/3*4+i%3]) - float64(rgb[i]))
			}
			if mean := sum / float64(len(rgb)); mean > c.near {
				t.Errorf("%v of %d pixels, beat %d: %.1f of 255 from the picture", c.format, c.side, n, mean)
			}
		}
		want := container.JPEG
		if c.side == 8 { // 128 bytes, and the tables take more
			want = container.Raw
		}
		if kinds[container.Repeat] != 4 || kinds[want] != 16 {
			t.Errorf("%v of %d pixels: %v", c.format, c.side, kinds)
		}
	}
}

// With a quality and tiles each picture is stored as what costs least, and the panel shows the
// same whatever that is: small changes as tiles, scenes as JPEG, which decodes quickly here.
func TestJPEGAndTilesShowTheSame(t *testing.T) {
	const side = 64
	settings := container.Settings{Width: side, Height: side, PixelFormat: pixel.RGB565, Rate: container.Ratio{Num: 10, Den: 1}}
	h := container.Header{Width: side, Height: side, PixelFormat: pixel.RGB565}
	cost := tiles.Cost{Tile: 10e6, PanelByte: 250e3, CardByte: 2e6}
	coder, err := newCoder(Coding{Tiles: true, JPEG: 80, TileCost: cost, RawCost: tiles.Cost{Tile: 5e6, PanelByte: 200e3, CardByte: 2e6}, JPEGCost: JPEGCost{5e6, 200e3, 20e3}}, &settings)
	if err != nil {
		t.Fatal(err)
	}
	alone, err := newCoder(Coding{JPEG: 80, Always: true}, &settings)
	if err != nil {
		t.Fatal(err)
	}
	panel, rnd := container.NewPanel(&h), rand.New(rand.NewPCG(8, 9))
	rgb := make([]byte, 3*side*side)
	kinds := map[container.FrameCoding]int{}
	for n := range 80 {
		if n%20 == 0 { // another scene
			a, b := rnd.Float64()*9+5, rnd.Float64()*9+5
			for i := range rgb {
				x, y := float64(i/3%side), float64(i/3/side)
				rgb[i] = byte(128 + 60*math.Sin(x/a) + 60*math.Cos(y/b))
			}
		}
		x, y := rnd.IntN(side/8)*8, rnd.IntN(side/8)*8 // a dot of one colour
		for j := range 8 {
			for i := range 24 {
				rgb[3*((y+j)*side+x)+i] = byte(rnd.IntN(2) * 200)
			}
		}
		frame, err := coder.code(rgb, false, n%20 == 0)
		if err != nil {
			t.Fatal(err)
		}
		kinds[frame.Coding]++
		b := container.Beat{BeatHeader: container.BeatHeader{Number: uint32(n), FrameCoding: frame.Coding, PanelBytes: uint32(frame.PanelBytes)}, Frame: frame.Bytes}
		if n%20 == 0 && !b.Key() {
			t.Fatalf("beat %d: %v where a key beat is due", n, frame.Coding)
		}
		if err := panel.Show(&b); err != nil {
			t.Fatal(err)
		}
		if _, err := alone.code(rgb, false, false); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(panel.Pixels, alone.panel(rgb)) {
			t.Fatalf("beat %d as %v shows another picture than JPEG alone", n, frame.Coding)
		}
	}
	if kinds[container.JPEG] < 4 || kinds[container.Tiles] < 20 {
		t.Errorf("%v: too few of some, the test means nothing", kinds)
	}
}

// Whatever is tried and chosen for a picture, nothing is allocated once all buffers are there.
func TestCodingAllocatesNothing(t *testing.T) {
	const side = 64
	settings := container.Settings{Width: side, Height: side, PixelFormat: pixel.RGB565, Rate: container.Ratio{Num: 10, Den: 1}}
	coder, err := newCoder(Coding{Tiles: true, JPEG: 80, TileCost: tiles.DefaultCost, RawCost: tiles.DefaultCost, JPEGCost: JPEGCost{1e6, 1e5, 1e4}}, &settings)
	if err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(10, 11))
	var pictures [8][]byte
	for k := range pictures {
		pictures[k] = make([]byte, 3*side*side)
		for i := range pictures[k] {
			x, y := i/3%side, i/3/side
			pictures[k][i] = byte(4*x - 2*y*(k/4) + 20*(i%3))
			if x/8 == k {
				pictures[k][i] ^= byte(rnd.IntN(60))
			}
		}
	}
	kinds, n := map[container.FrameCoding]int{}, 0
	round := func() {
		for _, rgb := range pictures {
			frame, err := coder.code(rgb, false, n%5 == 0)
			if err != nil {
				t.Fatal(err)
			}
			kinds[frame.Coding]++
			n++
		}
	}
	for range 6 {
		round()
	}
	if got := testing.AllocsPerRun(10, round); got > 0 {
		t.Errorf("%g allocations for 8 pictures", got)
	}
	if kinds[container.Tiles] < 10 || len(kinds) < 2 {
		t.Errorf("%v: too few of some, the test means nothing", kinds)
	}
}
