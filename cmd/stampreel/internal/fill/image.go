package fill

import (
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"

	"example.org/stampreel/container/cardfs"
	"example.org/stampreel/container/fat"
)

// An Image is the image of a card that is being filled. Clips are packed into an
// ordinary folder beside it, as onto any card; when all are there, they are laid out
// in a new image, which takes the name last. After a run that fails the folder stays,
// and the next one goes on from it.
type Image struct {
	path  string
	bytes int64 // of the card
	work  string
	lock  *cardfs.Lock
	old   map[string]bool // files of the image that was there, in lower case
}

// NotImageError says that a file is there that is no image, and is not replaced.
type NotImageError struct {
	Path string
	Err  error // what is wrong with it as an image, or nil
}

func (e *NotImageError) Error() string {
	if e.Err != nil {
		return fmt.Sprintf("%s is no image of a card that can be read, and is not replaced: %v", e.Path, e.Err)
	}
	return e.Path + " is neither an image of a card nor a new file, and is not replaced"
}

func (e *NotImageError) Unwrap() error { return e.Err }

// Tries returns what to do.
func (e *NotImageError) Tries() []string {
	return []string{"another name; an image is a file, and your own tool copies it to a card"}
}

// NoSizeError says that nothing tells how large a card is.
type NoSizeError struct{ Path string }

func (e *NoSizeError) Error() string { return e.Path + ": a new image needs the size of its card" }

// Tries returns what to do.
func (e *NoSizeError) Tries() []string { return []string{"--size 4GiB, no more than the card has"} }

// OpenImage begins to fill an image of a card with so many bytes; 0 means those of the
// image that is there. Close ends it, whatever happened.
func OpenImage(path string, bytes int64) (*Image, error) {
	im := &Image{path: path, bytes: bytes, old: make(map[string]bool)}
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		if bytes == 0 {
			return nil, &NoSizeError{path}
		}
	case err != nil:
		return nil, err
	case !info.Mode().IsRegular() || !beginsAsImage(path):
		return nil, &NotImageError{Path: path}
	default:
		v, f, err := openImage(path)
		if err != nil {
			return nil, &NotImageError{path, err}
		}
		f.Close()
		if bytes == 0 {
			im.bytes = v.EndBytes
		}
	}
	if _, err := fat.Plan(im.options(0), nil); err != nil {
		return nil, err
	}
	beside := path // on the same file system as the image, which a link may lead to
	if target, err := filepath.EvalSymlinks(path); err == nil {
		beside = target
	}
	im.work = filepath.Join(filepath.Dir(beside), ".stampreel-"+filepath.Base(beside))
	if err := os.MkdirAll(im.work, 0o755); err != nil {
		return nil, fmt.Errorf("fill: %w", err)
	}
	im.lock, err = cardfs.TakeLock(im.work)
	var locked *cardfs.LockedError
	if errors.As(err, &locked) {
		locked.Folder = path
	}
	if err != nil {
		return nil, err
	}
	if _, err := cardfs.RemoveLeftovers(im.work); err != nil {
		im.Close()
		return nil, err
	}
	return im, nil
}

// Folder is where the clips are packed.
func (im *Image) Folder() string { return filepath.Join(im.work, "card") }

// BringOver puts the files of the image that is there into the folder, but for those
// that a run before this one has left there, and removes what is neither of the image
// nor a clip of the items.
func (im *Image) BringOver(ctx context.Context, items []Item) error {
	if err := os.MkdirAll(im.Folder(), 0o755); err != nil {
		return fmt.Errorf("fill: %w", err)
	}
	v, f, err := openImage(im.path)
	if err == nil {
		defer f.Close()
		err = im.bringOver(ctx, v)
	}
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	wanted := make(map[string]bool)
	for _, it := range items {
		wanted[strings.ToLower(it.Clip)] = true
	}
	return im.each(ctx, func(at string, info fs.FileInfo) error {
		name := strings.ToLower(at)
		whole := partEnd.ReplaceAllString(stem(name), "") + path.Ext(name)
		if im.old[name] || wanted[name] || wanted[whole] {
			return nil
		}
		return os.Remove(filepath.Join(im.Folder(), filepath.FromSlash(at)))
	})
}

func (im *Image) bringOver(ctx context.Context, v *fat.Volume) error {
	return fs.WalkDir(v, ".", func(at string, d fs.DirEntry, err error) error {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return err
		}
		to := filepath.Join(im.Folder(), filepath.FromSlash(at))
		if d.IsDir() {
			return os.MkdirAll(to, 0o755)
		}
		im.old[strings.ToLower(at)] = true
		if _, err := os.Lstat(to); err == nil {
			return nil
		}
		from, err := v.OpenFile(at)
		if err != nil {
			return err
		}
		return cardfs.Write(to, func(w io.Writer) error {
			_, err := io.Copy(w, &cancelled{ctx, from})
			return err
		})
	})
}

// cancelled is a reader that ends when a context does.
type cancelled struct {
	ctx context.Context
	io.Reader
}

func (c *cancelled) Read(b []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.Reader.Read(b)
}

// each visits the files of the folder in order, but for those that are being written.
func (im *Image) each(ctx context.Context, visit func(at string, info fs.FileInfo) error) error {
	return fs.WalkDir(os.DirFS(im.Folder()), ".", func(at string, d fs.DirEntry, err error) error {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return err
		}
		if !d.Type().IsRegular() || strings.HasPrefix(d.Name(), ".stampreel-") {
			return nil
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		return visit(at, info)
	})
}

func (im *Image) options(id uint32) fat.Options {
	return fat.Options{Bytes: im.bytes, VolumeID: id}
}

// Plan lays out what is in the folder, in order of name. Nothing in an image depends
// on when or where it was made: its times are the first that FAT has, and its number
// comes from the names and sizes.
func (im *Image) Plan(ctx context.Context) (*fat.Layout, []fat.Planned, error) {
	var files []fat.Planned
	id := crc32.NewIEEE()
	err := im.each(ctx, func(at string, info fs.FileInfo) error {
		files = append(files, fat.Planned{Path: at, Bytes: info.Size()})
		fmt.Fprintf(id, "%s\x00%d\x00", at, info.Size())
		return nil
	})
	if err != nil {
		return nil, nil, err
	}
	l, err := fat.Plan(im.options(id.Sum32()), files)
	return l, files, err
}

// SmallestSize is the smallest power of two that is a card for files of such a size;
// 0 where none is.
func SmallestSize(files []fat.Planned) int64 {
	for size := int64(64 << 20); size < fat.MaxCardBytes; size *= 2 {
		if _, err := fat.Plan(fat.Options{Bytes: size}, files); err == nil {
			return size
		}
	}
	return 0
}

// Write writes the image and gives it its name, in place of the one that was there;
// it ends where the last used cluster does, or where the card does. After that the
// folder is gone.
func (im *Image) Write(ctx context.Context, l *fat.Layout, files []fat.Planned, whole bool, done func(bytes int64)) error {
	f, err := cardfs.CreateIn(im.work, im.path)
	if err != nil {
		return err
	}
	defer f.Abort()
	if err := l.WriteSystem(f); err != nil {
		return err
	}
	for i, file := range files {
		if err := im.writeFile(ctx, f, l, i, file, done); err != nil {
			return err
		}
	}
	end := l.EndBytes
	if whole {
		end = l.CardBytes
	}
	if err := f.Truncate(end); err != nil {
		return err
	}
	if _, err := fat.Open(f, end); err != nil {
		return fmt.Errorf("%s does not read back as it was written: %w", im.path, err)
	}
	if err := f.Commit(); err != nil {
		return err
	}
	im.Discard()
	return nil
}

func (im *Image) writeFile(ctx context.Context, w io.WriterAt, l *fat.Layout, i int, file fat.Planned, done func(bytes int64)) error {
	from, err := os.Open(filepath.Join(im.Folder(), filepath.FromSlash(file.Path)))
	if err != nil {
		return err
	}
	defer from.Close()
	return l.WriteFile(w, i, &counted{cancelled{ctx, from}, done})
}

// counted tells how much was read.
type counted struct {
	cancelled
	done func(bytes int64)
}

func (c *counted) Read(b []byte) (int, error) {
	n, err := c.cancelled.Read(b)
	c.done(int64(n))
	return n, err
}

// Name puts the names that clips have in the image into what became of the items.
func (im *Image) Name(outcomes []Outcome) {
	for _, o := range outcomes {
		if o.Packed == nil {
			continue
		}
		for i, file := range o.Packed.Files {
			if rel, err := filepath.Rel(im.Folder(), file); err == nil {
				o.Packed.Files[i] = filepath.Join(im.path, rel)
			}
		}
	}
}

// Waiting says whether clips of a run that did not end are kept for the next one.
func (im *Image) Waiting() bool {
	_, err := os.Stat(im.Folder())
	return err == nil
}

// Discard drops what was packed; the image that is there stays as it is.
func (im *Image) Discard() { os.RemoveAll(im.Folder()) }

// Close gives the image back to others.
func (im *Image) Close() {
	im.lock.Release()
	os.Remove(im.work) // fails while there is something in it
}
