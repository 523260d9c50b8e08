//go:build !nosystem && (linux || darwin || windows) && (amd64 || arm64)

package system

import (
	"bufio"
	"encoding/json"
	"errors"
	"io"
	"os"
	"strconv"
	"time"
)

// work is all that a worker does. It reads what is wanted from its standard
// input, answers through the pipe, and ends at the latest when its input does,
// which is when its parent is gone.
func work(pipe string) {
	fd, err := strconv.ParseUint(pipe, 10, 64)
	if err != nil {
		os.Exit(2)
	}
	keepPrivate(uintptr(fd))
	w := &worker{out: bufio.NewWriterSize(os.NewFile(uintptr(fd), "pipe"), 1<<16)}
	in := bufio.NewReader(os.Stdin)
	order, err := in.ReadBytes('\n')
	if err != nil || json.Unmarshal(order, &w.request) != nil {
		os.Exit(2)
	}
	go func() {
		io.Copy(io.Discard, in)
		os.Exit(0)
	}()
	if err := w.serve(); err != nil {
		w.json(msgError, asFailure(err))
	}
	os.Exit(0)
}

type worker struct {
	request
	out *bufio.Writer
}

// send sends a message. When that fails nobody listens any more.
func (w *worker) send(kind byte, parts ...[]byte) {
	if writeMessage(w.out, kind, parts...) != nil || w.out.Flush() != nil {
		os.Exit(0)
	}
}

func (w *worker) json(kind byte, v any) {
	text, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	w.send(kind, text)
}

// patiently keeps the parent waiting for what may take up to a minute.
func (w *worker) patiently(do func() error) error {
	done := make(chan error)
	go func() { done <- do() }()
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for n := 0; ; n++ {
		select {
		case err := <-done:
			return err
		case <-tick.C:
			if n < 60 {
				w.send(msgBusy)
			}
		}
	}
}

func (w *worker) serve() error {
	// The libraries look through all their plugins when they are new to them.
	if err := w.patiently(load); err != nil {
		return &MissingError{Lacks: "the system's codec libraries", Why: err.Error()}
	}
	misbehave(w.Test, w.Do)
	switch w.Do {
	case doDescribe:
		return w.describe()
	case doPictures:
		return w.pictures()
	case doSound:
		return w.sound()
	case doBars:
		return w.bars()
	case doReport:
		return w.report()
	}
	return errors.New("nothing to do")
}

// asFailure packs an error for the way through the pipe.
func asFailure(err error) failure {
	var f failure
	switch {
	case errors.As(err, &f.Missing):
		f.Try = true
	case errors.As(err, &f.Unknown), errors.As(err, &f.Damaged), errors.As(err, &f.Ended):
	default:
		f.Other = err.Error()
	}
	return f
}
