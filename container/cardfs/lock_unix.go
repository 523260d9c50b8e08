//go:build unix && !solaris && !illumos && !aix

package cardfs

import (
	"errors"
	"os"
	"syscall"
)

// The file has to go while the lock is held, as otherwise another run could take it in
// between and lose its file.
const removeWhileOpen = true

func lockFile(f *os.File) (bool, error) {
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		switch {
		case err == nil:
			return true, nil
		case errors.Is(err, syscall.EINTR):
			continue
		case errors.Is(err, syscall.EWOULDBLOCK):
			return false, nil
		case errors.Is(err, syscall.ENOTSUP), errors.Is(err, syscall.ENOSYS), errors.Is(err, syscall.ENOLCK):
			return false, errNoLocks
		}
		return false, err
	}
}
