//go:build unix

package system

import (
	"os"
	"os/exec"
	"syscall"
)

// prepare hands the worker its end of the pipe, as file 3: codecs print to the
// standard ones. In a group of its own the worker is not hit by what interrupts
// the program, which ends it when it is done.
func prepare(cmd *exec.Cmd, pipe *os.File) error {
	cmd.Env = append(cmd.Env, workerEnv+"=3")
	cmd.ExtraFiles = []*os.File{pipe}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	return nil
}

// keepPrivate keeps the pipe from the processes that libraries start.
func keepPrivate(fd uintptr) { syscall.CloseOnExec(int(fd)) }
