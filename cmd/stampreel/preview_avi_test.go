//go:build unix

package main

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"image"
	"image/draw"
	"image/jpeg"
	"os"
	"path/filepath"
	"testing"

	"github.com/go-audio/wav"
)

// GStreamer takes the AVI apart: as many pictures as the clip has beats, each as image/jpeg
// decodes it near the one that unpack writes, and the very samples of its WAV.
func TestAnAVIHasEachBeatAndEverySample(t *testing.T) {
	if testing.Short() {
		t.Skip("writes and reads in one goroutine")
	}
	dir := t.TempDir()
	film := filepath.Join(dir, "film.srq")
	filmFor(t, film, 30, false)
	clips := []string{film}
	for _, name := range []string{"ok-repeats", "ok-turned", "ok-sound-s16-stereo", "ok-sound-adpcm", "ok-real-dac-rate", "ok-loop-uneven"} {
		clips = append(clips, vector(name))
	}
	compared, heard := 0, 0
	for i, clip := range clips {
		path := filepath.Join(dir, fmt.Sprintf("%d.avi", i))
		ran(t, "preview", clip, "--export", path)
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if said := binary.LittleEndian.Uint32(data[4:]); int(said) != len(data)-8 {
			t.Errorf("%s: the file says that it has %d bytes, it has %d", clip, said+8, len(data))
		}
		h, want := headerOf(t, clip), unpackedPictures(t, clip)
		launch(t, "filesrc location="+path, "! avidemux name=d d.video_0 ! queue ! multifilesink location="+filepath.Join(dir, fmt.Sprintf("%d-%%05d.jpg", i)))
		names, err := filepath.Glob(filepath.Join(dir, fmt.Sprintf("%d-*.jpg", i)))
		if err != nil || len(names) != len(want) {
			t.Fatalf("%s: %d pictures, %v; want %d", clip, len(names), err, len(want))
		}
		for n, img := range want {
			one, err := os.ReadFile(names[n])
			if err != nil {
				t.Fatal(err)
			}
			decoded, err := jpeg.Decode(bytes.NewReader(one))
			if err != nil || decoded.Bounds() != img.Rect {
				t.Fatalf("%s: beat %d: %v", clip, n, err)
			}
			flat, off := image.NewNRGBA(img.Rect), 0
			draw.Draw(flat, flat.Rect, decoded, image.Point{}, draw.Src)
			for k, v := range flat.Pix {
				off += max(int(v)-int(img.Pix[k]), int(img.Pix[k])-int(v))
			}
			if mean := float64(off) / float64(len(flat.Pix)); mean > 2 {
				t.Errorf("%s: beat %d is %.1f of 255 off", clip, n, mean)
			}
			compared++
		}
		if !bytes.Contains(data[:400], binary.LittleEndian.AppendUint32(binary.LittleEndian.AppendUint32(nil, h.RateDen), h.RateNum)) {
			t.Errorf("%s: the rate of its beats is not in the header", clip)
		}
		if h.Channels == 0 {
			continue
		}
		sound, unpacked := filepath.Join(dir, "sound"), filepath.Join(dir, fmt.Sprintf("u%d", i))
		launch(t, "filesrc location="+path, "! avidemux name=d d.audio_0 ! queue ! filesink location="+sound)
		var about struct {
			Samples int `json:"samples"`
		}
		if err := json.Unmarshal([]byte(ran(t, "unpack", clip, "-o", unpacked, "--json")), &about); err != nil {
			t.Fatal(err)
		}
		f, err := os.Open(filepath.Join(unpacked, "sound.wav"))
		if err != nil {
			t.Fatal(err)
		}
		d := wav.NewDecoder(f)
		if err := d.FwdToPCM(); err != nil {
			t.Fatal(err)
		}
		pcm := make([]byte, d.PCMLen())
		_, err = d.PCMChunk.Read(pcm)
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		pcm = pcm[:about.Samples*int(h.Channels)*int(d.BitDepth)/8] // the reader takes the padding of an odd chunk for sound
		if have, err := os.ReadFile(sound); err != nil || len(pcm) == 0 || !bytes.Equal(have, pcm) {
			t.Errorf("%s: %d bytes of sound, want the %d of unpack, %v", clip, len(have), len(pcm), err)
		}
		heard++
	}
	if compared < 45 || heard < 4 {
		t.Errorf("%d pictures and %d sounds compared, want more", compared, heard)
	}
}

// A folder of PNG pictures is the one that unpack makes.
func TestAFolderOfPicturesIsExported(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "pictures")
	ran(t, "preview", vector("ok-turned"), "--export", folder+string(filepath.Separator))
	want := unpackedPictures(t, vector("ok-turned"))
	names, err := filepath.Glob(filepath.Join(folder, "*.png"))
	if err != nil || len(names) != len(want) {
		t.Fatalf("%d pictures, %v; want %d", len(names), err, len(want))
	}
	for n, name := range names {
		if img := readPNG(t, name); img.Bounds() != want[n].Bounds() || !samePicture(img, image.Image(want[n])) {
			t.Errorf("%s is another picture", name)
		}
	}
}
