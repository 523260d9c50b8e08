package main

import (
	"bufio"
	"context"
	"fmt"
	"image"
	"os"
	"path/filepath"
	"strings"

	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/export"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
	"example.org/stampreel/container/cardfs"
)

// exported is what preview says of a film or a sound that it wrote.
type exported struct {
	Export   string `json:"export"`
	Clip     string `json:"clip"`
	Beats    int64  `json:"beats"`
	Pictures int    `json:"pictures"` // stored; 0 of a sound
	Reduced  int    `json:"reduced"`  // of them, with fewer colours than the panel shows
}

const soundExtension = ".wav"

// exportClip writes what a clip shows, or sounds, as another file.
func (c *call) exportClip(ctx context.Context, clip, file string) error {
	if last := len(file) - 1; os.IsPathSeparator(file[last]) {
		return c.exportFolder(ctx, clip, file[:last])
	}
	kind, extensions := export.Kind{}, []string{soundExtension}
	for _, k := range export.Kinds() {
		if strings.EqualFold(filepath.Ext(file), k.Extension) {
			kind = k
		}
		extensions = append(extensions, k.Extension)
	}
	sound := strings.EqualFold(filepath.Ext(file), soundExtension)
	if kind.New == nil && !sound {
		return usagef("--export: %s ends in none of %s", file, orList(extensions)).try("--export %s.gif", strings.TrimSuffix(file, filepath.Ext(file))).try("--export %s%c for a folder of PNG pictures", file, filepath.Separator)
	}
	r, f, err := openClip(clip)
	if err != nil {
		return err
	}
	defer f.Close()
	h := r.Header()
	progress := c.console.Progress(console.Job{What: "writing " + file, Unit: "beats"})
	defer progress.Stop()
	progress.Expect(int64(h.Beats))
	done := &exported{Export: file, Clip: clip, Beats: int64(h.Beats)}
	if sound {
		err = exportSound(ctx, r, clip, file, progress.Add)
	} else {
		err = exportFilm(ctx, r, kind, file, done, progress.Add)
	}
	progress.Stop()
	if err != nil {
		return named(clip, err)
	}
	text := fmt.Sprintf("%s: the sound of %s", console.Name(file), console.Name(clip))
	if !sound {
		text = fmt.Sprintf("%s: %s, %s a second", console.Name(file), console.Count(done.Beats, "beat", "beats"), ratio(h.Rate()))
	}
	if done.Reduced > 0 {
		c.console.Note("%s had more than 256 colours and %s dithered to fewer; .apng keeps them all", console.Count(int64(done.Reduced), "picture", "pictures"), map[bool]string{true: "was", false: "were"}[done.Reduced == 1])
	}
	c.console.Result("%s", text)
	return c.console.JSON(done)
}

// exportFolder writes the pictures of a clip as PNG files, and its sound beside them.
func (c *call) exportFolder(ctx context.Context, clip, folder string) error {
	result, err := c.unpack(ctx, clip, folder)
	if err != nil {
		return err
	}
	c.console.Result("%s: %s", console.Name(folder), console.Count(result.Frames, "PNG picture", "PNG pictures"))
	return c.console.JSON(exported{Export: folder, Clip: clip, Beats: result.Frames, Pictures: int(result.Frames)})
}

// exportFilm writes the pictures, and the sound where the kind of film has any.
func exportFilm(ctx context.Context, r *container.Reader, kind export.Kind, file string, done *exported, progress func(int64)) error {
	h := r.Header()
	runs, err := runsOf(ctx, r, kind.Each)
	if err != nil {
		return err
	}
	done.Pictures = len(runs)
	upright := uprightSize(&h)
	f, err := cardfs.Create(file)
	if err != nil {
		return err
	}
	defer f.Abort()
	w := &ordered{f, bufio.NewWriterSize(f, 1<<20)}
	about := export.Film{Width: upright.Width, Height: upright.Height, Rate: h.Rate(), Loops: h.Loop(), Pictures: len(runs)}
	var film export.Writer
	sound := samplesOf(&h, func(pcm []byte) error { return film.(export.Listener).Sound(pcm) })
	if h.SoundCoding != container.NoSound {
		about.Sound = sound.pcm
	}
	if film, err = kind.New(w, about); err != nil {
		return err
	}
	_, heard := film.(export.Listener)
	if heard = heard && about.Sound.Rate > 0; heard {
		lead, err := r.LeadIn()
		if err != nil {
			return err
		}
		if err := sound.leadIn(&h, lead); err != nil {
			return err
		}
	}
	panel, beat := container.NewPanel(&h), container.Beat{}
	var img *image.NRGBA
	number := h.FirstBeat
	for _, beats := range runs {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := r.Show(number, panel, &beat); err != nil {
			return err
		}
		if img == nil || beat.FrameCoding != container.Repeat {
			if img, err = fill.Picture(&h, panel.Pixels); err != nil {
				return err
			}
		}
		if err := film.Add(img, int64(beats)); err != nil {
			return err
		}
		if heard { // a run is one beat then
			if err := sound.beat(&h, beat.Sound, h.StoredSamples(number)); err != nil {
				return err
			}
		}
		number += beats
		progress(int64(beats))
	}
	if heard {
		if err := sound.end(); err != nil {
			return err
		}
	}
	if err := film.Close(); err != nil {
		return err
	}
	if g, ok := film.(*export.GIF); ok {
		done.Reduced = g.Reduced
	}
	if err := w.Flush(); err != nil {
		return err
	}
	return f.Commit()
}

// ordered is a file whose writes are gathered, and all done before it goes elsewhere.
type ordered struct {
	f *cardfs.File
	*bufio.Writer
}

func (o *ordered) Seek(offset int64, whence int) (int64, error) {
	if err := o.Flush(); err != nil {
		return 0, err
	}
	return o.f.Seek(offset, whence)
}

// runsOf is for how many beats each picture stays, or 1 for each beat.
func runsOf(ctx context.Context, r *container.Reader, each bool) (runs []uint32, err error) {
	h := r.Header()
	most := max(1, uint32(export.MostSeconds*h.Rate().Float()))
	var b container.Beat
	for n := range h.Beats {
		if n%1024 == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if err := r.ReadHeader(h.FirstBeat+n, &b); err != nil {
			return nil, err
		}
		if last := len(runs) - 1; !each && last >= 0 && b.FrameCoding == container.Repeat && runs[last] < most {
			runs[last]++
		} else {
			runs = append(runs, 1)
		}
	}
	return runs, nil
}

// exportSound writes the sound, as unpack does.
func exportSound(ctx context.Context, r *container.Reader, clip, file string, progress func(int64)) error {
	h := r.Header()
	if h.SoundCoding == container.NoSound {
		return &triedError{clip + " has no sound", "--export with .gif, .apng, .y4m or .avi for its pictures"}
	}
	f, err := cardfs.Create(file)
	if err != nil {
		return err
	}
	defer f.Abort()
	sound := newSoundFile(f, &h)
	lead, err := r.LeadIn()
	if err != nil {
		return err
	}
	if err := sound.leadIn(&h, lead); err != nil {
		return err
	}
	var b container.Beat
	for n := range h.Beats {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := r.Read(h.FirstBeat+n, &b); err != nil {
			return err
		}
		if err := sound.beat(&h, b.Sound, h.StoredSamples(b.Number)); err != nil {
			return err
		}
		progress(1)
	}
	if err := sound.close(); err != nil {
		return err
	}
	return f.Commit()
}
