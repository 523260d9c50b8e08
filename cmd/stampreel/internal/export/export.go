// Package export writes pictures one after another as a film that other programs
// open: GIF, APNG, YUV4MPEG2, and with its sound AVI with Motion JPEG. Each writer
// holds one picture at a time, and AVI 4 bytes for each chunk.
//
// A picture is shown for a number of beats. GIF and APNG store it once with that
// time; YUV4MPEG2 and AVI, which have one rate, store it for each beat.
package export

import (
	"image"
	"io"

	"example.org/stampreel/container"
)

// Film says what is to be written.
type Film struct {
	Width, Height int
	Rate          container.Ratio // beats a second
	Loops         bool
	Pictures      int // that will be added
	Sound         PCM // that may be added, where the kind has any
}

// A Writer takes the pictures of a film in order, all of the film's size and
// opaque, each with the number of beats that it is shown for, at least one. Close
// ends the film; what it was written to is the caller's.
type Writer interface {
	Add(img *image.NRGBA, beats int64) error
	Close() error
}

// A Listener is a Writer that takes sound too, in order, some of it at a time: of each
// beat about as much as is heard with it, and what is heard first before the first picture.
type Listener interface {
	Writer
	Sound(pcm []byte) error
}

// MostSeconds is how long a picture may be shown before it has to be added again.
const MostSeconds = 60

// Kind is a kind of film.
type Kind struct {
	Extension string
	// Each says that a picture is added for each beat, also where it stays.
	Each bool
	New  func(w io.WriteSeeker, f Film) (Writer, error)
}

// Kinds are the kinds of films.
func Kinds() []Kind {
	return []Kind{{".gif", false, inOrder(NewGIF)}, {".apng", false, inOrder(NewAPNG)}, {".y4m", true, inOrder(NewY4M)}, {".avi", true, NewAVI}}
}

// inOrder is for writers that never go back.
func inOrder(begin func(io.Writer, Film) (Writer, error)) func(io.WriteSeeker, Film) (Writer, error) {
	return func(w io.WriteSeeker, f Film) (Writer, error) { return begin(w, f) }
}

// clock turns beats into whole units of time without drift: each end is rounded by
// itself.
type clock struct {
	rate  container.Ratio
	units int64 // a second
	beats int64
}

// next is the units that some more beats take.
func (c *clock) next(beats int64) int64 {
	at := func(n int64) int64 {
		num, den := int64(c.rate.Num), n*int64(c.rate.Den)*c.units
		return (2*den + num) / (2 * num)
	}
	from := c.beats
	c.beats += beats
	return at(c.beats) - at(from)
}
