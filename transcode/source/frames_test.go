package source

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// folder makes a folder of files.
func folder(t testing.TB, files map[string][]byte) string {
	t.Helper()
	dir := t.TempDir()
	for name, data := range files {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestFramesAreTakenInTheOrderOfTheirNumbers(t *testing.T) {
	files := map[string][]byte{".hidden": []byte("x")}
	for i := 8; i <= 12; i++ {
		files[fmt.Sprintf("shot2_%d.png", i)] = encodePNG(t, arrow(i, 4)) // the width tells them apart
	}
	dir := folder(t, files)
	m := open(t, dir, Options{Rate: Ratio{24000, 1001}})
	info := m.Pictures.Info()
	if m.Kind != KindFrames || info.Frames != 5 || info.Width != 8 || info.Rate != (Ratio{24000, 1001}) || info.Tick != (Ratio{1001, 24000}) || info.Duration != (Ratio{1001, 4800}) {
		t.Errorf("%s %+v", m.Kind, info)
	}
	sum := sha256.New()
	for i := 8; i <= 12; i++ {
		p, err := m.Pictures.Next(background)
		if err != nil {
			t.Fatal(err)
		}
		if w := p.Image.Bounds().Dx(); w != i || p.At != int64(i-8) || p.Until != p.At+1 {
			t.Errorf("picture of width %d at %d, want width %d", w, p.At, i)
		}
		data := files[fmt.Sprintf("shot2_%d.png", i)]
		binary.Write(sum, binary.LittleEndian, uint64(len(data)))
		sum.Write(data)
	}
	if _, err := m.Pictures.Next(background); err != io.EOF {
		t.Errorf("%v after the last", err)
	}
	if got := m.Sum(); string(got[:]) != string(sum.Sum(nil)) {
		t.Errorf("another sum; %q", m.Warnings())
	}
	if len(m.Warnings()) != 0 {
		t.Errorf("warnings %q", m.Warnings())
	}
}

func TestGapsAndOtherFilesAreReported(t *testing.T) {
	png := smallPNG(t)
	m := open(t, folder(t, map[string][]byte{"f01.png": png, "f02.png": png, "f05.png": png, "notes.txt": []byte("hello")}), Options{})
	w := strings.Join(m.Warnings(), "\n")
	if !strings.Contains(w, "2 numbers are missing, the first being 3") || !strings.Contains(w, `"notes.txt"`) || len(m.Warnings()) != 2 {
		t.Errorf("warnings %q", m.Warnings())
	}
	if n, _, err := drain(m); n != 3 || err != nil || m.Pictures.Info().Rate != (Ratio{25, 1}) {
		t.Errorf("%d pictures, %v", n, err)
	}
}

func TestFoldersWithoutAClearOrderAreRefused(t *testing.T) {
	p, g := smallPNG(t), timedGIF(t, 0, 5)
	for name, files := range map[string]map[string][]byte{
		"nothing":      {},
		"one picture":  {"f1.png": p},
		"two kinds":    {"f1.png": p, "f2.png": g},
		"other names":  {"f1.png": p, "g2.png": p},
		"two numbers":  {"f1_1.png": p, "f2_2.png": p},
		"no numbers":   {"a.png": p, "b.png": p},
		"same number":  {"f1.png": p, "f01.png": p},
		"large number": {"f1.png": p, "f99999999999999999999.png": p},
		"one without":  {"f.png": p, "f1.png": p},
		"only text":    {"f1.txt": []byte("a"), "f2.txt": []byte("b")},
	} {
		_, err := Open(background, folder(t, files), Options{})
		var u *UnsupportedError
		if !errors.As(err, &u) || u.Try == "" {
			t.Errorf("%s: %v, want an UnsupportedError", name, err)
		}
	}
}

func TestADamagedFrameIsNamed(t *testing.T) {
	p := smallPNG(t)
	bad := append([]byte(nil), p...)
	bad[len(bad)-20] ^= 1
	m := open(t, folder(t, map[string][]byte{"f1.png": p, "f2.png": bad, "f3.png": p}), Options{})
	n, _, err := drain(m)
	var d *DamagedError
	if n != 1 || !errors.As(err, &d) || !strings.HasSuffix(d.Path, "f2.png") {
		t.Errorf("%d pictures, %v", n, err)
	}
}

func TestAFrameFolderIsNotTakenForPhotographs(t *testing.T) {
	a, b := encodePNG(t, arrow(6, 5)), encodePNG(t, arrow(5, 6))
	wave := wavFile(t, wavSpec{tag: 1, channels: 1, rate: 8000, bits: 8}, make([]byte, 10))
	for _, c := range []struct {
		name  string
		files map[string][]byte
		want  bool
	}{
		{"from 0", map[string][]byte{"f0.png": a, "f1.png": a, "f2.png": a}, true},
		{"from 1, hidden file", map[string][]byte{"f01.png": a, "f02.png": a, "f03.png": a, ".x": nil}, true},
		{"two", map[string][]byte{"f1.png": a, "f2.png": a}, false},
		{"from a camera", map[string][]byte{"IMG_4711.png": a, "IMG_4712.png": a, "IMG_4713.png": a}, false},
		{"gap", map[string][]byte{"f1.png": a, "f2.png": a, "f4.png": a}, false},
		{"other sizes", map[string][]byte{"f1.png": a, "f2.png": b, "f3.png": a}, false},
		{"other kinds", map[string][]byte{"f1.png": a, "f2.png": timedGIF(t, 0, 5), "f3.png": a}, false},
		{"other names", map[string][]byte{"f1.png": a, "f2.png": a, "g3.png": a}, false},
		{"other files", map[string][]byte{"f1.png": a, "f2.png": a, "f3.png": a, "readme": []byte("x")}, false},
		{"damaged", map[string][]byte{"f1.png": a, "f2.png": a[:20], "f3.png": a}, false},
		{"sounds", map[string][]byte{"f1": []byte("fLaC1"), "f2": []byte("fLaC1"), "f3": []byte("fLaC1")}, false},
		{"with a sound", map[string][]byte{"f1.png": a, "f2.png": a, "f3.png": a, "take 2.wav": wave}, true},
		{"with a sound of its number", map[string][]byte{"f1.png": a, "f2.png": a, "f3.png": a, "f4.flac": []byte("fLaC")}, true},
		{"with two sounds", map[string][]byte{"f1.png": a, "f2.png": a, "f3.png": a, "s1.wav": wave, "s2.wav": wave}, false},
		{"two and a sound", map[string][]byte{"f1.png": a, "f2.png": a, "s.wav": wave}, false},
		{"empty", nil, false},
	} {
		dir := folder(t, c.files)
		if got, err := IsFrameFolder(dir); got != c.want || err != nil {
			t.Errorf("%s: %v, %v", c.name, got, err)
		}
		if kind, ok, err := Sniff(dir); ok != c.want || ok && kind != KindFrames || err != nil {
			t.Errorf("%s: Sniff says %q %v %v", c.name, kind, ok, err)
		}
	}
	sub := folder(t, map[string][]byte{"f1.png": a, "f2.png": a, "f3.png": a})
	if err := os.Mkdir(filepath.Join(sub, "more"), 0o700); err != nil {
		t.Fatal(err)
	}
	if got, err := IsFrameFolder(sub); got || err != nil {
		t.Errorf("with a folder inside: %v, %v", got, err)
	}
	if _, err := IsFrameFolder(filepath.Join(sub, "none")); err == nil {
		t.Error("missing folder: no error")
	}
}

func TestGIFsAsFramesShowTheirFirstPicture(t *testing.T) {
	g := randomGIF(t, 3, 8, 8, 2)
	m := open(t, folder(t, map[string][]byte{"f1.gif": g, "f2.gif": g}), Options{})
	var first []byte
	if _, err := twin(strings.NewReader(string(g)), func(i, frames int, shown *image.NRGBA, delay int64) {
		if i == 0 {
			first = append(first, shown.Pix...)
		}
	}); err != nil {
		t.Fatal(err)
	}
	p, err := m.Pictures.Next(background)
	if err != nil || string(p.Image.(*image.NRGBA).Pix) != string(first) {
		t.Errorf("another picture, %v", err)
	}
}

func TestTheOneSoundAmongFramesIsTheirs(t *testing.T) {
	png := smallPNG(t)
	sounds := map[string][]byte{
		"music.wav":  wavFile(t, wavSpec{tag: 1, channels: 2, rate: 8000, bits: 16, dataSize: size(800)}, make([]byte, 400)),
		"f3.flac":    flacFile(t, flacSpec{bits: 16, channels: 2, rate: 8000}, flacNoise(100, 2, 16)),
		"no name":    mp3Sound(2),
		"second.wav": wavFile(t, wavSpec{tag: 1, channels: 1, rate: 8000, bits: 8}, make([]byte, 10)),
	}
	for name, frames := range map[string]int64{"music.wav": 100, "f3.flac": 100, "no name": 2 * 1152} {
		m := open(t, folder(t, map[string][]byte{"f1.png": png, "f2.png": png, name: sounds[name]}), Options{})
		if m.Sound == nil {
			t.Errorf("%s: no sound", name)
			continue
		}
		pictures, n, err := drain(m)
		if m.Kind != KindFrames || pictures != 2 || n != frames || err != nil {
			t.Errorf("%s: %s, %d pictures, %d sample frames, %v", name, m.Kind, pictures, n, err)
		}
		sum := sha256.New()
		for _, data := range [][]byte{png, png, sounds[name]} {
			binary.Write(sum, binary.LittleEndian, uint64(len(data)))
			sum.Write(data)
		}
		if got := m.Sum(); string(got[:]) != string(sum.Sum(nil)) {
			t.Errorf("%s: another sum", name)
		}
		if w := strings.Join(m.Warnings(), "\n"); name == "music.wav" != (w == "ends at 0.01 s of 0.03 s") || name != "music.wav" && w != "" {
			t.Errorf("%s: warnings %q", name, w)
		}
	}
	two := open(t, folder(t, map[string][]byte{"f1.png": png, "f2.png": png, "music.wav": sounds["music.wav"], "second.wav": sounds["second.wav"]}), Options{})
	if two.Sound != nil || len(two.Warnings()) != 1 || !strings.Contains(two.Warnings()[0], `left out 2 sounds, the first being "music.wav"`) {
		t.Errorf("two sounds: %q", two.Warnings())
	}
	var d *DamagedError
	if _, err := Open(background, folder(t, map[string][]byte{"f1.png": png, "f2.png": png, "s.wav": sounds["music.wav"][:20]}), Options{}); !errors.As(err, &d) || !strings.HasSuffix(d.Path, "s.wav") {
		t.Errorf("damaged sound: %v", err)
	}
}
