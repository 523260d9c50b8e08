package fill

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"syscall"

	"example.org/stampreel/container"
)

// formerClips are the clips on a card that none of the items becomes: of what was renamed
// in the folder of the sources one of them has to be renamed alone.
type formerClips struct {
	mu sync.Mutex
	at map[formerKey]string
}

type formerKey struct {
	identity [16]byte
	settings [32]byte
}

// formerOf finds them. Where every item has its clip there is nothing to look for.
func formerOf(ctx context.Context, card string, items []Item) (map[formerKey]string, error) {
	missing := false
	for _, it := range items {
		missing = missing || !exists(filepath.Join(card, filepath.FromSlash(it.Clip)))
	}
	if !missing {
		return nil, nil
	}
	former := make(map[formerKey]string)
	err := eachGone(ctx, card, items, func(at string, h *container.Header, n note) {
		former[formerKey{h.Identity, n.settings}] = filepath.Join(card, filepath.FromSlash(at))
	})
	return former, err
}

// find returns a clip, "" if there is none.
func (f *formerClips) find(identity [16]byte, settings [32]byte) string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.at[formerKey{identity, settings}]
}

// take tells whether a clip that was found is still to be had, and gives it once.
func (f *formerClips) take(clip string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	for key, at := range f.at {
		if at == clip {
			delete(f.at, key)
			return true
		}
	}
	return false
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, syscall.ENOTDIR)
}

// renameParts gives all parts of a clip another name, the first part last, so that the
// clip stands under it only when all of it does.
func renameParts(from, to string) error {
	last := 0
	for exists(PartName(from, last+1)) {
		last++
	}
	for part := last; part >= 0; part-- {
		if err := os.Rename(PartName(from, part), PartName(to, part)); err != nil {
			return err
		}
	}
	return nil
}
