package main

import (
	"context"
	"fmt"
	"image"
	"path/filepath"
	"time"

	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
)

// playInTerminal plays the pictures of a clip in time. A terminal that is too slow
// misses some. A clip that loops plays until Ctrl-C.
func (c *call) playInTerminal(ctx context.Context, clip string) error {
	r, f, err := openClip(clip)
	if err != nil {
		return err
	}
	defer f.Close()
	film, ok := c.console.Film()
	if !ok {
		return &triedError{"--terminal needs a terminal that can move its cursor, and no --json", "--sheet FILE.png"}
	}
	h := r.Header()
	if _, flashes, _, ok := fill.HowMade(&h); ok {
		c.warnFlashes(clip, &flashes, "Ctrl-C ends it")
	}
	if h.SoundCoding != container.NoSound {
		c.console.Note("without its sound; the page has it: stampreel preview %s", console.Name(clip))
	}
	panel, beat := container.NewPanel(&h), container.Beat{}
	upright := uprightSize(&h)
	img := image.NewNRGBA(image.Rect(0, 0, upright.Width, upright.Height)) // until there is a picture
	for again := true; again; again = h.Loop() {
		start := time.Now()
		for n := uint32(0); n < h.Beats; n++ {
			due := start.Add(container.BeatTime(h.Rate(), n))
			if late := time.Since(due); n+1 < h.Beats && late > container.BeatTime(h.Rate(), 1) {
				continue // its time is over
			}
			select {
			case <-ctx.Done():
				return nil // that is how it is ended
			case <-time.After(time.Until(due)):
			}
			caption := fmt.Sprintf("%s  beat %d  %s", console.Duration(container.BeatTime(h.Rate(), n)), h.FirstBeat+n, filepath.Base(clip))
			if err := r.Show(h.FirstBeat+n, panel, &beat); err != nil {
				panel = container.NewPanel(&h)
				caption = plainText(err)
			} else if img, err = fill.Picture(&h, panel.Pixels); err != nil {
				return err
			}
			film.Show(img, caption)
			if c.console.Err() != nil { // nobody sees it any more
				return c.console.Err()
			}
		}
		select { // until the last picture's time is over
		case <-ctx.Done():
			return nil
		case <-time.After(time.Until(start.Add(container.BeatTime(h.Rate(), h.Beats)))):
		}
	}
	return nil
}
