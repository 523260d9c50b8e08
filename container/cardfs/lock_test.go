//go:build linux || darwin || windows

package cardfs

import (
	"bufio"
	"errors"
	"os"
	"os/exec"
	"sync"
	"sync/atomic"
	"testing"
)

func TestACardIsLockedOnceAndTheLockLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	lock, err := TakeLock(dir)
	if err != nil {
		t.Fatal(err)
	}
	var locked *LockedError
	if _, err := TakeLock(dir); !errors.As(err, &locked) || locked.Folder != dir {
		t.Errorf("a second lock: %v", err)
	}
	if n, err := RemoveLeftovers(dir); n != 0 || err != nil {
		t.Errorf("the lock was swept away: %d, %v", n, err)
	}
	lock.Release()
	if got := names(t, dir); len(got) != 0 {
		t.Errorf("files left: %v", got)
	}
	if lock, err = TakeLock(dir); err != nil {
		t.Fatal(err)
	}
	lock.Release()
}

// Takes and gives back in turns from several sides never overlap, though the file
// comes and goes.
func TestALockHasOneHolderAtATime(t *testing.T) {
	dir := t.TempDir()
	var holders, taken atomic.Int32
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			for range 200 {
				lock, err := TakeLock(dir)
				var locked *LockedError
				if errors.As(err, &locked) {
					continue
				}
				if err != nil {
					t.Error(err)
					return
				}
				if n := holders.Add(1); n != 1 {
					t.Errorf("%d holders", n)
				}
				taken.Add(1)
				holders.Add(-1)
				lock.Release()
			}
		})
	}
	wg.Wait()
	if taken.Load() == 0 {
		t.Error("nobody got the lock")
	}
}

func TestAKilledRunHoldsNoLock(t *testing.T) {
	if dir := os.Getenv("CARDFS_HOLD"); dir != "" { // the child of the test
		if _, err := TakeLock(dir); err != nil {
			t.Fatal(err)
		}
		os.Stdout.WriteString("held\n")
		select {}
	}
	dir := t.TempDir()
	child := exec.Command(os.Args[0], "-test.run=^TestAKilledRunHoldsNoLock$")
	child.Env = append(os.Environ(), "CARDFS_HOLD="+dir)
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	line, _ := bufio.NewReader(out).ReadString('\n')
	_, busy := TakeLock(dir)
	child.Process.Kill()
	child.Wait()
	var locked *LockedError
	if line != "held\n" || !errors.As(busy, &locked) {
		t.Fatalf("child said %q; beside it: %v", line, busy)
	}
	lock, err := TakeLock(dir)
	if err != nil {
		t.Fatal(err)
	}
	lock.Release()
	if got := names(t, dir); len(got) != 0 {
		t.Errorf("files left: %v", got)
	}
}

func TestAFolderThatCannotBeWrittenIsNamed(t *testing.T) {
	_, err := TakeLock(t.TempDir() + "/gone")
	if !errors.Is(err, os.ErrNotExist) {
		t.Errorf("got %v", err)
	}
}
