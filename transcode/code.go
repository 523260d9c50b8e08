package transcode

import (
	"bytes"
	"fmt"

	"example.org/stampreel/container"
	"example.org/stampreel/container/frame/jpeg"
	"example.org/stampreel/container/frame/tiles"
)

// Coding says how the pictures of a clip may be stored. The zero value takes raw
// frames and repeats alone.
type Coding struct {
	// Tiles stores of a picture what changed, where that costs less than a raw
	// frame.
	Tiles bool
	// JPEG has the panel show what JPEG of this quality, 1 to 100, shows by the exact decode
	// of FORMAT.md; 0 has it show the picture. It is stored as JPEG, as tiles or as a raw
	// frame, whichever costs least.
	JPEG     int      `json:",omitempty"`
	JPEGCost JPEGCost `json:",omitzero"`
	// Always takes tiles, or JPEG, wherever they are no larger than a raw frame, whatever
	// they cost.
	Always bool
	// What tiles and raw frames take on the player, in picoseconds. All zero is
	// tiles.DefaultCost for both.
	TileCost, RawCost tiles.Cost
	// How far what the panel shows may be from a picture, on the scale of 0…255 in
	// each channel, where it saves tiles.
	Ignore int
}

// JPEGCost is what decoding JPEG takes on the player, in picoseconds, besides what a raw
// frame takes at the panel.
type JPEGCost struct{ Block, Coefficient, Byte int64 }

// A coder chooses the coding of each beat. It keeps what the panel holds.
type coder struct {
	o       Coding
	tiles   *tiles.Encoder // nil for raw frames alone
	payload []byte
	image   []byte        // of JPEG
	raw     int64         // bytes of a raw frame
	most    int64         // picoseconds that tiles may keep the panel and the decoder
	jpeg    *jpeg.Encoder // nil without
	decoder *jpeg.Decoder
	showing []byte // by the panel, of the last JPEG
	width   int    // stored
	windows int    // of the tiles that were made last
	losses  int    // times in a row that tiles were tried and cost more
	skip    int    // beats for which they are not tried
}

// Tiles that cost too much are tried again after 1, 2, 4 … beats, so that films whose
// every pixel changes are not packed at the speed of the search for tiles.
const mostLosses = 5

func newCoder(o Coding, s *container.Settings) (*coder, error) {
	c := &coder{o: o, raw: int64(container.RawFrameBytes(s.PixelFormat, s.Width, s.Height))}
	if o.TileCost == (tiles.Cost{}) && o.RawCost == (tiles.Cost{}) {
		c.o.TileCost, c.o.RawCost = tiles.DefaultCost, tiles.DefaultCost
	}
	if o.JPEG > 0 {
		if err := c.withJPEG(s); err != nil {
			return nil, err
		}
	}
	if !o.Tiles {
		return c, nil
	}
	half := 1e12 * float64(s.Rate.Den) / float64(s.Rate.Num) / 2
	c.most = max(c.shown(c.o.RawCost, 1, c.raw), int64(min(half, 1e18)))
	e, err := tiles.NewEncoder(s.PixelFormat, s.Width, s.Height, tiles.Options{Cost: c.o.TileCost, Ignore: o.Ignore})
	c.tiles = e
	return c, err
}

func (c *coder) withJPEG(s *container.Settings) (err error) {
	if c.jpeg, err = jpeg.NewEncoder(s.Width, s.Height, sampling(s)); err != nil {
		return err
	}
	c.decoder, err = jpeg.NewDecoder(s.PixelFormat, s.Width, s.Height)
	c.showing, c.width = make([]byte, c.raw), s.Width
	return err
}

// encode brings a picture, red, green and blue a pixel, to c.image and what the panel shows
// of it to c.showing, and says what decoding it costs; ok is false where it is larger than a
// raw frame, as it may be on very small panels.
func (c *coder) encode(rgb []byte) (cost int64, ok bool, err error) {
	var stats jpeg.Stats
	if c.image, stats, err = c.jpeg.Append(c.image[:0], rgb, c.width, c.o.JPEG); err != nil {
		return 0, false, err
	}
	if _, err := c.decoder.Decode(c.showing, c.image); err != nil {
		return 0, false, fmt.Errorf("transcode: a JPEG frame does not decode: %w", err)
	}
	k, raw := c.o.JPEGCost, c.o.RawCost
	cost = int64(stats.Blocks)*k.Block + int64(stats.Coefficients)*k.Coefficient + int64(stats.Bytes)*(k.Byte+raw.CardByte) + raw.Tile + c.raw*raw.PanelByte
	return cost, int64(len(c.image)) <= c.raw, nil
}

// panel is what the panel shows after the picture that was coded last.
func (c *coder) panel(picture []byte) []byte {
	switch {
	case c.tiles != nil:
		return c.tiles.Held() // less what was ignored
	case c.jpeg != nil:
		return c.showing
	}
	return picture
}

// code stores the pixels that the panel is to show, or with JPEG their colours before that;
// same says that it shows them already. The frame is valid until the next call.
func (c *coder) code(picture []byte, same, key bool) (container.Frame, error) {
	if same && !key {
		return container.Frame{}, nil
	}
	if c.jpeg == nil {
		frame, _, err := c.exact(picture, key)
		return frame, err
	}
	cost, ok, err := c.encode(picture)
	if err != nil {
		return container.Frame{}, err
	}
	// Whatever is stored, the panel shows the same.
	if !ok || !c.o.Always {
		frame, exact, err := c.exact(c.showing, key)
		if err != nil || !ok || frame.Coding == container.Repeat || exact <= cost {
			return frame, err
		}
	}
	if c.tiles != nil {
		err = c.tiles.Set(c.showing)
	}
	return container.Frame{Coding: container.JPEG, Bytes: c.image, PanelBytes: int(c.raw)}, err
}

// exact stores pixels as tiles or as a raw frame, and says what that costs.
func (c *coder) exact(pixels []byte, key bool) (frame container.Frame, cost int64, err error) {
	if c.tiles == nil {
		return container.RawFrame(pixels), c.rawCost(), nil
	}
	if c.skip > 0 && !c.calm(pixels) {
		c.skip--
		frame, err = c.takeRaw(pixels)
		return frame, c.rawCost(), err
	}
	var stats tiles.Stats
	c.payload, stats, err = c.tiles.Append(c.payload[:0], pixels, key)
	if err != nil {
		return container.Frame{}, 0, err
	}
	if c.windows = stats.Tiles; stats.Tiles == 0 {
		return container.Frame{}, 0, nil // what changed is ignored
	}
	if int64(stats.FrameBytes) > c.raw || !c.o.Always && (c.tilesCost(stats) >= c.rawCost() || c.shown(c.o.TileCost, int64(stats.Tiles), int64(stats.PanelBytes)) > c.most) {
		c.losses = min(c.losses+1, mostLosses)
		if c.skip = 1<<c.losses - 1; c.o.Always {
			c.skip = 0
		}
		frame, err = c.takeRaw(pixels)
		return frame, c.rawCost(), err
	}
	c.losses, c.skip = 0, 0
	coding := container.Tiles
	if key {
		coding = container.KeyTiles
	}
	return container.Frame{Coding: coding, Bytes: c.payload, PanelBytes: stats.PanelBytes}, c.tilesCost(stats), nil
}

func (c *coder) takeRaw(pixels []byte) (container.Frame, error) {
	return container.RawFrame(pixels), c.tiles.Set(pixels)
}

func (c *coder) tilesCost(s tiles.Stats) int64 {
	k := c.o.TileCost
	return int64(s.Tiles)*k.Tile + int64(s.PanelBytes)*k.PanelByte + int64(s.FrameBytes)*k.CardByte
}

func (c *coder) rawCost() int64 {
	k := c.o.RawCost
	return k.Tile + c.raw*(k.PanelByte+k.CardByte)
}

// shown is how long the panel and the decoder take over a picture of so many tiles and
// bytes. Tiles that take longer there than a raw frame, and longer than half a beat, are
// not chosen for the bytes they save on the card: a clip that plays of raw frames is to
// play with tiles in their place.
func (c *coder) shown(k tiles.Cost, count, bytes int64) int64 {
	return count*k.Tile + bytes*k.PanelByte
}

// calm reports whether at least half of the panel keeps what it shows, by
// stretches of its bytes: then tiles are worth a trial.
func (c *coder) calm(pixels []byte) bool {
	const stretch = 64
	held := c.tiles.Held()
	same, all := 0, 0
	for at := 0; at < len(pixels); at += stretch {
		end := min(at+stretch, len(pixels))
		if all++; bytes.Equal(pixels[at:end], held[at:end]) {
			same++
		}
	}
	return 2*same >= all
}
