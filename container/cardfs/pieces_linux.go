package cardfs

import (
	"os"
	"unsafe"

	"golang.org/x/sys/unix"
)

// extents is struct fiemap of linux/fiemap.h, with room for some of what it maps.
type extents struct {
	start, length                 uint64
	flags, mapped, room, reserved uint32
	at                            [128]extent
}

type extent struct {
	logical, physical, length uint64
	_                         [2]uint64
	flags                     uint32
	_                         [3]uint32
}

// Numbers of linux/fs.h and linux/fiemap.h.
const (
	getExtents    = 0xC020660B // FS_IOC_FIEMAP
	mapBlock      = 1          // FIBMAP, for the superuser alone
	blockSize     = 2          // FIGETBSZ
	flushFirst    = 1          // FIEMAP_FLAG_SYNC
	lastExtent    = 1          // FIEMAP_EXTENT_LAST
	unknownExtent = 2          // FIEMAP_EXTENT_UNKNOWN
	mostBlocks    = 1 << 20    // that are asked for one by one
)

// pieces asks for extents, and, of file systems that know none, as FAT, for each block.
func pieces(f *os.File) (n int) {
	control(f, func(fd int) error {
		if n = countExtents(fd); n == 0 {
			n = countBlocks(f, fd)
		}
		return nil
	})
	return n
}

func countExtents(fd int) (n int) {
	e := extents{length: 1<<64 - 1, flags: flushFirst}
	end := uint64(0) // where the extent before ends
	for {
		e.room, e.mapped = uint32(len(e.at)), 0
		if _, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), getExtents, uintptr(unsafe.Pointer(&e))); errno != 0 || e.mapped > e.room {
			return 0
		}
		for _, x := range e.at[:e.mapped] {
			if x.flags&unknownExtent != 0 {
				return 0
			}
			if n == 0 || x.physical != end {
				n++
			}
			end = x.physical + x.length
			e.start = x.logical + x.length
			if x.flags&lastExtent != 0 {
				return n
			}
		}
		if e.mapped == 0 {
			return n
		}
		e.length = 1<<64 - 1 - e.start
	}
}

func countBlocks(f *os.File, fd int) (n int) {
	ask := func(what uintptr, value int32) int64 {
		if _, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), what, uintptr(unsafe.Pointer(&value))); errno != 0 {
			return 0
		}
		return int64(value)
	}
	size := ask(blockSize, 0)
	info, err := f.Stat()
	if err != nil || size <= 0 {
		return 0
	}
	blocks := (info.Size() + size - 1) / size
	if blocks > mostBlocks {
		return 0
	}
	end := int64(0)
	for k := range blocks {
		at := ask(mapBlock, int32(k))
		if at == 0 { // not told
			return 0
		}
		if n == 0 || at != end {
			n++
		}
		end = at + 1
	}
	return n
}
