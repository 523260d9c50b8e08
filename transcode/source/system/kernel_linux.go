package system

import (
	"bytes"
	"fmt"
	"os"
	"runtime"
	"strconv"
	"time"

	"golang.org/x/sys/unix"
)

// enlarge lets a pipe hold a megabyte, so that a picture is written in one piece
// and read in one (fcntl(2), F_SETPIPE_SZ). Where that is not allowed it stays as
// it is.
func enlarge(pipe *os.File) {
	if c, err := pipe.SyscallConn(); err == nil {
		c.Control(func(fd uintptr) { unix.FcntlInt(fd, unix.F_SETPIPE_SZ, 1<<20) })
	}
}

// timerSlack is how late the kernel may end a worker's pauses.
const timerSlack = 5 * time.Millisecond

// calm runs start so that the process which it starts keeps timerSlack
// (prctl(2), PR_SET_TIMERSLACK). Go's scheduler looks about every 20 µs when work
// has begun after a wait, as it does at each picture: some 40 wakings a picture,
// each on a processor that decodes. So it looks every 5 ms.
func calm(start func() error) error {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	if unix.Prctl(unix.PR_SET_TIMERSLACK, uintptr(timerSlack), 0, 0, 0) == nil {
		defer unix.Prctl(unix.PR_SET_TIMERSLACK, 0, 0, 0, 0) // 0 is what it was
	}
	return start()
}

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
