package fat

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"sort"
	"strings"
	"time"
)

// find returns what a path leads to.
func (v *Volume) find(name string) (*node, error) {
	if !fs.ValidPath(name) {
		return nil, fs.ErrInvalid
	}
	n := v.top
	if name == "." {
		return n, nil
	}
	for part := range strings.SplitSeq(name, "/") {
		child, ok := n.byName[foldKey(part)]
		if !ok {
			return nil, fs.ErrNotExist
		}
		n = child
	}
	return n, nil
}

// Open opens a file, which is a [*File], or a folder.
func (v *Volume) Open(name string) (fs.File, error) {
	n, err := v.find(name)
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: err}
	}
	if n.folder {
		return &openFolder{node: n}, nil
	}
	return v.file(n, name), nil
}

// On is the same volume, read from another open file of the same image.
func (v *Volume) On(image io.ReaderAt) *Volume {
	w := *v
	w.image = image
	return &w
}

func (v *Volume) file(n *node, name string) *File {
	f := &File{v: v, node: n, name: name}
	f.SectionReader = io.NewSectionReader((*pieces)(f), 0, n.bytes)
	return f
}

// OpenFile opens a file, and no folder.
func (v *Volume) OpenFile(name string) (*File, error) {
	n, err := v.find(name)
	if err == nil && n.folder {
		err = errors.New("is a folder")
	}
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: err}
	}
	return v.file(n, name), nil
}

// File is an open file: what it reads comes straight from the image. Its reads at
// an offset may come from several goroutines.
type File struct {
	*io.SectionReader
	v    *Volume
	node *node
	name string
}

// Stat returns the name, size and time of the file.
func (f *File) Stat() (fs.FileInfo, error) { return info{f.node}, nil }

// Close does nothing: the image is the caller's.
func (f *File) Close() error { return nil }

// Pieces is how many places of the image the file lies in: 1 where its clusters
// follow each other, 0 where it is empty.
func (f *File) Pieces() int { return len(f.node.runs) }

// OffsetBytes is where in the image the file begins; 0 where it is empty.
func (f *File) OffsetBytes() int64 {
	if len(f.node.runs) == 0 {
		return 0
	}
	return f.node.runs[0].at
}

// pieces reads a file from its runs. The section around it keeps reads within the
// size of the file.
type pieces File

func (p *pieces) ReadAt(b []byte, off int64) (n int, err error) {
	runs := p.node.runs
	i := sort.Search(len(runs), func(i int) bool { return runs[i].from+runs[i].bytes > off })
	for ; n < len(b); i++ {
		if i == len(runs) {
			return n, io.EOF
		}
		skip := off + int64(n) - runs[i].from
		piece := b[n:min(len(b), n+int(min(runs[i].bytes-skip, int64(len(b)))))]
		if err := p.v.read(p.name, piece, runs[i].at+skip); err != nil {
			return n, err
		}
		n += len(piece)
	}
	return n, nil
}

// openFolder lists its entries in the order they stand in.
type openFolder struct {
	node *node
	next int
}

func (f *openFolder) Stat() (fs.FileInfo, error) { return info{f.node}, nil }
func (f *openFolder) Close() error               { return nil }
func (f *openFolder) Read([]byte) (int, error) {
	return 0, &fs.PathError{Op: "read", Path: f.node.name, Err: errors.New("is a folder")}
}

func (f *openFolder) ReadDir(n int) ([]fs.DirEntry, error) {
	rest := f.node.children[f.next:]
	if n > 0 && len(rest) == 0 {
		return nil, io.EOF
	}
	if n > 0 {
		rest = rest[:min(n, len(rest))]
	}
	f.next += len(rest)
	all := make([]fs.DirEntry, len(rest))
	for i, child := range rest {
		all[i] = fs.FileInfoToDirEntry(info{child})
	}
	return all, nil
}

// info is what is known of a file or a folder.
type info struct{ node *node }

func (i info) Name() string       { return i.node.name }
func (i info) Size() int64        { return i.node.bytes }
func (i info) ModTime() time.Time { return i.node.modified }
func (i info) IsDir() bool        { return i.node.folder }
func (i info) Sys() any           { return nil }
func (i info) Mode() fs.FileMode {
	if i.node.folder {
		return fs.ModeDir | 0o555
	}
	return 0o444
}
func (i info) String() string { return fmt.Sprintf("%s, %d bytes", i.node.name, i.node.bytes) }
