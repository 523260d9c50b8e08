package budget

import (
	"math"
	"math/big"
	"time"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
	"example.org/stampreel/container/playback"
)

// most is the longest strip in bytes that a small player is taken to draw at
// once; a strip is also at most a quarter of the buffer.
const most = 4096

// link is a player's card and panel, as one clip loads them.
type link struct {
	reading  playback.Reading
	shared   bool
	turns    bool // reading rests while a picture is decoded or drawn: on a shared bus, or without DMA
	lines    int  // of the stored picture
	decoder  decoder
	files    int      // that are opened one after another
	held     int64    // bytes of sound held ahead
	slots    int64    // buffers of a beat each, in place of a ring; 0 for a ring
	largest  int64    // bytes of the largest beat
	buffer   int64    // bytes of read-ahead left, whole sectors
	strip    int64    // bytes drawn at once; a sector where beats are read whole
	unit     int64    // bytes that playback counts as one: 1, or more for very long clips
	exact    *big.Rat // R: bytes a second inside a request
	rate     float64  // the same
	request  float64  // q: seconds of a request
	card     card.Reading
	finding  float64 // f: seconds of finding a cluster
	one      float64 // seconds of reading one sector
	table    float64 // seconds of reading a sector of the table; 0 for never
	pixel    float64 // seconds the panel's bus takes for a byte
	window   float64 // seconds it takes to open a window
	setUp    float64 // of that, the driver's part, spent again for each strip
	latency  float64 // seconds from a strip's room being free to its being drawn
	interval float64 // T in seconds
}

// newLink puts a clip on a player. The link is usable only where fits says so.
func newLink(c *Clip, s summary, p *playerfile.Player) link {
	r, _ := p.Reading()
	l := link{
		shared:   p.Card.Bus.Value == playerfile.Shared,
		turns:    p.Card.Bus.Value == playerfile.Shared || !p.Panel.DMA.Value,
		lines:    c.Height,
		decoder:  newDecoder(p),
		files:    s.files,
		held:     int64(c.Lead+1) * s.maxSound,
		card:     r,
		unit:     1,
		exact:    r.Rate(),
		interval: c.interval(),
	}
	if c.SoundHeld > 0 {
		l.held = c.SoundHeld
	}
	l.buffer = max(0, p.Memory.ReadAhead.Value-l.held) / card.SectorBytes * card.SectorBytes
	l.reading, l.strip = playback.Whole, card.SectorBytes
	l.slots, l.largest = p.Memory.Buffers.Value, s.maxSectors*card.SectorBytes
	if l.slots == 0 && l.buffer < l.largest {
		l.reading = playback.Strips
		l.strip = max(card.SectorBytes, min(most, l.buffer/4)/card.SectorBytes*card.SectorBytes)
	}
	l.rate, _ = l.exact.Float64()
	l.request, _ = r.Overhead().Float64()
	l.one, _ = r.Time(1).Float64()
	if r.Cluster > 0 {
		l.finding, _ = r.Finding(1).Float64()
		l.table = l.one
	}
	clock := p.Panel.RealClock.Value.Float()
	l.pixel = 8 / clock
	l.setUp = p.Panel.SetUpTime.Value.Seconds()
	l.window = float64(8*p.Panel.WindowBytes.Value)/clock + l.setUp
	if l.slots == 0 { // else all of the picture is waited for
		l.latency = float64(l.strip)*(1/l.rate+l.pixel) + l.setUp
	}
	return l
}

// fits says whether the player can hold enough of the clip to play it at all.
func (l *link) fits() bool {
	if l.slots > 0 {
		return l.buffer >= l.slots*l.largest
	}
	return l.reading == playback.Whole || l.buffer >= 4*card.SectorBytes
}

// drawing is the time in seconds that the panel's bus takes for a beat's picture.
func (l *link) drawing(b Beat) float64 {
	if b.Windows == 0 {
		return 0
	}
	t := float64(b.PanelBytes)*l.pixel + float64(b.Windows)*l.window
	if l.reading == playback.Strips {
		t += float64(l.strips(b)) * l.setUp
	} else if b.Coding == container.JPEG {
		t += float64(l.pictureStrips(b)) * l.setUp
	}
	return t
}

func (l *link) strips(b Beat) int64 {
	return (int64(b.Sectors)*card.SectorBytes + l.strip - 1) / l.strip
}

// steps is the time in seconds that the clusters of a beat at a place of the file
// take. Wherever reading jumps to, a cluster is found anew; another file is opened
// first.
func (l *link) steps(b Beat, place int64, jump bool) float64 {
	open := 0.0
	if b.Begins > 0 {
		jump, open = true, openRequests*l.one
	}
	begun, split := l.card.Clusters(place, int64(b.Sectors))
	if jump && begun == split && l.card.Cluster > 0 {
		begun++
	}
	return open + float64(begun)*l.finding + float64(split)*l.request
}

// cost is what a beat asks of the card, in bytes, rounded up: what lies in the
// buffer, and how long reading rests at its time besides, on a shared bus: while its
// picture is drawn, and for the request after that. In strips all of it, and the
// steps from cluster to cluster, are one.
func (l *link) cost(b Beat, steps float64) (bytes, busy int64) {
	size := float64(b.Sectors) * card.SectorBytes
	q, p := l.request*l.rate, l.handling(b)*l.rate
	again := q // the card is asked again after the panel had the bus
	if !l.shared {
		again = 0
	}
	switch {
	case l.reading == playback.Whole && (!l.turns || p == 0):
		return int64(size), 0
	case l.reading == playback.Whole:
		return int64(size), up(again + p)
	case !l.turns:
		// Steps keep a small ring from the panel, which then has no time to catch up, and
		// so does sound, of which nothing is drawn. Strips of a coded picture may take as
		// long as its detail has it, some longer than reading them, some shorter.
		if l.coded(b) {
			return up(q + steps*l.rate + size + p), 0
		}
		front := float64(front(b.SoundBytes))
		return up(q + steps*l.rate + front + max(size-front, p)), 0
	}
	return up(size + steps*l.rate + q + float64(l.strips(b))*again + p), 0
}

// front is how many bytes of a beat lie before its picture: its head and its sound, to
// the end of their last sector.
func front(sound int64) int64 {
	return (beatHead + sound + card.SectorBytes - 1) / card.SectorBytes * card.SectorBytes
}

// ahead is the longest time in seconds of so many bytes at the start of a beat, with
// its request and all steps, wherever it lies.
func (l *link) ahead(bytes int64) float64 {
	t := l.request + float64(bytes)/l.rate
	if l.card.Cluster > 0 {
		clusters := (bytes/card.SectorBytes + l.card.Cluster - 2) / l.card.Cluster
		t += float64(1+clusters) * (l.finding + l.request)
	}
	if l.files > 1 {
		t += openRequests * l.one
	}
	return t
}

// up rounds up to whole bytes, with an allowance for the arithmetic before it.
func up(x float64) int64 {
	if x == 0 {
		return 0
	}
	return int64(math.Ceil(x*(1+1e-9) + 1e-6))
}

// coarsest is the largest unit: a beat that keeps the bus for a minute is some thousand
// of it.
const coarsest = 1 << 18

// demand turns beats into what playback solves, in the smallest unit in which it can be
// counted: bytes, sectors, or what is coarser still.
func (l *link) demand(c *Clip, s summary, stall time.Duration, lead int) *playback.Demand[int64] {
	d := &playback.Demand[int64]{
		Cost:    make([]int64, 0, s.beats),
		Buffer:  l.worth(c, s) / l.unit,
		Lead:    lead,
		Reading: l.reading,
		Loop:    c.Loops,
	}
	if l.reading == playback.Whole {
		d.Request = up(l.request * l.rate / float64(l.unit))
		if l.card.Cluster > 0 || s.files > 1 || l.slots > 0 {
			d.Over = make([]int64, 0, s.beats)
		}
		if l.turns {
			d.Busy = make([]int64, 0, s.beats)
		}
	}
	if l.slots > 0 {
		d.Buffer = l.slots
	}
	lag, place := 0.0, c.Place
	for b := range c.Beats {
		if b.Begins > 0 {
			place = b.Begins
		}
		steps := l.steps(b, place, len(d.Cost) == 0)
		place += int64(b.Sectors)
		cost, busy := l.cost(b, steps)
		cost, busy = (cost+l.unit-1)/l.unit, (busy+l.unit-1)/l.unit
		over := up(steps * l.rate / float64(l.unit))
		if l.slots > 0 { // a beat fills one of the buffers, whatever its size, and takes its time
			cost, over = 1, over+cost
		}
		d.Cost = append(d.Cost, cost)
		if d.Over != nil {
			d.Over = append(d.Over, over)
		}
		if d.Busy != nil {
			d.Busy = append(d.Busy, busy)
		}
		lag = max(lag, l.waits(b, float64(b.Sectors)*card.SectorBytes))
	}
	// A sector of the table is counted with the clusters it speaks of, one more with the
	// pause: nobody knows in which of them it comes.
	pause := stall.Seconds() + l.latency + l.table
	if l.reading == playback.Whole && !l.turns {
		pause += lag
	}
	d.Stall = pause / l.interval * (1 + 1e-9)
	if !d.Countable() && l.unit < coarsest {
		l.unit *= card.SectorBytes
		return l.demand(c, s, stall, lead)
	}
	return d
}

// worth is what a full buffer has of the cost of the beats in it, at the least, in bytes. In
// strips the panel may be slower than the card: then a buffer that holds half of a picture
// keeps it busy for half of the picture's time, while the card pauses. What is not drawn
// keeps it busy for none.
func (l *link) worth(c *Clip, s summary) int64 {
	if l.reading != playback.Strips || l.turns {
		return l.buffer
	}
	type beat struct{ front, drawn int64 } // bytes
	beats := make([]beat, 0, s.beats)
	slower := math.Inf(1) // the panel than the card, at the least
	for b := range c.Beats {
		if l.coded(b) { // its detail may lie anywhere
			return l.buffer
		}
		now := beat{front: int64(b.Sectors) * card.SectorBytes}
		if head := front(b.SoundBytes); b.Windows > 0 && head < now.front {
			now = beat{head, now.front - head}
			slower = min(slower, float64(b.PanelBytes)*l.pixel*l.rate/float64(now.drawn))
		}
		beats = append(beats, now)
	}
	if slower <= 1 || math.IsInf(slower, 1) {
		return l.buffer
	}
	// The beats i to j−1 lie in a buffer that is full at beat i, and a part of beat j.
	least, drawn, bytes, j := l.buffer, int64(0), int64(0), 0
	for i := range beats {
		for j < len(beats) && bytes+beats[j].front+beats[j].drawn <= l.buffer {
			bytes, drawn, j = bytes+beats[j].front+beats[j].drawn, drawn+beats[j].drawn, j+1
		}
		if j == len(beats) && !c.Loops {
			break // all the rest lies in it
		}
		next := beats[j%len(beats)]
		least = min(least, drawn+min(max(0, l.buffer-bytes-next.front), next.drawn))
		if j > i {
			bytes, drawn = bytes-beats[i].front-beats[i].drawn, drawn-beats[i].drawn
		} else {
			j = i + 1
		}
	}
	// The last strip in it may lack its end, and is not drawn before that comes.
	return l.buffer + max(0, int64((slower-1)*float64(least-l.strip))-l.strip)
}

// holdUp makes the demand of sound that of a player whose pictures are late: each
// then keeps its memory after its time, and reading waits for the panel to free
// it.
func (l *link) holdUp(c *Clip, d *playback.Demand[int64]) {
	busy := make([]int64, 0, len(d.Cost))
	for b := range c.Beats {
		wait := up((l.latency + max(0, l.waits(b, float64(b.Sectors)*card.SectorBytes))) * l.rate / float64(l.unit))
		if d.Busy != nil {
			wait += d.Busy[len(busy)]
		}
		busy = append(busy, wait)
	}
	d.Busy = busy
}

// service is R·T: what the card brings in one beat, in the link's units.
func (l *link) service(c *Clip) *big.Rat {
	perBeat := new(big.Rat).Mul(l.exact, big.NewRat(c.RateDen, c.RateNum))
	return perBeat.Quo(perBeat, big.NewRat(l.unit, 1))
}

// below is a rate for playback that is not above x.
func below(x *big.Rat) playback.Rate {
	const den = 1 << 16
	n := new(big.Int).Mul(x.Num(), big.NewInt(den))
	n.Quo(n, x.Denom())
	if !n.IsInt64() {
		return playback.Rate{Num: math.MaxInt64, Den: den}
	}
	return playback.Rate{Num: n.Int64(), Den: den}
}

// busy is the longest time in seconds from a beat's time until its picture has had some
// treatment (it is drawn, or decoded and drawn), and the first beat where that is more
// than a beat. On a shared bus, and without DMA, it waits for what is under way: a
// sector with its request, its cluster and the table, and a pause.
func (l *link) busy(c *Clip, stall time.Duration, treatment func(Beat) float64) (longest float64, late int) {
	wait := 0.0
	if l.turns {
		wait = l.busyWith() + stall.Seconds()
	}
	late, i := -1, 0
	for b := range c.Beats {
		if t := treatment(b); t > 0 {
			t = (t + wait) * (1 + 1e-9)
			longest = max(longest, t)
			if t > l.interval && late < 0 {
				late = i
			}
		}
		i++
	}
	return longest, late
}

// busyWith is the longest time in seconds for which the card keeps a shared bus once
// it was asked, without a pause: another file is opened in one go.
func (l *link) busyWith() float64 {
	t := l.request + card.SectorBytes/l.rate
	if l.card.Cluster > 0 {
		t += l.card.ClusterTime.Seconds() + l.table
	}
	if l.files > 1 {
		t += openRequests * l.one
	}
	return t
}
