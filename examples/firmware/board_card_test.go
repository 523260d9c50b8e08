package firmware_test

import (
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/container"
	"example.org/stampreel/container/fat"
)

// need skips the test when a program is missing.
func need(t *testing.T, programs ...string) {
	t.Helper()
	for _, p := range programs {
		if _, err := exec.LookPath(p); err != nil {
			missing(t, p)
		}
	}
}

// TestTheBoardReadsCardsOfOthers plays from a card that mkfs.fat (dosfstools) and mcopy (mtools)
// made, with folders, long names and names that are not ASCII, and a clip in five pieces. One
// in 65 pieces is refused.
func TestTheBoardReadsCardsOfOthers(t *testing.T) {
	need(t, "mkfs.fat", "mcopy", "mmd", "mdel")
	kernel := buildBoard(t)
	const first, sectors = 2048, 64 << 11 // of the partition; of the card
	dir := t.TempDir()
	image := filepath.Join(dir, "card.img")
	mbr := make([]byte, 512)
	copy(mbr[446:], []byte{0, 0xFE, 0xFF, 0xFF, 0x0C, 0xFE, 0xFF, 0xFF}) // FAT32, by its sectors
	binary.LittleEndian.PutUint32(mbr[454:], first)
	binary.LittleEndian.PutUint32(mbr[458:], sectors-first)
	mbr[510], mbr[511] = 0x55, 0xAA
	if err := os.WriteFile(image, mbr, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(image, sectors*512); err != nil {
		t.Fatal(err)
	}
	do := func(name string, args ...string) {
		t.Helper()
		cmd := exec.Command(name, args...)
		cmd.Env = append(os.Environ(), "MTOOLS_SKIP_CHECK=1", "LC_ALL=C.UTF-8")
		if text, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%s %v: %v\n%s", name, args, err, text)
		}
	}
	drive := fmt.Sprintf("%s@@%d", image, first*512)
	do("mkfs.fat", "-F", "32", "-s", "1", "--offset", fmt.Sprint(first), "-h", fmt.Sprint(first), image, fmt.Sprint((sectors-first)/2))
	data := clip(t, greys(container.U8), strings.Repeat("RTT-KTTRRT", 2))[0]
	path := filepath.Join(dir, "clip")
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
	do("mmd", "-i", drive, "::a shelf of films")
	do("mcopy", "-i", drive, path, "::a shelf of films/film.srq")
	for _, name := range []string{"GONE.SRQ", "A film with a rather long name.srq", "Überfahrt.srq", "PIECES.SRQ"} {
		do("mcopy", "-i", drive, path, "::"+name)
	}
	long := clip(t, greys(container.U8), strings.Repeat("R", 40))[0]
	if err := os.WriteFile(path, long, 0o644); err != nil {
		t.Fatal(err)
	}
	do("mcopy", "-i", drive, path, "::MANY.SRQ")
	do("mdel", "-i", drive, "::GONE.SRQ")
	scatter(t, image, first, "PIECES  SRQ", 2)
	scatter(t, image, first, "MANY    SRQ", 32)

	b := start(t, kernel, image)
	b.say("files")
	var want []string
	for _, name := range []string{"A film with a rather long name.srq", "Überfahrt.srq", "PIECES.SRQ"} {
		want = append(want, fmt.Sprintf("file %d %s", len(data), name))
	}
	want = append(want, fmt.Sprintf("file %d MANY.SRQ", len(long)))
	if got := b.until("ready"); !slices.Equal(got, want) {
		t.Errorf("the board finds %q, want %q", got, want)
	}
	beats, _, _ := wantBeats(t, data)
	for _, name := range []string{"PIECES.SRQ", "Überfahrt.srq"} {
		p := b.play("play " + name)
		if p.err != 0 || len(p.clips) != 1 || clipLog(p.clips[0]).holds(t, name, beats, 0) != len(beats) {
			t.Errorf("%s: error %d, %d clips", name, p.err, len(p.clips))
		}
	}
	b.say("play MANY.SRQ")
	if got := b.until("ready"); len(got) != 1 || got[0] != "error MANY.SRQ 22" { // FAT_PIECES
		t.Errorf("of a file in 65 pieces the board says %q", got)
	}
	b.quit()
}

// scatter moves every eighth cluster of a file behind all others, as often as told: the file lies
// in two pieces more each time. A cluster is a sector here. By Microsoft's FAT32 specification 1.03.
func scatter(t *testing.T, image string, first int, name string, times int) {
	t.Helper()
	all, err := os.ReadFile(image)
	if err != nil {
		t.Fatal(err)
	}
	u16, u32 := binary.LittleEndian.Uint16, binary.LittleEndian.Uint32
	volume := all[first*512:]
	reserved, fats, size, root := int(u16(volume[14:])), int(volume[16]), int(u32(volume[36:])), int(u32(volume[44:]))
	data := (reserved + fats*size) * 512
	entry := func(cluster int) []byte { return volume[reserved*512+4*cluster:] }
	place := func(cluster int) []byte { return volume[data+(cluster-2)*512:][:512] }
	cluster := 0
	for c := root; c >= 2 && c < 0x0FFFFFF8 && cluster == 0; c = int(u32(entry(c))) {
		if at := strings.Index(string(place(c)), name); at >= 0 {
			cluster = int(u16(place(c)[at+20:]))<<16 | int(u16(place(c)[at+26:]))
		}
	}
	if cluster == 0 {
		t.Fatalf("no %s in the top folder", name)
	}
	free := size*128 - 8 // far behind what is used
	for u32(entry(free)) != 0 || free > (len(volume)-data)/512 {
		free -= 100
	}
	for range times {
		for range 7 {
			cluster = int(u32(entry(cluster)))
		}
		moved := int(u32(entry(cluster)))
		copy(place(free), place(moved))
		next := u32(entry(moved))
		for f := range fats {
			table := volume[(reserved+f*size)*512:]
			binary.LittleEndian.PutUint32(table[4*cluster:], uint32(free))
			binary.LittleEndian.PutUint32(table[4*free:], next)
			binary.LittleEndian.PutUint32(table[4*moved:], 0)
		}
		cluster = int(next)
		free -= 100
	}
	if err := os.WriteFile(image, all, 0o644); err != nil {
		t.Fatal(err)
	}
}

// TestTheBoardReadsHighCapacity plays from a card of 4 GiB, whose sectors are addressed by
// number and not by byte, and from the far end of it.
func TestTheBoardReadsHighCapacity(t *testing.T) {
	kernel := buildBoard(t)
	data := clip(t, greys(container.U8), "RTT-KTTRRT")[0]
	beats, _, _ := wantBeats(t, data)
	image := cardOfSize(t, 4<<30, cardFile{"first.srq", data}, cardFile{"between", nil}, cardFile{"last.srq", data})
	b := start(t, kernel, image)
	for _, name := range []string{"first.srq", "last.srq"} {
		p := b.play("play " + name)
		if p.err != 0 || len(p.clips) != 1 || clipLog(p.clips[0]).holds(t, name, beats, 0) != len(beats) {
			t.Errorf("%s: error %d, %d clips", name, p.err, len(p.clips))
		}
	}
	b.quit()
}

// TestTheBoardsFATTrustsNothing lists a card with player/fat.c on a PC: as the project's own FAT
// package laid it out, and then with bytes changed in all that is not a file. Each time it ends,
// within bounds of memory and of time.
func TestTheBoardsFATTrustsNothing(t *testing.T) {
	need(t, "gcc")
	for _, path := range []string{"player/fat.c", "player/fat.h", "player/sd.h", "testdata/fat.c"} {
		if _, err := os.ReadFile(filepath.FromSlash(path)); err != nil { // go test keeps results until these change
			t.Fatal(err)
		}
	}
	program := filepath.Join(t.TempDir(), "fat")
	args := append([]string{"-std=c99", "-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror", "-o", program}, sanitized...)
	if text, err := exec.Command("gcc", append(args, filepath.Join("testdata", "fat.c"), filepath.Join("player", "fat.c"))...).CombinedOutput(); err != nil {
		t.Fatalf("gcc: %v\n%s", err, text)
	}
	var files []cardFile
	for i := range 40 {
		files = append(files, cardFile{fmt.Sprintf("film number %d.srq", i), make([]byte, 1+700*i)}, cardFile{fmt.Sprintf("shelf/%d.srq", i), make([]byte, 100000)})
	}
	image := cardOf(t, files...)
	run := func(changes ...string) (lines []string, end, reads int) {
		t.Helper()
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		cmd := exec.CommandContext(ctx, program, append([]string{image}, changes...)...)
		var stderr strings.Builder
		cmd.Stderr = &stderr
		out, err := cmd.Output()
		lines = strings.Split(strings.TrimSuffix(string(out), "\n"), "\n")
		if _, scan := fmt.Sscanf(lines[len(lines)-1], "end %d, %d reads", &end, &reads); err != nil || scan != nil {
			t.Fatalf("%v: %v, %v\n%s", changes, err, scan, stderr.String())
		}
		return lines[:len(lines)-1], end, reads
	}
	got, end, reads := run()
	f, err := os.Open(image)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	v, err := fat.Open(f, 64<<20)
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	var system int64 // where files begin
	for _, c := range files {
		file, err := v.OpenFile(c.name)
		if err != nil {
			t.Fatal(err)
		}
		at := file.OffsetBytes()
		if system == 0 || at < system {
			system = at
		}
		name := c.name
		if !strings.Contains(name, "/") {
			name = "/" + name
		}
		want = append(want, fmt.Sprintf("%s %d 0 %d+%d", name, len(c.data), at/512, (len(c.data)+511)/512))
	}
	slices.Sort(got)
	slices.Sort(want)
	if end != 0 || !slices.Equal(got, want) {
		t.Fatalf("player/fat.c ends with %d and lists\n%s\nwant\n%s", end, strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	begin := make([]byte, system)
	if _, err := f.ReadAt(begin, 0); err != nil {
		t.Fatal(err)
	}
	// The top folder goes on in its own first cluster, for ever.
	u32 := binary.LittleEndian.Uint32
	volume := int(u32(begin[454:])) * 512
	root := int(u32(begin[volume+44:]))
	entry := volume + int(binary.LittleEndian.Uint16(begin[volume+14:]))*512 + 4*root
	var circle []string
	for i := range 4 {
		circle = append(circle, fmt.Sprint(entry+i), fmt.Sprint(byte(root>>(8*i))))
	}
	top := volume + (int(binary.LittleEndian.Uint16(begin[volume+14:]))+int(begin[volume+16])*int(u32(begin[volume+36:])))*512 + (root-2)*int(begin[volume+13])*512
	for i := 0; i < int(begin[volume+13])*512; i += 32 { // no end in it, only deleted entries
		circle = append(circle, fmt.Sprint(top+i), fmt.Sprint(0xE5))
	}
	if _, end, _ := run(circle...); end != -21 { // FAT_DAMAGED
		t.Errorf("of a top folder that is a circle player/fat.c says %d", end)
	}
	// Places that matter: bytes that are not zero before the first file.
	var places []int
	for i, b := range begin {
		if b != 0 {
			places = append(places, i)
		}
	}
	rng := rand.New(rand.NewPCG(12, 3))
	refused, most, trials := 0, 0, 250
	if testing.Short() {
		trials = 80
	}
	for range trials {
		var changes []string
		for range 1 + rng.IntN(3) {
			changes = append(changes, fmt.Sprint(places[rng.IntN(len(places))]), fmt.Sprint(rng.IntN(256)))
		}
		lines, end, reads := run(changes...)
		most = max(most, reads)
		if end != 0 || strings.Contains(strings.Join(lines, "\n"), " -2") {
			refused++
		}
	}
	t.Logf("%d of %d damaged cards refused in part; %d reads whole, %d at the most", refused, trials, reads, most)
	if refused < trials/10 {
		t.Errorf("%d of %d damaged cards were refused: too few to say much", refused, trials)
	}
}
