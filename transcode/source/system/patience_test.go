package system

import (
	"bytes"
	"strings"
	"testing"
	"time"
)

// A program that was stopped gets one look at its worker when it goes on, since a
// ticker drops the ones that nobody took, and not the time that it was stopped.
func TestAWorkerIsWaitedForInLooksAtIt(t *testing.T) {
	var p patience
	if p.tick() != 0 {
		t.Error("time counts while nothing is waited for")
	}
	p.begin()
	looks := int(20 * time.Second / watchEvery)
	for range looks - 1 {
		if p.tick() >= 20*time.Second {
			t.Fatal("ended too early")
		}
	}
	if p.tick() != 20*time.Second {
		t.Errorf("%d looks of %v do not make 20 s", looks, watchEvery)
	}
	p.end()
	if p.tick() != 0 {
		t.Error("time counts from the message before")
	}
	p.begin()
	if got := p.tick(); got != watchEvery {
		t.Errorf("waited for %v after one look, want %v", got, watchEvery)
	}
}

func TestAMessageIsNoLongerThanWhatWasAskedFor(t *testing.T) {
	r := request{}
	r.Framing.Width, r.Framing.Height = 160, 128
	whole := make([]byte, 6*160*128+40)
	var b bytes.Buffer
	writeMessage(&b, msgPicture, whole)
	if kind, got, err := readMessage(&b, nil, r.most()); err != nil || kind != msgPicture || len(got) != len(whole) {
		t.Errorf("a picture of the panel: %q, %d bytes, %v", kind, len(got), err)
	}
	// A length of 1.6 GB, and nothing behind it.
	if _, got, err := readMessage(strings.NewReader("P\x00\x00\x00\x60"), nil, r.most()); err == nil || cap(got) > 0 || !strings.Contains(err.Error(), "at most") {
		t.Errorf("%d bytes made for a message of 1.6 GB: %v", cap(got), err)
	}
}
