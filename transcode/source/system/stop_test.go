//go:build !nosystem && (linux || darwin) && (amd64 || arm64)

package system

import (
	"errors"
	"syscall"
	"testing"
	"time"

	"example.org/stampreel/transcode/picture"
)

// A worker that the system stops, as it may under pressure, or a person with kill -STOP,
// is ended as one that stalls.
func TestAWorkerThatIsStoppedIsEnded(t *testing.T) {
	d := describe(t, film(t))
	defer func(stall time.Duration) { Stall = stall }(Stall)
	Stall = time.Second
	large := PictureOptions{Framing: picture.Framing{Width: 320, Height: 180}} // of which few wait in the pipe
	p, err := OpenPictures(background, d, large)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	pid, pictures := p.p.cmd.Process.Pid, 0
	var f picture.Framed
	for err == nil {
		if pictures == 3 {
			if err := syscall.Kill(pid, syscall.SIGSTOP); err != nil {
				t.Fatal(err)
			}
		}
		if _, _, err = p.Next(background, &f); err == nil {
			pictures++
		}
	}
	var w *WorkerError
	if !errors.As(err, &w) || w.What != Stalled || pictures < 3 || pictures > 40 {
		t.Errorf("%d pictures, then %T %v; want a worker that stalled", pictures, err, err)
	}
	gone(t, pid)
}
