package cardfs

import (
	"fmt"
	"os"
)

// System is the file system that a folder lies in, as far as it is known here.
type System struct {
	Name    string // FAT, exFAT, NTFS, ext4, …
	Cluster int64  // bytes, of FAT
	Bytes   int64  // of all of it
}

// SystemOf tells what file system a folder lies in; ok is false where that is not known.
func SystemOf(folder string) (s System, ok bool) { return systemOf(folder) }

// OpenPastCaches opens a file that was flushed so that what is read comes from where it
// lies, not out of the computer's memory; past tells whether the system promised that.
func OpenPastCaches(path string) (f *os.File, past bool, err error) {
	if f, err = os.Open(path); err != nil {
		return nil, false, err
	}
	past, _ = forget(f) // without, it is read all the same
	return f, past, nil
}

// Pieces counts the pieces that a file lies in on its card, as the file system tells; 0 where
// it does not.
func Pieces(path string) int {
	f, err := os.Open(path)
	if err != nil {
		return 0
	}
	defer f.Close()
	return pieces(f)
}

// Reserve asks for the room of so many bytes in one go, so that they lie in one piece and
// a card that is too full is found before anything is written. Where the file system
// cannot, it does nothing.
func (f *File) Reserve(bytes int64) error {
	if err := reserve(f.File, bytes); err != nil {
		return fmt.Errorf("cardfs: %w", &os.PathError{Op: "write", Path: f.path, Err: err})
	}
	return nil
}
