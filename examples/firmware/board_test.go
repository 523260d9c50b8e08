package firmware_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// buildBoard compiles the firmware of board/ and returns its path.
func buildBoard(t *testing.T, args ...string) string {
	t.Helper()
	for _, program := range []string{"arm-none-eabi-gcc", "qemu-system-arm"} {
		if _, err := exec.LookPath(program); err != nil {
			missing(t, program)
		}
	}
	var sources []string
	for _, pattern := range []string{"board/*", "host/player.c", "host/board.h", "../../container/c/stampreel.h"} {
		files, err := filepath.Glob(filepath.FromSlash(pattern))
		if err != nil || len(files) == 0 {
			t.Fatalf("no files %s: %v", pattern, err)
		}
		for _, path := range files {
			if _, err := os.ReadFile(path); err != nil { // go test keeps results until these change
				t.Fatal(err)
			}
			if filepath.Ext(path) == ".c" && path != filepath.Join("host", "player.c") {
				sources = append(sources, path)
			}
		}
	}
	out := filepath.Join(t.TempDir(), "board.elf")
	all := append([]string{"-std=gnu99", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-mcpu=cortex-m3", "-mthumb", "-Os", "-ffreestanding",
		"-fno-tree-loop-distribute-patterns", "-ffunction-sections", "-fdata-sections", "-nostdlib", "-Wl,--gc-sections",
		"-I", filepath.Join("..", "..", "container", "c"), "-T", filepath.Join("board", "lm3s6965.ld"), "-o", out}, args...)
	all = append(append(all, sources...), "-lgcc")
	if text, err := exec.Command("arm-none-eabi-gcc", all...).CombinedOutput(); err != nil {
		t.Fatalf("arm-none-eabi-gcc %v: %v\n%s", all, err, text)
	}
	return out
}

// runBoard plays on the emulated board with a card and returns what the serial line said
// and the firmware's exit code. Time on the board is counted in instructions, 32 ns each.
func runBoard(t *testing.T, kernel, image string) (string, int) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, "qemu-system-arm", "-M", "lm3s6965evb", "-display", "none", "-monitor", "none", "-serial", "stdio",
		"-audiodev", "none,id=none", "-semihosting", "-icount", "shift=5,sleep=off",
		"-drive", "if=sd,format=raw,snapshot=on,file="+image, "-kernel", kernel)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	var exit *exec.ExitError
	if err != nil && (!errors.As(err, &exit) || exit.ExitCode() < 0) {
		t.Fatalf("qemu-system-arm: %v\n%s%s", err, out, stderr.Bytes())
	}
	return string(out), cmd.ProcessState.ExitCode()
}

// TestTheBoardReadsASector boots the board with a card of noise.
func TestTheBoardReadsASector(t *testing.T) {
	image := filepath.Join(t.TempDir(), "card.img")
	sector := make([]byte, 512)
	rng := rand.New(rand.NewPCG(12, 1))
	for i := range sector {
		sector[i] = byte(rng.Uint32())
	}
	if err := os.WriteFile(image, sector, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(image, 64<<20); err != nil {
		t.Fatal(err)
	}
	out, code := runBoard(t, buildBoard(t), image)
	if want := fmt.Sprintf("stampreel board\nsector 0 crc %08x\n", crc32.ChecksumIEEE(sector)); out != want || code != 0 {
		t.Errorf("the board says %q and ends with %d, want %q", out, code, want)
	}
}
