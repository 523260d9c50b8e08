package c_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"example.org/stampreel/container"
	"example.org/stampreel/container/sample"
)

const none = 1<<32 - 1 // no seek

// A job is what testdata/conform.c does with a clip or with the parts of one.
type job struct {
	mode, seed, sectors, seek, most, drop  uint32
	width, height, streamBytes, wholeBytes uint32
	files                                  [][]byte
}

func (j *job) append(p []byte) []byte {
	for _, v := range []uint32{j.mode, j.seed, j.sectors, j.seek, j.most, j.drop, j.width, j.height, j.streamBytes, j.wholeBytes, uint32(len(j.files))} {
		p = binary.LittleEndian.AppendUint32(p, v)
	}
	for _, f := range j.files {
		p = append(binary.LittleEndian.AppendUint32(p, uint32(len(f))), f...)
	}
	return p
}

// conform runs a build of conform.c on jobs and hands each answer to want with its
// number. It keeps no more than a few jobs at a time.
func conform(t *testing.T, program []string, count int, ask func(i int) job, answer func(i int, text string)) {
	t.Helper()
	cmd := exec.Command(program[0], program[1:]...)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		defer in.Close()
		var p []byte
		for i := range count {
			j := ask(i)
			p = j.append(p[:0])
			if _, err := in.Write(p); err != nil {
				return
			}
		}
	}()
	answers := 0
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		answer(answers, lines.Text())
		answers++
	}
	if err := cmd.Wait(); err != nil || answers != count {
		t.Fatalf("%d answers to %d jobs: %v\n%s", answers, count, err, stderr.Bytes())
	}
}

// goSays verifies a clip with the Go reader and answers as conform.c does.
func goSays(data []byte, limits container.Limits) string {
	size := int64(len(data))
	r, err := container.NewReader(bytes.NewReader(data), size, limits)
	var frames, sound, samples, panel uint32
	var h container.Header
	if err == nil {
		h, err = container.Verify(context.Background(), bytes.NewReader(data), size, func(b *container.Beat, p *container.Panel) {
			frames = crc32.Update(frames, crc32.IEEETable, b.Frame)
			panel = crc32.Update(panel, crc32.IEEETable, p.Pixels)
		})
	}
	var format *container.FormatError
	var unknown *container.UnsupportedError
	var limit *container.LimitError
	switch {
	case err == nil:
	case errors.Is(err, io.ErrUnexpectedEOF):
		return "truncated"
	case errors.As(err, &format):
		return "damaged"
	case errors.As(err, &unknown):
		return "unsupported"
	case errors.As(err, &limit):
		return "limit"
	default:
		return err.Error()
	}
	row, err := storedSound(r)
	if err != nil {
		return err.Error()
	}
	left := int(h.Beats)
	for _, s := range row {
		if left--; left >= 0 {
			sound = crc32.Update(sound, crc32.IEEETable, s.bytes)
		}
		samples = crc32.Update(samples, crc32.IEEETable, s.decoded(&h))
	}
	return fmt.Sprintf("ok %d %08x %08x %08x %08x", h.Beats, frames, sound, samples, panel)
}

// stored is the sound of one beat and how many samples a channel it has.
type stored struct {
	bytes   []byte
	samples int
}

// decoded returns the samples as bytes, the low one first.
func (s stored) decoded(h *container.Header) []byte {
	wave := make([]int16, s.samples*int(h.Channels))
	var err error
	switch h.SoundCoding {
	case container.U8:
		err = sample.DecodeU8(wave, s.bytes)
	case container.S16:
		err = sample.DecodeS16(wave, s.bytes)
	case container.IMAADPCM:
		err = sample.DecodeADPCM(wave, s.bytes, s.samples, int(h.Channels))
	}
	if err != nil {
		panic(err)
	}
	return sample.AppendS16(nil, wave)
}

// storedSound returns the sound of a file in its order: that of the lead-in,
// beat by beat, and what each beat stores.
func storedSound(r *container.Reader) (row []stored, err error) {
	h := r.Header()
	lead, err := r.LeadIn()
	if err != nil {
		return nil, err
	}
	for k := range int(h.SoundLead) {
		n := h.LeadSamples(k)
		size := h.CodedBytes(n)
		row = append(row, stored{lead[:size], n})
		lead = lead[size:]
	}
	for n := h.FirstBeat; n < h.FirstBeat+h.Beats; n++ {
		var b container.Beat
		if err := r.Read(n, &b); err != nil {
			return nil, err
		}
		row = append(row, stored{b.Sound, h.StoredSamples(n)})
	}
	return row, nil
}

const (
	vectorFolder = "../../testdata/vectors"
	frozenFolder = "../../testdata/version-1" // clips of version 1, which never change
	vectorCount  = 216
	frozenCount  = 42
	validCount   = 66 + frozenCount
)

type vector struct {
	name   string
	data   []byte
	facts  map[string]string
	limits container.Limits
}

func vectors(t *testing.T) (all []vector) {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(vectorFolder, "*.srq"))
	if err != nil || len(names) != vectorCount {
		t.Fatalf("%d vectors, want %d: %v", len(names), vectorCount, err)
	}
	frozen, err := filepath.Glob(filepath.Join(frozenFolder, "*.srq"))
	if err != nil || len(frozen) != frozenCount {
		t.Fatalf("%d frozen vectors, want %d: %v", len(frozen), frozenCount, err)
	}
	for _, name := range append(names, frozen...) {
		dir := filepath.Base(filepath.Dir(name))
		v := vector{name: dir + "/" + strings.TrimSuffix(filepath.Base(name), ".srq"), facts: map[string]string{}}
		if v.data, err = os.ReadFile(name); err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(strings.TrimSuffix(name, ".srq") + ".txt")
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(text)) {
			key, value, _ := strings.Cut(strings.TrimSpace(line), ": ")
			v.facts[key] = value
		}
		number := func(key string) int { n, _ := strconv.Atoi(v.facts[key]); return n }
		v.limits = container.Limits{Width: number("limit-width"), Height: number("limit-height"), WholeBytes: int64(number("limit-whole-bytes"))}
		all = append(all, v)
	}
	return all
}

// valid returns the vectors that are clips.
func valid(t *testing.T) (all []vector) {
	t.Helper()
	for _, v := range vectors(t) {
		if v.facts["expect"] == "ok" {
			all = append(all, v)
		}
	}
	if len(all) != validCount {
		t.Fatalf("%d valid vectors, want %d", len(all), validCount)
	}
	return all
}

func TestBothReadersSayTheSameOfAllVectors(t *testing.T) {
	program, all := sanitized(t, "conform.c"), vectors(t)
	const feeds = 4 // each another row of sector counts
	kinds := map[string]int{}
	conform(t, program, feeds*len(all), func(i int) job {
		v := all[i/feeds]
		return job{seed: uint32(i), width: uint32(v.limits.Width), height: uint32(v.limits.Height), wholeBytes: uint32(v.limits.WholeBytes), files: [][]byte{v.data}}
	}, func(i int, text string) {
		v := all[i/feeds]
		if want := goSays(v.data, v.limits); text != want {
			t.Errorf("%s: the C reader says %s, the Go reader %s", v.name, text, want)
		}
		want := v.facts["expect"]
		if want == "ok" {
			want = fmt.Sprintf("ok %s %s %s ", v.facts["beats"], v.facts["frames"], v.facts["sound"])
		}
		if !strings.HasPrefix(text+" ", want) || v.facts["panel"] != "" && !strings.HasSuffix(text, " "+v.facts["panel"]) {
			t.Errorf("%s: the C reader says %s, the vector %s", v.name, text, want)
		}
		kinds[v.facts["expect"]]++
	})
	if len(kinds) != 5 {
		t.Errorf("kinds %v, want all five", kinds)
	}
}

// TestEverySingleBitFlipIsNoticedByBoth turns each bit of a whole clip.
func TestEverySingleBitFlipIsNoticedByBoth(t *testing.T) {
	program := sanitized(t, "conform.c")
	for _, name := range []string{"ok-tiny", "ok-sound-adpcm-stereo", "ok-tiles-mono-rows"} {
		if testing.Short() && name != "ok-tiny" {
			continue
		}
		data, err := os.ReadFile(filepath.Join(vectorFolder, name+".srq"))
		if err != nil {
			t.Fatal(err)
		}
		flipped := func(bit int) []byte {
			bad := bytes.Clone(data)
			bad[bit/8] ^= 1 << (bit % 8)
			return bad
		}
		conform(t, program, 8*len(data), func(i int) job {
			return job{seed: uint32(i), files: [][]byte{flipped(i)}}
		}, func(i int, text string) {
			if want := goSays(flipped(i), container.Limits{}); text != want || strings.HasPrefix(text, "ok") {
				t.Errorf("%s, bit %d of byte %d: the C reader says %s, the Go reader %s", name, i%8, i/8, text, want)
			}
		})
	}
}

// TestHeaderFieldsAtTheirEdges puts the edges of its legal range, and the
// values beside them, into each field of valid headers, checksums right.
func TestHeaderFieldsAtTheirEdges(t *testing.T) {
	program, all := sanitized(t, "conform.c"), valid(t)
	var jobs [][]byte
	rows := headerRows(t)
	for i, v := range all {
		for _, row := range rows {
			for _, edge := range []uint64{row.lo - 1, row.lo, row.lo + 1, row.hi - 1, row.hi, row.hi + 1, 1 << 31, 1<<32 - 1} {
				if row.size < 8 && edge >= 1<<(8*row.size) {
					continue
				}
				bad := bytes.Clone(v.data)
				for b := range row.size {
					bad[row.offset+b] = byte(edge >> (8 * b))
				}
				fixHeader(bad)
				jobs = append(jobs, bad)
			}
		}
		if testing.Short() && i == 9 {
			break
		}
	}
	kinds := map[string]int{}
	conform(t, program, len(jobs), func(i int) job {
		return job{seed: uint32(i), files: [][]byte{jobs[i]}}
	}, func(i int, text string) {
		want := goSays(jobs[i], container.Limits{})
		if text != want {
			t.Errorf("job %d: the C reader says %s, the Go reader %s", i, text, want)
		}
		kind, _, _ := strings.Cut(want, " ")
		kinds[kind]++
	})
	t.Logf("%d headers: %v", len(jobs), kinds)
	if kinds["ok"] == 0 || kinds["damaged"] == 0 || kinds["unsupported"] == 0 || kinds["truncated"] == 0 {
		t.Errorf("kinds %v, want four", kinds)
	}
}

func fixHeader(data []byte) {
	if len(data) >= container.SectorBytes {
		binary.LittleEndian.PutUint32(data[508:], crc32.ChecksumIEEE(data[:508]))
	}
}

func crc16(p []byte) (crc uint16) {
	for _, b := range p {
		crc ^= uint16(b) << 8
		for range 8 {
			if crc&0x8000 != 0 {
				crc = crc<<1 ^ 0x1021
			} else {
				crc <<= 1
			}
		}
	}
	return crc
}

// repair makes the checksums of a mutated clip right wherever its sizes still
// lead, so that mutations reach the rules behind them.
func repair(data []byte) {
	le := binary.LittleEndian
	if len(data) < container.SectorBytes {
		return
	}
	if end := container.SectorBytes * (1 + int(le.Uint16(data[48:]))); end <= len(data) {
		le.PutUint32(data[52:], crc32.ChecksumIEEE(data[container.SectorBytes:end]))
	}
	start, at := (1+int(le.Uint16(data[48:])))*container.SectorBytes, int(le.Uint32(data[148:]))*container.SectorBytes
	if at > len(data) || start > at {
		fixHeader(data)
		return
	}
	if at > start {
		le.PutUint32(data[56:], crc32.ChecksumIEEE(data[start:at]))
	}
	fixHeader(data)
	for at+container.BeatHeaderBytes <= len(data) {
		end := at + int(le.Uint16(data[at+8:]))*container.SectorBytes
		if end <= at || end > len(data) {
			break
		}
		le.PutUint32(data[at+28:], crc32.ChecksumIEEE(data[at+32:end]))
		le.PutUint16(data[at+2:], crc16(data[at+4:at+32]))
		at = end
	}
}

// mutate changes a clip in one to three ways, and mends its checksums three
// times out of four.
func mutate(rng *rand.Rand, clip []byte, rows []headerRow) []byte {
	data := bytes.Clone(clip)
	le := binary.LittleEndian
	for range 1 + rng.IntN(3) {
		sectors := len(data) / container.SectorBytes
		if sectors == 0 {
			break
		}
		switch rng.IntN(10) {
		case 0: // a bit anywhere
			data[rng.IntN(len(data))] ^= 1 << rng.IntN(8)
		case 1: // a byte anywhere
			data[rng.IntN(len(data))] = byte(rng.Uint32())
		case 2, 3: // a field of the header
			row := rows[rng.IntN(len(rows))]
			v := []uint64{row.lo, row.lo + 1, row.hi, row.hi + 1, rng.Uint64(), uint64(rng.IntN(100))}[rng.IntN(6)]
			for b := range row.size {
				data[row.offset+b] = byte(v >> (8 * b))
			}
		case 4, 5, 6: // a field of a beat header or seek entry, up or down by a little
			s := rng.IntN(sectors) * container.SectorBytes
			at := s + rng.IntN(container.BeatHeaderBytes)
			data[at] += byte(rng.IntN(5) - 2)
		case 7: // cut, or longer
			n := rng.IntN(len(data)*2 + 1)
			if rng.IntN(2) == 0 {
				n = rng.IntN(2*sectors+1) * container.SectorBytes
			}
			data = append(data, make([]byte, max(0, n-len(data)))...)[:n]
			continue
		case 8: // a sector from elsewhere
			copy(data[rng.IntN(sectors)*container.SectorBytes:], bytes.Clone(data[rng.IntN(sectors)*container.SectorBytes:][:container.SectorBytes]))
		case 9: // a sector more or fewer, counted
			at := rng.IntN(sectors) * container.SectorBytes
			if rng.IntN(2) == 0 {
				data = append(data[:at], data[at+container.SectorBytes:]...)
			} else {
				data = append(data[:at], append(make([]byte, container.SectorBytes), data[at:]...)...)
			}
			if len(data) >= container.SectorBytes {
				le.PutUint32(data[60:], uint32(len(data)/container.SectorBytes))
			}
		}
	}
	if rng.IntN(4) > 0 {
		repair(data)
	}
	return data
}

// TestBothReadersSayTheSameOfMutations: STAMPREEL_MUTATIONS sets how many,
// STAMPREEL_SEED where they begin.
func TestBothReadersSayTheSameOfMutations(t *testing.T) {
	count, seed := envNumber(t, "STAMPREEL_MUTATIONS", 2000), envNumber(t, "STAMPREEL_SEED", 1)
	program, all, rows := sanitized(t, "conform.c"), valid(t), headerRows(t)
	mutation := func(i int) []byte {
		rng := rand.New(rand.NewPCG(uint64(seed), uint64(i)))
		return mutate(rng, all[rng.IntN(len(all))].data, rows)
	}
	kinds := map[string]int{}
	conform(t, program, count, func(i int) job {
		return job{seed: uint32(i), files: [][]byte{mutation(i)}}
	}, func(i int, text string) {
		want := goSays(mutation(i), container.Limits{})
		if text != want {
			path := filepath.Join(os.TempDir(), fmt.Sprintf("mutation-%d-%d.srq", seed, i))
			os.WriteFile(path, mutation(i), 0o644)
			t.Errorf("mutation %d (%s): the C reader says %s, the Go reader %s", i, path, text, want)
		}
		kind, _, _ := strings.Cut(want, " ")
		kinds[kind]++
	})
	t.Logf("%d mutations from seed %d: %v", count, seed, kinds)
	if kinds["ok"] < count/100 || kinds["damaged"] < count/4 || kinds["truncated"] < count/100 || kinds["unsupported"] < count/200 {
		t.Errorf("kinds %v: the mutations are too one-sided to say much", kinds)
	}
}

func envNumber(t *testing.T, name string, otherwise int) int {
	t.Helper()
	text := os.Getenv(name)
	if text == "" {
		return otherwise
	}
	n, err := strconv.Atoi(text)
	if err != nil {
		t.Fatalf("%s=%s is no number", name, text)
	}
	return n
}
