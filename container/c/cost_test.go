package c_test

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.org/stampreel/container"
	"example.org/stampreel/container/pixel"
)

// What is counted: a large tile in units of 2 bytes and of 1, of one operation over and over;
// and many tiles of a pixel each.
const (
	costWidth, costHeight = 128, 96
	costTiles             = 1000
)

var costs = []struct {
	what    string
	unit    int                      // bytes
	operate func(unit, n int) []byte // of n units; nil: tiles of a pixel
}{
	{"a byte of rgb565: units as they are", 2, literal},
	{"runs", 2, runs},
	{"indices, of 3 bits", 2, indices},
	{"16 indices and two colours for them, over and over", 2, renewed},
	{"a byte of mono-pages: units as they are", 1, literal},
	{"runs", 1, runs},
	{"indices, of 3 bits", 1, indices},
	{"16 indices and two colours for them, over and over", 1, renewed},
	{"a tile of one pixel", 2, nil},
}

func units(n, size int) []byte { return bytes.Repeat([]byte{0x5a, 0xc3}[:size], n) }

func literal(unit, n int) (p []byte) {
	for ; n > 0; n -= min(n, 4096) {
		k := min(n, 4096)
		p = append(append(p, byte((k-1)>>8), byte(k-1)), units(k, unit)...)
	}
	return p
}

func runs(unit, n int) []byte {
	p := append([]byte{0x10}, units(1, unit)...)
	for ; n > 0; n -= min(n, 2048) {
		k := min(n, 2048)
		p = append(p, 0x80|byte((k-1)>>8), byte(k-1))
	}
	return p
}

func indices(unit, n int) []byte {
	p := append([]byte{0x17}, units(8, unit)...)
	for ; n > 0; n -= min(n, 4096) {
		k := min(n, 4096)
		p = append(p, 0x60|byte((k-1)>>8), byte(k-1))
		p = append(p, bytes.Repeat([]byte{0x05, 0x39, 0x77}, k/8)...)
	}
	return p
}

func renewed(unit, n int) (p []byte) {
	for ; n > 0; n -= 16 {
		p = append(append(append(p, 0x11), units(2, unit)...), 0x40, 15, 0x55, 0xaa)
	}
	return p
}

// costClip is a clip whose second beat has such tiles, and how many bytes or tiles they are.
func costClip(t *testing.T, unit int, operate func(unit, n int) []byte) (path string, per int) {
	t.Helper()
	s := container.Settings{Width: costWidth, Height: costHeight, PixelFormat: pixel.RGB565, Rate: container.Ratio{Num: 1, Den: 1}}
	if unit == 1 {
		s.PixelFormat = pixel.MonoPages
	}
	var p []byte
	panel := 2 * costTiles
	if per = costTiles; operate == nil {
		p = []byte{costTiles & 255, costTiles >> 8}
		for k := range costTiles {
			p = append(p, byte(k%costWidth), byte(k/costWidth), 0, 0, 0, 0, 0, 0xab, 0xcd)
		}
	} else {
		per = container.RawFrameBytes(s.PixelFormat, costWidth, costHeight-8)
		panel = per
		p = append([]byte{1, 0, 0, 0, costWidth - 1, costHeight - 9, 0}, operate(unit, per/unit)...)
	}
	path = filepath.Join(t.TempDir(), "clip.srq")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w, err := container.NewWriter(f, s)
	if err == nil {
		err = w.Write(container.RawFrame(make([]byte, container.RawFrameBytes(s.PixelFormat, costWidth, costHeight))), nil)
	}
	if err == nil {
		err = w.Write(container.Frame{Coding: container.Tiles, Bytes: p, PanelBytes: panel}, nil)
	}
	if err == nil {
		_, err = w.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return path, per
}

// The figures of README.md, counted in an emulator that takes each instruction for a nanosecond.
func TestInstructionsOfTheDecoderOfTiles(t *testing.T) {
	emulator := have(t, "qemu-system-arm")
	var kernels []string
	machines := [][2]string{{"cortex-m0", "microbit"}, {"cortex-m3", "lm3s6965evb"}}
	for _, m := range machines {
		kernel := filepath.Join(t.TempDir(), m[0]+".elf")
		run(t, "arm-none-eabi-gcc", "-std=gnu99", "-Wall", "-Wextra", "-Werror", "-Os", "-nostdlib", "-mcpu="+m[0], "-mthumb", "-ffreestanding",
			"-T", filepath.Join("testdata", "m0.ld"), "-o", kernel, filepath.Join("testdata", "m0.c"), "-lgcc")
		kernels = append(kernels, kernel)
	}
	figures := "| instructions, -Os | Cortex-M0 | Cortex-M3 |\n|---|---:|---:|\n"
	for _, c := range costs {
		path, per := costClip(t, c.unit, c.operate)
		figures += "| " + c.what
		for i, m := range machines {
			out, err := exec.Command(emulator, "-M", m[1], "-icount", "shift=0", "-nographic", "-monitor", "none", "-serial", "none", "-chardev", "stdio,id=out",
				"-semihosting-config", "enable=on,target=native,chardev=out,arg="+path, "-kernel", kernels[i]).Output()
			if err != nil {
				t.Fatalf("%s on %s: %v", c.what, m[1], err)
			}
			var first, begun, ended, frames, sound, samples, pixels, stack, each, ticks float64
			if n, err := fmt.Sscan(string(out), &first, &begun, &ended, &frames, &sound, &samples, &pixels, &stack, &each, &ticks); n != 10 || ended != 2 || each == 0 {
				t.Fatalf("%s on %s: %q, %v", c.what, m[1], out, err)
			}
			figures += fmt.Sprintf(" | %.0f", math.Ceil(ticks/each*200000/float64(per)))
		}
		figures += " |\n"
	}
	version := strings.TrimSpace(string(run(t, "arm-none-eabi-gcc", "-dumpfullversion")))
	inReadme(t, "<!-- instructions: go test ./container/c -run Instructions -update -->\n", version, figures)
}
