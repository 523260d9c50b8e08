package card

import "time"

// Link is a way from a computer to the card.
type Link struct {
	Name string
	// Ceiling is the bytes a second that no transfer over the link exceeds.
	Ceiling int64
	// Write and Read are the bytes a second that it usually comes to, card included.
	Write, Read int64
}

// links: full speed carries 19 packets of 64 bytes in a frame of 1 ms, high speed 13 of
// 512 in each eighth of one (USB 2.0, 5.8.4; the Linux kernel's tools/usb/testusb.c
// computes with the same numbers). A card reader's ceiling is that of the card's fastest
// bus without differential lines, SDR104: 208 MHz on four lines (from memory). The usual
// figures are common practice, no source: a microcontroller that is its own card
// reader over full-speed USB moves some 10 MB in 10 s, a bridge for high speed writes
// 10 MB in 1 s and reads them in half of that, and in a reader it is the card that limits.
var links = []Link{
	{"full-speed USB", 19 * 64 * 1000, 1_000_000, 1_000_000},
	{"high-speed USB", 13 * 512 * 8000, 10_000_000, 20_000_000},
	{"a card reader", 104_000_000, 20_000_000, 40_000_000},
}

// Links lists the ways, the slowest first.
func Links() []Link { return append([]Link(nil), links...) }

// Writing is how long so many bytes usually take to a card, and the least that they can.
func (l Link) Writing(bytes int64) (usual, least time.Duration) {
	return took(bytes, l.Write), took(bytes, l.Ceiling)
}

// Reading is how long so many bytes usually take from a card.
func (l Link) Reading(bytes int64) (usual time.Duration) { return took(bytes, l.Read) }

func took(bytes, rate int64) time.Duration {
	return time.Duration(float64(bytes) / float64(rate) * float64(time.Second))
}

// DefaultCluster is the size in bytes of the clusters that the SD Association's formatter
// makes on cards over 2 and up to 32 GB.
const DefaultCluster = 32 << 10

// Room is how many bytes of whole clusters a FAT32 card of a stated size has for files:
// what is left after the space in front of the partition and its first sectors (4 MiB
// each at most) and two tables of 4 bytes a cluster.
func Room(cardBytes int64) int64 {
	return max(0, (cardBytes-8<<20)/(DefaultCluster+2*4)*DefaultCluster)
}

// Taken is how many bytes of a card a file of some size takes: whole clusters.
func Taken(fileBytes int64) int64 {
	return (fileBytes + DefaultCluster - 1) / DefaultCluster * DefaultCluster
}
