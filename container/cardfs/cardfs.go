// Package cardfs puts files on a mounted card so that a name never stands for
// half a file: each is written under a temporary name, flushed, and renamed
// when it is whole. Names are made such that FAT takes them.
//
// A rename on FAT is not safe against a power cut; what is promised, and
// tested, is that a run which fails or is killed leaves no partial file under a
// final name.
package cardfs

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// tempPrefix begins the names of files that are still being written.
const tempPrefix = ".stampreel-"

// A File is written under a temporary name in the folder of its final one.
type File struct {
	*os.File
	path string
	done bool // committed or dropped
}

// Create opens a new file that will be called path once it is committed. Its
// folder must exist. Only an ordinary file is ever replaced; where path is a
// symbolic link, the file it leads to is.
func Create(path string) (*File, error) { return CreateIn("", path) }

// CreateIn is Create, with the unfinished file in another folder of the same file
// system; "" means that of the final one.
func CreateIn(dir, path string) (*File, error) {
	if target, err := filepath.EvalSymlinks(path); err == nil {
		info, err := os.Stat(target)
		if err == nil && !info.Mode().IsRegular() {
			err = errors.New("is not an ordinary file, and is not replaced")
		}
		if err != nil {
			return nil, fmt.Errorf("cardfs: %w", &os.PathError{Op: "write", Path: path, Err: err})
		}
		path = target
	}
	if dir == "" {
		dir = filepath.Dir(path)
	}
	f, err := os.CreateTemp(dir, tempPrefix+"*.part")
	if errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("cardfs: %w", &os.PathError{Op: "write", Path: path, Err: fmt.Errorf("its folder is missing: %w", os.ErrNotExist)})
	}
	if err != nil {
		return nil, fmt.Errorf("cardfs: %w", plain(err, path))
	}
	return &File{File: f, path: path}, nil
}

// Write is that of the file, but its errors name the final file.
func (f *File) Write(p []byte) (int, error) {
	n, err := f.File.Write(p)
	return n, plain(err, f.path)
}

// WriteAt is like Write.
func (f *File) WriteAt(p []byte, off int64) (int, error) {
	n, err := f.File.WriteAt(p, off)
	return n, plain(err, f.path)
}

// Commit flushes the file to the card and gives it its name, in place of any
// file that had it. On an error the file is gone and the old one still there.
func (f *File) Commit() error {
	f.done = true
	err := f.File.Sync()
	// Temporary files are for their owner alone. Not every file system of a card
	// has modes to change, and where it has none, none is needed.
	f.File.Chmod(0o644)
	if e := f.File.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Rename(f.File.Name(), f.path)
	}
	if err != nil {
		os.Remove(f.File.Name())
		return fmt.Errorf("cardfs: %w", plain(err, f.path))
	}
	syncFolder(filepath.Dir(f.path))
	return nil
}

// Abort drops the file. It does nothing after Commit.
func (f *File) Abort() {
	if f.done {
		return
	}
	f.done = true
	f.File.Close() // may tell of a full card once more; the file goes all the same
	os.Remove(f.File.Name())
}

// Write gives a file the content that write makes, or leaves what was there.
func Write(path string, write func(io.Writer) error) error {
	f, err := Create(path)
	if err != nil {
		return err
	}
	defer f.Abort()
	if err := write(f); err != nil {
		return fmt.Errorf("%s: %w", path, plain(err, path))
	}
	return f.Commit()
}

// plain names the final file in an error of the temporary one.
func plain(err error, path string) error {
	var e *os.PathError
	if errors.As(err, &e) {
		return &os.PathError{Op: "write", Path: path, Err: e.Err}
	}
	var l *os.LinkError
	if errors.As(err, &l) {
		return &os.PathError{Op: "write", Path: path, Err: l.Err}
	}
	return err
}

// syncFolder makes the rename last on file systems that need it; some do not
// let a folder be flushed, which loses nothing but that.
func syncFolder(dir string) {
	if d, err := os.Open(dir); err == nil {
		d.Sync()
		d.Close()
	}
}

// RemoveLeftovers deletes what a killed run left in a folder and returns how
// many files that were.
func RemoveLeftovers(dir string) (int, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return 0, fmt.Errorf("cardfs: %w", err)
	}
	n := 0
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), tempPrefix) && strings.HasSuffix(e.Name(), ".part") && e.Type().IsRegular() {
			if err := os.Remove(filepath.Join(dir, e.Name())); err != nil {
				return n, fmt.Errorf("cardfs: %w", err)
			}
			n++
		}
	}
	return n, nil
}

// reserved are device names that some systems will not open as files, whatever
// their extension (Microsoft, "Naming Files, Paths, and Namespaces").
var reserved = map[string]bool{"CON": true, "PRN": true, "AUX": true, "NUL": true, "CONIN$": true, "CONOUT$": true}

func init() {
	for _, d := range "123456789¹²³" {
		reserved["COM"+string(d)], reserved["LPT"+string(d)] = true, true
	}
}

// Name returns a name that FAT's long names can hold: the characters " * / : < >
// ? \ | and control characters become -, spaces and dots at the end go, device
// names get a dash, and 200 bytes are enough.
func Name(name string) string {
	name = strings.Map(func(r rune) rune {
		if r < 0x20 || r == 0x7f || r == '\uFFFD' || strings.ContainsRune(`"*/:<>?\|`, r) {
			return '-'
		}
		return r
	}, strings.ToValidUTF8(name, "-"))
	for len(name) > 200 {
		runes := []rune(name)
		name = string(runes[:len(runes)-1])
	}
	name = strings.TrimLeft(strings.TrimRight(name, " ."), " ")
	stem, _, _ := strings.Cut(name, ".")
	switch {
	case name == "":
		return "-"
	case reserved[strings.ToUpper(strings.TrimRight(stem, " "))]:
		return "-" + name
	}
	return name
}
