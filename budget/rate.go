package budget

import (
	"math"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/budget/playerfile"
)

// PictureRate is the most whole raw pictures a second, as num/den, that the
// panel's bus takes with [TightMargin] to spare. Where card and panel share a
// bus, the time in which the card sends the picture counts too, for the two take
// turns. It is what a clip's rate is kept within unless somebody asks for more.
func PictureRate(p *playerfile.Player) (num, den int64) {
	bytes := int64(p.FrameBytes())
	sectors := (bytes+card.SectorBytes-1)/card.SectorBytes + 1
	c := Clip{RateNum: 1, RateDen: 1}
	l := newLink(&c, summary{maxSectors: sectors}, p)
	b := Beat{Sectors: int(sectors), FrameBytes: bytes, PanelBytes: bytes, Windows: 1}
	busy := l.drawing(b)
	if l.turns {
		wait := l.busyWith() + p.Stall().Value.Seconds()
		steps := l.steps(b, max(0, l.card.Cluster-1), false) // as many as can be
		bytes, rest := l.cost(b, steps)
		busy = max(busy+wait, l.request+steps+float64(bytes+rest)/l.rate)
	} else if l.slots == 1 { // nor is there a place to read into while the picture is drawn
		busy += l.request + l.steps(b, max(0, l.card.Cluster-1), false) + float64(b.Sectors)*card.SectorBytes/l.rate + p.Stall().Value.Seconds()
	}
	const den1000 = 1000
	return max(1, int64(math.Floor(den1000*(1-TightMargin)/busy))), den1000
}
