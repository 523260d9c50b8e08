package main

import (
	"context"
	"fmt"
	"os"
	"strings"

	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
)

// What the commands that look into clips share.

// openClip opens a clip for reading. The file is the caller's to close.
func openClip(path string) (*container.Reader, fill.File, error) {
	if image, inside, ok := fill.SplitImage(path); ok {
		if !fill.IsFolderInImage(path) {
			return fill.Open(path)
		}
		e := &triedError{path + " is the image of a card, want a clip in it", "check, wiring, verify and preview take all of its clips"}
		if inside != "." {
			e.text = path + " is a folder, want a clip (" + fill.ClipExtension + ")"
		}
		if clips, err := fill.ClipsInImage(context.Background(), image, inside); err == nil && len(clips) > 0 {
			e.try = console.Name(clips[0]) + ", or another of its clips; check, wiring, verify and preview take them all"
		}
		return nil, nil, e
	}
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return nil, nil, err
	case info.IsDir():
		return nil, nil, &triedError{fmt.Sprintf("%s is a folder, want a clip (%s)", path, fill.ClipExtension), "one of its clips; check, wiring, verify and preview take folders"}
	case !info.Mode().IsRegular(): // opening a pipe would wait for its other end
		return nil, nil, fmt.Errorf("%s is not an ordinary file, want a clip (%s)", path, fill.ClipExtension)
	}
	return fill.Open(path)
}

// size is a width and a height in pixels.
type size struct {
	Width  int `json:"width"`
	Height int `json:"height"`
}

func (s size) String() string { return fmt.Sprintf("%d×%d", s.Width, s.Height) }

// uprightSize is the size of a clip's picture as the viewer sees it.
func uprightSize(h *container.Header) size {
	if h.Turn%2 == 1 {
		return size{int(h.Height), int(h.Width)}
	}
	return size{int(h.Width), int(h.Height)}
}

// ratio writes a ratio as a number, and the exact ratio beside it where the
// number is not whole.
func ratio(r container.Ratio) string {
	if r.Den == 1 {
		return r.String()
	}
	decimals := strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.3f", r.Float()), "0"), ".")
	return fmt.Sprintf("%s (%v)", decimals, r)
}

// soundText says what the sound of a clip is, with its rate in the given words:
// "u8 mono, 22050 Hz".
func soundText(h *container.Header, rate string) string {
	if h.SoundCoding == container.NoSound {
		return "no sound"
	}
	channels := "mono"
	if h.Channels == 2 {
		channels = "stereo"
	}
	return fmt.Sprintf("%v %s, %s Hz", h.SoundCoding, channels, rate)
}

// clipText says what a clip is in a line.
func clipText(h *container.Header) string {
	text := fmt.Sprintf("%v %v, %s pictures/s, %s, %s, %s", uprightSize(h), h.PixelFormat, number(h.Rate().Float()),
		console.Duration(container.BeatTime(h.Rate(), h.Beats)), console.Size(int64(h.FileSectors)*container.SectorBytes), soundText(h, number(h.SampleRate().Float())))
	if h.Loop() {
		text += ", loops"
	}
	return text
}
