package cardfs

import (
	"os"

	"golang.org/x/sys/unix"
)

// forget has the system read a file past its memory.
func forget(f *os.File) (bool, error) {
	raw, err := f.SyscallConn()
	if err != nil {
		return false, err
	}
	var inner error
	if err := raw.Control(func(fd uintptr) { _, inner = unix.FcntlInt(fd, unix.F_NOCACHE, 1) }); err != nil {
		return false, err
	}
	return inner == nil, inner
}
