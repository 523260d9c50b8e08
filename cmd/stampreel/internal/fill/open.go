package fill

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"sync"

	"example.org/stampreel/container"
	"example.org/stampreel/container/fat"
)

// A path may lead into the image of a card: "card.img/shelf/film.srq" is the clip
// that a card written with card.img has as shelf/film.srq.

// File is an open clip, of a folder or of an image.
type File interface {
	fs.File
	io.ReaderAt
}

// Open opens a clip for reading. The file is the caller's to close.
func Open(path string) (*container.Reader, File, error) {
	f, size, err := openFile(path)
	if err != nil {
		return nil, nil, err
	}
	r, err := container.NewReader(f, size, container.Limits{})
	if err != nil {
		f.Close()
		return nil, nil, fmt.Errorf("%s: %w", path, err)
	}
	return r, f, nil
}

func openFile(path string) (File, int64, error) {
	var f File
	if image, inside, ok := SplitImage(path); ok && inside != "." {
		v, on, err := openImage(image)
		if err != nil {
			return nil, 0, err
		}
		opened, err := v.OpenFile(inside)
		if err != nil {
			on.Close()
			return nil, 0, whole(err, path)
		}
		f = &inImage{opened, on}
	} else {
		opened, err := os.Open(path)
		if err != nil {
			return nil, 0, err
		}
		f = opened
	}
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = fmt.Errorf("%s: not a file", path)
	}
	if err != nil {
		f.Close()
		return nil, 0, err
	}
	return f, info.Size(), nil
}

// inImage is an open file of an image, which is open for it alone.
type inImage struct {
	*fat.File
	on *os.File
}

func (f *inImage) Close() error { return f.on.Close() }

// SplitImage tells where a path leads into the image of a card, and to what in it:
// "." for all of it. It is no image where ok is false.
func SplitImage(path string) (image, inside string, ok bool) {
	if path == "" {
		return "", "", false
	}
	inside = "."
	for at := filepath.Clean(path); ; {
		info, err := os.Stat(at)
		switch up := filepath.Dir(at); {
		case err == nil:
			if !info.Mode().IsRegular() || strings.EqualFold(filepath.Ext(at), ClipExtension) || !beginsAsImage(at) {
				return "", "", false
			}
			return at, inside, true
		case up == at:
			return "", "", false
		default:
			inside = strings.TrimSuffix(filepath.ToSlash(filepath.Join(filepath.Base(at), filepath.FromSlash(inside))), "/.")
			at = up
		}
	}
}

func beginsAsImage(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	first := make([]byte, 512)
	n, _ := io.ReadFull(f, first)
	return fat.IsImage(first[:n])
}

// lastImage is the image that was opened last. Reading one through takes a while
// where it holds much, and commands open clip after clip.
var lastImage struct {
	sync.Mutex
	path   string
	info   os.FileInfo
	volume *fat.Volume
}

// openImage opens an image; its file is the caller's to close.
func openImage(path string) (*fat.Volume, *os.File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, nil, err
	}
	info, err := f.Stat()
	if err != nil {
		f.Close()
		return nil, nil, err
	}
	lastImage.Lock()
	defer lastImage.Unlock()
	l := &lastImage
	if l.path == path && os.SameFile(l.info, info) && l.info.Size() == info.Size() && l.info.ModTime().Equal(info.ModTime()) {
		return l.volume.On(f), f, nil
	}
	v, err := fat.Open(f, info.Size())
	if err != nil {
		f.Close()
		return nil, nil, fmt.Errorf("%s: %w", path, err)
	}
	l.path, l.info, l.volume = path, info, v
	return v, f, nil
}

// ClipsInImage lists the clips of an image, or of a folder in it, in order: paths as
// [Open] takes them. Hidden ones are passed over. A path to a clip is listed as it is.
func ClipsInImage(ctx context.Context, image, inside string) ([]string, error) {
	v, f, err := openImage(image)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var clips []string
	err = fs.WalkDir(v, inside, func(at string, d fs.DirEntry, err error) error {
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil:
			return err
		case at != inside && strings.HasPrefix(d.Name(), "."):
			if d.IsDir() {
				return fs.SkipDir
			}
		case !d.IsDir() && (at == inside || strings.EqualFold(path.Ext(at), ClipExtension)):
			clips = append(clips, filepath.Join(image, filepath.FromSlash(at)))
		}
		return nil
	})
	var missing *fs.PathError
	if errors.As(err, &missing) {
		return nil, whole(err, filepath.Join(image, filepath.FromSlash(inside)))
	}
	return clips, err
}

// IsFolderInImage says whether a path leads to an image or to a folder in one.
func IsFolderInImage(path string) bool {
	image, inside, ok := SplitImage(path)
	if !ok || inside == "." {
		return ok
	}
	v, f, err := openImage(image)
	if err != nil {
		return false
	}
	defer f.Close()
	info, err := fs.Stat(v, inside)
	return err == nil && info.IsDir()
}

// SizeOf is the size of a clip, in an image or not; 0 where it cannot be told.
func SizeOf(path string) int64 {
	if info, err := os.Stat(path); err == nil {
		return info.Size()
	}
	f, size, err := openFile(path)
	if err != nil {
		return 0
	}
	f.Close()
	return size
}
