package console

import (
	"bytes"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

func TestProgressTellsRateAndTimeLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, _, stderr := terminal(80, false)
		p := c.Progress(Job{What: "packing film.gif", Unit: "pictures"})
		p.Expect(500)
		time.Sleep(50 * time.Millisecond) // midway between two redraws
		for range 20 {
			p.Add(10)
			time.Sleep(100 * time.Millisecond)
		}
		synctest.Wait()
		lines := strings.Split(stderr.String(), "\r")
		// 200 pictures in 2 s are 100 a second; the other 300 take 3 s more.
		last := strings.TrimSpace(lines[len(lines)-1])
		if want := "packing film.gif: 200 of 500 pictures, 100 pictures/s, 0:03 left"; last != want {
			t.Errorf("got %q, want about %q", last, want)
		}
		p.Stop()
		p.Stop()
		c.Result("done")
	})
}

func lineNow(p *Progress) string {
	p.c.mu.Lock()
	defer p.c.mu.Unlock()
	return p.line(time.Now())
}

func TestProgressOfAFillCountsClips(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, _, _ := terminal(80, false)
		p := c.Progress(Job{Unit: "pictures", Piece: "clips", Doing: "packing"})
		defer p.Stop()
		p.ExpectPieces(40)
		for range 15 {
			p.Begin()
		}
		for range 12 {
			p.End()
		}
		time.Sleep(2 * time.Second)
		p.Add(428)
		p.Expect(428 + 80*214)
		got := lineNow(p)
		if want := "12 of 40 clips, 3 packing, 214 pictures/s, 1:20 left"; got != want {
			t.Errorf("got %q, want %q", got, want)
		}
		p.Wrote(6_400_000)
		got = lineNow(p)
		if want := "12 of 40 clips, 3 packing, 3.20 MB/s to the card, 214 pictures/s, 1:20 left"; got != want {
			t.Errorf("with a card: %q, want %q", got, want)
		}
	})
}

func TestProgressOfACopyCountsBytes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, _, _ := terminal(80, false)
		p := c.Progress(Job{What: "copying", Unit: "bytes"})
		defer p.Stop()
		p.Expect(40_000_000)
		time.Sleep(10 * time.Second)
		p.Add(10_000_000)
		// The rate is that of the last five seconds.
		if got, want := lineNow(p), "copying: 10.0 MB of 40.0 MB, 2.00 MB/s, 0:15 left"; got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	})
}

func TestProgressRedrawsAtMostTenTimesASecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, _, stderr := terminal(80, false)
		p := c.Progress(Job{What: "x", Unit: "pictures"})
		for range 3000 {
			time.Sleep(time.Millisecond)
			p.Add(1)
		}
		synctest.Wait()
		drawn := strings.Count(stderr.String(), "\r")
		p.Stop()
		if drawn < 20 || drawn > 30 {
			t.Errorf("drawn %d times in 3 s", drawn)
		}
	})
}

func TestTheResultTakesThePlaceOfProgress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var both bytes.Buffer // as one terminal shows both streams
		c := New(Options{Stdout: &both, Stderr: &both, StdoutTerminal: true, StderrTerminal: true})
		p := c.Progress(Job{What: "packing", Unit: "pictures"})
		time.Sleep(350 * time.Millisecond)
		c.Warn("source ends early")
		time.Sleep(350 * time.Millisecond)
		p.Stop()
		c.Result("film.srq")
		screen := screenOf(both.String())
		if want := "stampreel: warning: source ends early\nfilm.srq\n"; screen != want {
			t.Errorf("screen shows %q, want %q", screen, want)
		}
	})
}

func TestAResultDuringProgressStandsOnItsOwnLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var both bytes.Buffer
		c := New(Options{Stdout: &both, Stderr: &both, StdoutTerminal: true, StderrTerminal: true})
		screen := func() string {
			c.mu.Lock()
			defer c.mu.Unlock()
			return screenOf(both.String())
		}
		p := c.Progress(Job{What: "packing", Unit: "pictures"})
		time.Sleep(150 * time.Millisecond) // midway between two redraws
		c.Result("a.srq")
		if got := screen(); got != "a.srq\n" {
			t.Errorf("screen shows %q", got)
		}
		time.Sleep(100 * time.Millisecond)
		if got := screen(); got != "a.srq\npacking: 0 pictures" {
			t.Errorf("screen shows %q", got)
		}
		p.Stop()
	})
}

// screenOf plays text with carriage returns as a terminal does and returns
// what is to be seen, without the blanks at the ends of lines.
func screenOf(text string) string {
	var lines []string
	var line []rune
	at := 0
	for _, r := range text {
		switch r {
		case '\r':
			at = 0
		case '\n':
			lines = append(lines, strings.TrimRight(string(line), " "))
			line, at = nil, 0
		default:
			for len(line) <= at {
				line = append(line, ' ')
			}
			line[at] = r
			at++
		}
	}
	return strings.Join(append(lines, strings.TrimRight(string(line), " ")), "\n")
}

func TestNoProgressWhereNobodyWatches(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for name, o := range map[string]Options{
			"pipe":           {},
			"still terminal": {StderrTerminal: true, Still: true},
		} {
			var stderr bytes.Buffer
			o.Stderr = &stderr
			c := New(o)
			p := c.Progress(Job{What: "x", Unit: "pictures"})
			p.Add(1)
			time.Sleep(time.Second)
			p.Stop()
			if stderr.Len() != 0 {
				t.Errorf("%s: %q", name, stderr.String())
			}
		}
		c, _, stderr := terminal(80, false)
		c.Quiet(true)
		p := c.Progress(Job{What: "x"})
		time.Sleep(time.Second)
		p.Stop()
		if stderr.Len() != 0 {
			t.Errorf("quiet: %q", stderr)
		}
	})
}

func TestProgressFitsTheTerminal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, _, stderr := terminal(20, false)
		p := c.Progress(Job{What: "packing a long name\x1b[2J.gif", Unit: "pictures"})
		time.Sleep(time.Second)
		p.Stop()
		for _, line := range strings.Split(stderr.String(), "\r") {
			if Columns(line) > 19 || strings.Contains(line, "\x1b") {
				t.Errorf("line of %d columns: %q", Columns(line), line)
			}
		}
	})
}

func TestProgressCountsFromSeveralWorkers(t *testing.T) {
	c, _, _ := terminal(80, false)
	p := c.Progress(Job{Unit: "pictures"})
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			for range 1000 {
				p.Add(1)
			}
		})
	}
	wg.Wait()
	p.Stop()
	if p.done != 4000 {
		t.Errorf("counted %d of 4000", p.done)
	}
	var none *Progress
	none.Add(1)
	none.Stop()
}
