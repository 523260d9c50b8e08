//go:build unix

package main

import (
	"bytes"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// mutationKinds are the kinds of real media, how many files of each the corpus has at least,
// and what one may take, in MiB. Of WebP there is no real one.
var mutationKinds = []struct {
	ext    string
	least  int
	mostMB float64
}{
	{"gif", 50, bombMB}, {"png", 50, bombMB}, {"jpg", 20, bombMB}, {"bmp", 5, bombMB},
	{"wav", 20, bombMB}, {"flac", 20, bombMB}, {"mp3", 10, bombMB},
	// With their processes; decoders of their own limits.
	{"avi", 2, 800}, {"mp4", 2, 800}, {"webm", 1, 800},
}

// A thousand changed copies of real files of each kind (a few where STAMPREEL_LONG is not 1)
// are packed, or are errors with a line to try: no panic, no clip that does not verify, none
// under its name that was not finished, bounded memory and time.
func TestPackingMutations(t *testing.T) {
	folder, ok := mediaFolder()
	if !ok {
		missing(t, realMedia)
	}
	binary, each, seed := realBinary(t), 3, uint64(1)
	if os.Getenv("STAMPREEL_LONG") == "1" {
		each = 1000
	}
	for name, to := range map[string]func(n uint64){"STAMPREEL_MUTATIONS": func(n uint64) { each = int(n) }, "STAMPREEL_SEED": func(n uint64) { seed = n }} {
		if n, err := strconv.ParseUint(os.Getenv(name), 10, 32); err == nil {
			to(n)
		}
	}
	for _, kind := range mutationKinds {
		t.Run(kind.ext, func(t *testing.T) {
			var files []string
			err := filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
				if err == nil && d.Type().IsRegular() && strings.EqualFold(filepath.Ext(path), "."+kind.ext) {
					if info, err := d.Info(); err == nil && info.Size() < 5_000_000 {
						files = append(files, path)
					}
				}
				return err
			})
			if err != nil || len(files) < kind.least {
				t.Fatalf("%d files, want %d: %v", len(files), kind.least, err)
			}
			rng := rand.New(rand.NewPCG(seed, uint64(len(kind.ext))))
			packed, refused, peak, slowest := 0, 0, 0.0, time.Duration(0)
			for i := range each {
				data, err := os.ReadFile(files[rng.IntN(len(files))])
				if err != nil {
					t.Fatal(err)
				}
				dir := t.TempDir()
				if err := os.WriteFile(filepath.Join(dir, "source."+kind.ext), mutated(rng, data), 0o666); err != nil {
					t.Fatal(err)
				}
				c := runChild(t, binary, dir, slowMachine*20*time.Second, nil, "pack", "source."+kind.ext, "--player", "rect-240x135", "--to", "3", "-o", "clip.srq")
				peak, slowest = max(peak, c.peakMB), max(slowest, c.took)
				left := strings.Join(namesIn(t, dir), " ")
				what := fmt.Sprintf("mutation %d (seed %d): exit code %d, left %q:\n%s", i, seed, c.code, left, c.stderr)
				switch {
				case left == "clip.srq source."+kind.ext && (c.code == 0 || c.code == exitFailed || c.code == exitNotFit):
					packed++
					if v := runChild(t, binary, dir, time.Minute, nil, "verify", "clip.srq"); v.code != 0 {
						t.Errorf("%s\nthe clip does not verify: %s", what, v.stderr)
					}
				case left == "source."+kind.ext && c.code == exitFailed && strings.Contains(c.stderr, "error: "):
					refused++
				default:
					t.Error(what)
				}
				if t.Failed() && i < each-1 {
					kept := filepath.Join(os.TempDir(), fmt.Sprintf("stampreel-mutation-%d.%s", i, kind.ext))
					os.Rename(filepath.Join(dir, "source."+kind.ext), kept)
					t.Fatalf("kept: %s", kept)
				}
				os.RemoveAll(dir)
			}
			if peak > kind.mostMB {
				t.Errorf("%.0f MB in use", peak)
			}
			t.Logf("%d packed, %d refused; at most %.0f MB and %v", packed, refused, peak, slowest)
		})
	}
}

// mutated is data with a few of its bytes, or a stretch of them, changed, gone or twice there.
func mutated(rng *rand.Rand, data []byte) []byte {
	data = bytes.Clone(data)
	for range 1 + rng.IntN(4)*rng.IntN(2) { // half of them once
		if len(data) == 0 {
			break
		}
		at := rng.IntN(len(data))
		if rng.IntN(2) == 0 {
			at = rng.IntN(min(len(data), 512)) // heads decide most
		}
		end := at + rng.IntN(min(len(data)-at, 1+rng.IntN(4096))) + 1
		switch rng.IntN(6) {
		case 0:
			data[at] ^= 1 << rng.IntN(8)
		case 1:
			data[at] = []byte{0, 1, 0x7f, 0x80, 0xfe, 0xff}[rng.IntN(6)]
		case 2:
			for i := at; i < end; i++ {
				data[i] = byte(rng.Uint32())
			}
		case 3:
			data = append(data[:at], data[min(end, len(data)):]...)
		case 4:
			data = append(data[:end:end], data[at:]...)
		case 5:
			data = data[:at]
		}
	}
	return data
}
