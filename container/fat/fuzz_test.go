package fat

import (
	"bytes"
	"io"
	"io/fs"
	"sync"
	"testing"
)

// readAll reads every file of an image; it must end, and what is read must have
// the size that was said.
func readAll(t *testing.T, image io.ReaderAt, size int64) {
	v, err := Open(image, size)
	if err != nil {
		return
	}
	if v.Used > v.Clusters || v.Kind != 12 && v.Kind != 16 && v.Kind != 32 {
		t.Fatalf("%d of %d clusters of FAT%d", v.Used, v.Clusters, v.Kind)
	}
	err = fs.WalkDir(v, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		f, err := v.OpenFile(path)
		if err != nil {
			return err
		}
		n, err := io.Copy(io.Discard, io.LimitReader(f, 1<<20))
		if err == nil && n != min(f.Size(), 1<<20) {
			t.Fatalf("%s: %d bytes of %d", path, n, f.Size())
		}
		if err != nil && !isFormat(err) {
			t.Fatalf("%s: %v", path, err)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func FuzzOpenSmall(f *testing.F) {
	whole := smallFAT12()
	f.Add(whole)
	f.Add(whole[:1600])
	f.Add(whole[:512])
	other := bytes.Clone(whole)
	other[512+3] = 2 // a circle
	f.Add(other)
	f.Fuzz(func(t *testing.T, b []byte) { readAll(t, bytes.NewReader(b), int64(len(b))) })
}

// fuzzed is an image of FAT32 to be changed: it is as large as the least of these
// have to be, so that changes come as places and bytes.
var fuzzed = sync.OnceValues(func() (*sparse, *Layout) {
	s := new(sparse)
	files := []Planned{{Path: "A.SRQ", Bytes: 3000}, {Path: "folder/clip one.srq", Bytes: 1500}, {Path: "folder/deeper/Süd.srq", Bytes: 10}}
	l, err := Plan(Options{Bytes: 64 * mib, Label: "CARD"}, files)
	if err != nil {
		panic(err)
	}
	if err := l.WriteSystem(s); err != nil {
		panic(err)
	}
	for i, file := range files {
		if err := l.WriteFile(s, i, bytes.NewReader(content(i, file.Bytes))); err != nil {
			panic(err)
		}
	}
	return s, l
})

// changed puts a byte into the first 32 KiB of one of four regions.
func changed(changes []byte) (io.ReaderAt, int64) {
	s, l := fuzzed()
	regions := [4]int64{0, alignment * sectorBytes, l.fatAt * sectorBytes, l.dataAt * sectorBytes}
	patches := make(map[int64][]byte)
	for ; len(changes) >= 3; changes = changes[3:] {
		at := int64(changes[0])<<8 | int64(changes[1])
		patches[regions[at>>14]+at&0x3FFF] = changes[2:3]
	}
	return patched{s, patches}, s.end
}

func FuzzOpenCard(f *testing.F) {
	f.Add([]byte{})
	f.Add([]byte{0x80, 8, 2})               // the top folder's chain in a circle
	f.Add([]byte{0x40, 13, 2, 0x40, 44, 3}) // other clusters, another top folder
	f.Add([]byte{0xC0, 32 + 26, 3, 0xC0, 11, 0x10})
	f.Add([]byte{1, 0xC2, 0x06})
	f.Fuzz(func(t *testing.T, changes []byte) {
		image, size := changed(changes[:min(len(changes), 300)])
		readAll(t, image, size)
	})
}

// Every byte of the structures, set to a few values in turn.
func TestEveryByteMayBeDamaged(t *testing.T) {
	step := 1
	if testing.Short() {
		step = 7
	}
	b := smallFAT12()
	for at := 0; at < 1536+1024; at += step {
		for _, v := range []byte{0, 1, 0xFF, b[at] ^ 0x80, b[at] + 1} {
			damaged := bytes.Clone(b)
			damaged[at] = v
			readAll(t, bytes.NewReader(damaged), int64(len(damaged)))
		}
	}
	for end := range len(b) {
		if end < 3000 || end%97 == 0 {
			readAll(t, bytes.NewReader(b[:end]), int64(end))
		}
	}
	for region := range 4 {
		for at := 0; at < 700; at += step {
			for _, v := range []byte{0, 0xFF, 3} {
				image, size := changed([]byte{byte(region<<6 | at>>8), byte(at), v})
				readAll(t, image, size)
			}
		}
	}
}
