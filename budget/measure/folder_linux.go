package measure

import (
	"os"

	"golang.org/x/sys/unix"
)

// ways past the caches, the strictest first.
var ways = []caches{
	{
		name: "O_DIRECT", bypassed: true,
		begin: func(f *os.File) (*os.File, error) { return f, statusFlag(f, unix.O_DIRECT, true) },
	},
	{
		name: "fsync and posix_fadvise(DONTNEED)", bypassed: true,
		begin: func(f *os.File) (*os.File, error) {
			if err := statusFlag(f, unix.O_DIRECT, false); err != nil {
				return nil, err
			}
			return f, advise(f, unix.FADV_RANDOM) // no reading ahead
		},
		drop: func(f *os.File) error { return advise(f, unix.FADV_DONTNEED) },
	},
	flushed,
}

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

func statusFlag(f *os.File, flag int, on bool) error {
	return control(f, func(fd int) error {
		flags, err := unix.FcntlInt(uintptr(fd), unix.F_GETFL, 0)
		if err != nil {
			return err
		}
		flags &^= flag
		if on {
			flags |= flag
		}
		_, err = unix.FcntlInt(uintptr(fd), unix.F_SETFL, flags)
		return err
	})
}

func advise(f *os.File, advice int) error {
	return control(f, func(fd int) error { return unix.Fadvise(fd, 0, 0, advice) })
}
