package fill

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/transcode"
	"example.org/stampreel/transcode/source"
)

// damages calls try with copies of data in which one byte is gone, or has
// another value, at up to the given number of places spread over the file, its
// first 200 bytes in any case.
func damages(data []byte, most int, try func(what string, at int, data []byte)) {
	const first = 200
	step := max(1, (len(data)+most-1)/most)
	for at := range data {
		if at%step != 0 && at >= first {
			continue
		}
		for kind, mask := range []byte{0, 0xff, 0x01} {
			switch {
			case kind == 0:
				try("removed", at, append(bytes.Clone(data[:at]), data[at+1:]...))
			default:
				other := bytes.Clone(data)
				other[at] ^= mask
				try("changed", at, other)
			}
		}
	}
}

// inMemory is a folder on which flushing a file takes no time, where there is
// one.
func inMemory(t *testing.T) string {
	dir, err := os.MkdirTemp("/dev/shm", "fill-test-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// One byte more or less makes a clip that verifies or an error that names the
// file: nothing else, and no file that is half done.
func TestOneDamagedByteIsAClipOrAClearError(t *testing.T) {
	notShort(t)
	const most = 300
	for _, c := range []struct {
		name  string
		data  []byte
		clips int // at least; a PNG's checksums let nothing pass
	}{
		{"film.gif", madeGIF(t, 5), 100},
		{"still.gif", madeGIF(t, 1), 20},
		{"sound.wav", madeWAV(t, 8000, 2, 300), 100},
		{"film.y4m", madeY4M(10, 6, 4, 25), 100},
		{"picture.png", madePNG(t, 20, 10, 3), 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			dir, card := inMemory(t), inMemory(t)
			s := sign(t)
			s.To = source.Ratio{Num: 20, Den: 1} // a delay may become eleven minutes
			whole := put(t, dir, "whole-"+c.name, c.data)
			if _, err := s.Pack(background, Job{Source: whole, Clip: filepath.Join(card, "clip.srq")}); err != nil {
				t.Fatalf("%s, whole: %v", c.name, err)
			}
			clips, failures := 0, 0
			damages(c.data, most, func(what string, at int, data []byte) {
				path := put(t, dir, c.name, data)
				p, err := s.Pack(background, Job{Source: path, Clip: filepath.Join(card, "clip.srq")})
				var long *transcode.LengthError
				switch {
				case err == nil:
					clips++
					// Pack verified it; nobody may have to take its word for that.
					if at%16 == 0 {
						clip(t, p.Files[0])
					}
				case !strings.Contains(err.Error(), path):
					t.Errorf("%s, byte %d %s: the error names no file: %v", c.name, at, what, err)
				case !promised(err) && !errors.As(err, &long) && !errors.Is(err, transcode.ErrNothingLeft) && !strings.Contains(err.Error(), "sound: "):
					t.Errorf("%s, byte %d %s: %T %v", c.name, at, what, err, err)
				default:
					failures++
				}
			})
			left(t, card, "clip.srq")
			t.Logf("%s, %d bytes: %d clips, %d clear errors", c.name, len(c.data), clips, failures)
			const some = 50
			if clips < c.clips || failures < some {
				t.Errorf("%s: %d clips, %d errors: the damage reaches too little", c.name, clips, failures)
			}
		})
	}
}

func TestOneDamagedByteOfAPlayerFileIsAPlayerOrAClearError(t *testing.T) {
	notShort(t)
	text, err := playerfile.KnownFile("mono-128x64")
	if err != nil {
		t.Fatal(err)
	}
	dir, card := inMemory(t), inMemory(t)
	src := put(t, dir, "film.gif", madeGIF(t, 3))
	path := filepath.Join(dir, "player.yaml")
	most := len(text)
	players, refused, unfit := 0, 0, 0
	damages(text, most, func(what string, at int, data []byte) {
		if err := os.WriteFile(path, data, 0o644); err != nil {
			t.Fatal(err)
		}
		player, err := playerfile.Load(path)
		if err != nil {
			refused++
			var bad *playerfile.Error
			if !errors.As(err, &bad) || !strings.Contains(err.Error(), path) {
				t.Errorf("byte %d %s: %T %v", at, what, err, err)
			}
			return
		}
		players++
		s := Settings{Player: player, Workers: 1}
		if _, err := s.Pack(background, Job{Source: src, Clip: filepath.Join(card, "clip.srq")}); err != nil {
			unfit++
			if !strings.Contains(err.Error(), src) {
				t.Errorf("byte %d %s: the error names no file: %v", at, what, err)
			} else if unfit < 5 {
				t.Logf("byte %d %s: %v", at, what, err)
			}
		}
	})
	left(t, card, "clip.srq")
	t.Logf("%d players, %d of them cannot get a clip, %d refused", players, unfit, refused)
	if players < 10 || refused < 10 {
		t.Errorf("%d players, %d refused: the damage reaches too little", players, refused)
	}
}

// A source cut short anywhere is the same: a clip, with a warning where it
// shows, or a clear error.
func TestASourceCutShortIsAClipOrAClearError(t *testing.T) {
	notShort(t)
	for name, data := range map[string][]byte{
		"film.gif": madeGIF(t, 5), "sound.wav": madeWAV(t, 8000, 2, 300), "film.y4m": madeY4M(10, 6, 4, 25), "picture.png": madePNG(t, 20, 10, 3),
	} {
		dir, card := inMemory(t), inMemory(t)
		s := sign(t)
		const step = 3
		clips, warned, tried := 0, 0, 0
		for n := 0; n < len(data); n += step {
			tried++
			path := put(t, dir, name, data[:n])
			p, err := s.Pack(background, Job{Source: path, Clip: filepath.Join(card, "clip.srq")})
			switch {
			case err == nil:
				clips++
				if len(p.Result.Warnings) > 0 {
					warned++
				}
			case !promised(err) || !strings.Contains(err.Error(), path):
				t.Errorf("%s, the first %d bytes: %v", name, n, err)
			}
		}
		t.Logf("%s: %d of %d beginnings are clips, %d with a warning", name, clips, tried, warned)
		if clips > 0 {
			left(t, card, "clip.srq")
		} else {
			left(t, card)
		}
		// A PNG is complete some bytes before its end; everything else tells.
		if clips-warned > 12/step {
			t.Errorf("%s: %d clips of a file cut short came without a warning", name, clips-warned)
		}
		if kind, _, _ := source.Sniff(filepath.Join(dir, name)); kind == "" {
			t.Errorf("%s: nothing tells what it was", name)
		}
	}
}
