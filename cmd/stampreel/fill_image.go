package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container/fat"
)

// imageExtension ends the name of the image of a card.
const imageExtension = ".img"

// wantsImage says whether a card is to be an image, and of how many bytes: 0 for those
// of the image that is there.
func (c *call) wantsImage(card string) (bool, int64, error) {
	flag := ""
	switch {
	case c.String("size") != "":
		flag = "--size"
	case c.Bool("whole"):
		flag = "--whole"
	}
	info, err := os.Stat(card)
	if err == nil && info.IsDir() || !strings.EqualFold(filepath.Ext(card), imageExtension) {
		if flag != "" {
			return false, 0, usagef("%s: %s is for the image of a card, a file that ends in %s", flag, console.Name(card), imageExtension).try("stampreel fill FOLDER card%s --size 4GiB", imageExtension)
		}
		return false, 0, nil
	}
	if c.String("size") == "" {
		return true, 0, nil
	}
	size, err := parseSize("size", c.String("size"))
	return true, size, err
}

// fillImage packs the items into the image of a card.
func (c *call) fillImage(ctx context.Context, folder, path string, size int64, items []fill.Item, s fill.Settings) ([]fill.Outcome, error) {
	im, err := fill.OpenImage(path, size)
	var limit *fat.LimitError
	if errors.As(err, &limit) && size != 0 {
		return nil, usagef("--size: %s", limit.Problem).try("--size 4GiB")
	}
	if err != nil {
		return nil, err
	}
	defer func() {
		im.Close()
		if im.Waiting() {
			c.console.Note("the clips that were packed are kept beside %s, and the next fill goes on from them", console.Name(path))
		}
	}()
	if err := im.BringOver(ctx, items); err != nil {
		return nil, err
	}
	outcomes, err := c.fillCard(ctx, folder, im.Folder(), items, s, c.fillOptions(s, true), 0)
	if err != nil {
		return nil, err
	}
	if !slices.ContainsFunc(outcomes, func(o fill.Outcome) bool { return o.Err == nil }) {
		im.Discard()
		return outcomes, nil
	}
	if err := c.noteGone(ctx, im.Folder(), items); err != nil {
		return nil, err
	}
	if err := c.writeGuide(ctx, im.Folder(), s.Player, items); err != nil {
		return nil, err
	}
	layout, files, err := im.Plan(ctx)
	var full *fat.FullError
	if errors.As(err, &full) {
		e := &NotFitError{Text: fmt.Sprintf("%s: a card of %s has room for %s, and the clips take %s", path, console.Size(full.Card), console.Size(full.Room), console.Size(full.Needs)), Err: err}
		if fits := fill.SmallestSize(files); fits > 0 {
			e.Try = append(e.Try, fmt.Sprintf("--size %s, if the card has that", binarySize(fits)))
		}
		return nil, e
	}
	if err != nil {
		return nil, err
	}
	progress := c.console.Progress(console.Job{What: "writing " + path, Unit: "bytes"})
	defer progress.Stop()
	var total int64
	for _, f := range files {
		total += f.Bytes
	}
	progress.Expect(total)
	if err := im.Write(ctx, layout, files, c.Bool("whole"), progress.Add); err != nil {
		return nil, err
	}
	progress.Stop()
	im.Name(outcomes)
	c.console.Note("%s is for a card of %s or more; check twice which disk is the card before your tool writes it", console.Name(path), console.Size(layout.CardBytes))
	return outcomes, nil
}

// binarySize writes a size as --size takes it.
func binarySize(bytes int64) string {
	if bytes%(1<<30) == 0 {
		return fmt.Sprintf("%dGiB", bytes>>30)
	}
	return fmt.Sprintf("%dMiB", bytes>>20)
}
