package container

import (
	"fmt"

	"example.org/stampreel/container/frame/jpeg"
	"example.org/stampreel/container/frame/tiles"
)

// A Panel is what a player's panel holds while a clip plays: the picture that a
// viewer sees after each beat. It is not safe for concurrent use.
type Panel struct {
	// Pixels is a raw frame, of the clip's format and size. It changes with each
	// beat that is shown; zeros before the first.
	Pixels []byte
	// Windows counts the transfers of the last beat shown: 1 for a raw or a JPEG frame,
	// the tiles of one, 0 for a repeat.
	Windows int

	// Stats are what the last beat shown took the decoder of JPEG; zero for others.
	Stats jpeg.Stats

	h     Header
	tiles *tiles.Decoder
	jpeg  *jpeg.Decoder
	holds bool   // a picture
	last  uint32 // the number of its beat
}

// NewPanel returns the panel of a player of clips with this header.
func NewPanel(h *Header) *Panel {
	return &Panel{h: *h, Pixels: make([]byte, h.RawFrameBytes())}
}

// Show does with the picture of a beat what a player does. A key beat may come
// at any time; any other beat after the one before it. An error that is a
// *[FormatError] says what is wrong with the beat.
func (p *Panel) Show(b *Beat) error {
	place := beatPlace(b.Number, b.Sector)
	p.Windows, p.Stats = 0, jpeg.Stats{}
	if !b.Key() && !p.holds {
		return fmt.Errorf("container: beat %d: its picture needs the one before", b.Number)
	}
	switch {
	case b.FrameCoding == Repeat:
	case b.FrameCoding == Raw && len(b.Frame) == len(p.Pixels):
		if !p.h.PixelFormat.PaddingClear(b.Frame, int(p.h.Width), int(p.h.Height)) {
			return damaged(place, "unused bits of a %v frame are set, want 0", p.h.PixelFormat)
		}
		p.Windows = 1
		copy(p.Pixels, b.Frame)
	case b.FrameCoding.tiled():
		if p.tiles == nil {
			d, err := tiles.NewDecoder(p.h.PixelFormat, int(p.h.Width), int(p.h.Height))
			if err != nil {
				return err
			}
			p.tiles = d
		}
		stats, err := p.tiles.Decode(p.Pixels, b.Frame, b.Key(), nil)
		if err != nil {
			return damaged(place, "%v", err)
		}
		if stats.PanelBytes != int(b.PanelBytes) {
			return damaged(place, "panelBytes %d, but its tiles bring the panel %d", b.PanelBytes, stats.PanelBytes)
		}
		p.Windows = stats.Tiles
	case b.FrameCoding == JPEG:
		if p.jpeg == nil {
			d, err := jpeg.NewDecoder(p.h.PixelFormat, int(p.h.Width), int(p.h.Height))
			if err != nil {
				return err
			}
			p.jpeg = d
		}
		stats, err := p.jpeg.Decode(p.Pixels, b.Frame)
		if err != nil {
			p.holds = false // rows of both pictures
			return damaged(place, "%v", err)
		}
		p.Windows, p.Stats = 1, stats
	default:
		return fmt.Errorf("container: beat %d: %v frame of %d bytes cannot be shown", b.Number, b.FrameCoding, len(b.Frame))
	}
	p.holds, p.last = true, b.Number
	return nil
}

// Show reads a beat into b, with its payload, and brings a panel to what a viewer
// sees with it: from the picture before, or from the last key beat.
func (r *Reader) Show(number uint32, p *Panel, b *Beat) error {
	from := number
	if !p.holds || p.last+1 != number {
		e, err := r.SeekEntry(number)
		if err != nil {
			return err
		}
		for n := e.Number; n <= number; n++ {
			if err := r.ReadHeader(n, b); err != nil {
				return err
			}
			if b.Key() {
				from = n
			} else if n == e.Number {
				return damaged("seek table at sector 1", "names beat %d, which is no key beat", n)
			}
		}
	}
	for ; from < number; from++ {
		if err := r.ReadHeader(from, b); err != nil {
			return err
		}
		if b.FrameCoding == Repeat {
			continue
		}
		if err := r.Read(from, b); err != nil {
			return err
		}
		if err := p.Show(b); err != nil {
			return err
		}
	}
	if err := r.Read(number, b); err != nil {
		return err
	}
	return p.Show(b)
}
