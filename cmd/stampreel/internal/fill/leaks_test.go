package fill

import (
	"context"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"
)

// Clips of all sorts, failed and cancelled ones among them, leave no goroutine and no
// descriptor behind: 1,000 where STAMPREEL_LONG is 1.
func TestClipsLeaveNothingOpen(t *testing.T) {
	clips := 50
	if os.Getenv("STAMPREEL_LONG") == "1" {
		clips = 1000
	}
	dir, card, s := t.TempDir(), t.TempDir(), sign(t)
	gif := madeGIF(t, 5)
	jobs := []Job{
		{Source: put(t, dir, "animation.gif", gif)},
		{Source: put(t, dir, "video.y4m", madeY4M(64, 48, 10, 25)), Sound: put(t, dir, "sound.wav", madeWAV(t, 8000, 1, 3000))},
		{Source: put(t, dir, "still.png", madePNG(t, 50, 40, 1))},
		{Source: put(t, dir, "damaged.gif", gif[:len(gif)/2])},
		{Source: put(t, dir, "no.gif", []byte("GIF89a"))},
		{Source: put(t, dir, "cancelled.y4m", madeY4M(64, 48, 50, 25))},
	}
	pack := func(n int) {
		for i := range n {
			job := jobs[i%len(jobs)]
			ctx, cancel := context.WithCancel(background)
			job.Clip = filepath.Join(card, filepath.Base(job.Source)+".srq")
			if filepath.Base(job.Source) == "cancelled.y4m" {
				job.Beats = func(int64) { cancel() }
			}
			_, err := s.Pack(ctx, job)
			cancel()
			if bad := i%len(jobs) >= 4; (err != nil) != bad {
				t.Fatalf("clip %d, %s: %v", i, job.Source, err)
			}
		}
	}
	open := func() int {
		entries, err := os.ReadDir("/dev/fd")
		if err != nil {
			return 0 // no such folder on this system
		}
		return len(entries)
	}
	pack(len(jobs)) // what is made once is made
	goroutines, descriptors := runtime.NumGoroutine(), open()
	pack(clips)
	for range 100 {
		if runtime.NumGoroutine() <= goroutines && open() <= descriptors {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("%d goroutines, %d before; %d descriptors, %d before", runtime.NumGoroutine(), goroutines, open(), descriptors)
}
