package system

import (
	"bytes"
	"fmt"
	"os"
	"strconv"
)

// resident is how much memory a process has, in bytes; 0 once it is gone
// (proc(5), statm).
func resident(pid int) int64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/statm", pid))
	if err != nil {
		return 0
	}
	fields := bytes.Fields(text)
	if len(fields) < 2 {
		return 0
	}
	pages, _ := strconv.ParseInt(string(fields[1]), 10, 64)
	return pages * int64(os.Getpagesize())
}
