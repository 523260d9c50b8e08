package budget

import (
	"math/big"
	"time"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
	"example.org/stampreel/container/playback"
)

// How pictures that are coded are taken to be decoded:
//
// A picture is decoded from memory at its beat's time, strip by strip: a strip is a row
// of blocks (16 lines at most) that goes to the panel when it is decoded. With two
// buffers for strips one is decoded while the panel takes the other; with one, or
// where the chip itself moves the bytes, both happen in turn. On a bus that card and
// panel share, the picture has it from its first strip to its last. Tiles are decoded
// and drawn in turn.
//
// The chip needs so much for each block and so much for each coefficient and byte. The
// blocks are spread evenly over the strips, the rest lies where the picture has its
// detail. So with two buffers a picture of n strips takes at most
//
//	n·max(blocks of a strip, drawing a strip) + coefficients + bytes + drawing a strip
//
// wherever its detail lies: each strip takes the longer of the two, what is spent on
// detail comes on top, and the last one is still to be drawn.

// stripLines is the height of a row of blocks with halved colour; without, there are
// more and smaller strips, which take no longer.
const stripLines = 16

// decoder is a player's decoder as the player file has it, in seconds.
type decoder struct {
	block, coefficient, octet float64 // of JPEG
	tile, pixel               float64 // of tiles: one, and a byte of its pixels
	overlap                   bool    // decodes one strip while another is drawn
}

func newDecoder(p *playerfile.Player) decoder {
	d := &p.Decode
	return decoder{
		block: d.JPEGBlock.Value.Seconds(), coefficient: d.JPEGCoefficient.Value.Seconds(), octet: d.JPEGByte.Value.Seconds(),
		tile: d.TileSetUp.Value.Seconds(), pixel: d.TileByte.Value.Seconds(),
		overlap: p.Panel.DMA.Value && d.Buffers.Value == 2,
	}
}

// decoding is the time in seconds for what is spread evenly over a beat's picture, and
// for the rest.
func (d *decoder) decoding(b Beat) (even, rest float64) {
	switch b.Coding {
	case container.JPEG:
		return float64(b.Blocks) * d.block, float64(b.Coefficients)*d.coefficient + float64(b.FrameBytes)*d.octet
	case container.Tiles, container.KeyTiles:
		return 0, float64(b.Windows)*d.tile + float64(b.PanelBytes)*d.pixel
	}
	return 0, 0
}

// pictureStrips is how many strips a picture is decoded and drawn in.
func (l *link) pictureStrips(b Beat) int64 {
	if b.Coding != container.JPEG || l.reading == playback.Strips {
		return 1
	}
	return max(1, int64(l.lines+stripLines-1)/stripLines)
}

// handling is the time in seconds from the beat's time until its picture is decoded and
// drawn, when nothing has to be waited for.
func (l *link) handling(b Beat) float64 {
	draw := l.drawing(b)
	even, rest := l.decoder.decoding(b)
	if even+rest == 0 || draw == 0 {
		return draw
	}
	if !l.decoder.overlap || b.Coding != container.JPEG || l.reading == playback.Strips {
		return draw + even + rest
	}
	n := float64(l.pictureStrips(b))
	window := float64(b.Windows) * l.window
	strip := (draw - window) / n
	return window + n*max(even/n, strip) + rest + strip
}

// coded says whether a beat's memory is free only when all of its picture is decoded.
func (l *link) coded(b Beat) bool {
	even, rest := l.decoder.decoding(b)
	return even+rest > 0
}

// waits is how long in seconds a card that is faster than the panel waits for the memory
// of a beat that is being drawn: until the last of it is free, less what is free before.
func (l *link) waits(b Beat, size float64) float64 {
	if l.coded(b) || l.slots > 0 {
		return l.handling(b)
	}
	return l.drawing(b) - size/l.rate
}

// decoderRow says how long decoding and drawing take together, against the time of a
// beat; ok is false where nothing is decoded or nobody has said how fast.
func (l *link) decoderRow(c *Clip, p *playerfile.Player, stall time.Duration) (r Row, ok bool) {
	origin := playerfile.Measured
	for b := range c.Beats {
		if l.coded(b) {
			ok = true
			break
		}
	}
	if !ok {
		return Row{}, false
	}
	for _, f := range decodeFigures(p) {
		if f.Known() {
			origin = min(origin, f.Origin)
		}
	}
	longest, late := l.busy(c, stall, l.handling)
	r = Row{Part: DecoderPart, Need: longest, Service: l.interval, Unit: "s", Late: late, Origin: min(origin, p.Panel.RealClock.Origin)}
	r.Word, r.Margin = weigh(new(big.Rat).SetFloat64(longest), new(big.Rat).SetFloat64(l.interval))
	return r, true
}

// longestDecoding is the longest time in seconds for a picture, without drawing it.
func (l *link) longestDecoding(c *Clip) (longest float64) {
	for b := range c.Beats {
		even, rest := l.decoder.decoding(b)
		longest = max(longest, even+rest)
	}
	return longest
}

func decodeFigures(p *playerfile.Player) []playerfile.Figure[time.Duration] {
	d := &p.Decode
	return []playerfile.Figure[time.Duration]{d.JPEGBlock, d.JPEGCoefficient, d.JPEGByte, d.TileSetUp, d.TileByte}
}

// Unjudged says what of a clip the player file tells too little about.
func Unjudged(c Clip, p *playerfile.Player) []string {
	found := []string{}
	lacks := map[container.FrameCoding]string{}
	d := &p.Decode
	if !d.JPEGBlock.Known() || !d.JPEGCoefficient.Known() || !d.JPEGByte.Known() {
		lacks[container.JPEG] = "how long the chip takes to decode JPEG (decode.jpeg: per-block, per-coefficient, per-byte)"
	}
	if !d.TileSetUp.Known() || !d.TileByte.Known() {
		lacks[container.Tiles] = "how long the chip takes to decode tiles (decode.tiles: per-tile, per-byte)"
	}
	for b := range c.Beats {
		coding := b.Coding
		if coding == container.KeyTiles {
			coding = container.Tiles
		}
		if what, ok := lacks[coding]; ok {
			found = append(found, what)
			delete(lacks, coding)
		}
		if len(lacks) == 0 {
			break
		}
	}
	return found
}
