package source

import (
	"context"
	"os"
	"slices"
	"sync"
	"time"

	"example.org/stampreel/transcode/source/system"
)

// seen is what was found in files that have not changed since: a source is opened several
// times for one clip, and to look into it starts a process each time.
var seen struct {
	sync.Mutex
	files []seenFile // the last ones
}

type seenFile struct {
	info os.FileInfo
	what system.Description
}

const (
	mostSeen = 16
	// settled is how old a file's time must be for it to tell of a change: FAT counts in 2 s.
	settled = 3 * time.Second
)

// describe looks into a file, once while it stays as it is.
func describe(ctx context.Context, path string) (*system.Description, error) {
	info, unknown := os.Stat(path)
	if unknown == nil {
		if d, ok := recall(path, info); ok {
			return d, nil
		}
	}
	d, err := system.Describe(ctx, path)
	if err == nil && unknown == nil && time.Since(info.ModTime()) >= settled {
		seen.Lock()
		defer seen.Unlock()
		seen.files = append(seen.files, seenFile{info, *d})
		seen.files = slices.Delete(seen.files, 0, max(0, len(seen.files)-mostSeen))
	}
	return d, err
}

// recall returns what was found in a file of that state.
func recall(path string, info os.FileInfo) (*system.Description, bool) {
	seen.Lock()
	defer seen.Unlock()
	for _, f := range seen.files {
		if f.what.Path == path && os.SameFile(f.info, info) && f.info.Size() == info.Size() && f.info.ModTime().Equal(info.ModTime()) {
			d := f.what
			return &d, true
		}
	}
	return nil, false
}
