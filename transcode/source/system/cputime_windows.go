//go:build !nosystem && windows && (amd64 || arm64)

package system

import (
	"time"

	"golang.org/x/sys/windows"
)

// processorTime is how long this process has kept processors busy.
func processorTime() time.Duration {
	var created, ended, kernel, user windows.Filetime
	if windows.GetProcessTimes(windows.CurrentProcess(), &created, &ended, &kernel, &user) != nil {
		return 0
	}
	ticks := func(t windows.Filetime) int64 { return int64(t.HighDateTime)<<32 | int64(t.LowDateTime) } // of 100 ns
	return time.Duration(100 * (ticks(kernel) + ticks(user)))
}
