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

// LooksLike counts what lies in a folder that no card needs to hold, and tells whether it
// has been filled before: it has a ledger, or a clip at its top. Hidden files and what
// systems leave on every card count for nothing.
func LooksLike(ctx context.Context, card string) (others int, filled bool, err error) {
	entries, err := os.ReadDir(card)
	if err != nil {
		return 0, false, fmt.Errorf("fill: %w", err)
	}
	for _, e := range entries {
		switch name := e.Name(); {
		case name == ledgerName || strings.EqualFold(filepath.Ext(name), ClipExtension):
			return 0, true, nil
		case !IsLitter(name) && !strings.HasPrefix(name, "."):
			others++
		}
	}
	return others, false, ctx.Err()
}

// IsLitter tells of a name that a desktop system, not a person, gave to something on a card.
func IsLitter(name string) bool {
	switch strings.ToLower(name) {
	case "system volume information", "$recycle.bin", "thumbs.db", "desktop.ini", ".ds_store", ".trashes", ".trash", ".fseventsd",
		".spotlight-v100", ".temporaryitems", ".documentrevisions-v100", ".apdisk", "lost.dir", "lost+found", "found.000":
		return true
	}
	return strings.HasPrefix(name, "._") || strings.HasPrefix(strings.ToLower(name), ".trash-")
}

// RemoveLitter removes what desktop systems have left at the top of a card, and names it.
// What cannot be removed stays, and is the error.
func RemoveLitter(card string) (gone []string, err error) {
	entries, err := os.ReadDir(card)
	if err != nil {
		return nil, fmt.Errorf("fill: %w", err)
	}
	for _, e := range entries {
		if !IsLitter(e.Name()) || strings.EqualFold(e.Name(), "lost+found") || strings.EqualFold(e.Name(), "lost.dir") || strings.EqualFold(e.Name(), "found.000") {
			continue // what a repair has found is somebody's
		}
		if err := os.RemoveAll(filepath.Join(card, e.Name())); err != nil {
			return gone, fmt.Errorf("fill: %w", err)
		}
		gone = append(gone, e.Name())
	}
	return gone, nil
}
