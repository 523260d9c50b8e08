//go:build !nosystem && (linux || darwin) && (amd64 || arm64)

package system

import (
	"time"

	"golang.org/x/sys/unix"
)

// processorTime is how long this process has kept processors busy.
func processorTime() time.Duration {
	var u unix.Rusage
	if unix.Getrusage(unix.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
