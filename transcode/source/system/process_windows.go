package system

import (
	"os"
	"os/exec"
	"strconv"
	"syscall"

	"golang.org/x/sys/windows"
)

// prepare hands the worker its end of the pipe as an inherited handle: codecs
// print to the standard ones. In a group of its own the worker is not hit by
// what interrupts the program, which ends it when it is done.
func prepare(cmd *exec.Cmd, pipe *os.File) error {
	handle := windows.Handle(pipe.Fd())
	if err := windows.SetHandleInformation(handle, windows.HANDLE_FLAG_INHERIT, windows.HANDLE_FLAG_INHERIT); err != nil {
		return err
	}
	cmd.Env = append(cmd.Env, workerEnv+"="+strconv.FormatUint(uint64(handle), 10))
	cmd.SysProcAttr = &syscall.SysProcAttr{
		CreationFlags:              windows.CREATE_NEW_PROCESS_GROUP,
		AdditionalInheritedHandles: []syscall.Handle{syscall.Handle(handle)},
	}
	return nil
}

// keepPrivate keeps the pipe from the processes that libraries start.
func keepPrivate(fd uintptr) {
	windows.SetHandleInformation(windows.Handle(fd), windows.HANDLE_FLAG_INHERIT, 0)
}
