// Package simulate plays a clip on a player step by step, and looks at the clock.
//
// It is the check of package budget and shares nothing with it: no rates, no runs
// of beats, no margins, only parts that take time and wait for each other.
//
//	card      one request a beat: commands, access, then sector after sector
//	          into memory while there is room; a new request wherever a
//	          cluster begins, and after the panel had the bus
//	decoder   pictures that are coded, strip by strip from memory into a buffer or
//	          two, from the beat's time on
//	panel     from memory (or such a buffer) over its bus, from the beat's time on: a
//	          window's address, the driver's set-up, the bytes
//	sound     each beat's sound is taken at its time, the lead later
//
// Each part is busy with one thing until a known time. The simulation starts
// whatever can start (the panel first, then the decoder, then the card), goes to the
// next time at which something ends or a beat falls due, and so on. Nothing that has
// started is interrupted: a picture that falls due waits for the request, the pause
// and the sector under way where it needs their bus.
//
// Playing starts when nothing more can be done ahead (memory is full, or all is read),
// or at a time that is given, if that is sooner.
// From then on beat i is due i·T later, whatever is late: the sound clock leads. A
// late picture is drawn all the same.
package simulate

import (
	"errors"
	"fmt"
	"math"
)

// Time is a time or a length of time in picoseconds, below 106 days.
type Time int64

// Second is 10^12 picoseconds.
const Second Time = 1_000_000_000_000

// Seconds is the time nearest to s seconds.
func Seconds(s float64) Time { return Time(math.Round(s * float64(Second))) }

// Grace is what lateness is forgiven: far above the rounding here and far below
// anything a player can do in that time.
const Grace = Second / 1_000_000_000

// Clip is a row of beats.
type Clip struct {
	Interval Time // T, of one beat
	Lead     int  // beats between reading a sound and hearing it
	Beats    []Beat
}

// Beat is one beat as the parts meet it.
type Beat struct {
	Place        int64  // sector of its file where it begins; those of one file follow each other
	Sectors      int    // at least 1
	SoundSectors int    // the first of them that hold its sound, 0 for none
	PanelBytes   int64  // that the panel's bus carries
	Windows      int    // transfers to the panel; 0 when the last picture stays
	Decode       []Time // of each strip of its picture; nil when the panel takes it as it is stored
	Before       Time   // before its request: opening the file that it begins
}

// Player is what the clip is played on.
type Player struct {
	Card   Card
	Panel  Panel
	Memory Memory

	StartAt Time // playing starts then, if memory is not full before; 0 waits for that

	Shared bool // card and panel take turns on one bus
	NoDMA  bool // the chip itself moves all bytes: it reads, decodes or draws
}

// Card is the card, its wiring and its driver.
type Card struct {
	Hz      float64 // of the bus clock
	Command int64   // clocks of the commands and responses of one request
	Block   int64   // clocks of one block, with start, check and end
	Gap     int64   // clocks before each block
	Access  Time    // of each request, besides its clocks

	Cluster int64 // sectors that one request can bring at most, counted from the file's start; 0 for any number
	Step    Time  // finding the next cluster, besides its request
	Table   int64 // each so many clusters, finding takes a request for one sector of the table more; 0 for never
	Phase   int64 // number of the file's first cluster in its sector of the table
}

// Panel is the panel's bus and its driver.
type Panel struct {
	Hz          float64 // bits a second
	WindowBytes int64   // that address a window
	SetUp       Time    // of each transfer
}

// Memory is what holds beats between card and panel.
type Memory struct {
	// Sectors of a ring, each free again as soon as the panel has taken it.
	Sectors int
	// Strip is how many sectors are drawn at once as they arrive, for a ring smaller
	// than a beat; they are free again when all of them are drawn. 0 reads whole beats.
	Strip int
	// Buffers replaces the ring by so many buffers of one beat each, free again when
	// all of it is drawn: 1 reads and draws in turn, 2 read one while the other is
	// drawn. 0 for a ring.
	Buffers int
	// Decoded is how many decoded strips there is room for; at least 1 where beats are
	// decoded.
	Decoded int
}

// Pauses is when the card keeps the player waiting.
type Pauses struct {
	Length Time
	// Before lists sectors, counted from the first beat's first, in rising order.
	Before []int
	// Full pauses before the first sector after each time that memory was full and
	// nothing in it late: the worst moments for a player that is given the time to
	// recover between two pauses.
	Full bool
}

// Result is what came when.
type Result struct {
	Start   Time // when beat 0 is due, counted from the first request
	Picture Late
	Sound   Late
	Beats   []Times
}

// Late sums up what was not in time.
type Late struct {
	First int // beat, −1 for none: of a sound the beat that stores it
	Count int
	Worst Time // longest lateness
}

// Times is what happened to one beat, counted from the first request.
type Times struct {
	Sounded Time // its sound is in memory
	Read    Time // all of it is in memory
	Drawn   Time // its picture is on the panel
}

func (l *Late) mark(beat int, by Time) {
	if by <= Grace {
		return
	}
	if l.Count == 0 {
		l.First = beat
	}
	l.Count++
	l.Worst = max(l.Worst, by)
}

const never = Time(math.MaxInt64)

// job is what the panel draws at once: a beat or a strip of one.
type job struct {
	beat        int
	strip       int // of a picture that is decoded
	first, last int // sectors, counted from the first beat's first; last exclusive
	time        Time
	ends        bool // the last of its beat
}

// machine is a player at work.
type machine struct {
	p      *Player
	c      *Clip
	pauses Pauses
	starts []int // first sector of each beat, and the end
	jobs   []job

	now     Time
	started bool
	start   Time // never until then

	// card
	cardUntil Time
	period    float64 // picoseconds of a clock
	clocks    int64   // sent since since
	since     Time
	read      int // sectors in memory or gone
	reading   int // beat of sector read
	ask       bool
	full      bool
	place     int64 // where the card's next sector would lie without a jump
	pause     int   // next of pauses.Before

	// memory
	freed      int // sectors
	freedBeats int

	// decoder
	decodeUntil Time
	decoded     int // strips of the beat that the panel is at

	// panel
	panelUntil Time // of the job
	part       Time // of its next sector
	begun      Time
	next       int // job
	gone       int // sectors of it drawn

	r Result
}

// Run plays a clip.
func Run(p *Player, c *Clip, pauses Pauses) (Result, error) {
	m := &machine{p: p, c: c, pauses: pauses, start: never, cardUntil: never, decodeUntil: never, panelUntil: never, part: never}
	if err := m.prepare(); err != nil {
		return Result{}, err
	}
	for m.next < len(m.jobs) {
		for m.begin() {
		}
		at := min(m.cardUntil, m.decodeUntil, m.part)
		if begin := m.p.StartAt; !m.started && (at == never || begin > 0 && begin <= at) {
			if at != never {
				m.now = begin
			}
			m.started, m.start, m.r.Start = true, m.now, m.now
			continue
		}
		if j := m.jobs[m.next]; m.started && m.panelUntil == never && m.due(j.beat) > m.now {
			at = min(at, m.due(j.beat))
		}
		if at == never {
			return Result{}, fmt.Errorf("simulate: beat %d never gets into memory", m.reading)
		}
		m.now = at
		m.end()
	}
	return m.r, nil
}

func (m *machine) prepare() error {
	p, c := m.p, m.c
	switch {
	case len(c.Beats) == 0:
		return errors.New("simulate: no beats")
	case c.Interval <= 0 || c.Lead < 0:
		return fmt.Errorf("simulate: beats of %d ps and a lead of %d", c.Interval, c.Lead)
	case !(p.Card.Hz > 0) || !(p.Panel.Hz > 0):
		return fmt.Errorf("simulate: clocks of %g and %g Hz", p.Card.Hz, p.Panel.Hz)
	case p.Memory.Buffers == 0 && p.Memory.Sectors < 1 || p.Memory.Strip > 0 && (p.Memory.Buffers > 0 || p.Memory.Strip > p.Memory.Sectors):
		return fmt.Errorf("simulate: memory of %+v", p.Memory)
	}
	m.period = float64(Second) / p.Card.Hz
	bit := float64(Second) / p.Panel.Hz
	at := 0
	for i, b := range c.Beats {
		if b.Sectors < 1 || b.SoundSectors > b.Sectors || b.Windows < 0 || b.PanelBytes < 0 {
			return fmt.Errorf("simulate: beat %d: %+v", i, b)
		}
		if len(b.Decode) > 0 && (p.Memory.Strip == 0 && p.Memory.Decoded < 1 || b.Windows == 0) {
			return fmt.Errorf("simulate: beat %d is to be decoded, with room for %d strips and %d windows", i, p.Memory.Decoded, b.Windows)
		}
		size := p.Memory.Strip
		if size == 0 {
			size = b.Sectors
		}
		m.starts = append(m.starts, at)
		if p.Memory.Strip == 0 && len(b.Decode) > 0 {
			for s := range b.Decode {
				bits := 8 * float64(b.PanelBytes) / float64(len(b.Decode))
				j := job{beat: i, strip: s, first: at, last: at + b.Sectors, ends: s == len(b.Decode)-1, time: p.Panel.SetUp}
				if s == 0 {
					bits += float64(8 * p.Panel.WindowBytes * int64(b.Windows))
					j.time = Time(b.Windows) * p.Panel.SetUp
				}
				j.time += Time(math.Round(bits * bit))
				m.jobs = append(m.jobs, j)
			}
			at += b.Sectors
			continue
		}
		for s := 0; s < b.Sectors; s += size {
			e := min(s+size, b.Sectors)
			j := job{beat: i, first: at + s, last: at + e, ends: e == b.Sectors}
			if b.Windows > 0 {
				bits := 8 * float64(b.PanelBytes) * float64(e-s) / float64(b.Sectors)
				if p.Memory.Strip > 0 { // as they arrive each is decoded, then drawn; not so sound
					from, to := b.drawn(s), b.drawn(e)
					bits = 8 * float64(b.PanelBytes) * (to - from)
					j.time += p.Panel.SetUp + b.decoded(from, to)
				}
				if s == 0 {
					bits += float64(8 * p.Panel.WindowBytes * int64(b.Windows))
					j.time += Time(b.Windows) * p.Panel.SetUp
				}
				j.time += Time(math.Round(bits * bit))
			}
			m.jobs = append(m.jobs, j)
		}
		at += b.Sectors
	}
	m.starts = append(m.starts, at)
	m.place = -1
	m.r = Result{Picture: Late{First: -1}, Sound: Late{First: -1}, Beats: make([]Times, len(c.Beats))}
	return nil
}

// drawn is how much of a beat's picture lies in its first sectors, from 0 to 1.
func (b *Beat) drawn(sectors int) float64 {
	if b.Sectors == b.SoundSectors {
		return float64(sectors) / float64(b.Sectors)
	}
	return float64(max(0, sectors-b.SoundSectors)) / float64(b.Sectors-b.SoundSectors)
}

// decoded is the time for the piece of a picture from one share of it to another.
func (b *Beat) decoded(from, to float64) Time {
	sum, n := 0.0, float64(len(b.Decode))
	for i, t := range b.Decode {
		piece := min(to*n, float64(i+1)) - max(from*n, float64(i))
		sum += float64(t) * max(0, piece)
	}
	return Time(math.Ceil(sum))
}

func (m *machine) due(beat int) Time { return m.start + Time(beat)*m.c.Interval }

// freeFor says whether card or panel may begin while the other of the two is busy
// until a time, or never.
func (m *machine) freeFor(other Time) bool {
	if (m.p.Shared || m.p.NoDMA) && other != never {
		return false
	}
	return !m.p.NoDMA || m.decodeUntil == never
}

// begin starts one thing that can start now and says whether it did.
func (m *machine) begin() bool {
	return m.draw() || m.decode() || m.fetch()
}

// draw starts the panel on what is due and there.
func (m *machine) draw() bool {
	if !m.started || m.panelUntil != never || m.next == len(m.jobs) || !m.freeFor(m.cardUntil) {
		return false
	}
	j := &m.jobs[m.next]
	if m.now < m.due(j.beat) || m.read < j.last || m.coded(j.beat) && m.decoded <= j.strip {
		return false
	}
	m.begun, m.panelUntil, m.gone = m.now, m.now+j.time, 0
	m.part = m.panelUntil
	if m.bySector(j) {
		m.part = m.begun + j.time/Time(j.last-j.first)
	}
	if m.p.Shared && j.time > 0 {
		m.ask = true
	}
	return true
}

// coded says whether a beat's picture goes through the decoder.
func (m *machine) coded(beat int) bool {
	return m.p.Memory.Strip == 0 && len(m.c.Beats[beat].Decode) > 0
}

// bySector says whether a job gives back its memory sector by sector.
func (m *machine) bySector(j *job) bool {
	return m.p.Memory.Strip == 0 && m.p.Memory.Buffers == 0 && !m.coded(j.beat) && !m.p.Shared && !m.p.NoDMA && j.time > 0
}

// decode starts the decoder on the next strip of the picture that is due.
func (m *machine) decode() bool {
	if !m.started || m.decodeUntil != never || m.next == len(m.jobs) {
		return false
	}
	j := &m.jobs[m.next]
	strips := m.c.Beats[j.beat].Decode
	switch {
	case !m.coded(j.beat) || m.now < m.due(j.beat) || m.read < j.last:
		return false
	case m.decoded == len(strips) || m.decoded-j.strip >= m.p.Memory.Decoded:
		return false
	case m.p.NoDMA && (m.cardUntil != never || m.panelUntil != never):
		return false
	}
	m.decodeUntil = m.now + strips[m.decoded]
	return true
}

// atPicture says whether a coded picture is between its first strip and its last: the
// bus that it shares is kept for it.
func (m *machine) atPicture() bool {
	return m.decodeUntil != never || m.decoded > 0
}

// fetch starts the card on the next sector, with whatever has to come first.
func (m *machine) fetch() bool {
	if m.cardUntil != never || m.read == m.starts[len(m.c.Beats)] || !m.freeFor(m.panelUntil) {
		return false
	}
	if (m.p.Shared || m.p.NoDMA) && m.atPicture() {
		return false
	}
	if m.p.Memory.Buffers > 0 && m.reading-m.freedBeats >= m.p.Memory.Buffers || m.p.Memory.Buffers == 0 && m.read-m.freed >= m.p.Memory.Sectors {
		m.full = m.full || m.inTime()
		return false
	}
	card, b := &m.p.Card, &m.c.Beats[m.reading]
	into := int64(m.read - m.starts[m.reading])
	place := b.Place + into
	if into == 0 {
		m.ask = true
	}
	var clocks int64
	var wait Time
	if into == 0 {
		wait += b.Before
	}
	if card.Cluster > 0 && (place%card.Cluster == 0 || place != m.place) {
		m.ask = true
		wait += card.Step
		if card.Table > 0 && (card.Phase+place/card.Cluster)%card.Table == 0 {
			wait += card.Access
			clocks += card.Command + card.Gap + card.Block
		}
	}
	if m.ask {
		wait += card.Access
		clocks += card.Command
		m.ask = false
	}
	if m.pauses.Full && m.full && m.started {
		wait += m.pauses.Length
	} else if m.pause < len(m.pauses.Before) && m.pauses.Before[m.pause] == m.read {
		wait += m.pauses.Length
	}
	for m.pause < len(m.pauses.Before) && m.pauses.Before[m.pause] <= m.read {
		m.pause++
	}
	m.full = false
	m.place = place + 1
	clocks += card.Gap + card.Block
	// Where the card goes on without a break, clocks are counted together, so that
	// nothing is rounded twice.
	if wait > 0 || m.now != m.since+m.span(m.clocks) {
		m.since, m.clocks = m.now+wait, 0
	}
	m.clocks += clocks
	m.cardUntil = m.since + m.span(m.clocks)
	return true
}

// inTime says whether nothing that waits for the panel is late. Strips are drawn while
// they arrive, so there the panel has to wait for the next beat's time.
func (m *machine) inTime() bool {
	if !m.started {
		return true
	}
	beat := m.jobs[m.next].beat
	if m.p.Memory.Strip > 0 {
		return m.panelUntil == never && m.now <= m.due(beat)
	}
	return m.now <= m.due(beat+1) && m.r.Beats[beat].Read <= m.due(beat)+Grace
}

func (m *machine) span(clocks int64) Time { return Time(math.Round(float64(clocks) * m.period)) }

// end finishes what ends now.
func (m *machine) end() {
	if m.part == m.now {
		m.drawn()
	}
	if m.decodeUntil == m.now {
		m.decodeUntil = never
		m.decoded++
		if beat := m.jobs[m.next].beat; m.decoded == len(m.c.Beats[beat].Decode) {
			m.free(m.starts[beat+1])
		}
	}
	if m.cardUntil == m.now {
		m.cardUntil = never
		b, t := &m.c.Beats[m.reading], &m.r.Beats[m.reading]
		m.read++
		if m.read-m.starts[m.reading] == b.SoundSectors {
			t.Sounded = m.now
		}
		if m.read == m.starts[m.reading+1] {
			t.Read = m.now
			m.reading++
		}
	}
}

// drawn takes note of a sector or a job that is on the panel.
func (m *machine) drawn() {
	j := &m.jobs[m.next]
	m.gone++
	if m.now < m.panelUntil {
		m.free(j.first + m.gone)
		m.part = m.begun + j.time*Time(m.gone+1)/Time(j.last-j.first)
		return
	}
	m.panelUntil, m.part = never, never
	m.next++
	if j.ends {
		m.decoded = 0
	}
	if j.ends || !m.coded(j.beat) {
		m.free(j.last)
	}
	if j.ends {
		m.look(j.beat)
	}
}

// free gives back the memory of all sectors before one.
func (m *machine) free(before int) {
	m.freed = max(m.freed, before)
	for m.freedBeats < len(m.c.Beats) && m.starts[m.freedBeats+1] <= m.freed {
		m.freedBeats++
	}
}

// look judges a beat once it is drawn: whole beats have to be in memory by their
// time, every picture has to be on the panel by the time of the next beat, and every
// sound in memory by its own.
func (m *machine) look(beat int) {
	t := &m.r.Beats[beat]
	t.Drawn = m.now
	late := m.now - m.due(beat+1)
	if m.p.Memory.Strip == 0 {
		late = max(late, t.Read-m.due(beat))
	}
	m.r.Picture.mark(beat, late)
	if m.c.Beats[beat].SoundSectors > 0 {
		m.r.Sound.mark(beat, t.Sounded-m.due(beat+m.c.Lead))
	}
}
