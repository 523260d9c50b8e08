package fill

import (
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"
)

// asNobody calls f, as a user without rights when the tests run as root: on a
// thread of its own, which ends with the goroutine.
func asNobody(t *testing.T, f func()) {
	t.Helper()
	if os.Geteuid() != 0 {
		f()
		return
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		runtime.LockOSThread()
		if err := syscall.Setfsuid(65534); err != nil {
			t.Errorf("setfsuid: %v", err)
			return
		}
		f()
	}()
	<-done
}

// smallDisk is a folder on a file system of the given bytes.
func smallDisk(t *testing.T, bytes string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "disk")
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size="+bytes); err != nil {
		missing(t, "the right to mount a small disk: "+err.Error())
	}
	t.Cleanup(func() { syscall.Unmount(dir, 0) })
	return dir
}
