//go:build unix

package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// The same sources and settings give the same clips on processors that multiply and add in
// one step (arm64, ppc64le) and on one of 32 bits.
func TestSameBytesOnOtherProcessors(t *testing.T) {
	if os.Getenv("STAMPREEL_LONG") != "1" {
		t.Skip("set STAMPREEL_LONG=1: takes minutes")
	}
	here, dir := realBinary(t), t.TempDir()
	demo := exec.CommandContext(t.Context(), here, "demo", "-q")
	demo.Dir = dir
	if out, err := demo.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	others := map[string]string{}
	for arch, emulator := range map[string]string{"arm64": "qemu-aarch64", "ppc64le": "qemu-ppc64le", "arm": "qemu-arm"} {
		if _, err := exec.LookPath(emulator); err != nil {
			missing(t, emulator)
		}
		others[emulator] = filepath.Join(dir, "stampreel-"+arch)
		build := exec.CommandContext(t.Context(), "go", "build", "-tags", "nosystem", "-o", others[emulator], ".")
		build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOARCH="+arch, "GOFLAGS=")
		if out, err := build.CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	for _, settings := range []string{"", "--coding jpeg --loudness -16", "--coding tiles --sound-coding ima-adpcm --sound-dither shaped --contrast 1.2 --saturation 0.7 --soften-flashes"} {
		fill := func(card string, program ...string) {
			args := append(program, "fill", "stampreel-demo/reel", card, "-q", "--player", "rect-240x135")
			cmd := exec.CommandContext(t.Context(), args[0], append(args[1:], strings.Fields(settings)...)...)
			cmd.Dir = dir
			if out, err := cmd.CombinedOutput(); err != nil {
				t.Fatalf("%q: %v: %s", args, err, out)
			}
		}
		fill("here", here)
		clips, err := filepath.Glob(filepath.Join(dir, "here", "*.srq"))
		if err != nil || len(clips) < 5 {
			t.Fatalf("%d clips, %v", len(clips), err)
		}
		for emulator, program := range others {
			fill(emulator, emulator, program)
			for _, clip := range clips {
				want, err := os.ReadFile(clip)
				if err != nil {
					t.Fatal(err)
				}
				got, err := os.ReadFile(filepath.Join(dir, emulator, filepath.Base(clip)))
				if err != nil || !bytes.Equal(got, want) {
					t.Errorf("%s %q: %s is another clip: %v", emulator, settings, filepath.Base(clip), err)
				}
			}
		}
	}
}
