package tiles

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/stampreel/container/pixel"
)

// sheet is a picture in level codes, drawn upon by tests.
type sheet struct {
	f     pixel.Format
	w, h  int
	codes []uint8
}

func newSheet(f pixel.Format, w, h int) *sheet {
	return &sheet{f, w, h, make([]uint8, w*h*f.Channels())}
}

func (s *sheet) frame() []byte {
	frame := make([]byte, s.f.FrameBytes(s.w, s.h))
	s.f.Pack(frame, s.codes, s.w, s.h)
	return frame
}

// fill paints a rectangle, with a colour of its own or with noise of so many colours.
func (s *sheet) fill(rnd *rand.Rand, r Rect, colours int) {
	list := make([][3]uint8, colours)
	for i := range list {
		for ch := range s.f.Channels() {
			list[i][ch] = uint8(rnd.IntN(s.f.Levels(ch)))
		}
	}
	for y := r.Y; y < r.Y+r.H; y++ {
		for x := r.X; x < r.X+r.W; x++ {
			copy(s.codes[(y*s.w+x)*s.f.Channels():][:s.f.Channels()], list[rnd.IntN(colours)][:])
		}
	}
}

func someRect(rnd *rand.Rand, w, h int) Rect {
	r := Rect{X: rnd.IntN(w), Y: rnd.IntN(h)}
	r.W, r.H = 1+rnd.IntN(w-r.X), 1+rnd.IntN(h-r.Y)
	return r
}

// crop is the slow twin of gather: the tile's codes one by one, packed as a frame.
func (s *sheet) crop(r Rect) []byte {
	t := newSheet(s.f, r.W, r.H)
	n := s.f.Channels()
	for y := range r.H {
		for x := range r.W {
			copy(t.codes[(y*r.W+x)*n:][:n], s.codes[((r.Y+y)*s.w+r.X+x)*n:])
		}
	}
	return t.frame()
}

// In all formats, for panels of any size, the panel shows each frame after its beat, key
// beats do not need what was before, and each tile's bytes are those of a frame of its size.
func TestPanelsShowWhatWasPacked(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 1))
	beats, tiles, none := 0, 0, 0
	for _, f := range pixel.Formats() {
		for _, size := range [][2]int{{1, 1}, {2, 3}, {7, 9}, {8, 16}, {33, 17}, {64, 40}, {129, 65}, {300, 270}} {
			s := newSheet(f, size[0], size[1])
			e, err := NewEncoder(f, s.w, s.h, Options{})
			if err != nil {
				t.Fatal(err)
			}
			d, err := NewDecoder(f, s.w, s.h)
			if err != nil {
				t.Fatal(err)
			}
			before := newSheet(f, s.w, s.h)
			before.fill(rnd, Rect{0, 0, s.w, s.h}, 9)
			panel, other := make([]byte, len(s.frame())), before.frame()
			for n := range 12 {
				for range rnd.IntN(4) {
					s.fill(rnd, someRect(rnd, s.w, s.h), 1+rnd.IntN(1+rnd.IntN(40)))
				}
				key := n == 0 || rnd.IntN(5) == 0
				frame := s.frame()
				payload, stats, err := e.Append(nil, frame, key)
				if err != nil {
					t.Fatal(err)
				}
				if beats++; stats.Tiles == 0 {
					none++
					if len(payload) > 0 || !bytes.Equal(panel, frame) {
						t.Fatalf("%v %v: no tiles in %d bytes, and the frame changed", f, size, len(payload))
					}
					continue
				}
				sent := 0
				visit := func(r Rect, pixels []byte) {
					tiles++
					sent += len(pixels)
					if want := s.crop(r); !bytes.Equal(pixels, want) {
						t.Fatalf("%v %v: tile %v is % x, want % x", f, size, r, pixels, want)
					}
				}
				got, err := d.Decode(panel, payload, key, visit)
				if err != nil || got != stats || sent != stats.PanelBytes || got.FrameBytes != len(payload) {
					t.Fatalf("%v %v, beat %d: %+v, %d bytes sent, want %+v: %v", f, size, n, got, sent, stats, err)
				}
				if !bytes.Equal(panel, frame) || !bytes.Equal(e.Held(), frame) {
					t.Fatalf("%v %v, beat %d: the panel shows another picture", f, size, n)
				}
				if !key {
					continue
				}
				if _, err := d.Decode(other, payload, true, nil); err != nil || !bytes.Equal(other, frame) {
					t.Fatalf("%v %v, beat %d: a key beat needs what was before: %v", f, size, n, err)
				}
			}
		}
	}
	if beats < 800 || tiles < 900 || none < 10 {
		t.Errorf("%d beats, %d tiles, %d beats without", beats, tiles, none)
	}
}

// Noise is what codes worst.
func TestNoFrameTakesMuchMoreThanRaw(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for _, f := range pixel.Formats() {
		for _, colours := range []int{1, 2, 15, 16, 17, 40, 300, 100_000} {
			s := newSheet(f, 240, 135)
			e, _ := NewEncoder(f, s.w, s.h, Options{})
			s.fill(rnd, Rect{0, 0, s.w, s.h}, colours)
			frame := s.frame()
			payload, stats, err := e.Append(nil, frame, true)
			if err != nil || len(payload)*100 > len(frame)*101 || stats.PanelBytes != len(frame) {
				t.Errorf("%v, %d colours: %d bytes of %d, %d to the panel: %v", f, colours, len(payload), len(frame), stats.PanelBytes, err)
			}
			if colours == 1 && len(payload)*50 > len(frame) {
				t.Errorf("%v: one colour takes %d bytes of %d", f, len(payload), len(frame))
			}
		}
	}
}

// By hand, for a panel of 4 by 2 pixels in rgb565. Key beat: one tile, all of it; the
// colours 1234 and abcd are sent, the second ends up in front. Eight indices of one bit:
// 1234 is colour 1: 1 0 1 0, 0 1 0 1. The next beat changes the pixel at 2, 1 to 5555.
func TestWorkedExample(t *testing.T) {
	frame := []byte{
		0x12, 0x34, 0xab, 0xcd, 0x12, 0x34, 0xab, 0xcd,
		0xab, 0xcd, 0x12, 0x34, 0xab, 0xcd, 0x12, 0x34,
	}
	e, err := NewEncoder(pixel.RGB565, 4, 2, Options{})
	if err != nil {
		t.Fatal(err)
	}
	got, _, err := e.Append(nil, frame, true)
	want := []byte{1, 0, 0, 0, 3, 1, 0, 0x11, 0x12, 0x34, 0xab, 0xcd, 0x40, 7, 0xa5}
	if err != nil || !bytes.Equal(got, want) {
		t.Errorf("key beat % x, want % x: %v", got, want, err)
	}
	frame[12], frame[13] = 0x55, 0x55
	got, stats, err := e.Append(nil, frame, false)
	if want := []byte{1, 0, 2, 1, 0, 0, 0, 0, 0, 0x55, 0x55}; err != nil || !bytes.Equal(got, want) || stats != (Stats{1, 11, 2}) {
		t.Errorf("second beat % x, %+v, want % x: %v", got, stats, want, err)
	}
	if got, stats, err = e.Append(nil, frame, false); err != nil || len(got) > 0 || stats != (Stats{}) {
		t.Errorf("nothing changed: % x, %+v: %v", got, stats, err)
	}
}

func TestWhatIsNoTilesIsRefused(t *testing.T) {
	const all = "1 0 0 0 3 1 0 "
	for _, c := range []struct{ payload, want string }{
		{"", "ends in the number of tiles"},
		{"0 0", "no tiles"},
		{"1 0 0 0", "ends in a tile's place"},
		{"1 0 1 0 3 1 0", "leaves the panel"},
		{"1 0 0 1 3 1 0", "leaves the panel"},
		{"1 0 0 0 3 1 1", "leaves the panel"}, // x is 256
		{"1 0 0 0 2 1 0 128 0", "colour 0 of a list of 0"},
		{all, "ends in a tile's pixels"},
		{all + "0", "ends in an operation"},
		{all + "0 8", "9 units where the tile lacks 8"},
		{all + "0 7 1 2", "ends in literal units"},
		{all + "16 1 2 136 7", "colour 1 of a list of 1"},
		{all + "16 1 2 64 7 128", "colour 1 of a list of 1"},
		{all + "16 1 2 64 6 1 0 0 1 2", "bits behind the last index"},
		{all + "32 0", "0x20 is not known"},
		{all + "16 1 2 128 7 0", "1 bytes behind the last tile"},
		{"2 0 0 0 3 1 0 16 1 2 128 7 0 0 0 0 0 128 0", "18 bytes for the panel so far, want at most the 16"},
	} {
		payload := numbers(c.payload)
		d, _ := NewDecoder(pixel.RGB565, 4, 2)
		_, err := d.Decode(make([]byte, 16), payload, false, nil)
		var bad *FormatError
		if !errors.As(err, &bad) || !strings.Contains(err.Error(), c.want) || bad.Offset > len(payload) {
			t.Errorf("%s: %v, want %q", c.payload, err, c.want)
		}
	}
	for _, c := range []struct{ payload, want string }{
		{"1 0 0 0 2 1 0 16 1 2 128 5", "end at 3, 0"},
		{"2 0 0 0 3 0 0 16 1 2 128 3 0 0 3 0 0 128 3", "does not go on"},
		{"2 0 0 0 1 1 0 16 1 2 128 3 2 0 1 0 0 128 1", "does not go on"},
	} {
		d, _ := NewDecoder(pixel.RGB565, 4, 2)
		if _, err := d.Decode(make([]byte, 16), numbers(c.payload), true, nil); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("key beat %s: %v, want %q", c.payload, err, c.want)
		}
	}
	for _, c := range []struct {
		f             pixel.Format
		w, h          int
		payload, want string
	}{
		{pixel.Grey4, 6, 2, "1 0 1 0 1 0 0 16 1 128 0", "groups of 2"},
		{pixel.Grey4, 6, 2, "1 0 0 0 2 0 0 16 1 128 0", "groups of 2"},
		{pixel.MonoPages, 4, 20, "1 0 0 4 1 7 0 16 1 128 0", "groups of 8"},
		{pixel.MonoPages, 4, 20, "1 0 0 16 0 3 0 16 255 128 0", "bits that stand for no pixel"},
		{pixel.RGB444, 3, 1, "1 0 0 0 2 0 0 16 1 2 3 128 1", "goes on behind its last pixel"},
	} {
		d, _ := NewDecoder(c.f, c.w, c.h)
		if _, err := d.Decode(make([]byte, c.f.FrameBytes(c.w, c.h)), numbers(c.payload), false, nil); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v, %s: %v, want %q", c.f, c.payload, err, c.want)
		}
	}
}

func numbers(text string) (b []byte) {
	for _, word := range strings.Fields(text) {
		var n byte
		fmt.Sscan(word, &n)
		b = append(b, n)
	}
	return b
}

// What differs by no more than asked for stays, and small changes do not add up.
func TestIgnoredChangesStayWithinTheirBound(t *testing.T) {
	const ignore = 9
	rnd := rand.New(rand.NewPCG(1, 3))
	s := newSheet(pixel.RGB565, 40, 30)
	s.fill(rnd, Rect{0, 0, 40, 30}, 50)
	e, _ := NewEncoder(s.f, s.w, s.h, Options{Ignore: ignore})
	if _, _, err := e.Append(nil, s.frame(), true); err != nil {
		t.Fatal(err)
	}
	shown, empty := make([]uint8, len(s.codes)), 0
	for range 60 {
		for range 20 { // one step at a time, always upwards
			i := rnd.IntN(len(s.codes))
			if s.codes[i] < uint8(s.f.Levels(i%3)-1) {
				s.codes[i]++
			}
		}
		_, stats, err := e.Append(nil, s.frame(), false)
		if err != nil {
			t.Fatal(err)
		}
		if stats.Tiles == 0 {
			empty++
		}
		s.f.Unpack(shown, e.Held(), s.w, s.h)
		for i := range shown {
			if d := int(s.f.Value8(i%3, shown[i])) - int(s.f.Value8(i%3, s.codes[i])); d > ignore || -d > ignore {
				t.Fatalf("channel %d of pixel %d is off by %d", i%3, i/3, d)
			}
		}
	}
	if empty < 5 || empty > 55 {
		t.Errorf("%d of 60 beats are empty", empty)
	}
}

// A window that costs nothing gives small tiles, one that costs much a single one.
func TestTilesAreJoinedWhereAWindowCostsMore(t *testing.T) {
	s := newSheet(pixel.RGB565, 240, 240)
	count := func(tile int64) Stats {
		e, _ := NewEncoder(s.f, s.w, s.h, Options{Cost: Cost{Tile: tile, PanelByte: 200, CardByte: 80}})
		if err := e.Set(s.frame()); err != nil {
			t.Fatal(err)
		}
		changed := newSheet(s.f, s.w, s.h)
		for i := range 9 {
			x, y := i%3*100, i/3*100
			changed.codes[(y*240+x)*3] = 9
		}
		_, stats, err := e.Append(nil, changed.frame(), false)
		if err != nil {
			t.Fatal(err)
		}
		return stats
	}
	cheap, dear := count(15_000), count(1<<40)
	if cheap.Tiles != 9 || cheap.PanelBytes != 18 || dear.Tiles != 1 {
		t.Errorf("cheap windows: %+v, dear ones: %+v", cheap, dear)
	}
}

// Any byte may be another one or lacking: an error or another picture, never more.
func TestDamagedTilesAreErrorsOrTiles(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 4))
	refused, taken := 0, 0
	for _, f := range pixel.Formats() {
		s := newSheet(f, 31, 23)
		s.fill(rnd, Rect{0, 0, 31, 23}, 5)
		s.fill(rnd, Rect{4, 4, 9, 9}, 200)
		e, _ := NewEncoder(f, s.w, s.h, Options{})
		payload, _, err := e.Append(nil, s.frame(), true)
		if err != nil {
			t.Fatal(err)
		}
		d, _ := NewDecoder(f, s.w, s.h)
		panel := make([]byte, len(s.frame()))
		try := func(p []byte) {
			for _, key := range []bool{false, true} {
				if _, err := d.Decode(panel, p, key, nil); err != nil {
					refused++
				} else {
					taken++
				}
			}
		}
		for i := range payload {
			try(payload[:i])
			for _, mask := range []byte{1, 0x80, 0xff} {
				p := bytes.Clone(payload)
				p[i] ^= mask
				try(p)
			}
		}
	}
	if refused < 1000 || taken < 1000 {
		t.Errorf("%d refused, %d taken", refused, taken)
	}
}

// What decodes shows the panel bytes that stand for themselves: encoding that picture anew
// gives it again.
func FuzzDecode(f *testing.F) {
	rnd := rand.New(rand.NewPCG(1, 5))
	for i, format := range pixel.Formats() {
		s := newSheet(format, 20, 18)
		s.fill(rnd, Rect{0, 0, 20, 18}, 4)
		e, _ := NewEncoder(format, s.w, s.h, Options{})
		payload, _, err := e.Append(nil, s.frame(), true)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(payload, uint8(i), true)
		s.fill(rnd, Rect{3, 3, 5, 9}, 40)
		if payload, _, err = e.Append(nil, s.frame(), false); err != nil {
			f.Fatal(err)
		}
		f.Add(payload, uint8(i), false)
	}
	f.Fuzz(func(t *testing.T, payload []byte, format uint8, key bool) {
		all := pixel.Formats()
		of := all[int(format)%len(all)]
		d, _ := NewDecoder(of, 20, 18)
		panel := make([]byte, of.FrameBytes(20, 18))
		stats, err := d.Decode(panel, payload, key, nil)
		if err != nil {
			return
		}
		if stats.PanelBytes > len(panel) || stats.FrameBytes != len(payload) {
			t.Fatalf("%+v", stats)
		}
		e, _ := NewEncoder(of, 20, 18, Options{})
		again, _, err := e.Append(nil, panel, true)
		if err != nil {
			t.Fatal(err)
		}
		other := make([]byte, len(panel))
		if _, err := d.Decode(other, again, true, nil); err != nil || !bytes.Equal(other, panel) {
			t.Fatalf("the picture is another one when coded anew: %v", err)
		}
	})
}

func TestNothingIsAllocatedOnceWarm(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 6))
	s := newSheet(pixel.RGB565, 240, 135)
	var frames [][]byte
	for range 4 {
		s.fill(rnd, someRect(rnd, 240, 135), 30)
		frames = append(frames, s.frame())
	}
	e, _ := NewEncoder(s.f, s.w, s.h, Options{})
	d, _ := NewDecoder(s.f, s.w, s.h)
	buf, panel, n := make([]byte, 0, 200_000), make([]byte, len(frames[0])), 0
	round := func() {
		key := n%4 == 0
		var err error
		if buf, _, err = e.Append(buf[:0], frames[n%4], key); err != nil {
			t.Fatal(err)
		}
		if len(buf) > 0 {
			if _, err = d.Decode(panel, buf, key, nil); err != nil {
				t.Fatal(err)
			}
		}
		n++
	}
	for range 8 {
		round()
	}
	if got := testing.AllocsPerRun(20, round); got > 0 {
		t.Errorf("%g allocations a frame", got)
	}
}

func BenchmarkAppend(b *testing.B) {
	rnd := rand.New(rand.NewPCG(1, 7))
	for _, c := range []struct {
		name    string
		colours int
	}{{"plain", 1}, {"16 colours", 16}, {"noise", 100_000}} {
		s := newSheet(pixel.RGB565, 240, 240)
		s.fill(rnd, Rect{0, 0, 240, 240}, c.colours)
		frame := s.frame()
		b.Run(c.name, func(b *testing.B) {
			e, _ := NewEncoder(s.f, s.w, s.h, Options{})
			var buf []byte
			for b.Loop() {
				buf, _, _ = e.Append(buf[:0], frame, true)
			}
			b.SetBytes(int64(len(frame)))
			b.ReportMetric(float64(len(buf))/float64(len(frame)), "of-raw")
		})
	}
}
