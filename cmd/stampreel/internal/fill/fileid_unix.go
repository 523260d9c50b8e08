//go:build linux || darwin

package fill

import (
	"fmt"
	"io/fs"
	"syscall"
	"time"
)

// fileID tells a file from another that took its place, and when anything about it has
// changed last, which no program can set back.
func fileID(info fs.FileInfo) (id string, changed time.Time) {
	s, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return "", time.Time{}
	}
	return fmt.Sprint(s.Ino), changeTime(s)
}

// OtherDevice tells whether two files lie in different file systems.
func OtherDevice(a, b fs.FileInfo) bool {
	x, ok := a.Sys().(*syscall.Stat_t)
	y, ok2 := b.Sys().(*syscall.Stat_t)
	return ok && ok2 && x.Dev != y.Dev
}
