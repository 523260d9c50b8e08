// Package budget says beforehand whether a clip plays on a player.
//
// A clip is a row of beats. Beat i must be in memory by its time t(i) = i·T (T is
// one over the beat rate), or, in a player too small to hold a whole beat, it is
// drawn strip by strip while it arrives and must be finished by t(i+1). The card
// sends R bytes a second inside a request, and each beat is one multi-block
// request, or several where the driver asks anew for each cluster of the card
// (package card). What a beat costs is counted in bytes of the card's time:
//
//	whole beats, own bus     bytes + (q + s)·R
//	whole beats, shared bus  bytes + (q + s)·R + (q + p)·R
//	strips, own bus          (q + s)·R + h + max(bytes − h, p·R)
//	strips, decoded          (q + s)·R + bytes + p·R
//	strips, shared bus       bytes + s·R + (1 + n)·q·R + p·R
//
// where q is the time of one request, s that of the steps to the clusters that begin
// within the beat, h the bytes of its head and sound, which are not drawn, p the time the panel's bus takes for the picture (its bits over the
// clock, and for each window the bytes that address it and the driver's set-up; with
// decoding, where it is coded), and n the number of strips. On a shared bus drawing
// interrupts reading, so reading asks again after each picture or strip; a chip without
// DMA cannot read while it draws either, but need not ask again. In strips the slower of
// card and panel sets the pace, and where that is the panel, what lies in the buffer keeps it
// busy while the card pauses. For whole beats only the bytes take room in memory; the
// request, the steps and the drawing are the overheads of package playback.
//
// Firmware without a ring reads each beat into a buffer of its own, one of a few. Then a
// beat fills one of them whatever its size, and its bytes only take time.
//
// Playing starts with a full buffer. The read-ahead buffer B is the player's
// memory less the sound that is held ahead: a ring whose sectors are free again as
// the panel takes them. A card that pauses for S seconds now and then is a link
// that starts S late: it brings R·(t−S) in t seconds. So the buffer has to be full
// again before the next pause; pauses closer together than that are one, as long as
// both. Where the card is faster than the panel it waits for memory that is still
// being drawn, up to p − bytes/R more; and once in a while the table of clusters is
// read. Both count as part of the pause.
// Package playback finds the smallest rate N with which no run of beats is late
// under those terms, and the margin is 1 − N/R:
//
//	plays     every margin is at least 20 %
//	tight     every margin is at least 0
//	stutters  otherwise
//
// Sound is judged by itself: it lies in its beat in front of the picture, and its
// time comes the sound lead later. Two levels are judged: the pause that the
// player file gives (or a usual one), and the 100 ms that the SD specification
// lets a card take. Whatever has to be rounded is rounded against the player, so
// that what plays here is not late in a player that keeps to its file. Package
// simulate is the check of that.
package budget

import (
	"errors"
	"fmt"
	"iter"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/container"
	"example.org/stampreel/container/pixel"
)

// Clip is what the budget has to know about a clip.
type Clip struct {
	Width, Height int          // of the stored picture, in pixels
	Turn          int          // quarter turns clockwise that bring it upright, 0 to 3
	Pixels        pixel.Format // of the pictures on the panel's bus

	RateNum, RateDen int64 // beats a second, both above zero

	SampleNum, SampleDen int64 // sample rate in Hz; 0/1 for a clip without sound
	SampleBits           int   // of one decoded sample: 8 or 16; 0 without sound
	SoundCoded           bool  // its samples are decoded by the player, which gives its DAC the bits that it takes
	Channels             int   // 1 or 2; 0 without sound
	Lead                 int   // beats between storing a sound and hearing it

	Loops bool // the first beat follows the last
	Alone bool // no picture needs an earlier one, so that pictures can be left out

	// SoundHeld is the sound in bytes that a player holds ahead of its time, as the
	// clip states it; 0 stands for Lead+1 beats of the largest.
	SoundHeld int64

	Place int64          // sector of its file where the first beat begins
	Beats iter.Seq[Beat] // in order; gone through several times
}

// Beat is one beat as it lies on the card and goes to the panel.
type Beat struct {
	Sectors      int                   // 512-byte sectors of the whole beat, at least 1
	SoundBytes   int64                 // of the sound stored in it
	FrameBytes   int64                 // of the stored picture; 0 when the last one stays
	PanelBytes   int64                 // pixel bytes that the panel's bus carries
	Windows      int                   // transfers to the panel: 1 for a whole picture, 0 for none
	Coding       container.FrameCoding // of the picture
	Blocks       int                   // of a JPEG picture, of 8 by 8 values
	Coefficients int                   // of them that are not zero
	Begins       int64                 // for the first beat of another file than the beat before: its sector there; else 0
}

// maxBeats bounds a clip: a file under 4 GiB has at most as many sectors.
const maxBeats = 1 << 23

// summary is what one pass over the beats gives.
type summary struct {
	beats      int
	maxSectors int64
	maxSound   int64
	files      int
}

// check goes through a clip once and refuses what cannot be judged.
func (c *Clip) check() (summary, error) {
	var s summary
	switch {
	case c.Beats == nil:
		return s, errors.New("budget: clip without beats")
	case c.RateNum <= 0 || c.RateDen <= 0 || c.RateNum > 1<<32 || c.RateDen > 1<<32:
		return s, fmt.Errorf("budget: clip of %d/%d beats a second, want a ratio above zero", c.RateNum, c.RateDen)
	case c.SoundHeld < 0 || c.SoundHeld > 1<<32:
		return s, fmt.Errorf("budget: %d bytes of sound held ahead, want 0 to 2^32", c.SoundHeld)
	case c.Place < 0 || c.Place > 1<<32:
		return s, fmt.Errorf("budget: first beat at sector %d, want 0 to 2^32", c.Place)
	case c.Lead < 0 || c.Lead > 1<<16:
		return s, fmt.Errorf("budget: sound lead of %d beats, want 0 to 65536", c.Lead)
	case !c.Pixels.Valid():
		return s, fmt.Errorf("budget: pixel format %d is not known", uint8(c.Pixels))
	}
	var bad error
	for b := range c.Beats {
		if b.Sectors < 1 || b.Sectors > 1<<16 || b.Windows < 0 || b.Windows > 1<<16 || b.Begins < 0 || b.Begins > 1<<32 ||
			b.Blocks < 0 || b.Blocks > 1<<24 || b.Coefficients < 0 || b.Coefficients > 64*b.Blocks ||
			b.SoundBytes < 0 || b.FrameBytes < 0 || b.PanelBytes < 0 || b.PanelBytes > 1<<26 ||
			b.SoundBytes+b.FrameBytes > int64(b.Sectors)*card.SectorBytes {
			bad = fmt.Errorf("budget: beat %d: %d sectors, %d bytes of sound, %d of picture, %d for the panel in %d windows: not possible", s.beats, b.Sectors, b.SoundBytes, b.FrameBytes, b.PanelBytes, b.Windows)
			break
		}
		if s.beats == 0 || b.Begins > 0 {
			s.files++
		}
		s.beats++
		s.maxSectors = max(s.maxSectors, int64(b.Sectors))
		s.maxSound = max(s.maxSound, b.SoundBytes)
		if s.beats > maxBeats {
			bad = fmt.Errorf("budget: more than %d beats", maxBeats)
			break
		}
	}
	switch {
	case bad != nil:
		return summary{}, bad
	case s.beats == 0:
		return s, errors.New("budget: clip of 0 beats")
	}
	return s, nil
}

// Join is clips one after another without a gap: the parts of a film, or clips that a
// player goes through. They have to be alike in all that a player sets up once. The
// next file is opened while the last beats of the one before are played.
func Join(clips ...Clip) (Clip, error) {
	if len(clips) == 0 {
		return Clip{}, errors.New("budget: no clips to join")
	}
	all := clips[0]
	for i, c := range clips[1:] {
		if c.setUp() != all.setUp() {
			return Clip{}, fmt.Errorf("budget: clip %d does not go on like the one before it: pictures, rate or sound differ", i+1)
		}
		all.Alone = all.Alone && c.Alone
		all.SoundHeld = max(all.SoundHeld, c.SoundHeld)
	}
	all.Beats = func(yield func(Beat) bool) {
		for i, c := range clips {
			first := i > 0
			for b := range c.Beats {
				if first {
					b.Begins, first = max(1, c.Place), false
				}
				if !yield(b) {
					return
				}
			}
		}
	}
	return all, nil
}

// setUp is what a player sets up once for a clip.
func (c *Clip) setUp() [11]int64 {
	coded := int64(0)
	if c.SoundCoded {
		coded = 1
	}
	return [...]int64{int64(c.Width), int64(c.Height), int64(c.Turn), int64(c.Pixels), c.RateNum, c.RateDen,
		c.SampleNum, c.SampleDen, int64(c.SampleBits)<<1 | coded, int64(c.Channels), int64(c.Lead)}
}

// HasSound says whether the clip has sound.
func (c *Clip) HasSound() bool { return c.SampleNum > 0 }

// interval is T, the time of one beat in seconds.
func (c *Clip) interval() float64 { return float64(c.RateDen) / float64(c.RateNum) }
