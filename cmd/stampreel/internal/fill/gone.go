package fill

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"

	"example.org/stampreel/container"
)

// Gone lists the clips on a card that were packed by Stampreel, as they say in their
// header, and that none of the items becomes: their sources have been removed, or have
// another name now. Further parts are not listed beside the first. Paths are relative,
// with slashes, in order; hidden files and what is no clip are passed over.
func Gone(ctx context.Context, card string, items []Item) (gone []string, err error) {
	err = eachGone(ctx, card, items, func(at string, _ *container.Header, _ note) { gone = append(gone, at) })
	return gone, err
}

// RemoveGone removes clips that Gone has listed, with all their parts, and folders that
// are empty then.
func RemoveGone(card string, gone []string) error {
	for _, at := range gone {
		clip := filepath.Join(card, filepath.FromSlash(at))
		removeOldParts(clip, 1)
		if err := os.Remove(clip); err != nil {
			return fmt.Errorf("fill: %w", err)
		}
		for dir := path.Dir(at); dir != "."; dir = path.Dir(dir) {
			if os.Remove(filepath.Join(card, filepath.FromSlash(dir))) != nil {
				break // there is something in it
			}
		}
	}
	return nil
}

func eachGone(ctx context.Context, card string, items []Item, visit func(at string, h *container.Header, n note)) error {
	wanted := make(map[string]bool)
	for _, it := range items {
		wanted[strings.ToLower(it.Clip)] = true // as FAT compares names
	}
	return fs.WalkDir(os.DirFS(card), ".", func(at string, d fs.DirEntry, err error) error {
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil && at == ".":
			return fmt.Errorf("fill: %w", whole(err, card))
		case err != nil || at == ".":
			return nil // what cannot be read is nothing to tell of
		case strings.HasPrefix(d.Name(), ".") && d.IsDir():
			return fs.SkipDir
		case d.IsDir() || strings.HasPrefix(d.Name(), ".") || !strings.EqualFold(path.Ext(at), ClipExtension) || wanted[strings.ToLower(at)]:
			return nil
		}
		r, f, err := Open(filepath.Join(card, filepath.FromSlash(at)))
		if err != nil {
			return nil
		}
		f.Close()
		h := r.Header()
		if n, ours := parseNote(h.Extension); ours && h.Part == 0 {
			visit(at, &h, n)
		}
		return nil
	})
}
