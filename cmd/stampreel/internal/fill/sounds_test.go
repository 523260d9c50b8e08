package fill

import (
	"errors"
	"image"
	"io/fs"
	"math"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/transcode/source"
)

// packSound packs a sound and returns how many beats it takes and the samples
// that a player makes of it.
func packSound(t *testing.T, p *playerfile.Player, path string) (beats int, wave []float64, err error) {
	t.Helper()
	clip := filepath.Join(t.TempDir(), "sound.srq")
	s := Settings{Player: p, Coding: Raw, Workers: 2}
	if _, err := s.Pack(background, Job{Source: path, Clip: clip}); err != nil {
		return 0, nil, err
	}
	h, wave := play(t, clip, func(int, *image.NRGBA) {})
	return int(h.Beats), wave, nil
}

// likeness compares a sound with what it should be: by how many samples it is
// late (or early) where it fits best, and how far its error lies below it there.
func likeness(got, want []float64) (late int, dB float64) {
	const most = 500
	best := math.Inf(-1)
	n := min(len(got), len(want))
	for s := -most; s <= most; s++ {
		sum := 0.0
		for i := most; i < n-most; i++ {
			sum += want[i] * got[i+s]
		}
		if sum > best {
			best, late = sum, s
		}
	}
	var signal, rest float64
	for i := most; i < n-most; i++ {
		d := got[i+late] - want[i]
		signal, rest = signal+want[i]*want[i], rest+d*d
	}
	return late, 10 * math.Log10(signal/rest)
}

// The package forensics-samples-files has two speeches as WAV, MP3 and Ogg
// Vorbis; SoX makes FLAC of the WAV, and of the Ogg file where that is refused.
func TestOneSpeechInFourFormatsBecomesOneSound(t *testing.T) {
	notShort(t)
	dir := realMedia(t)
	sox, err := exec.LookPath("sox")
	if err != nil {
		missing(t, "sox")
	}
	toFLAC := func(path string) string {
		out := filepath.Join(t.TempDir(), filepath.Base(path)+".flac")
		if text, err := exec.Command(sox, "-D", path, out).CombinedOutput(); err != nil {
			t.Fatalf("sox: %v\n%s", err, text)
		}
		return out
	}
	compared := 0
	for _, name := range []string{"audio1/debian", "audio2/deleted"} {
		path := filepath.Join(dir, "forensics-samples-files/usr/share/forensics-samples/original-files", name)
		for _, sound := range []string{"rate: 16 kHz\nbits: 16", "rate: 15625 Hz\nbits: 16", "rate: 22050 Hz\nreal-rate: 375000/17 Hz\nbits: 16"} {
			p := speaking(t, "grey8", sound)
			beats, want, err := packSound(t, p, path+".wav")
			if err != nil {
				t.Fatal(err)
			}
			rate := p.Sound.RealRate.Value.Float()
			for _, c := range []struct {
				path  string
				least float64 // dB; of MP3 and Vorbis what was found, less 1
			}{{toFLAC(path + ".wav"), math.Inf(1)}, {path + ".mp3", 21.5}, {path + ".ogg", 10.9}} {
				n, got, err := packSound(t, p, c.path)
				var unsupported *source.UnsupportedError
				if errors.As(err, &unsupported) && strings.HasSuffix(c.path, ".ogg") {
					t.Logf("%v", err)
					clearError(t, c.path, err)
					n, got, err = packSound(t, p, toFLAC(c.path))
				}
				if err != nil {
					t.Errorf("%v", err)
					continue
				}
				late, dB := likeness(got, want)
				t.Logf("%s %s at %.1f Hz: %d beats and %d samples of %d and %d, %d samples late, error %.1f dB below the WAV", name, filepath.Ext(c.path), rate, n, len(got), beats, len(want), late, dB)
				if late != 0 || dB < c.least || max(n-beats, beats-n) > 1 {
					t.Errorf("%s: want 0 samples late, %.1f dB, %d beats", c.path, c.least, beats)
				}
				compared++
			}
		}
	}
	if compared != 18 {
		t.Errorf("%d sounds compared, want 18", compared)
	}
}

// clearError fails the test unless an error names its file and says where or
// what was found, what was expected, and what to do.
func clearError(t *testing.T, path string, err error) {
	t.Helper()
	text := err.Error()
	_, after, ok := strings.Cut(text, path)
	if !ok || len(strings.Trim(after, ": ")) < 10 || !promised(err) {
		t.Errorf("%s: %T %q, want the file and what is wrong with it", path, err, text)
	}
	var tries interface{ Tries() []string }
	if !errors.As(err, &tries) || len(tries.Tries()) == 0 {
		t.Errorf("%s: %q does not say what to do", path, text)
	}
}

// The real sounds of five packages, each a clip or a clear error; in a short run
// those of the small ones.
func TestRealSoundsBecomeClipsOrClearErrors(t *testing.T) {
	notShort(t)
	dir := realMedia(t)
	p := speaking(t, "grey8", speakers[6].sound)
	for _, want := range []struct {
		name           string
		clips, refused int
	}{
		{"scratch", 114, 0},
		{"sonic-pi-samples", 166, 0},
		{"alsa-utils", 9, 0},
		{"python3-scipy", 13, 7},
		{"forensics-samples-files", 4, 2},
	} {
		clips, seconds := map[string]int{}, 0.0
		refused := 0
		err := filepath.WalkDir(filepath.Join(dir, want.name), func(path string, d fs.DirEntry, err error) error {
			ext := strings.ToLower(filepath.Ext(path))
			if err != nil || d.IsDir() || !slices.Contains([]string{".wav", ".mp3", ".flac", ".ogg"}, ext) {
				return err
			}
			beats, wave, err := packSound(t, p, path)
			if err != nil {
				refused++
				t.Logf("%v\n\ttry: %s", err, tries(err))
				clearError(t, path, err)
				return nil
			}
			clips[ext]++
			clips["all"]++
			seconds += float64(len(wave)) / p.Sound.RealRate.Value.Float()
			if beats == 0 || len(wave) == 0 {
				t.Errorf("%s: %d beats and %d samples", path, beats, len(wave))
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: %d clips of %.0f s (%v), %d clear errors", want.name, clips["all"], seconds, clips, refused)
		if clips["all"] < want.clips || clips["all"]+refused < want.clips+want.refused {
			t.Errorf("%s: want %d clips and %d clear errors", want.name, want.clips, want.refused)
		}
	}
}

func tries(err error) string {
	var t interface{ Tries() []string }
	if errors.As(err, &t) {
		return strings.Join(t.Tries(), "; ")
	}
	return "nothing"
}
