package c_test

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"example.org/stampreel/container"
)

var update = flag.Bool("update", false, "write README.md's figures anew")

// Most of what the reader may take on a Cortex-M0, in bytes: the promise of
// README.md.
const (
	mostPCM   = 4096
	mostTiles = 2048
	mostCode  = 8192
	mostStack = 256
)

// codeBytes links the whole reader, every function and the compiler's helpers,
// for a Cortex-M0 and returns its code and constants.
func codeBytes(t *testing.T, args ...string) int {
	t.Helper()
	dir := t.TempDir()
	object, linked := filepath.Join(dir, "reader.o"), filepath.Join(dir, "reader.elf")
	implementation(t, "arm-none-eabi-gcc", object, append(append(append([]string{"-Os"}, strict...), m0...), args...)...)
	run(t, "arm-none-eabi-gcc", "-mcpu=cortex-m0", "-mthumb", "-nostdlib", "-Wl,--entry=stampreel_open", "-o", linked, object, "-lgcc")
	fields := strings.Fields(string(run(t, "arm-none-eabi-size", linked)))
	text, err := strconv.Atoi(fields[6])
	if data, _ := strconv.Atoi(fields[7]); err != nil || fields[0] != "text" || data != 0 || fields[8] != "0" {
		t.Fatalf("arm-none-eabi-size says %v, want some text and neither data nor bss", fields)
	}
	return text
}

// structBytes returns the size of the reader's types on a Cortex-M0.
func structBytes(t *testing.T, names ...string) []int {
	t.Helper()
	dir := t.TempDir()
	source, object := filepath.Join(dir, "sizes.c"), filepath.Join(dir, "sizes.o")
	text := "#include \"stampreel.h\"\n"
	for _, n := range names {
		text += fmt.Sprintf("char size_of_%s[sizeof(%s)];\n", n, n)
	}
	if err := os.WriteFile(source, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	run(t, "arm-none-eabi-gcc", append(m0, "-I.", "-c", "-o", object, source)...)
	symbols := string(run(t, "arm-none-eabi-nm", "-S", object))
	var sizes []int
	for _, n := range names {
		m := regexp.MustCompile(`(?m)^\w+ (\w+) \w size_of_` + n + `$`).FindStringSubmatch(symbols)
		if m == nil {
			t.Fatalf("no size of %s in %s", n, symbols)
		}
		size, err := strconv.ParseInt(m[1], 16, 32)
		if err != nil {
			t.Fatal(err)
		}
		sizes = append(sizes, int(size))
	}
	return sizes
}

// stackBytes adds up what the compiler says of each function along the deepest
// way through its call graph. Callbacks count nothing.
func stackBytes(t *testing.T) (most int, function string) {
	t.Helper()
	object := filepath.Join(t.TempDir(), "reader.o")
	implementation(t, "arm-none-eabi-gcc", object, append(append([]string{"-Os", "-fcallgraph-info=su"}, strict...), m0...)...)
	graph, err := os.ReadFile(strings.TrimSuffix(object, ".o") + ".ci")
	if err != nil {
		t.Fatal(err)
	}
	own, calls := map[string]int{}, map[string][]string{}
	for _, m := range regexp.MustCompile(`node: \{ title: "([^"]+)" label: "[^"]*\\n(\d+) bytes \((\w+)\)`).FindAllStringSubmatch(string(graph), -1) {
		if own[m[1]], err = strconv.Atoi(m[2]); err != nil || m[3] != "static" {
			t.Fatalf("stack of %s: %s bytes (%s), want a fixed number", m[1], m[2], m[3])
		}
	}
	for _, m := range regexp.MustCompile(`edge: \{ sourcename: "([^"]+)" targetname: "([^"]+)"`).FindAllStringSubmatch(string(graph), -1) {
		calls[m[1]] = append(calls[m[1]], m[2])
	}
	var depth func(name string, on int) int
	depth = func(name string, on int) int {
		if on > len(own) {
			t.Fatalf("%s calls itself", name)
		}
		below := 0
		for _, c := range calls[name] {
			below = max(below, depth(c, on+1))
		}
		return own[name] + below
	}
	public := 0
	for name := range own {
		if strings.HasPrefix(name, "stampreel_") {
			public++
			if d := depth(name, 0); d > most || d == most && name < function {
				most, function = d, name
			}
		}
	}
	if public < 15 {
		t.Fatalf("%d public functions in the call graph", public)
	}
	return most, function
}

func TestFitsASmallProcessor(t *testing.T) {
	pcm, all := codeBytes(t, "-DSTAMPREEL_NO_ADPCM", "-DSTAMPREEL_NO_TILES", "-DSTAMPREEL_NO_JPEG"), codeBytes(t)
	withTiles, withADPCM := codeBytes(t, "-DSTAMPREEL_NO_ADPCM"), codeBytes(t, "-DSTAMPREEL_NO_TILES")
	table := codeBytes(t, "-DSTAMPREEL_CRC32_TABLE")
	stack, function := stackBytes(t)
	sizes := structBytes(t, "stampreel_reader", "stampreel_sound", "stampreel_clock", "stampreel_card", "stampreel_piece", "stampreel_tiles")
	if withTiles-pcm > mostTiles {
		t.Errorf("tiles add %d bytes, want at most %d", withTiles-pcm, mostTiles)
	}
	if pcm > mostPCM || all > mostCode || stack > mostStack {
		t.Errorf("code %d bytes with PCM alone and %d with all codings, stack %d bytes: want at most %d, %d and %d", pcm, all, stack, mostPCM, mostCode, mostStack)
	}
	version := strings.TrimSpace(string(run(t, "arm-none-eabi-gcc", "-dumpfullversion")))
	figures := fmt.Sprintf(`| Cortex-M0, arm-none-eabi-gcc %s -Os | bytes |
|---|---:|
| code and constants, all functions, without IMA ADPCM and tiles | %d |
| IMA ADPCM adds | %d |
| tiles add | %d |
| code and constants with all codings | %d |
| STAMPREEL_CRC32_TABLE adds | %d |
| stack at its deepest, %s, without the callback | %d |
| stampreel_reader | %d |
| stampreel_sound, the decoder | %d |
| stampreel_tiles, the decoder | %d |
| stampreel_clock | %d |
| stampreel_card, of the reader that waits | %d |
| stampreel_piece | %d |
`, version, pcm, withADPCM-pcm, withTiles-pcm, all, table-all, function, stack, sizes[0], sizes[1], sizes[5], sizes[2], sizes[3], sizes[4])
	inReadme(t, "<!-- figures: go test ./container/c -run Fits -update -->\n", version, figures)
}

// inReadme holds the table behind a line of README.md against figures that depend on the
// compiler's version, or writes it anew.
func inReadme(t *testing.T, mark, version, figures string) {
	t.Helper()
	text := readText(t, "README.md")
	before, rest, ok := strings.Cut(text, mark)
	have, after, ok2 := strings.Cut(rest, "\n\n")
	if !ok || !ok2 {
		t.Fatalf("README.md has no table behind %q", mark)
	}
	if *update {
		if err := os.WriteFile("README.md", []byte(before+mark+strings.TrimSuffix(figures, "\n")+"\n\n"+after), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if !strings.Contains(text, "arm-none-eabi-gcc "+version+" ") {
		missing(t, "the compiler of README.md's figures: here is "+version)
	}
	if have+"\n" != figures {
		t.Errorf("README.md's figures differ (go test ./container/c -update), want:\n%s", figures)
	}
}

// TestPlaysOnABareCortexM0 runs testdata/m0.c in an emulator.
func TestPlaysOnABareCortexM0(t *testing.T) {
	kernel := filepath.Join(t.TempDir(), "m0.elf")
	args := append([]string{"-std=gnu99", "-Wall", "-Wextra", "-Werror", "-Os", "-nostdlib"}, m0...)
	run(t, "arm-none-eabi-gcc", append(args, "-T", filepath.Join("testdata", "m0.ld"), "-o", kernel, filepath.Join("testdata", "m0.c"), "-lgcc")...)
	emulator := have(t, "qemu-system-arm")
	limit, _ := stackBytes(t)
	folder, deepest, played := t.TempDir(), 0, 0
	one := func(name string, data []byte) {
		path := filepath.Join(folder, "clip.srq")
		if err := os.WriteFile(path, data, 0o644); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(emulator, "-M", "microbit", "-nographic", "-monitor", "none", "-serial", "none",
			"-semihosting-config", "enable=on,target=native,arg="+path, "-kernel", kernel).CombinedOutput()
		m := model(t, data)
		p := play([]*fileModel{m}, job{seek: none, most: m.h.Beats}, nil)
		want := fmt.Sprintf("%d %d %d %d %d %d %d ", p.first, p.begun, p.ended, p.frames, p.sound, p.samples, m.pixels(t))
		rest, ok := strings.CutPrefix(string(out), want)
		stack, _, _ := strings.Cut(rest, " ")
		depth, err2 := strconv.Atoi(stack)
		if err != nil || !ok || err2 != nil {
			t.Errorf("%s: %q, %v; want %q and the depth of the stack", name, out, err, want)
		}
		deepest = max(deepest, depth)
		played++
	}
	for _, v := range valid(t) {
		if model(t, v.data).h.FrameCodings>>container.JPEG&1 == 0 { // examples/firmware/jpeg decodes it there
			one(v.name, v.data)
		}
	}
	if played < 90 {
		t.Errorf("%d vectors", played)
	}
	all := played + 8
	rng := rand.New(rand.NewPCG(8, 8))
	for played < all {
		files := randomClip(t, rng.Uint64())
		if len(files) == 1 && len(files[0]) < 200000 {
			one("random clip", files[0])
		}
	}
	t.Logf("stack: %d bytes seen, %d by the call graph", deepest, limit)
	if deepest == 0 || deepest > mostStack {
		t.Errorf("%d bytes of stack, want at most %d", deepest, mostStack)
	}
}

// TestPlaysOnABigEndianMachine runs conform.c as a PowerPC program.
func TestPlaysOnABigEndianMachine(t *testing.T) {
	program := filepath.Join(t.TempDir(), "conform")
	run(t, "powerpc-linux-gnu-gcc", append(append([]string{}, strict...), "-O1", "-static", "-o", program, filepath.Join("testdata", "conform.c"))...)
	have(t, "qemu-ppc")
	all := vectors(t)
	conform(t, []string{"qemu-ppc", program}, len(all), func(i int) job {
		v := all[i]
		return job{seed: uint32(i), width: uint32(v.limits.Width), height: uint32(v.limits.Height), wholeBytes: uint32(v.limits.WholeBytes), files: [][]byte{v.data}}
	}, func(i int, text string) {
		if want := goSays(all[i].data, all[i].limits); text != want {
			t.Errorf("%s: the C reader says %s, the Go reader %s", all[i].name, text, want)
		}
	})
}
