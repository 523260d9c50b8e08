package c_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math/big"
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/stampreel/container"
	"example.org/stampreel/container/frame/tiles"
	"example.org/stampreel/container/pixel"
)

// played is what conform.c answers after playing.
type played struct {
	kind                   string
	first, begun, ended    uint32
	frames, sound, samples uint32
	panel                  uint32
	silence, lost, torn    uint32
}

func (p played) String() string {
	return fmt.Sprintf("%s %d %d %d %08x %08x %08x %08x %d %d %d", p.kind, p.first, p.begun, p.ended, p.frames, p.sound, p.samples, p.panel, p.silence, p.lost, p.torn)
}

// A fileModel is what the Go reader knows of a file.
type fileModel struct {
	h      container.Header
	lead   []stored
	beats  []container.Beat
	stored []stored // of each beat
}

func model(t *testing.T, data []byte) *fileModel {
	t.Helper()
	r, err := container.NewReader(bytes.NewReader(data), int64(len(data)), container.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	m := &fileModel{h: r.Header()}
	row, err := storedSound(r)
	if err != nil {
		t.Fatal(err)
	}
	m.lead, m.stored = row[:m.h.SoundLead], row[m.h.SoundLead:]
	m.beats = make([]container.Beat, m.h.Beats)
	for k := range m.beats {
		if err := r.Read(m.h.FirstBeat+uint32(k), &m.beats[k]); err != nil {
			t.Fatal(err)
		}
	}
	return m
}

// pixels returns a checksum of all bytes that the beats of a file bring the panel.
func (m *fileModel) pixels(t *testing.T) (sum uint32) {
	t.Helper()
	d, err := tiles.NewDecoder(m.h.PixelFormat, int(m.h.Width), int(m.h.Height))
	if err != nil {
		t.Fatal(err)
	}
	panel := make([]byte, m.h.RawFrameBytes())
	for i := range m.beats {
		b := &m.beats[i]
		if b.FrameCoding == container.Raw {
			sum = crc32.Update(sum, crc32.IEEETable, b.Frame)
		} else if b.FrameCoding != container.Repeat {
			if _, err := d.Decode(panel, b.Frame, b.Key(), func(_ tiles.Rect, pixels []byte) {
				sum = crc32.Update(sum, crc32.IEEETable, pixels)
			}); err != nil {
				t.Fatal(err)
			}
		}
	}
	return sum
}

// play says what playing a job gives by FORMAT.md. lost holds beats whose
// headers are damaged, none of them beside another.
func play(files []*fileModel, j job, lost map[uint32]bool) played {
	p := played{kind: "ok"}
	f, at := files[0], 0
	panel, missed, pictures := container.NewPanel(&f.h), false, false
	first, lead := f.h.FirstBeat, uint32(f.h.SoundLead)
	take := func(s stored) {
		p.sound = crc32.Update(p.sound, crc32.IEEETable, s.bytes)
		p.samples = crc32.Update(p.samples, crc32.IEEETable, s.decoded(&f.h))
	}
	number := first
	if j.seek != none {
		for k := first; k <= j.seek; k++ {
			if f.beats[k-first].Key() {
				number = k
			}
		}
	}
	p.first = number
	for k := number; k < first+lead; k++ {
		take(f.lead[k-first])
	}
	for k := max(first, number-min(lead, number)); k < number; k++ {
		if k+lead >= number {
			take(f.stored[k-first])
		}
	}
	for over := uint32(0); over < j.most; number++ {
		if number-f.h.FirstBeat == f.h.Beats {
			switch {
			case f.h.Continues():
				at++
			case f.h.Loop():
				at = 0
			default:
				return p
			}
			if at >= len(files) {
				return p
			}
			f = files[at]
			if want := number; f.h.FirstBeat != want && !(f.h.FirstBeat == 0 && want == f.h.AllBeats) {
				p.kind = "damaged" // not the part that follows
				return p
			}
			number = f.h.FirstBeat
		}
		k := number - f.h.FirstBeat
		over++
		if lost[number] {
			p.lost++
			missed = true
			p.silence += uint32(len(f.stored[k].bytes))
			take(stored{silent(&f.h, len(f.stored[k].bytes)), f.stored[k].samples})
			continue
		}
		p.begun++
		take(f.stored[k])
		b := &f.beats[k]
		missed = missed && !b.Key()
		if b.FrameCoding == container.Tiles && missed {
			b = &container.Beat{} // comes as a repeat
		}
		if j.drop != 0 && number%j.drop == 0 && b.FrameBytes > 0 {
			missed = true
			continue
		}
		p.frames = crc32.Update(p.frames, crc32.IEEETable, b.Frame)
		if b.FrameBytes > 0 {
			pictures = true
			if err := panel.Show(b); err != nil {
				p.kind = err.Error()
			}
		}
		if pictures {
			p.panel = crc32.Update(p.panel, crc32.IEEETable, panel.Pixels)
		}
		p.ended++
	}
	return p
}

// silent returns n bytes of silence; in IMA ADPCM, a block that stays at 0.
func silent(h *container.Header, n int) []byte {
	return bytes.Repeat([]byte{h.SoundCoding.Silence()}, n)
}

// memFile is a file in memory.
type memFile struct {
	data []byte
	at   int
}

func (m *memFile) Write(p []byte) (int, error) {
	if need := m.at + len(p); need > len(m.data) {
		m.data = append(m.data, make([]byte, need-len(m.data))...)
	}
	copy(m.data[m.at:], p)
	m.at += len(p)
	return len(p), nil
}

func (m *memFile) Seek(off int64, whence int) (int64, error) {
	if whence != io.SeekStart {
		return 0, errors.New("memFile seeks from the start only")
	}
	m.at = int(off)
	return off, nil
}

// clip writes a clip whose beats are raw (R), repeats (-), tiles (T) or tiles that
// cover the panel (K), and returns its files. Raw frames are seeded noise; so are
// patches in tiles, which come as raw frames where that takes fewer bytes.
func clip(t *testing.T, s container.Settings, codings string, seed uint64) [][]byte {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 0))
	var files []*memFile
	w, err := container.NewPartsWriter(func(int) (io.WriteSeeker, error) {
		files = append(files, &memFile{})
		return files[len(files)-1], nil
	}, s)
	if err != nil {
		t.Fatal(err)
	}
	frame := make([]byte, s.PixelFormat.FrameBytes(s.Width, s.Height))
	codes := make([]uint8, s.Width*s.Height*s.PixelFormat.Channels())
	encoder, err := tiles.NewEncoder(s.PixelFormat, s.Width, s.Height, tiles.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range codings {
		sound := make([]byte, w.SoundBytes())
		for i := range sound {
			sound[i] = byte(rng.Uint32())
		}
		if s.SoundCoding == container.IMAADPCM {
			legal(sound, w.Samples(), s.Channels)
		}
		var picture container.Frame
		switch c {
		case 'R':
			for i := range codes {
				codes[i] = uint8(rng.IntN(s.PixelFormat.Levels(i % s.PixelFormat.Channels())))
			}
			s.PixelFormat.Pack(frame, codes, s.Width, s.Height)
			picture = container.RawFrame(frame)
		case 'T', 'K':
			patches(rng, codes, &s, c == 'K')
			s.PixelFormat.Pack(frame, codes, s.Width, s.Height)
			payload, stats, err := encoder.Append(nil, frame, c == 'K' || w.KeyDue())
			if err != nil {
				t.Fatal(err)
			}
			switch {
			case len(payload) > len(frame):
				picture = container.RawFrame(frame)
			case c == 'K' || w.KeyDue():
				picture = container.Frame{Coding: container.KeyTiles, Bytes: payload, PanelBytes: stats.PanelBytes}
			case stats.Tiles > 0:
				picture = container.Frame{Coding: container.Tiles, Bytes: payload, PanelBytes: stats.PanelBytes}
			}
		}
		if picture.Coding == container.Raw {
			encoder.Set(frame)
		}
		if err := w.Write(picture, sound); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.Close(); err != nil {
		t.Fatal(err)
	}
	var out [][]byte
	for _, f := range files {
		out = append(out, f.data)
	}
	return out
}

// patches paints a few rectangles of few colours over a picture in level codes; with
// all, over one of a single colour.
func patches(rng *rand.Rand, codes []uint8, s *container.Settings, all bool) {
	n := s.PixelFormat.Channels()
	colour := func() (c [3]uint8) {
		for i := range n {
			c[i] = uint8(rng.IntN(s.PixelFormat.Levels(i)))
		}
		return c
	}
	fill := func(x, y, w, h, colours int) {
		list := make([][3]uint8, colours)
		for i := range list {
			list[i] = colour()
		}
		for j := y; j < y+h; j++ {
			for i := x; i < x+w; i++ {
				copy(codes[(j*s.Width+i)*n:][:n], list[rng.IntN(colours)][:])
			}
		}
	}
	if all {
		fill(0, 0, s.Width, s.Height, 1)
	}
	for range 1 + rng.IntN(3) {
		x, y := rng.IntN(s.Width), rng.IntN(s.Height)
		fill(x, y, 1+rng.IntN(min(s.Width-x, 12)), 1+rng.IntN(min(s.Height-y, 12)), 1+rng.IntN(20))
	}
}

// legal makes a block of IMA ADPCM of any bytes.
func legal(block []byte, samples, channels int) {
	for c := range channels {
		block[4*c+2] %= 89
		block[4*c+3] = 0
		for n := samples - 1; n < (samples-1+7)/8*8; n++ { // nibbles that stand for no sample
			block[4*channels*(1+n/8)+4*c+n%8/2] &^= 15 << (4 * (n % 2))
		}
	}
}

// randomClip returns a clip of any kind, in one part or several.
func randomClip(t *testing.T, seed uint64) [][]byte {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 1))
	formats := pixel.Formats()
	s := container.Settings{Width: 1 + rng.IntN(60), Height: 1 + rng.IntN(30), PixelFormat: formats[rng.IntN(len(formats))], Loops: rng.IntN(2) == 0}
	s.ExpectedBeats = rng.Uint32N(2) // 1: a seek table so small that seeks walk
	s.Rate = []container.Ratio{{Num: 1, Den: 1}, {Num: 5, Den: 1}, {Num: 25, Den: 1}, {Num: 30000, Den: 1001}, {Num: 240, Den: 1}, {Num: 25, Den: 2}}[rng.IntN(6)]
	if rng.IntN(4) > 0 {
		s.SoundCoding, s.Channels, s.SoundLead = container.SoundCoding(1+rng.IntN(3)), 1+rng.IntN(2), 1+rng.IntN(9)
		s.SampleRate = []container.Ratio{{Num: 2000, Den: 1}, {Num: 40000, Den: 17}, {Num: 8000, Den: 1}}[rng.IntN(3)]
	}
	if rng.IntN(3) == 0 {
		s.PartSectors = 1
	}
	most := int(2 * s.Rate.Num / s.Rate.Den)
	var codings strings.Builder
	last := -most
	for k := range 1 + rng.IntN(180) {
		if rng.IntN(4) == 0 || k-last >= most {
			last = k
			codings.WriteByte("RK"[rng.IntN(2)])
		} else {
			codings.WriteByte("-T"[rng.IntN(2)])
		}
	}
	return clip(t, s, codings.String(), seed)
}

// plays runs jobs and compares each answer with the model's.
func plays(t *testing.T, jobs []job, want func(i int) string) {
	t.Helper()
	wrong := 0
	conform(t, sanitized(t, "conform.c"), len(jobs), func(i int) job { return jobs[i] }, func(i int, text string) {
		if w := want(i); text != w {
			if wrong++; wrong < 10 {
				j := jobs[i]
				j.files = nil
				t.Errorf("job %d %+v:\n     got %s\n    want %s", i, j, text, w)
			}
		}
	})
}

// TestPlayingVectorsFromEachBeat seeks each beat of each valid vector, feeding
// any number of sectors or reading through buffers of several sizes, and plays
// on round the loop.
func TestPlayingVectorsFromEachBeat(t *testing.T) {
	var jobs []job
	var models []*fileModel
	rng := rand.New(rand.NewPCG(3, 3))
	for _, v := range valid(t) {
		m := model(t, v.data)
		for seek := range m.h.Beats + 1 {
			for _, sectors := range []uint32{0, 0, 1, 3, uint32(m.h.MaxBeatSectors)} {
				j := job{mode: 1, seed: rng.Uint32(), sectors: sectors, seek: m.h.FirstBeat + seek, most: 1 + rng.Uint32N(2*m.h.Beats+3), files: [][]byte{v.data}}
				if seek == m.h.Beats {
					j.seek = none
				}
				jobs, models = append(jobs, j), append(models, m)
			}
		}
	}
	plays(t, jobs, func(i int) string { return play(models[i:i+1], jobs[i], nil).String() })
}

// TestPlayingClipsOfAnyKind plays through parts and loops; STAMPREEL_CLIPS sets
// how many.
func TestPlayingClipsOfAnyKind(t *testing.T) {
	var jobs []job
	var models [][]*fileModel
	rng := rand.New(rand.NewPCG(5, 5))
	parts, loops := 0, 0
	clips := envNumber(t, "STAMPREEL_CLIPS", 30)
	for n := range clips {
		files := randomClip(t, uint64(n))
		var m []*fileModel
		for _, f := range files {
			m = append(m, model(t, f))
		}
		if len(files) > 1 {
			parts++
			if m[0].h.Loop() {
				loops++
			}
		}
		for range 10 {
			j := job{mode: 1, seed: rng.Uint32(), sectors: rng.Uint32N(3) * rng.Uint32N(20), seek: m[0].h.FirstBeat + rng.Uint32N(m[0].h.Beats), most: 1 + rng.Uint32N(2*m[0].h.AllBeats+3), files: files}
			if rng.IntN(3) == 0 {
				j.seek = none
			}
			jobs, models = append(jobs, j), append(models, m)
		}
	}
	if parts < clips/6 || loops < clips/20 {
		t.Fatalf("%d clips in parts, %d of them loops, of %d", parts, loops, clips)
	}
	plays(t, jobs, func(i int) string { return play(models[i], jobs[i], nil).String() })
}

func TestADroppedFrameCostsNoSound(t *testing.T) {
	var jobs []job
	var models []*fileModel
	for n := range uint64(12) {
		s := container.Settings{Width: 40, Height: 30, PixelFormat: pixel.RGB565, Rate: container.Ratio{Num: 10, Den: 1},
			SoundCoding: container.S16, Channels: 2, SampleRate: container.Ratio{Num: 22050, Den: 1}, SoundLead: 2}
		files := clip(t, s, []string{"R-RRR--RRR-R", "R-TTK--TTR-TTTK"}[n%2], n)
		m := model(t, files[0])
		for drop := range uint32(4) {
			for sectors := range uint32(4) {
				jobs = append(jobs, job{mode: 1, seed: uint32(n), sectors: sectors * 7, seek: none, most: 1000, drop: drop, files: files})
				models = append(models, m)
			}
		}
	}
	plays(t, jobs, func(i int) string { return play(models[i:i+1], jobs[i], nil).String() })
}

// TestALostBeatBecomesSilence damages the header of a beat: the next is found,
// the sound lost is silence and everything else is as it was.
func TestALostBeatBecomesSilence(t *testing.T) {
	var jobs []job
	var want []string
	for n := range uint64(20) {
		files := randomClip(t, n)
		m := model(t, files[0])
		if len(files) > 1 || m.h.Loop() || m.h.Beats < 4 {
			continue
		}
		at := int(m.h.BeatsSector) * container.SectorBytes
		for k := range m.beats {
			begins := at
			at += int(m.beats[k].Sectors) * container.SectorBytes
			if k%(1+len(m.beats)/8) != 0 && k != len(m.beats)-1 {
				continue
			}
			bad := bytes.Clone(files[0])
			bad[begins+int(n)%container.BeatHeaderBytes] ^= 1 << (k % 8)
			j := job{mode: 1, seed: uint32(k), sectors: uint32(k % 3), seek: none, most: 1000, files: [][]byte{bad}}
			jobs = append(jobs, j)
			p := play([]*fileModel{m}, j, map[uint32]bool{m.h.FirstBeat + uint32(k): true})
			if k == 0 {
				p.first = 1
			}
			want = append(want, p.String())
		}
	}
	if len(jobs) < 40 {
		t.Fatalf("%d beats damaged", len(jobs))
	}
	plays(t, jobs, func(i int) string { return want[i] })
}

// TestTwoLostBeatsInARowAreTooMany, and a payload that is torn is told without
// stopping.
func TestTwoLostBeatsInARowAreTooMany(t *testing.T) {
	s := container.Settings{Width: 16, Height: 16, PixelFormat: pixel.RGB565, Rate: container.Ratio{Num: 10, Den: 1},
		SoundCoding: container.U8, Channels: 1, SampleRate: container.Ratio{Num: 8000, Den: 1}, SoundLead: 2}
	files := clip(t, s, "RRRRRRRR", 1)
	m := model(t, files[0])
	beat := func(k int) int {
		at := int(m.h.BeatsSector)
		for _, b := range m.beats[:k] {
			at += int(b.Sectors)
		}
		return at * container.SectorBytes
	}
	bad := bytes.Clone(files[0])
	bad[beat(3)] ^= 1
	bad[beat(4)] ^= 1
	torn := bytes.Clone(files[0])
	torn[beat(3)+500] ^= 1
	torn[beat(4)+1100] ^= 16
	leadTorn := bytes.Clone(files[0])
	lead := container.SectorBytes * (1 + int(m.h.SeekSectors))
	leadTorn[lead] ^= 4
	jobs := []job{
		{mode: 1, seek: none, most: 1000, files: [][]byte{bad}},
		{mode: 1, seek: none, most: 1000, files: [][]byte{torn}},
		{mode: 1, seek: none, most: 1000, files: [][]byte{leadTorn}},
		{mode: 1, seek: 5, most: 1000, files: [][]byte{bad}},
	}
	plays(t, jobs, func(i int) string {
		j := jobs[i]
		switch i {
		case 0:
			j.most = 4
			p := play([]*fileModel{m}, j, map[uint32]bool{3: true})
			p.kind = "damaged"
			return p.String()
		case 1:
			p := play([]*fileModel{model(t, withPayload(torn, beat(3), beat(4)))}, j, nil)
			p.torn = 2
			return p.String()
		case 2:
			fixed := bytes.Clone(leadTorn)
			binary.LittleEndian.PutUint32(fixed[56:], crc32.ChecksumIEEE(fixed[lead:m.h.BeatsSector*container.SectorBytes]))
			fixHeader(fixed)
			p := play([]*fileModel{model(t, fixed)}, j, nil)
			p.torn = 1
			return p.String()
		}
		// The sound of beats 5 and 6 is in the beats that are damaged. The sizes of
		// both are unknown but the first's: no sound before beat 5 can be had.
		return fmt.Sprintf("damaged %d 0 0 00000000 %08x 00000000 00000000 %d 1 0", uint32(none), crc32.ChecksumIEEE(silent(&m.h, 800)), 800)
	})
}

// withPayload makes the payload checksums of beats right.
func withPayload(data []byte, beats ...int) []byte {
	data = bytes.Clone(data)
	for _, at := range beats {
		end := at + int(binary.LittleEndian.Uint16(data[at+8:]))*container.SectorBytes
		binary.LittleEndian.PutUint32(data[at+28:], crc32.ChecksumIEEE(data[at+32:end]))
		binary.LittleEndian.PutUint16(data[at+2:], crc16(data[at+4:at+32]))
	}
	return data
}

// TestTimesAreExact compares the arithmetic that has no 64 bits with one that
// has more, over lengths that no clip on a desk has.
func TestTimesAreExact(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	var jobs []job
	var want []string
	used := map[string]bool{}
	for _, v := range valid(t) {
		for range 60 {
			data := bytes.Clone(v.data)
			const all = 1<<31 - 1
			binary.LittleEndian.PutUint32(data[156:], all)
			data[10] |= byte(container.More)
			fixHeader(data)
			h, err := container.DecodeHeader((*[container.SectorBytes]byte)(data))
			if err != nil {
				continue // the lead-in of a short clip ends with the clip
			}
			used[v.name] = true
			n := rng.Uint32() >> (1 + rng.IntN(31))
			big := func(n uint64) *big.Int { return new(big.Int).SetUint64(n) }
			num, den := uint64(h.RateNum), uint64(h.RateDen)
			quotient := func(a, b, c uint64) uint64 { p := big(a); return p.Mul(p, big(b)).Div(p, big(c)).Uint64() }
			count := func(i, p, q uint64) uint64 {
				if q == 0 {
					return 0
				}
				return quotient(i+1, p, q) - quotient(i, p, q)
			}
			beat := quotient(uint64(n), num, 1000*den)
			milliseconds := quotient(uint64(n), 1000*den, num)
			if quotient(milliseconds, num, 1000*den) != uint64(n) {
				milliseconds++
			}
			p, q := uint64(h.SampleRateNum)*den, uint64(h.SampleRateDen)*num
			i, next := uint64(n)%all, (uint64(n)+1)%all
			jobs = append(jobs, job{mode: 2, seek: n, files: [][]byte{data}})
			want = append(want, fmt.Sprintf("ok %d %d %d %d %d %d", uint32(beat), uint32(milliseconds), count(i, p, q), count(next, p, q), count(i, 1000*den, num), count(next, 1000*den, num)))
		}
	}
	if len(used) < 30 {
		t.Fatalf("%d headers", len(used))
	}
	plays(t, jobs, func(i int) string { return want[i] })
}

// TestWhatIsJudgedFirst breaks two rules at a time.
func TestWhatIsJudgedFirst(t *testing.T) {
	s := container.Settings{Width: 8, Height: 8, PixelFormat: pixel.Grey8, Rate: container.Ratio{Num: 10, Den: 1},
		SoundCoding: container.U8, Channels: 1, SampleRate: container.Ratio{Num: 8000, Den: 1}, SoundLead: 1}
	whole := clip(t, s, "RRRR", 1)[0]
	start := int(binary.LittleEndian.Uint32(whole[148:])) * container.SectorBytes
	unknown := func(d []byte) { d[start+3*3*container.SectorBytes+14] = 5 } // in the last beat
	for _, c := range []struct {
		what, want string
		change     func(d []byte)
	}{
		{"an unknown coding alone", "unsupported", unknown},
		{"maxSoundBytes too low, an unknown coding later", "damaged", func(d []byte) { unknown(d); d[76]--; d[77]-- }},
		{"maxPanelBytes too low, an unknown coding", "unsupported", func(d []byte) { unknown(d); d[72]-- }},
		{"a wrong keyAhead, an unknown coding two beats later", "damaged", func(d []byte) { unknown(d); d[start+3*container.SectorBytes+12] = 2 }},
		{"a wrong keyAhead, an unknown coding in the beat after", "unsupported", func(d []byte) { unknown(d); d[start+2*3*container.SectorBytes+12] = 0 }},
		{"a reserved byte in a header of pixel format 10", "damaged", func(d []byte) { d[16] = 10; d[200] = 1 }},
		{"pixel format 10, rates not in lowest terms", "unsupported", func(d []byte) { d[16] = 10; d[20], d[24] = 20, 2 }},
		{"pixel format 10, streamBytes below its range", "damaged", func(d []byte) { d[16] = 10; copy(d[80:], make([]byte, 4)) }},
	} {
		bad := bytes.Clone(whole)
		c.change(bad)
		repair(bad)
		if got := goSays(bad, container.Limits{}); got != c.want {
			t.Errorf("%s: the Go reader says %s, want %s", c.what, got, c.want)
		}
		conform(t, sanitized(t, "conform.c"), 1, func(int) job { return job{files: [][]byte{bad}} }, func(_ int, text string) {
			if text != c.want {
				t.Errorf("%s: the C reader says %s, want %s", c.what, text, c.want)
			}
		})
	}
}
