// Package jpeg_test compiles the JPEG decoder of this folder and holds what it shows against
// Go's, which it has to match bit for bit.
package jpeg_test

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	stdjpeg "image/jpeg"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"example.org/stampreel/container"
	"example.org/stampreel/container/frame/jpeg"
	"example.org/stampreel/container/pixel"
)

// missing skips the test by the name of what it lacks, or fails it where everything has to be
// there.
func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
		t.Fatalf("missing: %s", what)
	}
	t.Skipf("missing: %s", what)
}

var strict = []string{"-std=c99", "-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror"}

// run runs a program with some input. It reads the C sources too, so that go test knows what
// its cached results depend on.
func run(t *testing.T, stdin []byte, program string, args ...string) []byte {
	t.Helper()
	if testing.Short() {
		t.Skip("not in short runs: programs in C, which have no race detector")
	}
	for _, source := range []string{"stampreel_jpeg.h", filepath.Join("host", "show.c"), filepath.Join("host", "m0.c")} {
		if _, err := os.ReadFile(source); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := exec.LookPath(program); err != nil {
		missing(t, program)
	}
	var stderr bytes.Buffer
	cmd := exec.Command(program, args...)
	cmd.Stdin, cmd.Stderr = bytes.NewReader(stdin), &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", program, args, err, stderr.Bytes())
	}
	return out
}

// build compiles show.c and returns the program's path.
func build(t *testing.T, compiler string, args ...string) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), "show")
	run(t, nil, compiler, append(append(append([]string{}, strict...), args...), "-I.", "-o", out, filepath.Join("host", "show.c"))...)
	return out
}

var sanitized = []string{"-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"}

// A job is a frame to be shown.
type job struct {
	what   string
	format pixel.Format
	w, h   int
	piece  int // bytes that are read at once
	room   int // bytes for rows
	frame  []byte
}

// hold shows all jobs in C and Go, and counts those that both show and that both refuse.
func hold(t *testing.T, program string, jobs []job) (shown, refused int) {
	t.Helper()
	var in bytes.Buffer
	for _, j := range jobs {
		in.WriteByte(byte(j.format))
		for _, v := range []int{j.w, j.h, j.piece, j.room, len(j.frame)} {
			in.Write(binary.LittleEndian.AppendUint32(nil, uint32(v)))
		}
		in.Write(j.frame)
	}
	out := run(t, in.Bytes(), program)
	for _, j := range jobs {
		want := make([]byte, j.format.FrameBytes(j.w, j.h))
		if len(out) < 1+len(want) {
			t.Fatalf("%s: no more output", j.what)
		}
		said, got := out[0], out[1:1+len(want)]
		out = out[1+len(want):]
		d, err := jpeg.NewDecoder(j.format, j.w, j.h)
		if err != nil {
			t.Fatal(err)
		}
		_, err = d.Decode(want, j.frame)
		switch {
		case (err == nil) != (said == 0) || said > 1:
			t.Errorf("%s: Go says %v, C says -%d", j.what, err, said)
		case err != nil:
			refused++
		case !bytes.Equal(got, want):
			at := 0
			for got[at] == want[at] {
				at++
			}
			t.Errorf("%s: byte %d of the frame is 0x%02x, Go has 0x%02x", j.what, at, got[at], want[at])
		default:
			shown++
		}
	}
	if len(out) > 0 {
		t.Errorf("%d bytes too many", len(out))
	}
	return shown, refused
}

// room is what the header's macros say.
func room(f pixel.Format, w int) int {
	switch f {
	case pixel.RGB565, pixel.RGB565LE:
		return 32 * w
	case pixel.RGB444:
		return 24 * w
	case pixel.RGB666:
		return 48 * w
	case pixel.Grey4:
		return 16 * ((w + 1) / 2)
	case pixel.MonoRows, pixel.MonoPages:
		return 2 * ((w + 7) / 8 * 8)
	}
	return 16 * w
}

// picture is noise over slopes, with hard edges.
func picture(rng *rand.Rand, w, h int) []byte {
	rgb := make([]byte, 3*w*h)
	grain, slope := 1+rng.IntN(120), rng.IntN(6)
	for i := range rgb {
		x, y := i/3%w, i/3/w
		v := 30 + x*slope + y*(i%3) + rng.IntN(grain)
		if (x/13+y/9)%4 == 0 {
			v = 300 - v
		}
		rgb[i] = byte(max(0, min(255, v)))
	}
	return rgb
}

func encode(t *testing.T, rgb []byte, w, h int, s jpeg.Sampling, quality int) []byte {
	t.Helper()
	e, err := jpeg.NewEncoder(w, h, s)
	if err != nil {
		t.Fatal(err)
	}
	p, _, err := e.Append(nil, rgb, w, quality)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// some returns jobs of all formats and samplings, at some sizes and qualities.
func some(t *testing.T, rng *rand.Rand, sizes [][2]int) []job {
	var jobs []job
	for _, size := range sizes {
		w, h := size[0], size[1]
		for _, f := range pixel.Formats() {
			for _, s := range []jpeg.Sampling{jpeg.Grey, jpeg.Full, jpeg.Share} {
				if f.Channels() == 1 && s != jpeg.Grey {
					continue
				}
				quality := []int{1, 20, 50, 75, 90, 100}[rng.IntN(6)]
				piece := []int{1, 7, 512, 1 << 20}[rng.IntN(4)]
				jobs = append(jobs, job{
					fmt.Sprintf("%v, %d×%d, %v, quality %d, pieces of %d", f, w, h, s, quality, piece),
					f, w, h, piece, room(f, w), encode(t, picture(rng, w, h), w, h, s, quality),
				})
			}
		}
	}
	return jobs
}

func TestFramesAreShownAsGoShowsThem(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	jobs := some(t, rng, [][2]int{{1, 1}, {9, 7}, {16, 16}, {33, 17}, {160, 128}, {135, 240}, {1024, 3}})
	if len(jobs) != 7*19 {
		t.Fatalf("%d frames, want those of 5 formats in colour and 4 grey ones", len(jobs))
	}
	// Another encoder's frames: other tables, all values in them.
	for _, quality := range []int{2, 50, 98} {
		const w, h = 61, 45
		rgb := picture(rng, w, h)
		img := image.NewRGBA(image.Rect(0, 0, w, h))
		for i := range w * h {
			img.SetRGBA(i%w, i/w, color.RGBA{rgb[3*i], rgb[3*i+1], rgb[3*i+2], 255})
		}
		var b bytes.Buffer
		if err := stdjpeg.Encode(&b, img, &stdjpeg.Options{Quality: quality}); err != nil {
			t.Fatal(err)
		}
		jobs = append(jobs, job{fmt.Sprintf("Go's encoder, quality %d", quality), pixel.RGB444, w, h, 512, room(pixel.RGB444, w), b.Bytes()})
	}
	for _, compiler := range []string{"gcc", "clang"} {
		t.Run(compiler, func(t *testing.T) {
			if shown, _ := hold(t, build(t, compiler, sanitized...), jobs); shown != len(jobs) && !t.Failed() {
				t.Errorf("%d of %d frames shown", shown, len(jobs))
			}
		})
	}
}

func TestDamagedFramesAreRefusedAsGoRefusesThem(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	var jobs []job
	n := 120
	if os.Getenv("STAMPREEL_LONG") == "1" {
		n = 4000
	}
	for _, whole := range some(t, rng, [][2]int{{20, 18}, {9, 7}}) {
		for range n {
			j := whole
			j.frame = bytes.Clone(whole.frame)
			scan := bytes.Index(j.frame, []byte{0xff, 0xda})
			switch at := rng.IntN(len(j.frame)); rng.IntN(6) {
			case 0:
				j.frame = j.frame[:at]
			case 1:
				j.frame[at] = byte(rng.IntN(256))
			case 2:
				j.frame[at] ^= 1 << rng.IntN(8)
			case 3: // in the headers, behind the steps
				at = bytes.Index(j.frame, []byte{0xff, 0xc0})
				j.frame[at+rng.IntN(scan-at)] = byte(rng.IntN(1 + rng.IntN(256)))
			case 4: // in the scan: often another picture
				j.frame[scan+rng.IntN(len(j.frame)-scan)] ^= 1 << rng.IntN(8)
			case 5:
				j.frame = append(append(j.frame[:at:at], byte(rng.IntN(256))), whole.frame[at:]...)
			}
			j.what = fmt.Sprintf("%s, damaged: %x", whole.what, j.frame)
			jobs = append(jobs, j)
		}
	}
	shown, refused := hold(t, build(t, "gcc", sanitized...), jobs)
	if shown < len(jobs)/50 || refused < len(jobs)/3 {
		t.Errorf("%d shown and %d refused of %d, want some of each", shown, refused, len(jobs))
	}
	t.Logf("%d shown, %d refused", shown, refused)
}

// The frame of FORMAT.md's chapter, and what it says of it.
func TestTheFrameOfTheChapterIsShown(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "container", "FORMAT.md"))
	if err != nil {
		t.Fatal(err)
	}
	block := func(name string) []byte {
		_, b, found := strings.Cut(string(text), "<!-- "+name+" -->\n```\n")
		b, _, closed := strings.Cut(b, "```")
		if !found || !closed {
			t.Fatalf("FORMAT.md has no block %s", name)
		}
		p, err := hex.DecodeString(strings.Join(strings.Fields(regexp.MustCompile(`(?m)^[0-9a-f]{4} `).ReplaceAllString(b, "")), ""))
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	frame, want := block("jpeg-tiny"), block("jpeg-tiny-rgb332")
	var in bytes.Buffer
	in.WriteByte(byte(pixel.RGB332))
	for _, v := range []int{10, 6, 512, 160, len(frame)} {
		in.Write(binary.LittleEndian.AppendUint32(nil, uint32(v)))
	}
	in.Write(frame)
	if got := run(t, in.Bytes(), build(t, "gcc", sanitized...)); !bytes.Equal(got, append([]byte{0}, want...)) {
		t.Errorf("shown is %x, want %x", got, want)
	}
}

// Room for a row too few is a limit, not a frame.
func TestTooLittleRoomIsALimit(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	program := build(t, "gcc", sanitized...)
	for _, j := range some(t, rng, [][2]int{{24, 24}}) {
		var in bytes.Buffer
		in.WriteByte(byte(j.format))
		needs := j.format.FrameBytes(24, 8)
		for _, v := range []int{24, 24, 512, needs - 1, len(j.frame)} {
			in.Write(binary.LittleEndian.AppendUint32(nil, uint32(v)))
		}
		in.Write(j.frame)
		if out := run(t, in.Bytes(), program); out[0] != 2 {
			t.Errorf("%s: room for %d bytes: -%d, want the limit -2", j.what, needs-1, out[0])
		}
	}
}

// What README.md's code leaves to the firmware: a card that is a file, a panel that is a piece of
// memory, tiles, and the loop of container/c/README.md. It writes what the panel shows at the end of each beat.
const aroundReadme = `
#define STAMPREEL_IMPLEMENTATION
#include "stampreel.h"
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
stampreel_reader r;
stampreel_card card;
stampreel_piece p;
static FILE *file;
static uint8_t shown[240 * 240 * 2], buffer[512 * 64];
static uint32_t place[4], sent;
static int card_read(void *user, uint32_t sector, uint32_t count, uint8_t *b)
{
    (void)user;
    return fseek(file, (long)sector * 512, SEEK_SET) || fread(b, 512, count, file) != count ? STAMPREEL_READ_ERROR : 0;
}
void panel_window(uint32_t x, uint32_t y, uint32_t width, uint32_t height)
{
    place[0] = x, place[1] = y, place[2] = width, place[3] = height, sent = 0;
}
static void panel_send(const uint8_t *b, uint32_t bytes)
{
    for (; bytes; bytes--, sent++) shown[((place[1] + sent / 2 / place[2]) * r.clip.width + place[0] + sent / 2 % place[2]) * 2 + (sent & 1)] = *b++;
}
void to_panel(void *context, uint32_t y, uint32_t count, const uint8_t *pixels, uint32_t bytes)
{
    (void)context, (void)y, (void)count;
    panel_send(pixels, bytes);
}
static void tiles_write(void)
{
    static stampreel_tiles tiles;
    uint8_t pixels[64];
    uint32_t done = 0, used, room;
    int32_t what;
    if (p.at == 0) stampreel_tiles_start(&tiles, &r.clip, &r.beat);
    do {
        used = p.bytes - done;
        room = sizeof pixels;
        what = stampreel_tiles_next(&tiles, p.data + done, &used, pixels, &room);
        done += used;
        if (what == STAMPREEL_WINDOW) panel_window(tiles.x, tiles.y, tiles.width, tiles.height);
        if (what == STAMPREEL_PIXELS) panel_send(pixels, room);
    } while (what > 0);
    if (what < 0) stampreel_drop(&r);
}
int main(int argc, char **argv)
{
    int32_t what;
    if (argc != 3 || !(file = fopen(argv[1], "rb"))) return 1;
    card.reader = &r;
    card.read = card_read;
    card.buffer = buffer;
    card.sectors = (uint32_t)atoi(argv[2]);
    stampreel_open(&r, STAMPREEL_UNKNOWN, NULL);
    while ((what = stampreel_next(&card, &p)) > 0) {
        if (what & STAMPREEL_FRAME && r.beat.frameCoding == STAMPREEL_RAW) {
            if (p.at == 0) panel_window(0, 0, r.clip.width, r.clip.height);
            panel_send(p.data, p.bytes);
        } else if (what & STAMPREEL_FRAME && r.beat.frameCoding == STAMPREEL_JPEG) {
            jpeg_write();
        } else if (what & STAMPREEL_FRAME) {
            tiles_write();
        }
        if (p.what & STAMPREEL_ENDS) fwrite(shown, 1, 2 * r.clip.width * r.clip.height, stdout);
    }
    return what < 0;
}
`

// README.md's code plays clips as it stands there, in strips and in whole beats.
func TestTheCodeOfTheReadmePlays(t *testing.T) {
	text, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	blocks := regexp.MustCompile("(?s)```c\n(.*?)```").FindAllSubmatch(text, -1)
	if len(blocks) != 2 {
		t.Fatalf("README.md has %d pieces of code, want 2", len(blocks))
	}
	dir, root := t.TempDir(), filepath.Join("..", "..", "..")
	source, program := filepath.Join(dir, "readme.c"), filepath.Join(dir, "readme")
	code := string(blocks[0][1]) + string(blocks[1][1]) + aroundReadme
	if err := os.WriteFile(source, []byte(code), 0o644); err != nil {
		t.Fatal(err)
	}
	run(t, nil, "gcc", append(append(append([]string{}, strict...), sanitized...), "-I.", "-I", filepath.Join(root, "container", "c"), "-o", program, source)...)
	codings := map[container.FrameCoding]int{}
	for _, name := range []string{"ok-jpeg-rgb565", "ok-tiles-rgb565", "ok-jpeg-in-parts"} {
		path := filepath.Join(root, "testdata", "vectors", name+".srq")
		f, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		info, err := f.Stat()
		if err != nil {
			t.Fatal(err)
		}
		reader, err := container.NewReader(f, info.Size(), container.Limits{})
		if err != nil {
			t.Fatal(err)
		}
		h := reader.Header()
		if h.PixelFormat != pixel.RGB565 {
			t.Fatalf("%s is in %v", name, h.PixelFormat)
		}
		panel, beat := container.NewPanel(&h), container.Beat{}
		var want []byte
		for n := range h.Beats {
			if err := reader.Show(h.FirstBeat+n, panel, &beat); err != nil {
				t.Fatal(err)
			}
			codings[beat.FrameCoding]++
			want = append(want, panel.Pixels...)
		}
		for _, sectors := range []string{"1", "64"} {
			if got := run(t, nil, program, path, sectors); !bytes.Equal(got, want) {
				t.Errorf("%s, %s sectors at a time: %d bytes shown, which are not the %d that Go shows", name, sectors, len(got), len(want))
			}
		}
	}
	if codings[container.JPEG] < 4 || codings[container.Tiles] < 2 || codings[container.Raw] < 1 {
		t.Errorf("%v: too few of some, the test means nothing", codings)
	}
}

// Most that README.md promises, on a Cortex-M0.
const (
	mostCode = 4096
	mostRAM  = 2560
)

func TestTheDecoderIsSmall(t *testing.T) {
	dir := t.TempDir()
	source, object := filepath.Join(dir, "small.c"), filepath.Join(dir, "small.o")
	text := "#define STAMPREEL_JPEG_IMPLEMENTATION\n#include \"stampreel_jpeg.h\"\nconst char size_of_decoder[sizeof(stampreel_jpeg)] = {1};\n"
	if err := os.WriteFile(source, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	run(t, nil, "arm-none-eabi-gcc", append(append([]string{}, strict...), "-Os", "-mcpu=cortex-m0", "-mthumb", "-ffreestanding", "-I.", "-c", "-o", object, source)...)
	symbols := string(run(t, nil, "arm-none-eabi-nm", "-S", object))
	m := regexp.MustCompile(`(?m)^\w+ (\w+) \w size_of_decoder$`).FindStringSubmatch(symbols)
	if m == nil {
		t.Fatalf("nm says\n%s", symbols)
	}
	ram, err := strconv.ParseInt(m[1], 16, 32)
	if err != nil {
		t.Fatal(err)
	}
	fields := strings.Fields(string(run(t, nil, "arm-none-eabi-size", object)))
	code, err := strconv.Atoi(fields[6])
	if err != nil || fields[0] != "text" {
		t.Fatalf("size says %v", fields)
	}
	code -= int(ram) // the size is said in constants
	if code < 1000 || code > mostCode || ram < 1000 || ram > mostRAM {
		t.Errorf("%d bytes of code, %d of RAM; want at most %d and %d", code, ram, mostCode, mostRAM)
	}
	t.Logf("%d bytes of code, %d of RAM besides rows", code, ram)
	// Nothing but the compiler's helpers is called.
	for _, line := range strings.Split(symbols, "\n") {
		if name, undefined := strings.CutPrefix(strings.TrimSpace(line), "U "); undefined && !strings.HasPrefix(name, "__gnu_thumb1_case") && !strings.HasPrefix(name, "__aeabi_uread") {
			t.Errorf("the decoder calls %s", name)
		}
	}
}

// Most stack that README.md promises, in bytes.
const mostStack = 384

// The same on bare processors, emulated (Debian package qemu-system-arm), and how many
// instructions it takes there: the emulator runs one in a nanosecond of its own time.
func TestFramesAreShownOnABareCortexM0(t *testing.T) {
	t.Run("microbit", func(t *testing.T) { showBare(t, "cortex-m0", "microbit", 0) })
}

func TestFramesAreShownOnABareCortexM3(t *testing.T) {
	t.Run("lm3s6965evb", func(t *testing.T) { showBare(t, "cortex-m3", "lm3s6965evb", 1) })
}

// promised returns what README.md says that a block, a coefficient and a byte take.
func promised(t *testing.T, column int) (p [3]float64) {
	text, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	for i, row := range []string{"a block", "a coefficient that is not zero", "a byte"} {
		m := regexp.MustCompile(`(?m)^\| ` + row + ` \| (\d+) \| (\d+) \|$`).FindSubmatch(text)
		if m == nil {
			t.Fatalf("README.md does not say what %s takes", row)
		}
		p[i], _ = strconv.ParseFloat(string(m[1+column]), 64)
	}
	return p
}

func showBare(t *testing.T, cpu, machine string, column int) {
	kernel := filepath.Join(t.TempDir(), "bare.elf")
	run(t, nil, "arm-none-eabi-gcc", "-std=gnu99", "-Wall", "-Wextra", "-Werror", "-Os", "-nostdlib", "-mcpu="+cpu, "-mthumb", "-ffreestanding", "-I.",
		"-T", filepath.Join("..", "..", "..", "container", "c", "testdata", "m0.ld"), "-o", kernel, filepath.Join("host", "m0.c"), "-lgcc")
	rng := rand.New(rand.NewPCG(7, 8))
	jobs := some(t, rng, [][2]int{{33, 17}})
	counted := len(jobs) // from here on
	for _, quality := range []int{10, 30, 50, 70, 80, 90} {
		const w, h = 160, 128
		for range 2 {
			jobs = append(jobs, job{fmt.Sprintf("rgb565, %d×%d, quality %d", w, h, quality), pixel.RGB565, w, h, 0, 0, encode(t, scene(rng, w, h), w, h, jpeg.Share, quality)})
		}
	}
	var in bytes.Buffer
	for _, j := range jobs {
		in.WriteByte(byte(j.format))
		for _, v := range []int{j.w, j.h, len(j.frame)} {
			in.Write(binary.LittleEndian.AppendUint32(nil, uint32(v)))
		}
		in.Write(j.frame)
	}
	path := filepath.Join(t.TempDir(), "frames")
	if err := os.WriteFile(path, in.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	emulator, err := exec.LookPath("qemu-system-arm")
	if err != nil {
		missing(t, "qemu-system-arm")
	}
	out, err := exec.Command(emulator, "-M", machine, "-icount", "shift=0", "-nographic", "-monitor", "none", "-serial", "none",
		"-chardev", "stdio,id=out", "-semihosting-config", "enable=on,target=native,chardev=out,arg="+path, "-kernel", kernel).Output()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(lines) != 1+len(jobs) {
		t.Fatalf("%d of %d frames shown: %q", len(lines)-1, len(jobs), out)
	}
	var each uint32
	if _, err := fmt.Sscanf(lines[0], "%x", &each); err != nil || each == 0 {
		t.Fatalf("%q: %v", lines[0], err)
	}
	deepest, promise := uint32(0), promised(t, column)
	for i, j := range jobs {
		var said, sum, ticks, stack uint32
		if _, err := fmt.Sscanf(lines[1+i], "%x %x %x %x", &said, &sum, &ticks, &stack); err != nil {
			t.Fatalf("%s: %q: %v", j.what, lines[1+i], err)
		}
		d, err := jpeg.NewDecoder(j.format, j.w, j.h)
		if err != nil {
			t.Fatal(err)
		}
		want := make([]byte, j.format.FrameBytes(j.w, j.h))
		s, err := d.Decode(want, j.frame)
		if err != nil {
			t.Fatal(err)
		}
		if said != 0 || sum != crc32.ChecksumIEEE(want) {
			t.Errorf("%s: -%d and 0x%08x, want 0 and 0x%08x", j.what, said, sum, crc32.ChecksumIEEE(want))
		}
		deepest = max(deepest, stack)
		if i < counted {
			continue
		}
		took := float64(ticks) / float64(each) * 200000
		most := promise[0]*float64(s.Blocks) + promise[1]*float64(s.Coefficients) + promise[2]*float64(s.Bytes)
		t.Logf("%s: %.2f million instructions, %.2f of what README.md says; %d blocks, %d coefficients, %d bytes", j.what, took/1e6, took/most, s.Blocks, s.Coefficients, s.Bytes)
		if took > most || took < 0.7*most {
			t.Errorf("%s: %.0f instructions, README.md says %.0f", j.what, took, most)
		}
	}
	if t.Logf("%d bytes of stack", deepest); deepest > mostStack || deepest < 100 {
		t.Errorf("%d bytes of stack, want at most %d", deepest, mostStack)
	}
}

// scene is slopes and edges with some grain, in parts of the picture more than in others, as
// photographs have them.
func scene(rng *rand.Rand, w, h int) []byte {
	rgb := make([]byte, 3*w*h)
	grain, a, b := 2+rng.IntN(24), 10+rng.Float64()*40, 10+rng.Float64()*40
	for i := range rgb {
		x, y := i/3%w, i/3/w
		v := 120 + 60*math.Sin(float64(x)/a) + 50*math.Cos(float64(y)/b) + float64(i%3*15)
		if (x/37+y/29)%3 == 0 {
			v = 240 - v
		}
		if (x+2*y)%150 < 90 {
			v += float64(rng.IntN(grain) - grain/2)
		}
		rgb[i] = byte(max(0, min(255, v)))
	}
	return rgb
}
