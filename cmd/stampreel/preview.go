package main

import (
	"context"
	"image/png"
	"io"
	"path/filepath"
	"strings"

	"github.com/urfave/cli/v2"

	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
	"example.org/stampreel/container/cardfs"
)

func previewCommand() *command {
	return &command{
		name: "preview", group: "Looking at clips",
		short: "see and hear what was packed",
		about: "Shows clips on a page in a browser, and prints its address: the pixels of the panel and " +
			"the samples of the DAC as they were packed, the bytes of each beat, and which pictures " +
			"would be late and where the sound would have gaps with the card wired in one way or " +
			"another, played as it would look and sound. The page comes from this program and is for " +
			"this machine alone: whoever has its address can see these clips, and nothing else. It " +
			"ends when the page is closed, or with Ctrl-C.\n\n" +
			"With --sheet it draws a contact sheet instead: frames from all along a clip as the panel " +
			"shows them, upright, each pixel as a square of whole screen pixels, with their times. The " +
			"sheet of a folder has a row for each of its clips. What is seen is read back " +
			"from the clip, not made again from the source. With --source the page also holds a clip " +
			"against what it was made of: side by side, their difference, PSNR and SSIM of each beat; " +
			"dither and tone can be tried on one picture, and the flags of pack to keep are told. What " +
			"pack was told of the picture (--fit, --crop, --from and the like) has to be told here too. " +
			"With --export a clip is written as a file " +
			"that other programs open.",
		operands: []operand{{"CLIP|FOLDER", "a clip, a folder of clips (a card), or the image of a card"}},
		flags: append([]cli.Flag{
			&cli.BoolFlag{Name: "open", Usage: "open the page in the browser"},
			&cli.BoolFlag{Name: "keep", Usage: "go on when the page is closed, until Ctrl-C"},
			&cli.StringFlag{Name: "sheet", Usage: "draw a contact sheet as a PNG picture, `FILE`"},
			&cli.BoolFlag{Name: "terminal", Usage: "play the pictures of a clip in the terminal"},
			&cli.StringFlag{Name: "export", Usage: "write a clip as `FILE`.gif, .apng, .y4m or .avi, its sound as .wav, or PNG pictures into FOLDER/"},
			&cli.IntFlag{Name: "frames", Usage: "how many frames of each clip on the sheet", DefaultText: "12 of a clip, 6 of each clip of a folder"},
			&cli.StringFlag{Name: "source", Usage: "hold the clip on the page against the pictures of `FILE`"},
		}, qualityFlags()...),
		examples: []example{
			{"stampreel preview express.srq --open", "see and hear a clip"},
			{"stampreel preview /media/card --player player.yaml", "all clips of a card, on your player"},
			{"stampreel preview express.srq --sheet express.png", "twelve frames of a clip"},
			{"stampreel preview express.srq --source express.gif", "before and after"},
			{"stampreel preview card/ --sheet card.png", "a row of six frames for each clip of a card"},
			{"stampreel preview film.srq --frames 60 --sheet film.png", "a closer look"},
			{"stampreel preview film.srq --export film.gif", "to show to somebody who has no player"},
		},
		results: true, player: true,
		run: runPreview,
	}
}

const mostFrames = 1000 // of a clip on a sheet

// previewed is what preview says of a clip on the sheet.
type previewed struct {
	Path  string    `json:"path"`
	Beats []uint32  `json:"beats"` // those shown
	Times []float64 `json:"times_s"`

	header container.Header
}

func runPreview(ctx context.Context, c *call) error {
	operand, file := c.operand(0), c.String("sheet")
	folder := isFolder(operand) || fill.IsFolderInImage(operand)
	frames := c.Int("frames")
	source, err := c.sourceOf(operand, folder)
	if err != nil {
		return err
	}
	switch {
	case c.Bool("terminal") && (file != "" || c.String("export") != "" || c.Bool("open") || c.Bool("keep") || c.IsSet("frames")):
		return usagef("--terminal plays a clip and nothing else").try("without --sheet, --export, --frames, --open and --keep")
	case c.Bool("terminal"):
		return c.playInTerminal(ctx, operand)
	case c.String("export") != "" && (file != "" || c.Bool("open") || c.Bool("keep") || c.IsSet("frames")):
		return usagef("--export writes a file and nothing else").try("without --sheet, --frames, --open and --keep")
	case c.String("export") != "":
		return c.exportClip(ctx, operand, c.String("export"))
	case file == "" && c.IsSet("frames"):
		return usagef("--frames is about a sheet").try("stampreel preview %s --frames %d --sheet FILE.png", console.Name(operand), frames)
	case file == "":
		return c.showPage(ctx, operand, folder, source)
	case c.Bool("open") || c.Bool("keep"):
		return usagef("--sheet draws a file and shows no page").try("without --open and --keep")
	case !strings.EqualFold(filepath.Ext(file), ".png"):
		return usagef("--sheet: %s: a sheet is a PNG picture", file).try("--sheet %s.png", strings.TrimSuffix(file, filepath.Ext(file)))
	case !c.IsSet("frames") && folder:
		frames = 6
	case !c.IsSet("frames"):
		frames = 12
	case frames < 1 || frames > mostFrames:
		return usagef("--frames: %d is not from 1 to %d", frames, mostFrames)
	}
	paths := []string{operand}
	if folder {
		var err error
		if paths, err = clipsIn(ctx, paths); err != nil {
			return err
		}
	}
	drawn, err := c.drawSheet(ctx, file, operand, folder, paths, frames)
	if err != nil {
		return err
	}
	c.console.Result("%s: %s of %s, %v pixels", console.Name(file), console.Count(int64(drawn.frames), "frame", "frames"),
		console.Count(int64(len(drawn.Clips)), "clip", "clips"), drawn.Size)
	return c.console.JSON(drawn)
}

// drawnSheet is what preview says of a sheet.
type drawnSheet struct {
	Sheet string       `json:"sheet"`
	Size  size         `json:"size"`
	Clips []*previewed `json:"clips"`

	frames int
}

// drawSheet draws a contact sheet of clips, those of a folder or one alone,
// with that many frames of each.
func (c *call) drawSheet(ctx context.Context, file, operand string, folder bool, paths []string, frames int) (*drawnSheet, error) {
	drawn := &drawnSheet{Sheet: file}
	for _, path := range paths {
		r, f, err := openClip(path)
		if err != nil {
			return nil, err
		}
		f.Close()
		p := choose(path, r.Header(), frames)
		drawn.Clips = append(drawn.Clips, p)
		drawn.frames += len(p.Beats)
	}
	sheet, err := layOut(operand, folder, drawn.Clips)
	if err != nil {
		return nil, err
	}
	drawn.Size = size{sheet.width, sheet.height}
	progress := c.console.Progress(console.Job{What: "drawing " + file, Unit: "pictures"})
	defer progress.Stop()
	progress.Expect(int64(drawn.frames))
	img, err := sheet.draw(ctx, progress.Add)
	if err != nil {
		return nil, err
	}
	err = cardfs.Write(file, func(w io.Writer) error {
		if err := png.Encode(w, img); err != nil {
			return err
		}
		return ctx.Err()
	})
	if err != nil {
		return nil, err
	}
	return drawn, nil
}

// choose picks frames evenly over a clip, each from the middle of its share;
// all of them where there are not so many.
func choose(path string, h container.Header, frames int) *previewed {
	p := &previewed{Path: path, header: h}
	n := min(int64(frames), int64(h.Beats))
	for i := range n {
		beat := h.FirstBeat + uint32((2*i+1)*int64(h.Beats)/(2*n))
		p.Beats = append(p.Beats, beat)
		p.Times = append(p.Times, container.BeatTime(h.Rate(), beat).Seconds())
	}
	return p
}
