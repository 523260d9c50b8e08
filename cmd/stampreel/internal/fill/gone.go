package fill

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
)

// Gone lists the clips on a card that were packed by Stampreel, as they say in their
// header, and that none of the items becomes: their sources have been removed, or have
// another name now. Further parts are not listed beside the first. Paths are relative,
// with slashes, in order; hidden files and what is no clip are passed over.
func Gone(ctx context.Context, card string, items []Item) ([]string, error) {
	wanted := make(map[string]bool)
	for _, it := range items {
		wanted[strings.ToLower(it.Clip)] = true // as FAT compares names
	}
	var gone []string
	err := fs.WalkDir(os.DirFS(card), ".", func(at string, d fs.DirEntry, err error) error {
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
		if _, ours := parseNote(h.Extension); ours && h.Part == 0 {
			gone = append(gone, at)
		}
		return nil
	})
	return gone, err
}
