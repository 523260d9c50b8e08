package console

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Job names what a progress line counts.
type Job struct {
	What  string // what is being done: "packing film.gif"; may be empty
	Unit  string // what is counted: "pictures"; "bytes" are shown as kB, MB, GB
	Piece string // the plural of the pieces of a larger job: "clips"; empty for one
	Doing string // what a piece under way is: "packing"
}

// Progress is one line on the terminal that tells how far a job is. All
// methods may be called from several goroutines at once, and on nil.
type Progress struct {
	c   *Console
	job Job

	mu       sync.Mutex
	done     int64 // units
	total    int64 // units; 0 unknown
	pieces   int   // pieces finished
	expected int   // pieces in all; 0 unknown
	active   int   // pieces under way
	written  int64 // bytes on a card

	// Guarded by the console's mutex.
	samples []sample // of the last few seconds, oldest first
	shown   int      // columns on the screen now
	stop    chan struct{}
	stopped sync.WaitGroup
}

type sample struct {
	at            time.Time
	done, written int64
}

const (
	redraw = 100 * time.Millisecond // at most ten times a second
	window = 5 * time.Second        // over which the rate is taken
)

// Progress starts a progress line on standard error. Where that is no
// terminal, or the console is quiet, nothing is ever shown. A console shows
// one progress at a time; a new one takes the place of the one before. Stop
// has to be called.
func (c *Console) Progress(job Job) *Progress {
	p := &Progress{c: c, job: job}
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.o.StderrTerminal || c.o.Still || c.quiet {
		return p
	}
	c.clearProgress()
	c.progress = p
	p.samples = []sample{{at: c.o.Now()}}
	p.stop = make(chan struct{})
	p.stopped.Add(1)
	go p.run(p.stop)
	return p
}

func (p *Progress) run(stop <-chan struct{}) {
	defer p.stopped.Done()
	tick := time.NewTicker(redraw)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			p.draw()
		case <-stop:
			return
		}
	}
}

// Expect sets how many units there are in all, 0 for not known.
func (p *Progress) Expect(units int64) {
	p.update(func() { p.total = units })
}

// Add counts units done.
func (p *Progress) Add(units int64) {
	p.update(func() { p.done += units })
}

// Wrote counts bytes written to a card, whose rate is shown beside that of the units.
func (p *Progress) Wrote(bytes int64) {
	p.update(func() { p.written += bytes })
}

// ExpectPieces sets how many pieces the job has.
func (p *Progress) ExpectPieces(n int) {
	p.update(func() { p.expected = n })
}

// Begin counts a piece under way.
func (p *Progress) Begin() {
	p.update(func() { p.active++ })
}

// End counts a piece finished.
func (p *Progress) End() {
	p.update(func() { p.active--; p.pieces++ })
}

func (p *Progress) update(change func()) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	change()
}

// Stop takes the line off the screen for the result to take its place. A
// second call does nothing.
func (p *Progress) Stop() {
	if p == nil {
		return
	}
	p.c.mu.Lock()
	stop := p.stop
	p.stop = nil
	if p.c.progress == p {
		p.c.clearProgress()
		p.c.progress = nil
	}
	p.c.mu.Unlock()
	if stop != nil {
		close(stop)
		p.stopped.Wait()
	}
}

// clearProgress blanks the progress line, if there is one, without escape
// sequences, which not every terminal knows. The next redraw brings it back.
func (c *Console) clearProgress() {
	if c.progress == nil || c.progress.shown == 0 {
		return
	}
	io.WriteString(c.o.Stderr, "\r"+strings.Repeat(" ", c.progress.shown)+"\r")
	c.progress.shown = 0
}

func (p *Progress) draw() {
	p.c.mu.Lock()
	defer p.c.mu.Unlock()
	if p.c.progress != p {
		return
	}
	// The last column stays empty: some terminals wrap when it is written.
	line := Cut(p.line(p.c.o.Now()), p.c.Width()-1)
	n := Columns(line)
	io.WriteString(p.c.o.Stderr, "\r"+line+strings.Repeat(" ", max(0, p.shown-n)))
	p.shown = n
}

// line says what the screen shows at a time, such as
// "packing film.gif: 120 of 500 pictures, 214 pictures/s, 0:02 left" or
// "12 of 40 clips, 3 packing, 214 pictures/s, 1:20 left".
func (p *Progress) line(now time.Time) string {
	p.mu.Lock()
	defer p.mu.Unlock()

	var parts []string
	if p.job.Piece != "" {
		parts = append(parts, of(strconv.Itoa(p.pieces), strconv.Itoa(p.expected), p.expected > 0)+" "+p.job.Piece)
		if p.active > 0 && p.job.Doing != "" {
			parts = append(parts, fmt.Sprintf("%d %s", p.active, p.job.Doing))
		}
	} else if p.job.Unit == "bytes" {
		parts = append(parts, of(Size(p.done), Size(p.total), p.total > 0))
	} else {
		parts = append(parts, of(strconv.FormatInt(p.done, 10), strconv.FormatInt(p.total, 10), p.total > 0)+" "+p.job.Unit)
	}
	rate, onCard := p.rate(now)
	if onCard > 0 {
		parts = append(parts, Rate(onCard)+" to the card")
	}
	if rate > 0 {
		if p.job.Unit == "bytes" {
			parts = append(parts, Rate(rate))
		} else {
			parts = append(parts, three(rate)+" "+p.job.Unit+"/s")
		}
		if p.total > p.done {
			if left := float64(p.total-p.done) / rate; left < 360000 { // 100 hours
				parts = append(parts, TimeLeft(time.Duration(left*float64(time.Second)))+" left")
			}
		}
	}
	line := strings.Join(parts, ", ")
	if p.job.What != "" {
		line = Name(p.job.What) + ": " + line
	}
	return line
}

func of(done, total string, known bool) string {
	if known {
		return done + " of " + total
	}
	return done
}

// rate is the units, and the bytes on a card, per second over the window that ends now, 0 in the first
// second, which says too little.
func (p *Progress) rate(now time.Time) (units, onCard float64) {
	for len(p.samples) > 1 && now.Sub(p.samples[1].at) >= window {
		p.samples = p.samples[1:]
	}
	if len(p.samples) == 0 {
		return 0, 0
	}
	first := p.samples[0]
	p.samples = append(p.samples, sample{now, p.done, p.written})
	span := now.Sub(first.at).Seconds()
	if span < 1 {
		return 0, 0
	}
	return float64(p.done-first.done) / span, float64(p.written-first.written) / span
}
