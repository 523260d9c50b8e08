package main

import (
	"encoding/json"
	"sync"
	"time"

	"example.org/stampreel/cmd/stampreel/internal/fill"
)

// eventLines are what --events writes: an object a line, each with what happens ("item",
// "begins", "beats", "ends", "read_back", "done") and when, in seconds since the start. On
// nil nothing is written.
type eventLines struct {
	c     *call
	began time.Time

	mu    sync.Mutex
	count int64 // beats
	bytes int64 // copied to the card
	told  time.Time
}

// eventLines starts them; nil where nobody asks for them.
func (c *call) eventLines() *eventLines {
	if !c.Bool("events") {
		return nil
	}
	if c.events == nil {
		c.events = &eventLines{c: c, began: time.Now()}
	}
	return c.events
}

func (e *eventLines) tell(what string, more map[string]any) {
	if e == nil {
		return
	}
	more["event"] = what
	more["at_s"] = float64(time.Since(e.began).Milliseconds()) / 1000
	line, err := json.Marshal(more)
	if err != nil {
		panic(err) // plain values alone
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.c.console.Text(string(line) + "\n")
}

// beats tells how many beats have been packed, twice a second at most.
func (e *eventLines) beats(n int64) {
	if e == nil {
		return
	}
	e.mu.Lock()
	e.count += n
	count, bytes, due := e.count, e.bytes, time.Since(e.told) > 500*time.Millisecond
	if due {
		e.told = time.Now()
	}
	e.mu.Unlock()
	if due {
		e.tell("beats", map[string]any{"packed": count, "card_bytes": bytes})
	}
}

// wrote counts what has been copied to the card; the next line of beats tells it.
func (e *eventLines) wrote(n int64) {
	if e == nil {
		return
	}
	e.mu.Lock()
	e.bytes += n
	e.mu.Unlock()
}

// ended tells what became of an item.
func (e *eventLines) ended(o fill.Outcome) {
	if e == nil {
		return
	}
	if o.Err != nil {
		e.tell("ends", map[string]any{"source": o.Source, "clip": o.Clip, "error": plainText(o.Err)})
		return
	}
	facts := factsOf(o.Packed)
	facts.Source = o.Source
	e.tell("ends", map[string]any{"source": o.Source, "clip": o.Clip, "facts": facts})
}
