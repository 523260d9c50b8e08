package budget

import (
	"math"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container/frame/tiles"
)

// TileCost is what tiles, and what raw frames, take on a player, in picoseconds: the
// window and the driver's set-up, a byte on the panel's bus, a byte from the card, and
// for tiles their decoding, where the player file has that. Card and panel may work at
// the same time; the sum is what both together are kept from.
func TileCost(p *playerfile.Player) (tile, raw tiles.Cost) {
	l := newLink(&Clip{RateNum: 1, RateDen: 1}, summary{maxSectors: 1}, p)
	picoseconds := func(seconds float64) int64 { return int64(math.Round(min(seconds, 1) * 1e12)) }
	raw = tiles.Cost{Tile: picoseconds(l.window), PanelByte: picoseconds(l.pixel), CardByte: picoseconds(1 / l.rate)}
	tile = raw
	tile.Tile = picoseconds(l.window + l.decoder.tile)
	tile.PanelByte = picoseconds(l.pixel + l.decoder.pixel)
	return tile, raw
}

// JPEGCost is what decoding JPEG takes on a player, in picoseconds: of a block, of a
// coefficient and of a byte.
func JPEGCost(p *playerfile.Player) (block, coefficient, octet int64) {
	d := newDecoder(p)
	picoseconds := func(seconds float64) int64 { return int64(math.Round(min(seconds, 1) * 1e12)) }
	return picoseconds(d.block), picoseconds(d.coefficient), picoseconds(d.octet)
}

// DecodesJPEG tells whether a player decodes JPEG: its file says how fast.
func DecodesJPEG(p *playerfile.Player) bool {
	d := &p.Decode
	return d.JPEGBlock.Known() && d.JPEGCoefficient.Known() && d.JPEGByte.Known()
}

// DecodesTiles tells whether a player decodes tiles: its file says how fast.
func DecodesTiles(p *playerfile.Player) bool {
	return p.Decode.TileSetUp.Known() && p.Decode.TileByte.Known()
}
