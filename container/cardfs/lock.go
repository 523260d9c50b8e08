package cardfs

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// lockName is a file that stands on a card while it is being filled. It holds
// nothing: what counts is that the system keeps a lock on it, which ends with the
// process that took it, however that ends.
const lockName = tempPrefix + "lock"

// A Lock keeps others from filling the same card.
type Lock struct {
	f    *os.File
	path string
}

// LockedError says that a card is being filled by another process.
type LockedError struct{ Folder string }

func (e *LockedError) Error() string {
	return fmt.Sprintf("cardfs: %s is being filled by another run", e.Folder)
}

// Tries returns what to do.
func (e *LockedError) Tries() []string { return []string{"wait until the other run has ended"} }

// errNoLocks says that a file system has no locks. There nothing can be kept from
// anyone, and a fill goes on without.
var errNoLocks = errors.New("no locks here")

// TakeLock takes the lock of the card whose top folder is given; it does not wait
// for it, but returns a *LockedError.
func TakeLock(folder string) (*Lock, error) {
	path := filepath.Join(folder, lockName)
	for {
		f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
		if err != nil {
			return nil, fmt.Errorf("cardfs: %w", plain(err, folder))
		}
		got, err := lockFile(f)
		if errors.Is(err, errNoLocks) {
			return &Lock{f, path}, nil
		}
		if err == nil && !got {
			err = &LockedError{folder}
		} else if err != nil {
			err = fmt.Errorf("cardfs: %w", &os.PathError{Op: "lock", Path: folder, Err: err})
		}
		if err != nil {
			f.Close()
			return nil, err
		}
		// Whoever held it may have removed it after it was opened here: then the lock
		// is one of a file that has no name, and the next run would not meet it.
		mine, err := f.Stat()
		named, err2 := os.Stat(path)
		if err == nil && err2 == nil && os.SameFile(mine, named) {
			return &Lock{f, path}, nil
		}
		f.Close()
		if err != nil {
			return nil, fmt.Errorf("cardfs: %w", plain(err, folder))
		}
		if err2 != nil && !errors.Is(err2, os.ErrNotExist) {
			return nil, fmt.Errorf("cardfs: %w", plain(err2, folder))
		}
	}
}

// Release gives the lock back and removes its file, which is of no use any more.
func (l *Lock) Release() {
	if removeWhileOpen {
		os.Remove(l.path)
		l.f.Close()
		return
	}
	l.f.Close()
	os.Remove(l.path) // fails where another run holds it by now: then it is that one's
}
