// Package card models how fast an SD card can be read over a wiring.
//
// A microcontroller reaches a card in one of three ways: over SPI, over the
// card's own bus with one data line, or over that bus with four. All three
// move 512-byte blocks that carry a start mark, a check sum and (on the card's
// own bus) an end bit:
//
//	4-bit  1 start + 1024 data + 16 check + 1 end        = 1042 clocks
//	1-bit  1 start + 4096 data + 16 check + 1 end        = 4114 clocks
//	spi    8·(1 token + 512 data + 2 check)              = 4120 clocks
//
// so a clock of f Hz carries at most f·512/clocks bytes a second: the ceiling.
// A driver also waits between blocks and spends time on each request (command,
// response, access, stop), and the card pauses now and then. A read of n blocks
// in one multi-block request therefore takes
//
//	request time + (command clocks + n·(block + gap clocks)) / clock
//
// A file is a chain of clusters. A driver that follows it from one to the next looks
// each up in the table (FAT32 has 128 entries of 4 bytes in a sector, each of which
// takes a request of its own to read) and, as the next may lie elsewhere, ends its
// request with the cluster. So each cluster that begins costs the time to look it up,
// and a new request; a driver that knows its file to lie in one piece pays neither.
//
// Everything that has to be rounded is rounded against the card.
package card

import (
	"fmt"
	"math/big"
	"strings"
	"time"
)

// SectorBytes is the size of the block every card and every clip is read in.
const SectorBytes = 512

// ReadLimit is how long a card may keep a host waiting for a block: the fixed
// read time-out of the SD Physical Layer Specification for high-capacity cards.
const ReadLimit = 100 * time.Millisecond

// Wiring is the way the card's lines are connected to the chip.
type Wiring uint8

// The wirings, from the fewest data lines to the most.
const (
	SPI     Wiring = 1 + iota // one line each way, works with any chip
	OneBit                    // the card's own bus with DAT0 alone
	FourBit                   // the card's own bus with DAT0 to DAT3
)

// wirings holds what differs between the ways. Clocks are per block or per
// request; the command clocks are the longest the timing rules allow.
var wirings = [...]struct {
	name  string
	pins  int   // lines from chip to card
	block int64 // clocks of one 512-byte block, no gap
	gap   int64 // fewest clocks between two blocks of a multi-block read
	cmd   int64 // clocks of the read and the stop command with their responses
	top   int64 // highest clock in Hz at which the wiring works
}{
	SPI:     {"spi", 4, 8 * (1 + 512 + 2), 8, 8 * (6 + 8 + 1 + 6 + 1 + 8 + 1), 50_000_000},
	OneBit:  {"1-bit", 3, 1 + 4096 + 16 + 1, 2, 2 * (48 + 64 + 48), 50_000_000},
	FourBit: {"4-bit", 6, 1 + 1024 + 16 + 1, 2, 2 * (48 + 64 + 48), 208_000_000},
}

// Wirings lists the wirings, the narrowest first.
func Wirings() []Wiring { return []Wiring{SPI, OneBit, FourBit} }

// ParseWiring gives the wiring of a name: spi, 1-bit or 4-bit.
func ParseWiring(name string) (Wiring, error) {
	for _, w := range Wirings() {
		if w.String() == name {
			return w, nil
		}
	}
	names := make([]string, 0, len(wirings))
	for _, w := range Wirings() {
		names = append(names, w.String())
	}
	return 0, fmt.Errorf("card: no wiring is called %q; there are %s", name, strings.Join(names, ", "))
}

// Valid says whether w is one of the wirings.
func (w Wiring) Valid() bool { return w >= SPI && w <= FourBit }

func (w Wiring) String() string {
	if !w.Valid() {
		return fmt.Sprintf("wiring %d", uint8(w))
	}
	return wirings[w].name
}

// Pins is the number of lines between chip and card, on a bus of the card's own.
// With one data line, DAT3 still wants a pull-up at the card, or the card may wake up
// speaking SPI.
func (w Wiring) Pins() int { return wirings[w].pins }

// BlockClocks is the number of bus clocks of one 512-byte block without a gap.
func (w Wiring) BlockClocks() int64 { return wirings[w].block }

// GapClocks is the smallest pause between two blocks of one request, in clocks:
// one byte over SPI (N_AC is at least one unit of eight clocks, by a card maker's
// manual), two clocks on the card's own bus (N_AC there, from memory).
func (w Wiring) GapClocks() int64 { return wirings[w].gap }

// CommandClocks is the bus time of a request's read and stop commands with their
// responses, each as late as N_CR allows: 8 bytes over SPI, by the same manual,
// 64 clocks else, from memory.
func (w Wiring) CommandClocks() int64 { return wirings[w].cmd }

// TopClock is the highest clock in Hz at which the wiring works: 50 MHz is high
// speed; faster modes need four lines.
func (w Wiring) TopClock() int64 { return wirings[w].top }

// Reading is everything that decides how long a read takes.
type Reading struct {
	Wiring Wiring

	// Clock on the wire in Hz, as a ratio, both above zero: what the chip's
	// divider gives, not what was asked for.
	ClockNum, ClockDen int64

	// RequestTime is spent once for each request beyond its bus clocks: the
	// card's access time and the driver's set-up. 0 means none.
	RequestTime time.Duration

	// Cluster is how many sectors of the file, counted from its start, a request
	// goes on for at most; 0 when the driver reads across clusters.
	Cluster int64
	// ClusterTime is spent on finding each cluster, besides its request.
	ClusterTime time.Duration

	// MeasuredRate in bytes a second replaces the figure computed from the
	// clock where the real card was timed; 0 means it was not. Requests are
	// counted on top of it, although the timing had some in it: the safe side.
	MeasuredRate int64
}

// Check says what is impossible about r, or nil.
func (r Reading) Check() error {
	switch {
	case !r.Wiring.Valid():
		return fmt.Errorf("card: no such wiring: %d", uint8(r.Wiring))
	case r.ClockNum <= 0 || r.ClockDen <= 0:
		return fmt.Errorf("card: clock %d/%d Hz, want above zero", r.ClockNum, r.ClockDen)
	case r.RequestTime < 0:
		return fmt.Errorf("card: request time %v, want zero or more", r.RequestTime)
	case r.Cluster < 0 || r.ClusterTime < 0:
		return fmt.Errorf("card: clusters of %d sectors, %v to find one, want zero or more", r.Cluster, r.ClusterTime)
	case r.MeasuredRate < 0:
		return fmt.Errorf("card: measured rate %d bytes/s, want zero or more", r.MeasuredRate)
	}
	return nil
}

// Clock is the bus clock in Hz.
func (r Reading) Clock() *big.Rat { return big.NewRat(r.ClockNum, r.ClockDen) }

// Ceiling is the payload in bytes a second of blocks that follow each other
// without a gap: clock·512/block clocks. No driver reaches it.
func (r Reading) Ceiling() *big.Rat {
	return new(big.Rat).Mul(r.Clock(), big.NewRat(SectorBytes, r.Wiring.BlockClocks()))
}

// Rate is the payload in bytes a second inside one long request: the measured
// rate where there is one, else clock·512/(block + gap clocks).
func (r Reading) Rate() *big.Rat {
	if r.MeasuredRate > 0 {
		return new(big.Rat).SetInt64(r.MeasuredRate)
	}
	return new(big.Rat).Mul(r.Clock(), big.NewRat(SectorBytes, r.Wiring.BlockClocks()+r.Wiring.GapClocks()))
}

// Overhead is the time in seconds that one request costs besides its blocks.
func (r Reading) Overhead() *big.Rat {
	t := new(big.Rat).Quo(new(big.Rat).SetInt64(r.Wiring.CommandClocks()), r.Clock())
	return t.Add(t, big.NewRat(int64(r.RequestTime), int64(time.Second)))
}

// Time is how long one multi-block request of n sectors takes, in seconds; a
// stall is not in it.
func (r Reading) Time(sectors int64) *big.Rat {
	t := new(big.Rat).SetInt64(SectorBytes)
	t.Mul(t, new(big.Rat).SetInt64(sectors))
	t.Quo(t, r.Rate())
	return t.Add(t, r.Overhead())
}

// Sustained is the bytes a second that one request of n sectors after another
// brings: what the card delivers when it is asked in pieces of that size.
func (r Reading) Sustained(sectors int64) *big.Rat {
	n := new(big.Rat).SetInt64(SectorBytes)
	n.Mul(n, new(big.Rat).SetInt64(sectors))
	return n.Quo(n, r.Time(sectors))
}

// TableClusters is how many clusters one sector of a FAT32 table speaks of.
const TableClusters = SectorBytes / 4

// Clusters counts the clusters that begin within n sectors from a place of the file
// on, and those of them that split a request because they begin behind its first
// sector.
func (r Reading) Clusters(place, n int64) (begun, split int64) {
	if r.Cluster == 0 || n == 0 {
		return 0, 0
	}
	below := func(sector int64) int64 { return (sector + r.Cluster - 1) / r.Cluster } // begun before it
	return below(place+n) - below(place), below(place+n) - below(place+1)
}

// Finding is the time in seconds of finding clusters, without the requests that
// they split: the lookups, and their share of a read of the table.
func (r Reading) Finding(clusters int64) *big.Rat {
	t := big.NewRat(int64(r.ClusterTime), int64(time.Second))
	t.Add(t, new(big.Rat).Quo(r.Time(1), big.NewRat(TableClusters, 1)))
	return t.Mul(t, new(big.Rat).SetInt64(clusters))
}
