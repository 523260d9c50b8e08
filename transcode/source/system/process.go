package system

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// process is a worker as its parent sees it.
type process struct {
	path   string
	cmd    *exec.Cmd
	stdin  io.Closer // its end is the worker's
	pipe   *os.File
	out    *bufio.Reader
	buf    []byte
	stderr tail
	killed atomic.Pointer[WorkerError] // why it was ended
	stall  time.Duration               // Stall and MaxMemory as they were at its start
	memory int64
	most   int64 // bytes of a message
	waited patience
	closed bool
	gone   chan struct{} // closed when it has ended
	state  error         // how; after gone
}

// start starts a worker for a file.
func start(ctx context.Context, path string, r request) (*process, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if !Built {
		return nil, &MissingError{Path: path, Lacks: "the system's codec libraries", Why: errNotBuiltIn.Error()}
	}
	if !entered.Load() {
		return nil, &MissingError{Path: path, Lacks: "the system's codec libraries", Why: "this program does not call system.Main at its start"}
	}
	program, err := os.Executable()
	if err != nil {
		return nil, fmt.Errorf("system: %s: a worker needs this program's own file: %w", path, err)
	}
	r.Path, r.Test = []byte(absolute(path)), testMode
	order, err := json.Marshal(r)
	if err != nil {
		return nil, err
	}
	from, to, err := os.Pipe()
	if err != nil {
		return nil, fmt.Errorf("system: %s: %w", path, err)
	}
	enlarge(to)
	p := &process{path: path, pipe: from, out: bufio.NewReaderSize(from, 1<<16), gone: make(chan struct{}), stall: Stall, memory: MaxMemory, most: r.most()}
	if r.Do == doDescribe {
		p.stall /= 2
	}
	p.cmd = exec.Command(program)
	// A trace of the goroutines of this program tells nothing of a codec's crash.
	p.cmd.Env = append(os.Environ(), "GOTRACEBACK=none")
	p.cmd.Stderr = &p.stderr
	p.cmd.WaitDelay = time.Second
	stdin, err := p.cmd.StdinPipe()
	if err == nil {
		p.stdin = stdin
		err = prepare(p.cmd, to)
	}
	if err == nil {
		err = calm(p.cmd.Start)
	}
	to.Close()
	if err != nil {
		from.Close()
		return nil, fmt.Errorf("system: %s: starting a worker: %w", path, err)
	}
	go p.watch()
	if _, err := stdin.Write(append(order, '\n')); err != nil {
		defer p.close()
		return nil, p.why(ctx)
	}
	return p, nil
}

// watch waits for the end of the worker and looks after its memory.
func (p *process) watch() {
	tick := time.NewTicker(watchEvery)
	defer tick.Stop()
	go func() {
		p.state = p.cmd.Wait()
		close(p.gone)
	}()
	for {
		select {
		case <-p.gone:
			return
		case <-tick.C:
			if resident(p.cmd.Process.Pid) > p.memory {
				p.end(TooLarge)
			}
			if p.waited.tick() >= p.stall {
				p.end(Stalled)
			}
		}
	}
}

// watchEvery is how often a worker is looked at.
const watchEvery = 50 * time.Millisecond

// patience counts for how long a message has been waited for, in looks at the
// worker rather than by the clock: where this program was stopped meanwhile
// (Ctrl-Z, a lid that was closed), the worker is not to blame.
type patience struct {
	mu      sync.Mutex
	waiting bool
	waited  time.Duration
}

func (p *patience) begin() { p.set(true) }
func (p *patience) end()   { p.set(false) }

func (p *patience) set(waiting bool) {
	p.mu.Lock()
	p.waiting, p.waited = waiting, 0
	p.mu.Unlock()
}

// tick is called every watchEvery, and returns how long it has been.
func (p *patience) tick() time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.waiting {
		p.waited += watchEvery
	}
	return p.waited
}

// end kills the worker for a reason.
func (p *process) end(what Failure) {
	p.killed.CompareAndSwap(nil, &WorkerError{Path: p.path, What: what, limit: p.limit(what)})
	p.cmd.Process.Kill()
}

// limit is what a worker that was ended went beyond.
func (p *process) limit(what Failure) string {
	if what == Stalled {
		return p.stall.String()
	}
	return fmt.Sprintf("%d MB", p.memory/1_000_000)
}

// close ends the worker and waits until it is gone.
func (p *process) close() error {
	p.closed = true
	p.stdin.Close()
	p.cmd.Process.Kill()
	p.pipe.Close()
	<-p.gone
	return nil
}

// why tells what is wrong after the pipe has broken.
func (p *process) why(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	p.cmd.Process.Kill() // one that closed its pipe is of no use
	<-p.gone
	if e := p.killed.Load(); e != nil {
		return e
	}
	e := &WorkerError{Path: p.path, What: Crashed, Detail: p.stderr.last()}
	if e.Detail == "" && p.state != nil {
		e.Detail = p.state.Error()
	}
	return e
}

// receive waits for the next message; its bytes are good until the next call.
// Errors that the worker sends are returned as such. When the context ends, so
// does the worker.
func (p *process) receive(ctx context.Context) (kind byte, payload []byte, err error) {
	if err := ctx.Err(); err != nil {
		return 0, nil, err
	}
	if p.closed { // though messages may have come before
		return 0, nil, fmt.Errorf("system: %s: %w", p.path, os.ErrClosed)
	}
	defer context.AfterFunc(ctx, func() { p.cmd.Process.Kill() })()
	for {
		p.waited.begin()
		kind, p.buf, err = readMessage(p.out, p.buf, p.most)
		p.waited.end()
		switch {
		case err != nil:
			return 0, nil, p.why(ctx)
		case kind == msgError:
			return 0, nil, p.failure(p.buf)
		case kind != msgBusy:
			return kind, p.buf, nil
		}
	}
}

// receiveJSON waits for a message of one kind.
func (p *process) receiveJSON(ctx context.Context, want byte, v any) error {
	kind, text, err := p.receive(ctx)
	if err != nil {
		return err
	}
	if kind != want {
		return fmt.Errorf("system: %s: worker sent %q, want %q", p.path, kind, want)
	}
	if err := json.Unmarshal(text, v); err != nil {
		return fmt.Errorf("system: %s: worker: %w", p.path, err)
	}
	return nil
}

// failure turns a message into the error that it carries.
func (p *process) failure(text []byte) error {
	var f failure
	if err := json.Unmarshal(text, &f); err != nil {
		return fmt.Errorf("system: %s: worker: %w", p.path, err)
	}
	switch {
	case f.Missing != nil:
		f.Missing.Path = p.path
		if f.Try {
			f.Missing.try = Install()
		}
		return f.Missing
	case f.Unknown != nil:
		f.Unknown.Path = p.path
		return f.Unknown
	case f.Damaged != nil:
		f.Damaged.Path = p.path
		return f.Damaged
	case f.Ended != nil:
		f.Ended.Path = p.path
		return f.Ended
	}
	return fmt.Errorf("system: %s: %s", p.path, f.Other)
}

// tail keeps the end of what is written to it.
type tail struct {
	mu   sync.Mutex
	text []byte
}

const tailBytes = 16 << 10

func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.text = append(t.text, p...)
	if more := len(t.text) - tailBytes; more > 0 {
		t.text = append(t.text[:0], t.text[more:]...)
	}
	return len(p), nil
}

// last returns the line that tells most: where Go says what ended it, else the
// last one.
func (t *tail) last() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	last := ""
	for line := range bytes.Lines(t.text) {
		text := strings.TrimSpace(string(line))
		for _, start := range []string{"[signal ", "SIG", "panic: "} {
			if strings.HasPrefix(text, start) {
				return strings.Trim(text, "[]")
			}
		}
		if text != "" {
			last = text
		}
	}
	return last
}
