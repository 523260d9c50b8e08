package sample

import (
	"bytes"
	"encoding/binary"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// missing skips the test by the name of what it lacks, or fails it where
// everything has to be there.
func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
		t.Fatalf("missing: %s", what)
	}
	t.Skipf("missing: %s", what)
}

// readWAV returns the samples of a whole 16-bit PCM file, nil of another.
func readWAV(file []byte) (samples []int16, rate, channels int) {
	if len(file) < 12 || string(file[:4]) != "RIFF" || string(file[8:12]) != "WAVE" {
		return nil, 0, 0
	}
	for rest := file[12:]; len(rest) >= 8; {
		id, size := string(rest[:4]), int(binary.LittleEndian.Uint32(rest[4:]))
		body := rest[8:]
		if size > len(body) {
			return nil, 0, 0
		}
		switch {
		case id == "fmt " && size >= 16:
			channels = int(binary.LittleEndian.Uint16(body[2:]))
			rate = int(binary.LittleEndian.Uint32(body[4:]))
			if binary.LittleEndian.Uint16(body) != 1 || binary.LittleEndian.Uint16(body[14:]) != 16 || channels > 2 {
				return nil, 0, 0
			}
		case id == "data" && channels > 0:
			samples = make([]int16, size/2/channels*channels)
			if DecodeS16(samples, body[:2*len(samples)]) != nil {
				return nil, 0, 0
			}
			return samples, rate, channels
		}
		rest = body[min(size+size%2, len(body)):]
	}
	return nil, 0, 0
}

// The first two seconds of each real sound, or of every eighth in a short run,
// at its own rate.
func TestSearchBeatsThePlainEncoderOnRealSounds(t *testing.T) {
	dir := os.Getenv("STAMPREEL_MEDIA")
	if dir == "" {
		cache, err := os.UserCacheDir()
		if err != nil {
			missing(t, "a cache folder")
		}
		dir = filepath.Join(cache, "stampreel-media")
	}
	if _, err := os.Stat(dir); err != nil {
		missing(t, "real sounds, fetched by .ci/fetch-media")
	}
	count, measured, mean, least := 0, 0, 0.0, 99.0
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.EqualFold(filepath.Ext(path), ".wav") {
			return err
		}
		file, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		src, rate, channels := readWAV(file)
		src = src[:min(len(src), 2*rate*channels)]
		if len(src) < 500 || slices.Max(src) == slices.Min(src) {
			return nil
		}
		if count++; testing.Short() && count%8 != 0 {
			return nil
		}
		snr, better := gain(t, src, rate, channels)
		t.Logf("%-22s %5d Hz, plain %5.1f dB, search %+5.2f dB", filepath.Base(path), rate, snr, better)
		if better < 0.5 {
			t.Errorf("%s: %.2f dB better than the plain encoder, want at least 0.5", filepath.Base(path), better)
		}
		measured++
		mean += better
		least = min(least, better)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if count < 70 {
		t.Fatalf("%d real sounds, want at least 70", count)
	}
	mean /= float64(measured)
	t.Logf("mean of %d: %+.2f dB, least %+.2f dB", measured, mean, least)
	if !testing.Short() && mean < 2.5 {
		t.Errorf("%.2f dB better on average, want at least 2.5", mean)
	}
}

// adpcmWAV is blocks of block bytes as a WAVE file with format tag 0x11 and a
// fact chunk, which says how many samples there are.
func adpcmWAV(blocks []byte, block, blockSamples, samples, channels int) []byte {
	le := binary.LittleEndian
	body := []byte("WAVEfmt ")
	body = le.AppendUint32(body, 20)
	body = le.AppendUint16(body, 0x11)
	body = le.AppendUint16(body, uint16(channels))
	body = le.AppendUint32(body, 22050)
	body = le.AppendUint32(body, uint32(22050*block/blockSamples))
	body = le.AppendUint16(body, uint16(block))
	body = le.AppendUint16(body, 4)
	body = le.AppendUint16(body, 2)
	body = le.AppendUint16(body, uint16(blockSamples))
	body = append(body, "fact"...)
	body = le.AppendUint32(body, 4)
	body = le.AppendUint32(body, uint32(samples))
	body = append(body, "data"...)
	body = le.AppendUint32(body, uint32(len(blocks)))
	body = append(body, blocks...)
	return append(le.AppendUint32([]byte("RIFF"), uint32(len(body))), body...)
}

// SoX reads the beats as blocks of WAVE format tag 0x11: random ones, which
// reach every step and both ends of the range, and encoded ones.
func TestSoXDecodesTheSameSamples(t *testing.T) {
	sox, err := exec.LookPath("sox")
	if err != nil {
		missing(t, "sox")
	}
	r := rand.New(rand.NewPCG(7, 7))
	all := sounds()
	var e ADPCMEncoder
	for _, c := range []struct{ samples, channels, blocks int }{
		{9, 1, 1}, {17, 2, 1}, {505, 1, 1}, {1017, 2, 1}, {881, 1, 60}, {737, 2, 40}, {505, 1, 200},
		{2, 1, 1}, {736, 1, 1}, {882, 2, 1}, {883, 1, 1}, // the last group is not full
	} {
		for _, random := range []bool{true, false} {
			var blocks []byte
			var want []int16
			for b := range c.blocks {
				beat := randomBeat(r, c.samples, c.channels)
				if !random {
					at := b * 97 % 4000
					beat = e.Encode(nil, all["full-scale noise"][at:at+c.samples*c.channels], c.channels)
				}
				dst := make([]int16, c.samples*c.channels)
				if err := DecodeADPCM(dst, beat, c.samples, c.channels); err != nil {
					t.Fatal(err)
				}
				blocks, want = append(blocks, beat...), append(want, dst...)
			}
			block := ADPCMBytes(c.samples, c.channels)
			full := (block-4*c.channels)*8/(4*c.channels) + 1
			wav := adpcmWAV(blocks, block, full, c.samples*c.blocks, c.channels)
			cmd := exec.Command(sox, "-D", "-t", "wav", "-", "-t", "raw", "-e", "signed-integer", "-b", "16", "-L", "-c", strconv.Itoa(c.channels), "-")
			var out, stderr bytes.Buffer
			cmd.Stdin, cmd.Stdout, cmd.Stderr = bytes.NewReader(wav), &out, &stderr
			if err := cmd.Run(); err != nil {
				t.Fatalf("sox: %v\n%s", err, stderr.Bytes())
			}
			got := make([]int16, out.Len()/2)
			if err := DecodeS16(got, out.Bytes()); err != nil {
				t.Fatal(err)
			}
			// SoX plays the nibbles after the last sample too, whatever the fact
			// chunk says. Only the cases of one block have any.
			if c.blocks == 1 && len(got) == full*c.channels {
				got = got[:len(want)]
			}
			if !slices.Equal(got, want) {
				at := 0
				for at < min(len(got), len(want)) && got[at] == want[at] {
					at++
				}
				t.Errorf("%+v random %v: sox gives %d samples, ours are %d; the first that differs is %d\n%s", c, random, len(got), len(want), at, stderr.Bytes())
			}
		}
	}
}
