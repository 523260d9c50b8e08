package card

import "time"

// Class is a mark printed on cards and the floor it promises. Speed classes are
// floors of *writing*, in one long run under conditions that a small player does not
// make (and not over SPI); the application classes A1 and A2 also promise random
// reads of 4 KiB a second, on average. None of them bounds the pause of a single
// read, which is what makes a picture late: they say how bad a card may be and
// still carry the mark, never how good it is here.
type Class struct {
	Mark  string
	Write int64 // bytes a second, sequential
	Reads int64 // random reads of 4 KiB a second, 0 for no promise
}

// classes are the figures of the SD Association's pages on speed classes and the
// application performance class, read second-hand in a table that quotes them
// (https://gist.github.com/AriRexouium/64027e01bada957b2d1f978bbbcf641d).
var classes = []Class{
	{"C2", 2_000_000, 0}, {"C4", 4_000_000, 0}, {"C6", 6_000_000, 0}, {"C10", 10_000_000, 0},
	{"U1", 10_000_000, 0}, {"U3", 30_000_000, 0},
	{"V6", 6_000_000, 0}, {"V10", 10_000_000, 0}, {"V30", 30_000_000, 0}, {"V60", 60_000_000, 0}, {"V90", 90_000_000, 0},
	{"A1", 10_000_000, 1500}, {"A2", 10_000_000, 4000},
}

// Classes lists the marks, each kind from the lowest to the highest.
func Classes() []Class { return append([]Class(nil), classes...) }

// ParseClass finds a mark, as it is printed.
func ParseClass(mark string) (Class, bool) {
	for _, c := range classes {
		if c.Mark == mark {
			return c, true
		}
	}
	return Class{}, false
}

// Access is the mean time of a random read of 4 KiB that the class allows, rounded
// up; 0 for no promise. It has the transfer in it, on the fastest bus of the card.
func (c Class) Access() time.Duration {
	if c.Reads == 0 {
		return 0
	}
	return (time.Second + time.Duration(c.Reads) - 1) / time.Duration(c.Reads)
}
