package simulate

import (
	"slices"
	"testing"
)

const us = Second / 1_000_000

// slow is a player whose card takes 100 us a sector and whose panel takes 1 us a
// byte, so that all can be worked out by hand.
func slow(m Memory) *Player {
	return &Player{Card: Card{Hz: 1e6, Block: 90, Gap: 10}, Panel: Panel{Hz: 8e6}, Memory: m}
}

// alike is n beats of so many sectors and panel bytes.
func alike(n, sectors int, panel int64, interval Time) *Clip {
	c := &Clip{Interval: interval}
	for i := range n {
		c.Beats = append(c.Beats, Beat{Place: int64(i * sectors), Sectors: sectors, SoundSectors: 1, PanelBytes: panel, Windows: 1})
	}
	return c
}

func run(t *testing.T, p *Player, c *Clip, pauses Pauses) Result {
	t.Helper()
	r, err := Run(p, c, pauses)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// micros turns one of the times of all beats into microseconds.
func micros(r Result, of func(Times) Time) (all []int) {
	for _, b := range r.Beats {
		all = append(all, int(of(b)/us))
	}
	return all
}

func sounded(t Times) Time { return t.Sounded }
func read(t Times) Time    { return t.Read }
func drawn(t Times) Time   { return t.Drawn }

func same(t *testing.T, what string, got []int, want ...int) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("%s at %v us, want %v", what, got, want)
	}
}

// Three beats of 4 sectors, a ring of 6: full at 600 us, which is the start. Beat 0 is
// drawn from 600 to 800 and frees a sector each 50 us; sector 6 starts at 650, so
// sector 7 ends at 850, 9 at 1050, and the ring is full again. Beat 1 is due at 1100
// and frees the first of its sectors at 1150: sector 11 ends at 1350.
func TestRingIsFilledAgainWhileThePanelDraws(t *testing.T) {
	r := run(t, slow(Memory{Sectors: 6}), alike(3, 4, 200, 500*us), Pauses{})
	if r.Start != 600*us {
		t.Errorf("starts at %d us, want 600", r.Start/us)
	}
	same(t, "sound", micros(r, sounded), 100, 500, 950)
	same(t, "beats read", micros(r, read), 400, 850, 1350)
	same(t, "drawn", micros(r, drawn), 800, 1300, 1800)
	if r.Picture.Count != 0 || r.Sound.Count != 0 || r.Picture.First != -1 || r.Sound.First != -1 {
		t.Errorf("late: %+v", r)
	}
}

// A ring of just one beat, drawn in 400 us from 400 on: sector 4 may start at 500, each
// follows as room is given back, sector 7 from 800 to 900. So beats of 500 us are just
// in time, and beats of 480 us late by 20, by 40 from the next beat on (drawn from 900
// to 1300, the next read at 1400, due at 1360) and so on.
func TestBeatIsLateByWhatItIsReadTooLate(t *testing.T) {
	if r := run(t, slow(Memory{Sectors: 4}), alike(4, 4, 400, 500*us), Pauses{}); r.Picture.Count != 0 {
		t.Errorf("late at 500 us: %+v", r.Picture)
	}
	r := run(t, slow(Memory{Sectors: 4}), alike(4, 4, 400, 480*us), Pauses{})
	same(t, "beats read", micros(r, read), 400, 900, 1400, 1900)
	if want := (Late{First: 1, Count: 3, Worst: 60 * us}); r.Picture != want {
		t.Errorf("late %+v, want %+v", r.Picture, want)
	}
}

// The same with a sound lead of one beat: the first sector of beat i is in memory at
// 100, 600, 1100, 1600 and due a beat after the picture, at 880, 1360, 1840, 2320.
// Without a lead it is due with it: at 400, 880, 1360, 1840.
func TestSoundHasItsOwnTime(t *testing.T) {
	c := alike(4, 4, 400, 480*us)
	c.Lead = 1
	r := run(t, slow(Memory{Sectors: 4}), c, Pauses{})
	same(t, "sound", micros(r, sounded), 100, 600, 1100, 1600)
	if r.Sound.Count != 0 || r.Picture.Count != 3 {
		t.Errorf("sound %+v, picture %+v", r.Sound, r.Picture)
	}
	// A pause of 900 us before sector 8 brings beat 2's sound to 2000 and beat 3's (its
	// room is there at once) to 2400; due at 1840 and 2320.
	r = run(t, slow(Memory{Sectors: 4}), c, Pauses{Length: 900 * us, Before: []int{8}})
	same(t, "sound", micros(r, sounded), 100, 600, 2000, 2500)
	if want := (Late{First: 2, Count: 2, Worst: 180 * us}); r.Sound != want {
		t.Errorf("sound %+v, want %+v", r.Sound, want)
	}
}

// Strips of 2 sectors from a ring of 4, beats of 6, of which 1 is sound and not drawn: full
// at 400, the start. A strip takes 120 us, the first one 60, and 10 of set-up, the window
// before the first 10 more. Beat 0: strip 0 drawn 400 to 480, strip 1 to 610; the room of
// strip 0 brings sectors 4 and 5 by 680, drawn 810. Beat 1: 2 sectors from 680 on, 2 when
// strip 2 is drawn, from 880: full at 1080. Due at 1400: drawn 1480, and 1610; the last two
// sectors by 1680, drawn 1810.
func TestStripsAreDrawnAsTheyArrive(t *testing.T) {
	p := slow(Memory{Sectors: 4, Strip: 2})
	p.Panel.SetUp = 10 * us
	c := alike(2, 6, 300, 1000*us)
	r := run(t, p, c, Pauses{})
	same(t, "beats read", micros(r, read), 680, 1680)
	same(t, "drawn", micros(r, drawn), 810, 1810)
	if r.Start != 400*us || r.Picture.Count != 0 {
		t.Errorf("start %d, %+v", r.Start/us, r.Picture)
	}
	// With beats of 420 us beat 0 should be on the panel by 820, beat 1 by 1240: its
	// strips are there at 880, 1080 and 1280, drawn 960, 1210, 1410.
	c.Interval = 420 * us
	r = run(t, p, c, Pauses{})
	same(t, "drawn", micros(r, drawn), 810, 1410)
	if want := (Late{First: 1, Count: 1, Worst: 170 * us}); r.Picture != want {
		t.Errorf("%+v, want %+v", r.Picture, want)
	}
}

// One bus: 30 us for a request, 4 sectors, 430; 2 sectors of beat 1 more with a request
// of their own, 660: full. Beat 0 is drawn until 860 while nothing is read, then the
// card is asked anew, 890, and brings 2 sectors by 1090, and asks for beat 2: 2 sectors
// more by 1320 and the ring is full.
func TestSharedBusServesOneAtATime(t *testing.T) {
	p := slow(Memory{Sectors: 6})
	p.Shared = true
	p.Card.Command = 30
	r := run(t, p, alike(3, 4, 200, 700*us), Pauses{})
	same(t, "beats read", micros(r, read), 430, 1090, 1790)
	same(t, "drawn", micros(r, drawn), 860, 1560, 2260)
	if r.Start != 660*us {
		t.Errorf("start %d us, want 660", r.Start/us)
	}
	// Beats of 500 us: beat 1 is due at 1160, in the middle of the sector that ends at
	// 1220, and drawn from then on: 1420. Asked anew, 1450, beat 2 has its other 3
	// sectors at 1750, due at 1660, and is drawn by 1950.
	r = run(t, p, alike(3, 4, 200, 500*us), Pauses{})
	same(t, "beats read", micros(r, read), 430, 1090, 1750)
	same(t, "drawn", micros(r, drawn), 860, 1420, 1950)
	if want := (Late{First: 2, Count: 1, Worst: 90 * us}); r.Picture != want {
		t.Errorf("%+v, want %+v", r.Picture, want)
	}
}

// Without DMA the chip does the same turns, but the request stays open: no second one.
func TestChipWithoutDMADoesOneThing(t *testing.T) {
	p := slow(Memory{Sectors: 6})
	p.NoDMA = true
	p.Card.Command = 30
	r := run(t, p, alike(3, 4, 200, 700*us), Pauses{})
	same(t, "beats read", micros(r, read), 430, 1060, 1760)
	same(t, "drawn", micros(r, drawn), 860, 1560, 2260)
}

// One buffer of a beat: read until 400, drawn until 600, read until 1000: beats of 600
// us. Two: starts at 800 with both full; beat 2 is read from 1000 to 1400, and so 400
// us a beat are enough.
func TestOneBufferReadsAndDrawsInTurn(t *testing.T) {
	for _, c := range []struct {
		buffers        int
		fits, too      Time
		start, third   Time
		lateOf, lateBy int
	}{
		{1, 600 * us, 599 * us, 400 * us, 1600 * us, 5, 5},
		{2, 400 * us, 300 * us, 800 * us, 1400 * us, 3, 300},
	} {
		p := slow(Memory{Buffers: c.buffers})
		r := run(t, p, alike(6, 4, 200, c.fits), Pauses{})
		if r.Picture.Count != 0 || r.Start != c.start || r.Beats[2].Read != c.third {
			t.Errorf("%d buffers: start %d, third beat read at %d us, late %+v", c.buffers, r.Start/us, r.Beats[2].Read/us, r.Picture)
		}
		r = run(t, p, alike(6, 4, 200, c.too), Pauses{})
		if r.Picture.Count != c.lateOf && c.buffers == 1 || r.Picture.Worst != Time(c.lateBy)*us {
			t.Errorf("%d buffers: late %+v, want by %d us", c.buffers, r.Picture, c.lateBy)
		}
	}
}

// Clusters of 4 sectors, 100 us of access and 50 to find one. A beat of 6 sectors from
// sector 2 on begins in one (150) and goes on in the next at its third sector (150 more):
// 900. Where each second cluster's place stands in another sector of the table, that is
// read first: another 100 and a block.
func TestClustersAndTheirTableTakeRequests(t *testing.T) {
	p := slow(Memory{Sectors: 8})
	p.Card.Access, p.Card.Cluster, p.Card.Step = 100*us, 4, 50*us
	c := &Clip{Interval: 2000 * us, Beats: []Beat{{Place: 2, Sectors: 6, PanelBytes: 10, Windows: 1}}}
	same(t, "read", micros(run(t, p, c, Pauses{}), read), 900)
	p.Card.Table = 2
	same(t, "read", micros(run(t, p, c, Pauses{}), read), 1100)
	p.Card.Phase = 1
	same(t, "read", micros(run(t, p, c, Pauses{}), read), 1100) // now the second
	p.Card.Table = 3
	same(t, "read", micros(run(t, p, c, Pauses{}), read), 900)
	// A second round jumps: place 2 does not follow place 8, so it is found anew. The
	// file is opened again for it, 70 us.
	c.Beats = append(c.Beats, c.Beats[0])
	c.Beats[1].Before = 70 * us
	p.Memory.Sectors = 12
	same(t, "read", micros(run(t, p, c, Pauses{}), read), 900, 1870)
}

// Pictures of 2 sectors in 3 strips, each decoded in 100 us and drawn in 50, from a ring
// of 4. One buffer: decoding and drawing in turn take 450 us a picture. Two: the first
// strip is decoded by 100, the others by 200 and 300, each drawn meanwhile, and the last
// drawn by 350. With drawing the slower of the two (100 decoding, 150 drawing) it is
// 100 + 3·150 = 550, and 750 in turn.
func TestDecoderAndPanelOverlapOnlyWithTwoBuffers(t *testing.T) {
	for _, c := range []struct {
		buffers int
		draw    Time // of a strip
		fits    Time
	}{{1, 50 * us, 450 * us}, {2, 50 * us, 350 * us}, {1, 150 * us, 750 * us}, {2, 150 * us, 550 * us}, {3, 150 * us, 550 * us}} {
		p := slow(Memory{Sectors: 4, Decoded: c.buffers})
		many := func(interval Time) *Clip {
			clip := alike(1000, 2, 0, interval)
			for i := range clip.Beats {
				b := &clip.Beats[i]
				b.Windows, b.PanelBytes = 1, int64(float64(3*c.draw)/float64(Second)*p.Panel.Hz/8)
				b.Decode = []Time{100 * us, 100 * us, 100 * us}
			}
			return clip
		}
		r := run(t, p, many(c.fits), Pauses{})
		if r.Start != 400*us || r.Picture.Count != 0 || r.Beats[0].Drawn != r.Start+c.fits {
			t.Errorf("%d buffers: start %d us, first drawn after %d, late %+v; want 400 and %d", c.buffers, r.Start/us, (r.Beats[0].Drawn-r.Start)/us, r.Picture, c.fits/us)
		}
		if r := run(t, p, many(c.fits-us), Pauses{}); r.Picture.Count == 0 {
			t.Errorf("%d buffers: nothing late at %d us a beat", c.buffers, (c.fits-us)/us)
		}
	}
}

// A chip that moves all bytes itself reads nothing while it decodes or draws: a picture
// of 2 sectors takes 200 us to read, 300 to decode and 150 to draw, one after the other.
func TestWithoutDMAReadingWaitsForTheDecoder(t *testing.T) {
	p := slow(Memory{Sectors: 4, Decoded: 2})
	p.NoDMA = true
	clip := alike(1000, 2, 0, 650*us)
	for i := range clip.Beats {
		b := &clip.Beats[i]
		b.Windows, b.PanelBytes = 1, int64(150e-6*p.Panel.Hz/8)
		b.Decode = []Time{100 * us, 100 * us, 100 * us}
	}
	if r := run(t, p, clip, Pauses{}); r.Picture.Count != 0 {
		t.Errorf("late at 650 us a beat: %+v", r.Picture)
	}
	clip.Interval = 645 * us
	if r := run(t, p, clip, Pauses{}); r.Picture.Count == 0 {
		t.Error("nothing late at 645 us a beat")
	}
}

// A card that pauses each time that memory was full. As in the first test, sector 6 may
// start at 650; it is there at 820 instead, sector 9 at 1120. Beat 1 is drawn from 1100 on
// and gives back a sector at 1150: from 1120 until then the ring was full, so sector 10
// waits as well and is there at 1320.
func TestPausesComeWhenMemoryWasFull(t *testing.T) {
	r := run(t, slow(Memory{Sectors: 6}), alike(3, 4, 200, 500*us), Pauses{Length: 70 * us, Full: true})
	same(t, "beats read", micros(r, read), 400, 920, 1420)
	one := run(t, slow(Memory{Sectors: 6}), alike(3, 4, 200, 500*us), Pauses{Length: 70 * us, Before: []int{6}})
	same(t, "beats read", micros(one, read), 400, 920, 1350)
}

// A start at 450 us, before the ring of 6 is full at 600: beat 0 is drawn by 650, beat 1,
// in memory at 800, is in time at 950; a start at 250 finds beat 0 missing until 400.
func TestStartCanBeSoonerThanMemoryIsFull(t *testing.T) {
	p := slow(Memory{Sectors: 6})
	p.StartAt = 450 * us
	r := run(t, p, alike(2, 4, 200, 500*us), Pauses{})
	same(t, "drawn", micros(r, drawn), 650, 1150)
	if r.Start != 450*us || r.Picture.Count != 0 || r.Beats[1].Read != 800*us {
		t.Errorf("start %d us, second beat read at %d, %+v", r.Start/us, r.Beats[1].Read/us, r.Picture)
	}
	p.StartAt = 250 * us
	r = run(t, p, alike(2, 4, 200, 500*us), Pauses{})
	if want := (Late{First: 0, Count: 2, Worst: 150 * us}); r.Picture != want {
		t.Logf("%+v", r.Beats)
		t.Errorf("late %+v, want %+v", r.Picture, want)
	}
	p.StartAt = 5000 * us
	if r := run(t, p, alike(2, 4, 200, 500*us), Pauses{}); r.Start != 600*us {
		t.Errorf("starts at %d us, want 600: memory is full", r.Start/us)
	}
}

func TestWhatCannotBePlayedIsAnError(t *testing.T) {
	for what, break_ := range map[string]func(*Player, *Clip){
		"no beats":             func(_ *Player, c *Clip) { c.Beats = nil },
		"no interval":          func(_ *Player, c *Clip) { c.Interval = 0 },
		"no clock":             func(p *Player, _ *Clip) { p.Card.Hz = 0 },
		"no panel clock":       func(p *Player, _ *Clip) { p.Panel.Hz = 0 },
		"no memory":            func(p *Player, _ *Clip) { p.Memory = Memory{} },
		"a ring under a beat":  func(p *Player, _ *Clip) { p.Memory.Sectors = 3 },
		"strips over the ring": func(p *Player, _ *Clip) { p.Memory = Memory{Sectors: 2, Strip: 3} },
		"no decoded strips":    func(_ *Player, c *Clip) { c.Beats[0].Decode = []Time{us} },
		"a beat of nothing":    func(_ *Player, c *Clip) { c.Beats[1].Sectors = 0 },
	} {
		p, c := slow(Memory{Sectors: 6}), alike(2, 4, 100, 500*us)
		if _, err := Run(p, c, Pauses{}); err != nil {
			t.Fatal(err)
		}
		break_(p, c)
		if _, err := Run(p, c, Pauses{}); err == nil {
			t.Errorf("%s: no error", what)
		}
	}
}

func BenchmarkHalfAnHour(b *testing.B) {
	p := &Player{Card: Card{Hz: 40e6, Command: 320, Block: 4114, Gap: 2, Access: Second / 1000}, Panel: Panel{Hz: 40e6}, Memory: Memory{Sectors: 288}}
	c := alike(25*60*30, 128, 64800, Second/25)
	for b.Loop() {
		if r, err := Run(p, c, Pauses{}); err != nil || r.Picture.Count != 0 {
			b.Fatal(r.Picture, err)
		}
	}
}
