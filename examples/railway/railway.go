// Package railway draws and sounds the demo reel: an invented model railway
// whose drive-in cinema has a 240×135 screen, whose station clock is a round
// panel of 240×240 and whose platform sign is 128×64 dots of black and white.
// Each source is of another kind (a film with its sound, an animation of
// partial frames, numbered pictures, a still with grain, a sound alone), so
// that together they ask of a converter what ordinary sources ask. Everything
// is computed from formulas and fixed noise: two runs on one machine give the
// same bytes. Processors that round a product and a sum in one step may differ
// in the last bit of a sample.
package railway

import (
	"bufio"
	"context"
	"fmt"
	"image/png"
	"io"
	"os"
	"path/filepath"
)

// The names of the sources, relative to the reel's folder.
const (
	Film         = "drive-in-feature.y4m"
	FilmSound    = "drive-in-feature.wav"
	Express      = "express.gif"
	ClockFolder  = "station-clock"
	Sign         = "platform-sign.gif"
	Poster       = "poster.png"
	Announcement = "announcement.wav"
)

const (
	filmSoundRate    = 44100
	announcementRate = 22050
)

// Most of the reel's time would go into squeezing PNG data; the quick level
// costs about a tenth in size.
var still = png.Encoder{CompressionLevel: png.BestSpeed}

// Write makes the reel in dir, which is created when missing, and returns the
// paths of its files relative to dir, with forward slashes, in the order
// written. Existing files of the same names are replaced. About 35 MB. When it
// fails, or ctx is done, no half-written file remains, but the files completed
// before do.
func Write(ctx context.Context, dir string) ([]string, error) {
	var names []string
	put := func(name string, draw func(f *os.File) error) error {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("railway: %s: %w", name, err)
		}
		if err := create(filepath.Join(dir, filepath.FromSlash(name)), draw); err != nil {
			return fmt.Errorf("railway: %s: %w", name, err)
		}
		names = append(names, name)
		return nil
	}
	buffered := func(draw func(w io.Writer) error) func(f *os.File) error {
		return func(f *os.File) error {
			w := bufio.NewWriterSize(f, 1<<18)
			if err := draw(w); err != nil {
				return err
			}
			return w.Flush()
		}
	}

	back, err := clockBack()
	if err != nil {
		return nil, fmt.Errorf("railway: station clock: %w", err)
	}
	clock := newCanvas(clockSize, clockSize)
	type source struct {
		name string
		draw func(f *os.File) error
	}
	sources := []source{
		{Film, buffered(func(w io.Writer) error { return writeFilm(ctx, w) })},
		{FilmSound, func(f *os.File) error {
			left, right := filmSound(filmSoundRate)
			return writeWAV(f, filmSoundRate, left, right)
		}},
		{Express, buffered(func(w io.Writer) error { return writeExpress(ctx, w) })},
		{Sign, buffered(func(w io.Writer) error { return writeSign(ctx, w) })},
		{Poster, buffered(func(w io.Writer) error {
			c, err := poster()
			if err != nil {
				return err
			}
			return still.Encode(w, c)
		})},
		{Announcement, func(f *os.File) error { return writeWAV(f, announcementRate, chime(announcementRate)) }},
	}
	for i := range clockFrames {
		sources = append(sources, source{fmt.Sprintf("%s/frame-%04d.png", ClockFolder, i), buffered(func(w io.Writer) error {
			clockPicture(clock, back, i)
			return still.Encode(w, clock)
		})})
	}
	for _, s := range sources {
		if err := put(s.name, s.draw); err != nil {
			return nil, err
		}
	}
	return names, nil
}

// create fills a new file beside path and gives it its name when it is whole.
func create(path string, draw func(f *os.File) error) (err error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".part-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			os.Remove(f.Name())
		}
	}()
	if err := draw(f); err != nil {
		f.Close()
		return err
	}
	// A temporary file is private; a source is as readable as any other.
	if err := f.Chmod(0o644); err != nil {
		f.Close()
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
