package budget

import (
	"fmt"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/container/playback"
)

// Start is how long a viewer waits, in seconds from the press of a button until the
// first picture is on the panel, with a card that does not pause meanwhile.
type Start struct {
	Open  float64 `json:"open_s"`  // finding the file, its header and the sound of its lead-in
	Full  float64 `json:"full_s"`  // with all that, until memory is full and the picture drawn
	Least float64 `json:"least_s"` // the same, had playing started as soon as nothing can be late after; 0 where it stutters
}

// openRequests is how many sectors a driver reads one by one to open a file: one of
// its folder, one of the table of clusters, and the clip's header. Common practice, no
// source: a folder with many files takes more.
const openRequests = 3

// start works out the delays of a clip at the typical level.
func (l *link) start(c *Clip, d *playback.Demand[int64], stutters bool) (Start, error) {
	var s Start
	s.Open = openRequests * l.one
	if l.held > 0 {
		lead, _ := l.card.Time((l.held + card.SectorBytes - 1) / card.SectorBytes).Float64()
		begun, _ := l.card.Clusters(0, (l.held+card.SectorBytes-1)/card.SectorBytes)
		s.Open += lead + float64(begun)*(l.finding+l.request)
	}
	filled, first := l.fill(c)
	s.Full = s.Open + filled + first
	if stutters {
		return s, nil
	}
	work, err := d.StartFill(below(l.service(c)))
	if err != nil {
		return Start{}, fmt.Errorf("budget: %w", err)
	}
	s.Least = s.Open + min(filled, float64(work)*float64(l.unit)/l.rate) + first
	return s, nil
}

// fill is the time in seconds until memory is full of the first beats, or holds all of
// a short clip, and the time the panel takes for the first picture. Reads of the
// table count as their share.
func (l *link) fill(c *Clip) (filled, first float64) {
	room, place, jump := float64(l.buffer), c.Place, true
	beats := int64(0)
	for b := range c.Beats {
		if b.Begins > 0 {
			place = b.Begins
		}
		if jump {
			first = l.handling(b)
		}
		size := float64(b.Sectors) * card.SectorBytes
		if beats++; l.slots > 0 {
			room = size
			if beats < l.slots {
				room += 1
			}
		}
		filled += l.request + min(size, room)/l.rate
		part := b
		part.Sectors = min(b.Sectors, int(room/card.SectorBytes))
		filled += l.steps(part, place, jump)
		jump = false
		if room -= size; room <= 0 {
			break
		}
		place += int64(b.Sectors)
	}
	return filled, first
}
