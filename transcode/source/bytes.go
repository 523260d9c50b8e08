package source

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash"
	"io"
	"os"
	"sync"
	"sync/atomic"
)

// warnings gathers what a person should be told.
type warnings struct {
	mu         sync.Mutex
	list       []string
	incomplete bool
}

// lost adds what says that a part of the source is missing.
func (w *warnings) lost(format string, args ...any) {
	w.mu.Lock()
	w.incomplete = true
	w.mu.Unlock()
	w.add(format, args...)
}

func (w *warnings) isIncomplete() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.incomplete
}

func (w *warnings) add(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, have := range w.list {
		if have == text {
			return
		}
	}
	w.list = append(w.list, text)
}

func (w *warnings) all() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return append([]string(nil), w.list...)
}

// tee hashes and counts the bytes read through it.
type tee struct {
	r     io.Reader
	hash  hash.Hash
	read  int64
	ended bool // the reader has said io.EOF
}

func newTee(r io.Reader) *tee { return &tee{r: r, hash: sha256.New()} }

func (t *tee) Read(p []byte) (int, error) {
	n, err := t.r.Read(p)
	t.hash.Write(p[:n])
	t.read += int64(n)
	if err == io.EOF {
		t.ended = true
	}
	return n, err
}

// sum returns the hash of everything, of which the rest is read first.
func (t *tee) sum() (sum [32]byte, err error) {
	if !t.ended {
		if _, err := io.Copy(io.Discard, t); err != nil {
			return sum, err
		}
	}
	t.hash.Sum(sum[:0])
	return sum, nil
}

// sumFile returns the SHA-256 of a file.
func sumFile(path string) (sum [32]byte, err error) {
	h := sha256.New()
	if _, err := hashFile(h, path); err != nil {
		return sum, err
	}
	h.Sum(sum[:0])
	return sum, nil
}

// sumFiles returns the SHA-256 over length and content of each file.
func sumFiles(paths []string) (sum [32]byte, err error) {
	h := sha256.New()
	for _, path := range paths {
		info, err := os.Stat(path)
		if err != nil {
			return sum, err
		}
		var size [8]byte
		binary.LittleEndian.PutUint64(size[:], uint64(info.Size()))
		h.Write(size[:])
		n, err := hashFile(h, path)
		if err != nil {
			return sum, err
		}
		if n != info.Size() {
			return sum, fmt.Errorf("%s changed while it was read", path)
		}
	}
	h.Sum(sum[:0])
	return sum, nil
}

// summed is the SHA-256 of a file that is read while other things are done.
type summed struct {
	done chan struct{}
	stop atomic.Bool
	sum  [32]byte
	err  error
}

// sumAhead begins to read a file.
func sumAhead(path string) *summed {
	s := &summed{done: make(chan struct{})}
	go func() {
		defer close(s.done)
		f, err := os.Open(path)
		if err != nil {
			s.err = err
			return
		}
		defer f.Close()
		h := sha256.New()
		_, s.err = io.Copy(h, readWhile{f, &s.stop})
		h.Sum(s.sum[:0])
	}()
	return s
}

func (s *summed) wait() ([32]byte, error) {
	<-s.done
	return s.sum, s.err
}

// readWhile reads until it is stopped.
type readWhile struct {
	r    io.Reader
	stop *atomic.Bool
}

func (r readWhile) Read(p []byte) (int, error) {
	if r.stop.Load() {
		return 0, os.ErrClosed
	}
	return r.r.Read(p)
}

func hashFile(h hash.Hash, path string) (int64, error) {
	f, err := os.Open(path)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	return io.Copy(h, f)
}

// guard runs a decoder that is not ours and turns a panic into an error.
func guard(decode func() error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("the decoder gave up: %v", r)
		}
	}()
	return decode()
}

// counted is a number of things.
func counted(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}

// seconds writes ticks as seconds.
func seconds(ticks int64, tick Ratio) string {
	return fmt.Sprintf("%.2f s", float64(ticks)*tick.Float())
}
