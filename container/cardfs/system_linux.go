package cardfs

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// control runs a system call on the descriptor of a file.
func control(f *os.File, call func(fd int) error) error {
	raw, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var inner error
	if err := raw.Control(func(fd uintptr) { inner = call(int(fd)) }); err != nil {
		return err
	}
	return inner
}

// forget drops what the system's memory holds of a file that was flushed.
func forget(f *os.File) (bool, error) {
	err := control(f, func(fd int) error { return unix.Fadvise(fd, 0, 0, unix.FADV_DONTNEED) })
	return err == nil, err
}

// reserve asks the file system for room in one go.
func reserve(f *os.File, bytes int64) error {
	err := control(f, func(fd int) error { return unix.Fallocate(fd, 0, 0, bytes) })
	if errors.Is(err, unix.EOPNOTSUPP) || errors.Is(err, unix.ENOSYS) || errors.Is(err, unix.EINVAL) {
		return nil
	}
	return err
}

// The numbers of linux/magic.h; exFAT and NTFS have theirs in their own sources (from
// memory).
var systems = map[uint32]string{
	0x4d44: "FAT", 0x2011bab0: "exFAT", 0x5346544e: "NTFS", 0x7366746e: "NTFS", 0xef53: "ext4", 0x9123683e: "Btrfs", 0x58465342: "XFS",
	0xf2f52010: "F2FS", 0x65735546: "FUSE", 0x01021994: "tmpfs", 0x794c7630: "overlay",
}

func systemOf(path string) (System, bool) {
	var s unix.Statfs_t
	if err := unix.Statfs(path, &s); err != nil {
		return System{}, false
	}
	name, ok := systems[uint32(s.Type)]
	return System{Name: name, Cluster: int64(s.Bsize), Bytes: int64(s.Blocks) * int64(s.Bsize)}, ok
}
