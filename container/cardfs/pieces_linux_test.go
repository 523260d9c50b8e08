package cardfs

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// Both ways to ask count the pieces that filefrag of e2fsprogs counts: one of what was
// reserved, and one more for each range that is taken out of it.
func TestPiecesAreThoseOfAnotherProgram(t *testing.T) {
	filefrag, err := exec.LookPath("filefrag")
	if err != nil {
		if filefrag, err = exec.LookPath("/usr/sbin/filefrag"); err != nil {
			t.Skip("missing: filefrag")
		}
	}
	path := filepath.Join(t.TempDir(), "a.srq")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	const bytesAll = 4 << 20
	if err := reserve(f, bytesAll); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Write(bytes.Repeat([]byte{1}, bytesAll)); err != nil {
		t.Fatal(err)
	}
	first := 0
	for taken := range 3 {
		if taken > 0 {
			if err := unix.Fallocate(int(f.Fd()), unix.FALLOC_FL_COLLAPSE_RANGE, int64(taken)<<20, 64<<10); err != nil {
				t.Skipf("missing: a file system that takes ranges out: %v", err)
			}
		}
		if err := f.Sync(); err != nil {
			t.Fatal(err)
		}
		got := Pieces(path)
		if got == 0 {
			t.Skip("missing: a file system that tells of pieces")
		}
		if taken == 0 {
			first = got
		}
		if by := countBlocks(f, int(f.Fd())); os.Geteuid() == 0 && by != got {
			t.Errorf("%d pieces by blocks, %d by extents", by, got)
		}
		if got != first+taken {
			t.Errorf("%d taken out: %d pieces, want %d", taken, got, first+taken)
		}
		out, err := exec.Command(filefrag, path).CombinedOutput()
		if err != nil || !strings.Contains(string(out), fmt.Sprintf(": %d extent", got)) {
			t.Errorf("%d pieces; filefrag says %q, %v", got, out, err)
		}
	}
	if n := Pieces(path + "x"); n != 0 {
		t.Errorf("%d pieces of nothing", n)
	}
}
