package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
	"example.org/stampreel/container/fat"
)

func verifyCommand() *command {
	return &command{
		name:  "verify",
		short: "check every byte of clips",
		about: "Reads every byte of each clip and checks every rule of the format: checksums, " +
			"padding, the chain of beats, the seek table, the totals, the memory bounds and the " +
			"need curve. A clip that a card, a copy or a program has changed shows here. All " +
			"clips are tried, whatever is wrong with one of them; the first problem of each is " +
			"named.",
		operands: []operand{{"CLIP|FOLDER...", "clips, and folders whose clips are all checked, sub-folders too"}},
		examples: []example{
			{"stampreel verify express.srq", "one clip"},
			{"stampreel verify card/", "all clips of a card"},
			{"stampreel verify card/ --json", "the same for a program"},
		},
		results: true,
		run:     runVerify,
	}
}

// verified is what verify says of one file.
type verified struct {
	Path    string `json:"path"`
	Result  string `json:"result"` // ok, truncated, damaged, unsupported, unreadable or not found
	Problem string `json:"problem,omitempty"`
	Bytes   int64  `json:"bytes"`
	Beats   uint32 `json:"beats"`

	err error
}

func runVerify(ctx context.Context, c *call) error {
	var all []*verified
	for _, operand := range c.operands {
		paths, err := clipsIn(ctx, []string{operand})
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			v := &verified{Path: operand, Result: "not found", Problem: err.Error(), err: err}
			var damage *fat.FormatError // of an image
			if errors.As(err, &damage) {
				v.fail(err)
			}
			all = append(all, v)
		}
		for _, path := range paths {
			all = append(all, &verified{Path: path})
		}
	}
	if len(all) == 1 && all[0].err != nil {
		return all[0].err
	}
	progress := c.console.Progress(console.Job{What: "verifying", Unit: "bytes"})
	defer progress.Stop()
	var total int64
	for _, v := range all {
		if v.err == nil {
			v.Bytes = fill.SizeOf(v.Path)
			total += v.Bytes
		}
	}
	progress.Expect(total)
	for _, v := range all {
		if v.err != nil {
			continue
		}
		done, err := verifyClip(ctx, v, progress.Add)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		progress.Add(v.Bytes - done) // what was not read because of a problem
		if err != nil {
			v.fail(err)
		}
	}
	progress.Stop()
	return c.reportVerified(all)
}

// verifyClip checks one clip and returns how many bytes it told read.
func verifyClip(ctx context.Context, v *verified, read func(bytes int64)) (done int64, err error) {
	_, f, err := openClip(v.Path)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	h, err := container.Verify(ctx, f, v.Bytes, func(b *container.Beat, _ *container.Panel) {
		n := int64(b.Sectors) * container.SectorBytes
		done += n
		read(n)
	})
	if err != nil {
		return done, fmt.Errorf("%s: %w", v.Path, err)
	}
	v.Result, v.Beats = "ok", h.Beats
	return done, nil
}

// fail notes what is wrong with a file.
func (v *verified) fail(err error) {
	var damage *container.FormatError
	var image *fat.FormatError
	var unknown *container.UnsupportedError
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF):
		v.Result = "truncated"
	case errors.As(err, &damage), errors.As(err, &image):
		v.Result = "damaged"
	case errors.As(err, &unknown):
		v.Result = "unsupported"
	default:
		v.Result = "unreadable"
	}
	v.err, v.Problem = err, err.Error()
}

func (c *call) reportVerified(all []*verified) error {
	t := console.NewTable(console.Words("result"), console.Numbers("size", "MB"), console.Words("clip"))
	var bad []*verified
	var total int64
	for _, v := range all {
		result := console.Good(v.Result)
		if v.err != nil {
			result = console.Bad(v.Result)
			bad = append(bad, v)
		}
		total += v.Bytes
		t.Row(result, console.MB(float64(v.Bytes)), v.Path)
	}
	if len(all) > 1 {
		t.Total("", console.MB(float64(total)), console.Count(int64(len(all)), "clip", "clips"))
	}
	c.console.Table(t)
	for _, v := range bad {
		if len(all) == 1 {
			break // the error says it
		}
		c.console.Result("%s", console.Name(v.Problem))
	}
	if err := c.console.JSON(map[string]any{"clips": all, "bad": len(bad), "bytes": total}); err != nil {
		return err
	}
	switch {
	case len(bad) == 0:
		return nil
	case len(all) == 1:
		return bad[0].err
	}
	return fmt.Errorf("%d of %d do not pass", len(bad), len(all))
}
