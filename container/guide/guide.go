// Package guide writes and reads the table of contents that a card carries for the
// firmware: which shelves and clips there are, in which order, how long they last, what they
// need, and a line of text and a small picture for each, drawn in the panel's own pixels.
// GUIDE.md describes the file; it is readable without this code.
package guide

import (
	"errors"
	"fmt"

	"example.org/stampreel/container/pixel"
)

// Name is what the file is called, in the top folder of a card.
const Name = "GUIDE.SRG"

// SectorBytes is the size of a sector; everything in a guide begins on one.
const SectorBytes = 512

// Limits of the format.
const (
	MaxShelves      = 999
	MaxClips        = 9999
	MaxSide         = 1024 // of a picture, in pixels
	MaxTitleBytes   = 63
	MaxPathBytes    = 255
	MaxShortBytes   = 63
	Version         = 1
	maxParts        = 1000
	needPoints      = 8
	maxMilliseconds = 1<<32 - 1
)

// Size is that of a picture as it is stored, in pixels; 0×0 for none.
type Size struct{ W, H int }

// Guide is all that a guide says but its pictures.
type Guide struct {
	Format pixel.Format // of all pictures
	Turn   int          // quarter turns clockwise that bring them upright
	Strip  Size         // the line of text of each shelf and clip
	Poster Size         // the small picture of each clip
	// The shelves in order, the top folder first; the clips of each follow each other.
	Shelves []Shelf
	Clips   []Clip
}

// Shelf is a folder as the remote control sees it.
type Shelf struct {
	Title string
	Path  string // from the top of the card, with slashes; "" for the top
	First int    // its first clip
	Clips int    // how many it has
}

// Clip is one clip with all its parts.
type Clip struct {
	Shelf int
	Parts int
	// Of the clip's header.
	Identity                     [16]byte
	RateNum, RateDen             uint32
	Beats                        uint32 // of all parts
	Width, Height                int
	Format                       pixel.Format
	Turn                         int
	SoundCoding                  int
	SampleRateNum, SampleRateDen uint32
	Loops                        bool
	StreamBytes, WholeBytes      uint32             // the most of all parts
	Need                         [needPoints]uint32 // the same
	Sectors                      uint32             // of all parts together
	Title                        string
	Path                         string // of the first part, from the top of the card, with slashes
	Short                        string // the same in 8.3 names; "" where they are not known
}

// Milliseconds is how long a clip lasts, rounded down.
func (c *Clip) Milliseconds() uint32 {
	return uint32(min(uint64(c.Beats)*1000*uint64(c.RateDen)/uint64(c.RateNum), maxMilliseconds))
}

// FormatError says what is wrong with a guide.
type FormatError struct {
	Kind   Kind
	Sector int64
	Where  string // the field, or what the sector is
	Reason string
}

// Kind is what kind of trouble a guide is in.
type Kind uint8

// The kinds, as FORMAT.md has them.
const (
	Damaged     Kind = iota // breaks a rule
	Truncated               // the file ends too early
	Unsupported             // may be right: a newer version, another pixel format
)

func (k Kind) String() string { return [...]string{"damaged", "truncated", "unsupported"}[k] }

func (e *FormatError) Error() string {
	return fmt.Sprintf("guide: %v: sector %d, %s: %s", e.Kind, e.Sector, e.Where, e.Reason)
}

// KindOf is the kind of a *FormatError; ok is false for another error.
func KindOf(err error) (k Kind, ok bool) {
	var e *FormatError
	if errors.As(err, &e) {
		return e.Kind, true
	}
	return 0, false
}

// sectors is how many sectors a picture of a size takes.
func sectors(f pixel.Format, s Size) int {
	if s.W == 0 {
		return 0
	}
	return (f.FrameBytes(s.W, s.H) + SectorBytes - 1) / SectorBytes
}

// place is where pictures lie.
type place struct {
	first           int64 // sector of the first of them
	shelves         int
	strip, poster   int // sectors of each
	all             int64
	format          pixel.Format
	stripB, posterB int // bytes
}

func (g *Guide) place() place {
	p := place{first: 1 + int64(len(g.Shelves)) + int64(len(g.Clips)), shelves: len(g.Shelves), strip: sectors(g.Format, g.Strip), poster: sectors(g.Format, g.Poster), format: g.Format}
	if g.Strip.W > 0 {
		p.stripB = g.Format.FrameBytes(g.Strip.W, g.Strip.H)
	}
	if g.Poster.W > 0 {
		p.posterB = g.Format.FrameBytes(g.Poster.W, g.Poster.H)
	}
	p.all = p.first + int64(len(g.Shelves))*int64(p.strip) + int64(len(g.Clips))*int64(p.strip+p.poster)
	return p
}

func (p *place) shelfStrip(n int) int64 { return p.first + int64(n)*int64(p.strip) }

func (p *place) clipStrip(n int) int64 {
	return p.first + int64(p.shelves)*int64(p.strip) + int64(n)*int64(p.strip+p.poster)
}

func (p *place) clipPoster(n int) int64 { return p.clipStrip(n) + int64(p.strip) }
