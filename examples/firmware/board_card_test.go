package firmware_test

import (
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.org/stampreel/container"
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
// in nine pieces is refused.
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
	names := []string{"GONE.SRQ", "A film with a rather long name.srq", "Überfahrt.srq", "PIECES.SRQ", "MANY.SRQ"}
	for _, name := range names {
		do("mcopy", "-i", drive, path, "::"+name)
	}
	do("mdel", "-i", drive, "::GONE.SRQ")
	scatter(t, image, first, "PIECES  SRQ", 2)
	scatter(t, image, first, "MANY    SRQ", 4)

	b := start(t, kernel, image)
	b.say("list")
	var want []string
	for _, name := range []string{"A film with a rather long name.srq", "?berfahrt.srq", "PIECES.SRQ", "MANY.SRQ"} {
		want = append(want, fmt.Sprintf("file %d %s", len(data), name))
	}
	if got := b.until("ready"); !slices.Equal(got, want) {
		t.Errorf("the board finds %q, want %q", got, want)
	}
	beats, _, _ := wantBeats(t, data)
	for _, name := range []string{"PIECES.SRQ", "?berfahrt.srq"} {
		p := b.play("play " + name)
		if p.err != 0 || len(p.clips) != 1 || clipLog(p.clips[0]).holds(t, name, beats, 0) != len(beats) {
			t.Errorf("%s: error %d, %d clips", name, p.err, len(p.clips))
		}
	}
	b.say("play MANY.SRQ")
	if got := b.until("ready"); len(got) != 1 || got[0] != "error MANY.SRQ 22" { // FAT_PIECES
		t.Errorf("of a file in nine pieces the board says %q", got)
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
