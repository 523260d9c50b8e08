package fat

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const (
	mib = 1 << 20
	gib = 1 << 30
)

// cards are sizes from the smallest that FAT32 has, with those where the size of
// clusters changes and some that are no round number.
var cards = []struct {
	bytes   int64
	cluster int
}{
	{64 * mib, 512}, {75 * mib, 1024}, {100 * mib, 1024}, {128 * mib, 1024}, {150 * mib, 2048}, {256 * mib, 2048}, {300 * mib, 4096},
	{512 * mib, 4096}, {640*mib + 512, 8192}, {1000 * mib, 8192}, {1 * gib, 8192}, {1500 * mib, 16384}, {2 * gib, 16384},
	{2*gib + 64*mib, 32768}, {4 * gib, 32768}, {7_948_206_080, 32768}, {16 * gib, 32768}, {32 * gib, 32768}, {64 * gib, 32768}, {128 * gib, 32768},
}

// volumeOnly takes what lies in the partition, for tools that know no partition
// table.
type volumeOnly struct{ w io.WriterAt }

func (v volumeOnly) WriteAt(b []byte, at int64) (int, error) {
	if at < alignment*sectorBytes {
		return len(b), nil
	}
	return v.w.WriteAt(b, at-alignment*sectorBytes)
}

// fsck.fat of dosfstools, mtools and 7-Zip are the outside judges of every card.
func TestCardsOfEverySizeAreCleanAndReadBackByOthers(t *testing.T) {
	fsck, mcopy, mdir, zip := tool(t, "fsck.fat"), tool(t, "mcopy"), tool(t, "mdir"), tool(t, "7z", "7zz")
	if len(cards) < 16 {
		t.Fatalf("%d sizes", len(cards))
	}
	files := someFiles()
	for i, card := range cards {
		if testing.Short() && i%4 != 0 {
			continue
		}
		t.Run(fmt.Sprintf("%d MiB", card.bytes>>20), func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			make := func(name string) *os.File {
				f, err := os.Create(filepath.Join(dir, name))
				if err != nil {
					t.Fatal(err)
				}
				t.Cleanup(func() { f.Close() })
				return f
			}
			o := Options{Bytes: card.bytes, VolumeID: 0x12345678, Time: day}
			if i%2 == 0 {
				o.Label = "RAILWAY 1"
			}
			image, volume := make("card.img"), make("volume")
			l := write(t, image, o, files)
			write(t, volumeOnly{volume}, o, files)
			if l.ClusterBytes != card.cluster {
				t.Errorf("clusters of %d, want %d", l.ClusterBytes, card.cluster)
			}
			if l.OffsetBytes(0) < 8*mib || (l.clusterAt(firstNumber))%(4*mib) != 0 {
				t.Errorf("clusters begin at %d, want whole 4 MiB", l.clusterAt(firstNumber))
			}
			if info, _ := image.Stat(); info.Size() != l.EndBytes {
				t.Errorf("the image has %d bytes, want %d, the end of what is used", info.Size(), l.EndBytes)
			}
			v, err := Open(image, l.EndBytes)
			if err != nil {
				t.Fatal(err)
			}
			sameVolume(t, v, l, files)
			if v.Label != o.Label || v.ID != o.VolumeID || v.EndBytes != l.CardBytes {
				t.Errorf("label %q, id %x, end %d", v.Label, v.ID, v.EndBytes)
			}

			if err := image.Truncate(l.CardBytes); err != nil { // as a whole card
				t.Fatal(err)
			}
			if err := volume.Truncate(l.CardBytes - 4*mib); err != nil {
				t.Fatal(err)
			}
			out := execute(t, fsck, "-n", "-V", volume.Name())
			counted := len(files) + len(l.folders) - 1 // the top folder is none of its files, but the label is
			if o.Label != "" {
				counted++
			}
			if want := fmt.Sprintf("%d files, %d/%d clusters", counted, l.Used, l.Clusters); !strings.Contains(out, want) || strings.Contains(out, "differ") || strings.Contains(out, "rong") {
				t.Errorf("fsck.fat says %q, want %q", out, want)
			}
			at := image.Name() + "@@4M"
			if out := execute(t, mdir, "-i", at, "::/"); !strings.Contains(out, "1234-5678") || strings.Contains(out, "RAILWAY 1") != (o.Label != "") {
				t.Errorf("mdir says %q", out)
			}
			back := filepath.Join(dir, "mtools")
			os.Mkdir(back, 0o755)
			execute(t, mcopy, "-s", "-n", "-i", at, "::", back)
			sameFiles(t, back, files)
			back = filepath.Join(dir, "7z")
			execute(t, zip, "x", "-bd", "-o"+back, volume.Name())
			sameFiles(t, back, files)
			if out := execute(t, zip, "l", "-slt", "-tmbr", image.Name()); !strings.Contains(out, fmt.Sprintf("Size = %d", l.CardBytes-4*mib)) {
				t.Errorf("7-Zip finds other partitions: %s", out)
			}
		})
	}
}

// mtools writes characters beyond U+FFFF as "__"; 7-Zip knows them.
func TestNamesBeyondTheFirst65536CharactersAreReadByOthers(t *testing.T) {
	zip, fsck := tool(t, "7z", "7zz"), tool(t, "fsck.fat")
	files := []Planned{{Path: "steam 🚂 train.srq", Bytes: 5, Modified: day}, {Path: "𝄞/🚂🚃🚃🚃🚃🚃🚃.srq", Bytes: 6, Modified: day}}
	volume, err := os.Create(filepath.Join(t.TempDir(), "volume"))
	if err != nil {
		t.Fatal(err)
	}
	defer volume.Close()
	l := write(t, volumeOnly{volume}, Options{Bytes: 64 * mib}, files)
	volume.Truncate(l.CardBytes - 4*mib)
	execute(t, fsck, "-n", volume.Name())
	back := filepath.Join(t.TempDir(), "7z")
	execute(t, zip, "x", "-bd", "-o"+back, volume.Name())
	sameFiles(t, back, files)
	v, err := Open(volume, l.CardBytes-4*mib)
	if err != nil {
		t.Fatal(err)
	}
	for i, f := range files {
		if got, err := v.OpenFile(f.Path); err != nil || got.Size() != f.Bytes {
			t.Errorf("%d: %v", i, err)
		}
	}
}

// The bytes are stated, so that no change goes unseen; they were clean under
// fsck.fat when this was written.
func TestTheSameFilesGiveTheSameBytes(t *testing.T) {
	sum := func() string {
		var s sparse
		write(t, &s, Options{Bytes: 64 * mib, VolumeID: 7, Label: "CARD", Time: day}, someFiles())
		h := sha256.New()
		if _, err := io.Copy(h, io.NewSectionReader(&s, 0, s.end)); err != nil {
			t.Fatal(err)
		}
		return fmt.Sprintf("%x", h.Sum(nil))
	}
	first := sum()
	if again := sum(); again != first {
		t.Errorf("%s, then %s", first, again)
	}
	const want = "82f018fb0a6c6337bacb11ed360203a0ae68df65581a2c44aa399e4831cbc7de"
	if first != want {
		t.Errorf("the image has the SHA-256 %s, want %s", first, want)
	}
}

// Fields of a 4 GiB card, worked out by hand from the specification's tables.
func TestFieldsAreThoseOfTheSpecification(t *testing.T) {
	var s sparse
	l := write(t, &s, Options{Bytes: 4 * gib, VolumeID: 0xCAFEF00D, Time: day}, []Planned{{Path: "a.srq", Bytes: 100_000}})
	at := func(place int64, size int) uint32 {
		b := make([]byte, 4)
		s.ReadAt(b[:size], place)
		return binary.LittleEndian.Uint32(b)
	}
	const volume = 4 * mib
	// 8,388,608 sectors; 4 MiB before the partition and 4 before the clusters leave
	// 8,372,224, which is 130,816 clusters of 64; their FAT takes (130,816+2)·4 bytes,
	// which is 1,023 sectors; 8,192 − 2·1,023 = 6,146 are reserved.
	for _, f := range []struct {
		name  string
		place int64
		size  int
		want  uint32
	}{
		{"kind of partition", 450, 1, 0x0C}, {"its first sector", 454, 4, 8192}, {"its sectors", 458, 4, 8388608 - 8192}, {"end of the table", 510, 2, 0xAA55},
		{"other partitions", 462, 4, 0},
		// Sector 8,192 in cylinders of 255·63: 0, head 130, sector 3; the last one in 522, head 42, sector 32.
		{"begin as CHS", 447, 3, 0x00_03_82}, {"end as CHS", 451, 3, 522&255<<16 | (522>>8<<6|32)<<8 | 42},
		{"BPB_BytsPerSec", volume + 11, 2, 512}, {"BPB_SecPerClus", volume + 13, 1, 64}, {"BPB_RsvdSecCnt", volume + 14, 2, 6146},
		{"BPB_NumFATs", volume + 16, 1, 2}, {"BPB_RootEntCnt", volume + 17, 2, 0}, {"BPB_TotSec16", volume + 19, 2, 0}, {"BPB_Media", volume + 21, 1, 0xF8},
		{"BPB_FATSz16", volume + 22, 2, 0}, {"BPB_HiddSec", volume + 28, 4, 8192}, {"BPB_TotSec32", volume + 32, 4, 8380416}, {"BPB_FATSz32", volume + 36, 4, 1023},
		{"BPB_RootClus", volume + 44, 4, 2}, {"BPB_FSInfo", volume + 48, 2, 1}, {"BPB_BkBootSec", volume + 50, 2, 6}, {"BS_VolID", volume + 67, 4, 0xCAFEF00D},
		{"FSI_LeadSig", volume + 512, 4, 0x41615252}, {"FSI_StrucSig", volume + 512 + 484, 4, 0x61417272},
		// The top folder takes a cluster, the file's 100,000 bytes take four.
		{"FSI_Free_Count", volume + 512 + 488, 4, 130816 - 5}, {"FSI_Nxt_Free", volume + 512 + 492, 4, 7}, {"FSI_TrailSig", volume + 512 + 508, 4, 0xAA550000},
		{"FAT[0]", volume + 6146*512, 4, 0x0FFFFFF8}, {"FAT[1]", volume + 6146*512 + 4, 4, 0x0FFFFFFF}, {"FAT[2]", volume + 6146*512 + 8, 4, 0x0FFFFFFF},
		{"FAT[3]", volume + 6146*512 + 12, 4, 4}, {"FAT[6]", volume + 6146*512 + 24, 4, 0x0FFFFFFF}, {"FAT[7]", volume + 6146*512 + 28, 4, 0},
		{"second FAT", volume + (6146+1023)*512, 4, 0x0FFFFFF8},
		// a.srq has a long name, as it is not written in capitals: a piece of it, then its entry.
		{"LDIR_Ord", 8 * mib, 1, 0x41}, {"LDIR_Attr", 8*mib + 11, 1, 0x0F}, {"DIR_Attr", 8*mib + 32 + 11, 1, 0x20},
		{"DIR_FstClusLO", 8*mib + 32 + 26, 2, 3}, {"DIR_FileSize", 8*mib + 32 + 28, 4, 100_000},
	} {
		if got := at(f.place, f.size); got != f.want {
			t.Errorf("%s is %#x, want %#x", f.name, got, f.want)
		}
	}
	for copyAt := range int64(3) {
		a, b := make([]byte, 512), make([]byte, 512)
		s.ReadAt(a, volume+copyAt*512)
		s.ReadAt(b, volume+(6+copyAt)*512)
		if string(a) != string(b) || a[510] != 0x55 || a[511] != 0xAA {
			t.Errorf("boot sector %d and its copy differ, or have no end", copyAt)
		}
	}
	if l.Clusters != 130816 || l.EndBytes != 8*mib+5*32768 {
		t.Errorf("%d clusters, end at %d", l.Clusters, l.EndBytes)
	}
}

func BenchmarkWriteFile(b *testing.B) {
	const size = 256 * mib
	l, err := Plan(Options{Bytes: gib}, []Planned{{Path: "film.srq", Bytes: size}})
	if err != nil {
		b.Fatal(err)
	}
	f, err := os.Create(filepath.Join(b.TempDir(), "card.img"))
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	b.SetBytes(size)
	for b.Loop() {
		if err := l.WriteFile(f, 0, io.LimitReader(zeros{}, size)); err != nil {
			b.Fatal(err)
		}
	}
}

type zeros struct{}

func (zeros) Read(b []byte) (int, error) { return len(b), nil }
