package measure

import (
	"errors"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// small mounts a file system of 4 MiB in memory, for root.
func small(t *testing.T, flags uintptr) string {
	t.Helper()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=4m"); err != nil {
		missing(t, "leave to mount a tmpfs: "+err.Error())
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	if flags != 0 {
		if err := unix.Mount("tmpfs", dir, "tmpfs", unix.MS_REMOUNT|flags, "size=4m"); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestASmallFileSystem(t *testing.T) {
	dir := small(t, 0)
	s, err := Folder(dir)
	if err != nil {
		t.Fatal(err)
	}
	if n, err := s.Free(); err != nil || n != 4<<20 {
		t.Errorf("%d bytes free, %v; want %d", n, err, 4<<20)
	}
	o := Options{Bytes: 4 << 20, Time: 200 * time.Millisecond}
	if _, err := Time(t.Context(), s, o); !errors.Is(err, syscall.ENOSPC) || !strings.Contains(err.Error(), "4194304 bytes are free") {
		t.Errorf("4 MiB of 4: %v", err)
	}
	o.Bytes = 3 << 20
	if got, err := Time(t.Context(), s, o); err != nil || got.Written != 3<<20 {
		t.Errorf("3 MiB of 4: %v, %+v", err, got)
	}
	got, err := Fill(t.Context(), s, FillOptions{piece: 1 << 20})
	if err != nil || !got.Whole() || got.Written != 3<<20 {
		t.Errorf("filling: %v, %+v", err, got)
	}
	// Somebody else takes the room meanwhile.
	taken := false
	_, err = Time(t.Context(), s, Options{Bytes: 3 << 20, Time: time.Second, Progress: func(string, int64) {
		if !taken {
			taken = true
			os.WriteFile(dir+"/theirs", make([]byte, 2<<20+4096), 0o644)
		}
	}})
	if left := entries(t, dir); !errors.Is(err, syscall.ENOSPC) || !strings.Contains(err.Error(), dir+":") || len(left) != 1 || left[0] != "theirs" {
		t.Errorf("full meanwhile: %v, left %v", err, left)
	}
}

func TestACardThatIsLocked(t *testing.T) {
	s, err := Folder(small(t, unix.MS_RDONLY))
	if err != nil {
		t.Fatal(err)
	}
	_, err = Time(t.Context(), s, Options{Bytes: 1 << 20, Time: time.Second})
	var tries interface{ Tries() []string }
	if !errors.Is(err, syscall.EROFS) || !errors.As(err, &tries) || !strings.Contains(tries.Tries()[0], "lock") {
		t.Errorf("%v", err)
	}
}
