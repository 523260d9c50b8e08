package measure

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"example.org/stampreel/container/cardfs"
)

// Folder is a folder of a mounted card as a storage. Its files are hidden ones of
// package cardfs: what a killed run leaves, the next fill removes.
func Folder(path string) (Storage, error) {
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return nil, fmt.Errorf("measure: %w", err)
	case !info.IsDir():
		return nil, fmt.Errorf("measure: %w", &fs.PathError{Op: "measure", Path: path, Err: errors.New("is not a folder; want the one where the card is mounted")})
	}
	return folder(path), nil
}

type folder string

func (f folder) Free() (int64, error) {
	n, err := Free(string(f))
	if err != nil {
		return 0, f.wrong("measure", err)
	}
	return n, nil
}

// wrong names the card, not a file that nobody knows.
func (f folder) wrong(op string, err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		err = p.Err
	}
	err = &fs.PathError{Op: op, Path: string(f), Err: err}
	switch {
	case errors.Is(err, syscall.EROFS):
		err = &hint{err, "slide the lock at the card's edge back, or mount it for writing"}
	case errors.Is(err, fs.ErrPermission):
		err = &hint{err, "a folder on the card that you may write to"}
	}
	return fmt.Errorf("measure: %w", err)
}

// hint is an error that knows what to try.
type hint struct {
	error
	try string
}

func (h *hint) Tries() []string { return []string{h.try} }
func (h *hint) Unwrap() error   { return h.error }

func (f folder) Create() (File, error) {
	temp, err := cardfs.Create(filepath.Join(string(f), ".stampreel-measure"))
	if err != nil {
		return nil, f.wrong("write", err)
	}
	file := &folderFile{File: temp, folder: f}
	if err := file.direct(); err != nil {
		temp.Abort()
		return nil, f.wrong("write", err)
	}
	return file, nil
}

type folderFile struct {
	*cardfs.File
	folder folder
	how    caches
	past   *os.File // the same file, past the caches
}

// direct finds the strictest way past the caches that this file system takes: it
// is tried, for some take the wish and refuse the transfer.
func (f *folderFile) direct() error {
	block := aligned(Align)
	var err error
	for _, how := range ways {
		f.how = how
		if f.past, err = how.begin(f.File.File); err != nil {
			continue
		}
		if _, err = f.past.WriteAt(block, 0); err == nil {
			if _, err = f.past.ReadAt(block, 0); err == nil {
				return nil
			}
		}
		f.shut()
	}
	return err
}

// shut closes what a way opened besides the file.
func (f *folderFile) shut() {
	if f.past != nil && f.past != f.File.File {
		f.past.Close()
	}
	f.past = nil
}

// caches is a way to keep a computer's memory out of what is timed.
type caches struct {
	name     string
	bypassed bool                             // it can be relied on
	begin    func(*os.File) (*os.File, error) // once, when the file is new: what to read and write it through
	drop     func(*os.File) error             // after writing, when all was flushed; nil for nothing
}

// flushed is the way that every system has, and no way at all for reading.
var flushed = caches{
	name:  "fsync alone, reads may come out of this computer's memory",
	begin: func(f *os.File) (*os.File, error) { return f, nil },
}

func (f *folderFile) ReadAt(p []byte, off int64) (int, error) {
	n, err := f.past.ReadAt(p, off)
	if err != nil {
		err = f.folder.wrong("read", err)
	}
	return n, err
}

func (f *folderFile) WriteAt(p []byte, off int64) (int, error) {
	n, err := f.past.WriteAt(p, off)
	if err != nil {
		err = f.folder.wrong("write", err)
	}
	return n, err
}

func (f *folderFile) Flush() error {
	err := f.past.Sync()
	if err == nil && f.how.drop != nil {
		err = f.how.drop(f.past)
	}
	if err != nil {
		err = f.folder.wrong("write", err)
	}
	return err
}

func (f *folderFile) Caches() (string, bool) { return f.how.name, f.how.bypassed }

func (f *folderFile) Remove() error {
	f.shut()
	f.Abort()
	if _, err := os.Lstat(f.Name()); err == nil {
		return fmt.Errorf("measure: %w", &fs.PathError{Op: "remove", Path: f.Name(), Err: errors.New("could not be removed")})
	}
	return nil
}
