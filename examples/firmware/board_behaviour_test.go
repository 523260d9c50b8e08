package firmware_test

import (
	"bytes"
	"fmt"
	"hash/crc32"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/container"
	"example.org/stampreel/container/fat"
	"example.org/stampreel/container/pixel"
)

// A file of a card.
type cardFile struct {
	name string
	data []byte
}

// cardOf writes the image of a card with these files, each in one piece.
func cardOf(t *testing.T, files ...cardFile) string {
	t.Helper()
	return cardOfSize(t, 64<<20, files...)
}

// cardOfSize is the same for a card of any size. A file without data takes up 3 GiB.
func cardOfSize(t *testing.T, size int64, files ...cardFile) string {
	t.Helper()
	var planned []fat.Planned
	for _, f := range files {
		bytes := int64(len(f.data))
		if f.data == nil {
			bytes = 3 << 30
		}
		planned = append(planned, fat.Planned{Path: f.name, Bytes: bytes, Modified: time.Unix(0, 0)})
	}
	l, err := fat.Plan(fat.Options{Bytes: size}, planned)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "card.img")
	image, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer image.Close()
	if err := l.WriteSystem(image); err != nil {
		t.Fatal(err)
	}
	for i, f := range files {
		if f.data == nil {
			continue // a hole, which reads as zeros
		}
		if err := l.WriteFile(image, i, bytes.NewReader(f.data)); err != nil {
			t.Fatal(err)
		}
	}
	if err := image.Truncate(size); err != nil {
		t.Fatal(err)
	}
	return path
}

// greys is what the clips of the board are like: 882 samples a beat, or one more.
func greys(coding container.SoundCoding) container.Settings {
	s := container.Settings{Width: 128, Height: 64, PixelFormat: pixel.Grey4, Rate: container.Ratio{Num: 25, Den: 1}}
	if coding != container.NoSound {
		s.SoundCoding, s.Channels, s.SampleRate, s.SoundLead = coding, 1, container.Ratio{Num: 12500000, Den: 567}, 5
	}
	return s
}

// start boots the board with a card.
func start(t *testing.T, kernel firmware, image string) *board {
	t.Helper()
	b := boot(t, kernel, image)
	b.until("ready")
	b.say("") // a first byte may be lost while the line is set up
	return b
}

// holds says of each beat of a clip that it is the one wanted, from beat first on; those at the
// end may be cut off. It returns how many had their sound to the end.
func (c clipLog) holds(t *testing.T, name string, want []wanted, first int) (whole int) {
	t.Helper()
	for i, got := range c {
		number := (first + i) % len(want)
		w := want[number]
		if got.fate == "cut" {
			if i < len(c)-2 {
				t.Errorf("%s: beat %d is cut in the middle", name, number)
			}
			continue
		}
		whole++
		if got.number != number || got.panel != w.panel || got.sound != w.sound || got.fate != "shown" {
			t.Errorf("%s, beat %d: %+v, want %08x and %08x", name, number, got, w.panel, w.sound)
		}
	}
	return whole
}

// inTime says how far behind its time the last of the beats was taken up, in microseconds.
func (c clipLog) latest() (worst int) {
	for _, v := range c {
		worst = max(worst, v.begun)
	}
	return worst
}

// An interrupt takes 8 samples, so a beat is taken up to 363 µs behind its first sample; what
// is more is work. 1 ms is what a log calls late (LOG.md).
const onTime = 1000

// TestClipsFollowOnTheBoardWithoutAGap loops a clip two and a half times, and plays four
// clips one after the other: sound goes on to the sample, and each beat comes at its time.
// What has another rate of sound cannot follow so, and plays all the same.
func TestClipsFollowOnTheBoardWithoutAGap(t *testing.T) {
	kernel := buildBoard(t)
	looping, other := greys(container.IMAADPCM), greys(container.U8)
	looping.Loops = true
	other.SampleRate = container.Ratio{Num: 8000, Den: 1}
	files := []cardFile{
		{"loop.srq", clip(t, looping, "K-TTRTTTKT--T")[0]},
		{"one.srq", clip(t, greys(container.U8), "RTT-KTTRR")[0]},
		{"two.srq", clip(t, greys(container.IMAADPCM), "KTT-TR")[0]},
		{"three.srq", clip(t, greys(container.S16), "RR-TTTRTT")[0]},
		{"slower.srq", clip(t, other, "RTT-R")[0]},
	}
	wants := map[string][]wanted{}
	for _, f := range files {
		wants[f.name], _, _ = wantBeats(t, f.data)
	}
	b := start(t, kernel, cardOf(t, files...))
	p := b.play("loop on", "at 32 stop", "play loop.srq")
	if p.err != 0 || p.gaps != 0 || p.late != 0 || p.lost != 0 || len(p.clips) != 1 {
		t.Fatalf("loop: %+v", p)
	}
	if whole := clipLog(p.clips[0]).holds(t, "loop", wants["loop.srq"], 0); whole < 31 {
		t.Errorf("loop: %d beats whole, want 31", whole)
	}
	if worst := clipLog(p.clips[0]).latest(); worst > onTime {
		t.Errorf("loop: a beat is %d µs behind its time", worst)
	}
	p = b.play("loop off", "play one.srq loop.srq two.srq three.srq slower.srq one.srq")
	if p.err != 0 || p.gaps != 0 || p.late != 0 || p.lost != 0 || len(p.clips) != 6 {
		t.Fatalf("one after the other: %+v", p)
	}
	for i, name := range []string{"one.srq", "loop.srq", "two.srq", "three.srq", "slower.srq", "one.srq"} {
		c := clipLog(p.clips[i])
		if whole := c.holds(t, name, wants[name], 0); whole != len(wants[name]) || c.latest() > onTime {
			t.Errorf("%s: %d beats whole, want %d; %d µs behind at the latest", name, whole, len(wants[name]), c.latest())
		}
	}
	b.quit()
}

// TestTheBoardSeeksAndResumes goes to another place while a clip plays; then power is lost, and
// on another day the clip, under another name, goes on where it was, in its second part.
func TestTheBoardSeeksAndResumes(t *testing.T) {
	kernel := buildBoard(t)
	codings := strings.Repeat("RTT-KTT-TT", 15) // key beats at 0 and 4 of ten
	film := clip(t, greys(container.IMAADPCM), codings)
	parted := greys(container.IMAADPCM)
	parted.PartSectors = 200
	parts := clip(t, parted, codings)
	if len(film) != 1 || len(parts) < 10 { // the tenth has a longer name
		t.Fatalf("%d and %d parts", len(film), len(parts))
	}
	want, _, _ := wantBeats(t, film[0])
	b := start(t, kernel, cardOf(t, cardFile{"film.srq", film[0]}))
	b.say("at 12 go 3900", "at 40 stop") // beat 97; its key beat is 94
	b.until("ready")
	b.until("ready")
	p := b.play("play film.srq")
	if p.err != 0 || p.gaps != 0 || p.late != 0 || p.lost != 0 || len(p.clips) != 2 {
		t.Fatalf("%+v", p)
	}
	if n := clipLog(p.clips[0]).holds(t, "before the seek", want, 0); n != 12 {
		t.Errorf("%d beats before the seek, want 12", n)
	}
	if n := clipLog(p.clips[1]).holds(t, "behind the seek", want, 94); n < 25 {
		t.Errorf("%d beats behind the seek, want 25 and more", n)
	}
	b.say("where")
	where := b.until("ready")
	b.quit()
	var identity string
	var ms int
	if len(where) != 1 {
		t.Fatalf("the board says %q", where)
	}
	if n, err := fmt.Sscanf(where[0], "resume %s %d", &identity, &ms); n != 2 || ms/40 < 119 || ms/40 > 123 { // 94 + 27 beats of 40 ms
		t.Fatalf("the board says %q: %v", where, err)
	}
	files := []cardFile{{"another.srq", clip(t, greys(container.NoSound), "R")[0]}}
	for i, data := range parts {
		name := "renamed.srq"
		if i > 0 {
			name = fmt.Sprintf("renamed.part%d.srq", i+1)
		}
		files = append(files, cardFile{name, data})
	}
	// The other clip is of another source: bytes 96 to 111 of the header (FORMAT.md 2.1).
	files[0].data[100] ^= 1
	mend(files[0].data)
	b = start(t, kernel, cardOf(t, files...))
	p = b.play(where[0])
	key := strings.LastIndexAny(codings[:ms/40+1], "RK")
	if len(p.clips) != 1 || clipLog(p.clips[0]).holds(t, "resumed", want, key) != len(want)-key || p.gaps != 0 || p.err != 0 {
		t.Errorf("resumed at beat %d: %d clips, gaps %d, error %d, want %d beats", key, len(p.clips), p.gaps, p.err, len(want)-key)
	}
	b.quit()
}

// mend makes the checksum of a header right again.
func mend(data []byte) {
	sum := crc32.ChecksumIEEE(data[:508])
	for i := range 4 {
		data[508+i] = byte(sum >> (8 * i))
	}
}

// TestDamageOnTheBoardCostsAPicture plays a clip whose beat 6 is damaged: that picture and the
// tiles after it stay away up to the next key beat, a beat's sound is silence, and time is kept.
func TestDamageOnTheBoardCostsAPicture(t *testing.T) {
	const codings, bad, key = "RTT-KTTTTTRTTKTT", 6, 10
	s := greys(container.IMAADPCM)
	data := clip(t, s, codings)[0]
	want, h, _ := wantBeats(t, data)
	r, err := container.NewReader(bytes.NewReader(data), int64(len(data)), container.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	var v container.Beat
	if err := r.ReadHeader(bad, &v); err != nil {
		t.Fatal(err)
	}
	data[v.Sector*container.SectorBytes+9] ^= 4
	for i := bad; i < key; i++ {
		want[i].panel = 0
	}
	// An ADPCM block of zeros: the value 0 goes on, as nibble 0 moves it by step >> 3, which is 0
	// for the first steps (FORMAT.md 4.1).
	want[bad+s.SoundLead].sound = crc32.ChecksumIEEE(make([]byte, 2*(uint64(bad+s.SoundLead+1)*12500000/(567*25)-uint64(bad+s.SoundLead)*12500000/(567*25))))
	b := start(t, buildBoard(t), cardOf(t, cardFile{"bad.srq", data}))
	p := b.play("play bad.srq")
	b.quit()
	if p.lost != 1 || p.late != 0 || p.gaps != 0 || p.err != 0 || len(p.clips) != 1 || len(p.clips[0]) != int(h.Beats) {
		t.Fatalf("%+v", p)
	}
	for i, got := range p.clips[0] {
		fate := "shown"
		if i == bad {
			fate = "lost"
		}
		if got.number != i || got.panel != want[i].panel || got.sound != want[i].sound || got.fate != fate || i != bad && got.begun > onTime {
			t.Errorf("beat %d: %+v, want %08x and %08x", i, got, want[i].panel, want[i].sound)
		}
	}
}

// TestALateBeatNeverStopsTheSound lets the card pause once. For as long as the sound that is
// held lasts (5 beats of 40 ms, and what the ring has), pictures are late and no sample is
// missing; with a longer pause some are. Then all is as before.
func TestALateBeatNeverStopsTheSound(t *testing.T) {
	data := clip(t, greys(container.U8), strings.Repeat("R", 30))[0]
	want, _, _ := wantBeats(t, data)
	b := start(t, buildBoard(t), cardOf(t, cardFile{"raw.srq", data}))
	for _, c := range []struct {
		stall, late int // ms; beats that come too late at least
		gaps        bool
	}{{0, 0, false}, {200, 1, false}, {700, 5, true}} {
		p := b.play(fmt.Sprintf("at 10 stall %d", 1000*c.stall), "play raw.srq")
		late := 0
		for i, got := range p.clips[0] {
			if got.begun > onTime {
				late++
			}
			if got.sound != want[i].sound || got.fate == "shown" && got.panel != want[i].panel || got.number != i {
				t.Errorf("after %d ms, beat %d: %+v, want %08x and %08x", c.stall, i, got, want[i].panel, want[i].sound)
			}
		}
		if last := p.clips[0][len(p.clips[0])-1]; last.begun > onTime || last.fate != "shown" {
			t.Errorf("after %d ms, the last beat is %+v", c.stall, last)
		}
		if late < c.late || c.late == 0 && late > 0 || p.gaps > 0 != c.gaps || p.err != 0 || p.lost != 0 {
			t.Errorf("after %d ms: %d of %d beats late, %d dropped, %d samples missing", c.stall, late, p.beats, p.late, p.gaps)
		}
	}
	b.quit()
}

// TestTheBoardListensWhileItPlays says "go" and "stop" in the middle, as a remote control does.
func TestTheBoardListensWhileItPlays(t *testing.T) {
	s := greys(container.U8)
	s.Loops = true
	data := clip(t, s, strings.Repeat("RT-T", 30))[0]
	b := start(t, buildBoard(t), cardOf(t, cardFile{"long.srq", data}, cardFile{"other.srq", clip(t, colours(container.U8), "R")[0]}))
	b.say("loop on")
	b.until("ready")
	b.say("play long.srq")
	beat := func(n int) {
		t.Helper()
		for b.out.Scan() {
			if strings.HasPrefix(b.out.Text(), fmt.Sprintf("beat %d ", n)) {
				return
			}
		}
		t.Fatalf("no beat %d", n)
	}
	beat(5)
	b.say("go 4000") // beat 100, which is raw
	for b.out.Scan() {
		if strings.HasPrefix(b.out.Text(), "clip ") {
			break
		}
	}
	if !b.out.Scan() || !strings.HasPrefix(b.out.Text(), "beat 100 ") {
		t.Errorf("after go 4000 the board says %q", b.out.Text())
	}
	beat(7) // it has looped
	b.say("stop")
	lines := b.until("ready")
	if len(lines) == 0 || !strings.Contains(lines[len(lines)-1], " late 0 lost 0 gaps 0 error 0 ") {
		t.Errorf("at the end the board says %q", lines)
	}
	b.say("fly", "play nothing.srq", "play other.srq")
	if got := append(append(b.until("ready"), b.until("ready")...), b.until("ready")...); !slices.Equal(got, []string{"error fly 0", "error nothing.srq 0", "error other.srq 30"}) {
		t.Errorf("the board says %q", got)
	}
	b.quit()
}
