// Package system decodes with the codec libraries that the computer has:
// GStreamer 1.x, loaded when the program runs, so that it is built without them
// and starts without them.
//
// A decoder takes files that somebody else made and is written in C. It
// therefore runs in a worker: this program started once more, which decodes,
// brings pictures to the size of the panel at once and sends them through a
// pipe. What a codec can do at worst (crash, hang, take all memory) costs one
// file and gives an error that names it. Pictures and sound of a file have a
// worker each, which know nothing of each other: each reads the whole file, and
// takes its times from the file alone.
//
// [Main] must be the first thing that a program does which uses this package.
package system

import (
	"context"
	"errors"
	"image"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"time"
	"unicode"

	"example.org/stampreel/transcode/picture"
)

// Limits of a worker.
var (
	// Stall is how long a worker may take to bring the next thing before it is
	// ended; half as long to look into a file, which is tried twice.
	Stall = 20 * time.Second
	// MaxMemory is the most resident memory that a worker may take, in bytes. It is
	// watched on Linux alone.
	MaxMemory int64 = 1_500_000_000
)

// workerEnv says in the environment that a process is a worker.
const workerEnv = "STAMPREEL_DECODING_WORKER"

// entered tells that Main was called, without which no worker is started: a
// program that does not call it would start itself over and over.
var entered atomic.Bool

// Main does not return in a worker; in every other process it returns at once.
func Main() {
	entered.Store(true)
	if pipe := os.Getenv(workerEnv); pipe != "" {
		os.Unsetenv(workerEnv)
		work(pipe)
	}
}

// Description is what a file holds, as far as can be told without reading all
// of it.
type Description struct {
	Path      string
	Container string        // in words, such as "MP4"
	Duration  time.Duration // 0 when unknown
	Guessed   bool          // the duration is worked out from the size and the bytes a second so far
	Seekable  bool
	Videos    []Video
	Tracks    []Track
}

// Video is one row of pictures in a file.
type Video struct {
	ID    string // of the stream, as the libraries name it
	Codec string // such as "H.264"
	// Size in pixels as stored, and the shape of a pixel, width to height.
	Width, Height        int
	AspectNum, AspectDen int
	// Pictures a second, on average; 0 when unknown or not constant.
	RateNum, RateDen int
	Orientation      picture.Orientation
	Interlaced       bool
	HDR              string // "PQ", "HLG" or nothing
	Still            bool   // one picture, such as the cover of a record
	Missing          bool   // nothing here decodes it
}

// Upright returns the size that the pictures have when they stand upright.
func (v *Video) Upright() image.Point {
	return v.Orientation.Upright(image.Pt(v.Width, v.Height))
}

// Track is one sound of a file.
type Track struct {
	ID              string
	Codec           string
	Rate, Channels  int
	Language, Title string // nothing when not stated
	Missing         bool   // nothing here decodes it
}

// printable is a text of a file without what would steer a terminal, on one line.
func printable(text string) string {
	text = strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) {
			return ' '
		}
		if !unicode.IsPrint(r) {
			return -1
		}
		return r
	}, text)
	return strings.TrimSpace(text)
}

// Holds says in words what a file holds, such as "H.264 video, AAC sound".
func (d *Description) Holds() string {
	var parts []string
	for _, v := range d.Videos {
		parts = append(parts, v.Codec+" video")
	}
	for _, t := range d.Tracks {
		parts = append(parts, t.Codec+" sound")
	}
	return strings.Join(slices.Compact(parts), ", ")
}

// Lacks returns a *MissingError when nothing here decodes the given video or
// track; -1 stands for none.
func (d *Description) Lacks(video, track int) error {
	var lacks []string
	if video >= 0 && d.Videos[video].Missing {
		lacks = append(lacks, d.Videos[video].Codec+" video")
	}
	if track >= 0 && d.Tracks[track].Missing {
		lacks = append(lacks, d.Tracks[track].Codec+" sound")
	}
	if len(lacks) == 0 {
		return nil
	}
	return &MissingError{Path: d.Path, Holds: d.Holds(), Lacks: "a decoder for " + strings.Join(lacks, " and "), try: Install()}
}

// Describe looks into a file. Streams that nothing here decodes are listed too.
func Describe(ctx context.Context, path string) (*Description, error) {
	var d Description
	err := ask(ctx, path, request{Do: doDescribe}, &d)
	// Looking into a damaged file, the libraries wait for each other now and then
	// (once in some hundred files, with GStreamer 1.22).
	if w := (*WorkerError)(nil); errors.As(err, &w) && w.What == Stalled {
		err = ask(ctx, path, request{Do: doDescribe}, &d)
	}
	if err != nil {
		return nil, err
	}
	d.Path = path
	return &d, nil
}

// absolute makes a path good for a worker, which may be started elsewhere.
func absolute(path string) string {
	if abs, err := filepath.Abs(path); err == nil {
		return abs
	}
	return path
}

// ask starts a worker for one answer.
func ask(ctx context.Context, path string, r request, answer any) error {
	p, err := start(ctx, path, r)
	if err != nil {
		return err
	}
	defer p.close()
	return p.receiveJSON(ctx, msgInfo, answer)
}
