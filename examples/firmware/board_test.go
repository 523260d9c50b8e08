package firmware_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/gif"
	"io"
	"io/fs"
	"math"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/container"
	"example.org/stampreel/container/fat"
	"example.org/stampreel/container/frame/jpeg"
	"example.org/stampreel/container/frame/tiles"
)

// shared holds what the tests build once.
var shared string

func TestMain(m *testing.M) {
	var err error
	if shared, err = os.MkdirTemp("", "firmware"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	code := m.Run()
	os.RemoveAll(shared)
	os.Exit(code)
}

// A machine is a board as QEMU has it, and how its firmware is built.
type machine struct {
	folder, name, script string
	icount               string // instructions are counted: each takes 2^shift ns
	flags                []string
	width, height        int
	zoom                 int                               // the emulator draws a pixel as a square of so many each way
	color                func(frame []byte, i int) [3]byte // of pixel i of a raw frame (FORMAT.md 3), as the emulator shows it
}

var (
	smallMachine = machine{"board", "lm3s6965evb", "lm3s6965.ld", "shift=5,sleep=off",
		[]string{"-mcpu=cortex-m3", "-mthumb", "-DSTAMPREEL_NO_JPEG", "-DRING_SECTORS=32"}, 128, 64, 4,
		func(frame []byte, i int) [3]byte { // grey4: the left pixel is high, n of 15
			v := 17 * (frame[i/2] >> (4 * (1 - i%2)) & 15)
			return [3]byte{v, v, v}
		}}
	colourMachine = machine{"colour", "versatilepb", "versatile.ld", "shift=2,sleep=off",
		[]string{"-mcpu=arm926ej-s", "-marm", "-DRING_SECTORS=64", "-DJPEG_ROWS_BYTES=5120"}, 160, 128, 1,
		func(frame []byte, i int) [3]byte { // rgb565le; QEMU makes 8 bits of a channel's by zeros behind them
			v := binary.LittleEndian.Uint16(frame[2*i:])
			return [3]byte{byte(v >> 11 << 3), byte(v >> 5 << 2), byte(v << 3)}
		}}
)

// A firmware is built for a machine.
type firmware struct {
	machine
	path string
}

// buildBoard compiles the firmware of board/.
func buildBoard(t *testing.T) firmware {
	t.Helper()
	return smallMachine.build(t)
}

// build compiles the firmware of a board.
func (m machine) build(t *testing.T) firmware {
	t.Helper()
	if testing.Short() {
		t.Skip("not in short runs: programs in C, which have no race detector")
	}
	for _, program := range []string{"arm-none-eabi-gcc", "qemu-system-arm"} {
		if _, err := exec.LookPath(program); err != nil {
			missing(t, program)
		}
	}
	var sources []string
	for _, pattern := range []string{"player/*", m.folder + "/*", "jpeg/*.h", "../../container/c/stampreel*.h"} {
		files, err := filepath.Glob(filepath.FromSlash(pattern))
		if err != nil || len(files) == 0 {
			t.Fatalf("no files %s: %v", pattern, err)
		}
		for _, path := range files {
			if _, err := os.ReadFile(path); err != nil { // go test keeps results until these change
				t.Fatal(err)
			}
			if filepath.Ext(path) == ".c" {
				sources = append(sources, path)
			}
		}
	}
	out := firmware{m, filepath.Join(shared, m.folder+".elf")}
	if _, err := os.Stat(out.path); err == nil {
		return out
	}
	all := []string{"-g", "-std=gnu99", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-Os", "-ffreestanding",
		"-fno-tree-loop-distribute-patterns", "-ffunction-sections", "-fdata-sections", "-nostdlib", "-Wl,--gc-sections",
		"-DEMULATED", "-DSTAMPREEL_CRC32_TABLE", "-I", "player",
		"-I", filepath.Join("..", "..", "container", "c"), "-T", filepath.Join(m.folder, m.script), "-o", out.path}
	all = append(append(append(all, m.flags...), sources...), "-lgcc")
	if text, err := exec.Command("arm-none-eabi-gcc", all...).CombinedOutput(); err != nil {
		t.Fatalf("arm-none-eabi-gcc %v: %v\n%s", all, err, text)
	}
	return out
}

// A board is an emulated one, with a card in it. Time there is counted in instructions: no load of this computer is seen in it, only, by some µs, when commands come.
type board struct {
	machine
	t      *testing.T
	cmd    *exec.Cmd
	stderr bytes.Buffer
	in     io.Writer
	out    *bufio.Scanner
	qmp    string
}

// boot starts the firmware with the image of a card.
func boot(t *testing.T, kernel firmware, image string) *board {
	t.Helper()
	dir, err := os.MkdirTemp("", "qmp") // the name of a socket has to be short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	b := &board{machine: kernel.machine, t: t, qmp: filepath.Join(dir, "s")}
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	b.cmd = exec.CommandContext(ctx, "qemu-system-arm", "-M", kernel.name, "-display", "none", "-monitor", "none", "-serial", "stdio",
		"-audiodev", "none,id=none", "-semihosting", "-icount", kernel.icount, "-qmp", "unix:"+b.qmp+",server=on,wait=off",
		"-drive", "if=sd,format=raw,snapshot=on,file="+image, "-kernel", kernel.path)
	b.cmd.Stderr = &b.stderr
	if b.in, err = b.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	out, err := b.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	b.out = bufio.NewScanner(out)
	if err := b.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cancel()
		b.cmd.Wait()
	})
	return b
}

// until returns what the board says before a line.
func (b *board) until(last string) (lines []string) {
	b.t.Helper()
	for b.out.Scan() {
		if b.out.Text() == last {
			return lines
		}
		lines = append(lines, b.out.Text())
	}
	err := b.cmd.Wait()
	b.t.Fatalf("qemu-system-arm: %v, without %q\n%s\n%s", err, last, strings.Join(lines, "\n"), b.stderr.Bytes())
	return nil
}

// say sends commands.
func (b *board) say(commands ...string) {
	b.t.Helper()
	if _, err := io.WriteString(b.in, strings.Join(commands, "\n")+"\n"); err != nil {
		b.t.Fatalf("%v\n%s", err, b.stderr.Bytes())
	}
}

// quit ends the firmware.
func (b *board) quit() {
	b.t.Helper()
	b.say("quit")
	for b.out.Scan() {
		b.t.Errorf("after quit the board says %q", b.out.Text())
	}
	if err := b.cmd.Wait(); err != nil {
		b.t.Errorf("qemu-system-arm: %v\n%s", err, b.stderr.Bytes())
	}
}

// picture returns what the emulator shows: three bytes a pixel, red, green and blue.
func (b *board) picture(w, h int) []byte {
	b.t.Helper()
	conn, err := net.Dial("unix", b.qmp)
	if err != nil {
		b.t.Fatal(err)
	}
	defer conn.Close()
	file := b.qmp + ".ppm"
	fmt.Fprintf(conn, "{\"execute\":\"qmp_capabilities\"}{\"execute\":\"screendump\",\"arguments\":{\"filename\":%q}}", file)
	answers := json.NewDecoder(conn)
	for returned := 0; returned < 2; { // the greeting and events are no returns
		var a struct {
			Return, Error json.RawMessage
		}
		if err := answers.Decode(&a); err != nil || a.Error != nil {
			b.t.Fatalf("QMP: %v %s", err, a.Error)
		}
		if a.Return != nil {
			returned++
		}
	}
	ppm, err := os.ReadFile(file)
	if err != nil {
		b.t.Fatal(err)
	}
	header := fmt.Sprintf("P6\n%d %d\n255\n", w, h)
	if !bytes.HasPrefix(ppm, []byte(header)) || len(ppm) != len(header)+3*w*h {
		b.t.Fatalf("a picture of %d bytes that begins with %q, want %q", len(ppm), ppm[:min(20, len(ppm))], header)
	}
	return ppm[len(header):]
}

// shows says whether the panel shows a raw frame, in all pixels.
func (b *board) shows(name string, frame []byte) {
	b.t.Helper()
	w, wrong := b.zoom*b.width, 0
	ppm := b.picture(w, b.zoom*b.height)
	for i := range len(ppm) / 3 {
		if [3]byte(ppm[3*i:]) != b.color(frame, i/w/b.zoom*b.width+i%w/b.zoom) {
			wrong++
		}
	}
	if wrong != 0 {
		b.t.Errorf("%s: %d of %d pixels of the panel are wrong", name, wrong/b.zoom/b.zoom, b.width*b.height)
	}
}

// A played is what the board says of a clip, and clips, of which each has a list of beats.
type played struct {
	clips                                           [][]playedBeat
	beats, late, lost, gaps, err, sectors, requests int
}

type clipLog []playedBeat

type playedBeat struct {
	number, sectors, begun, done int
	panel, sound                 uint32
	fate                         string
}

// play plays clips, one after the other, and returns what the board says.
func (b *board) play(commands ...string) (p played) {
	b.t.Helper()
	b.say(commands...)
	for range len(commands) - 1 {
		if lines := b.until("ready"); len(lines) != 0 {
			b.t.Fatalf("the board says %q", lines)
		}
	}
	lines := b.until("ready")
	for i, line := range lines {
		var v playedBeat
		var n int
		_, errBeat := fmt.Sscanf(line, "beat %d panel %x sound %x sectors %d begun %d done %d %s", &v.number, &v.panel, &v.sound, &v.sectors, &v.begun, &v.done, &v.fate)
		_, errClip := fmt.Sscanf(line, "clip %d", &n)
		_, errEnd := fmt.Sscanf(line, "end beats %d late %d lost %d gaps %d error %d sectors %d requests %d", &p.beats, &p.late, &p.lost, &p.gaps, &p.err, &p.sectors, &p.requests)
		switch {
		case errClip == nil && n >= len(p.clips)-1: // again the same one after a seek
			p.clips = append(p.clips, nil)
		case errBeat == nil && len(p.clips) > 0:
			p.clips[len(p.clips)-1] = append(p.clips[len(p.clips)-1], v)
		case errEnd == nil && i == len(lines)-1:
			return p
		default:
			b.t.Fatalf("the board says %q", lines)
		}
	}
	b.t.Fatalf("the board says %q", lines)
	return p
}

// A wanted is what a beat has to bring: checksums over windows (x, y, width and height of two
// bytes each) and the pixels that go there, and over samples of 16 bits.
type wanted struct {
	panel, sound uint32
	coding       container.FrameCoding
	sectors      int
}

// wantBeats returns what the Go reader makes of a clip, and what the panel shows at its end.
func wantBeats(t *testing.T, data []byte) (beats []wanted, h container.Header, last []byte) {
	t.Helper()
	r, err := container.NewReader(bytes.NewReader(data), int64(len(data)), container.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	h = r.Header()
	_, samples := want(t, data)
	panel := make([]byte, h.RawFrameBytes())
	d, err := tiles.NewDecoder(h.PixelFormat, int(h.Width), int(h.Height))
	if err != nil {
		t.Fatal(err)
	}
	for n := range h.Beats {
		var b container.Beat
		if err := r.Read(n, &b); err != nil {
			t.Fatal(err)
		}
		w := wanted{coding: b.FrameCoding, sectors: int(b.Sectors)}
		push := func(r tiles.Rect, pixels []byte) {
			var window []byte
			for _, v := range []int{r.X, r.Y, r.W, r.H} {
				window = binary.LittleEndian.AppendUint16(window, uint16(v))
			}
			w.panel = crc32.Update(crc32.Update(w.panel, crc32.IEEETable, window), crc32.IEEETable, pixels)
		}
		switch b.FrameCoding {
		case container.Raw:
			push(tiles.Rect{W: int(h.Width), H: int(h.Height)}, b.Frame)
			copy(panel, b.Frame)
		case container.JPEG:
			d, err := jpeg.NewDecoder(h.PixelFormat, int(h.Width), int(h.Height))
			if err != nil {
				t.Fatal(err)
			}
			if _, err := d.Decode(panel, b.Frame); err != nil {
				t.Fatal(err)
			}
			push(tiles.Rect{W: int(h.Width), H: int(h.Height)}, panel)
		case container.Tiles, container.KeyTiles:
			if _, err := d.Decode(panel, b.Frame, b.Key(), push); err != nil {
				t.Fatal(err)
			}
		}
		if h.Channels > 0 {
			p, q := uint64(h.SampleRateNum)*uint64(h.RateDen), uint64(h.SampleRateDen)*uint64(h.RateNum) // FORMAT.md 4
			count := (uint64(n)+1)*p/q - uint64(n)*p/q
			bytes := int(count) * 2 * int(h.Channels)
			w.sound = crc32.ChecksumIEEE(samples[:bytes])
			samples = samples[bytes:]
		}
		beats = append(beats, w)
	}
	if len(samples) != 0 {
		t.Fatalf("%d bytes of samples are left", len(samples))
	}
	return beats, h, panel
}

// sources writes three films with sound: something that moves on a still ground, noise, and
// the moving thing on a dark ground, whose sound is to become ADPCM.
func sources(t *testing.T, dir string) {
	t.Helper()
	rng := rand.New(rand.NewPCG(12, 2))
	for _, name := range []string{"a/moving", "a/noise", "b/packed"} {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		var film gif.GIF
		var greys color.Palette
		for i := range 16 {
			greys = append(greys, color.Gray{uint8(17 * i)})
		}
		for i := range 25 {
			img := image.NewPaletted(image.Rect(0, 0, 128, 64), greys)
			for at := range img.Pix {
				x, y := at%128, at/128
				switch {
				case name == "a/noise" && i%5 != 4:
					img.Pix[at] = uint8(rng.IntN(16))
				case name == "a/noise": // as the picture before
					img.Pix[at] = film.Image[i-1].Pix[at]
				case (x-4*i)*(x-4*i)+(y-32)*(y-32) < 150:
					img.Pix[at] = uint8((x + y) % 16)
				case name == "a/moving":
					img.Pix[at] = uint8(x / 8)
				}
			}
			film.Image, film.Delay = append(film.Image, img), append(film.Delay, 4)
		}
		var pictures bytes.Buffer
		if err := gif.EncodeAll(&pictures, &film); err != nil {
			t.Fatal(err)
		}
		var wave []byte // 1 s of noise, 8 bits mono at 22,050 Hz
		for range 22050 {
			wave = append(wave, uint8(64+rng.IntN(128)))
		}
		head := binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(36+len(wave)))
		head = append(head, "WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00"...)
		head = binary.LittleEndian.AppendUint32(binary.LittleEndian.AppendUint32(head, 22050), 22050)
		head = append(head, "\x01\x00\x08\x00data"...)
		head = binary.LittleEndian.AppendUint32(head, uint32(len(wave)))
		for name, data := range map[string][]byte{path + ".gif": pictures.Bytes(), path + ".wav": append(head, wave...)} {
			if err := os.WriteFile(name, data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// command builds the command and returns how to run it; it has to end with a code.
func command(t *testing.T) func(code int, args ...string) []byte {
	t.Helper()
	program := filepath.Join(shared, "stampreel")
	if _, err := os.Stat(program); err != nil {
		if text, err := exec.Command("go", "build", "-o", program, "example.org/stampreel/cmd/stampreel").CombinedOutput(); err != nil {
			t.Fatalf("go build: %v\n%s", err, text)
		}
	}
	return func(code int, args ...string) []byte {
		t.Helper()
		cmd := exec.Command(program, args...)
		text, err := cmd.CombinedOutput()
		if cmd.ProcessState == nil || cmd.ProcessState.ExitCode() != code {
			t.Fatalf("stampreel %v: %v, want exit code %d\n%s", args, err, code, text)
		}
		return text
	}
}

// onCard returns a file of an image, as the project's own reader of FAT finds it.
func onCard(t *testing.T, path, name string) []byte {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	v, err := fat.Open(f, info.Size())
	if err != nil {
		t.Fatal(err)
	}
	data, err := fs.ReadFile(v, name)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// TestTheBoardPlaysTheCard fills a card, as anybody would, and plays its clips on the
// emulated board. What it pushed to the panel and what it sounded is, beat by beat, what the Go
// reader decodes; no beat is late by the board's own clock; each sector was read once; and
// the panel shows the last picture.
func TestTheBoardPlaysTheCard(t *testing.T) {
	kernel, run := buildBoard(t), command(t)
	dir := t.TempDir()
	sources(t, dir)
	image := filepath.Join(dir, "card.img")
	player := filepath.Join("board", "player.yaml")
	run(0, "fill", filepath.Join(dir, "a"), image, "--size", "64MiB", "--whole", "--player", player)
	run(0, "fill", filepath.Join(dir, "b"), image, "--whole", "--player", player, "--sound-coding", "ima-adpcm", "--coding", "tiles")
	b := boot(t, kernel, image)
	b.until("ready")
	b.say("", "files")
	files := b.until("ready")
	if len(files) != 4 {
		t.Fatalf("the board finds %q, want 3 clips and the guide", files)
	}
	codings, sounds := map[container.FrameCoding]int{}, map[container.SoundCoding]int{}
	for _, name := range []string{"moving.srq", "noise.srq", "packed.srq"} {
		data := onCard(t, image, name)
		if line := fmt.Sprintf("file %d %s", len(data), name); !slices.Contains(files, line) {
			t.Errorf("the board finds %q, not %q", files, line)
		}
		want, h, last := wantBeats(t, data)
		sounds[h.SoundCoding]++
		p := b.play("play " + name)
		if p.late != 0 || p.lost != 0 || p.gaps != 0 || p.err != 0 || p.beats != len(want) || len(p.clips) != 1 || len(p.clips[0]) != len(want) {
			t.Fatalf("%s: %d beats, %d late, %d lost, %d gaps, error %d, want %d", name, p.beats, p.late, p.lost, p.gaps, p.err, len(want))
		}
		sum, worst := 0, 0
		for i, got := range p.clips[0] {
			codings[want[i].coding]++
			if got.number != i || got.panel != want[i].panel || got.sound != want[i].sound || got.fate != "shown" {
				t.Errorf("%s, beat %d: %+v, want %08x and %08x", name, i, got, want[i].panel, want[i].sound)
			}
			if over := int(1e6 * h.RateDen / h.RateNum); got.done >= over {
				t.Errorf("%s, beat %d: drawn %d µs after its time, a beat has %d", name, i, got.done, over)
			}
			sum += got.sectors
			worst = max(worst, got.done)
		}
		if all := len(data)/container.SectorBytes - int(h.SeekSectors); sum != all || p.sectors != all {
			t.Errorf("%s: %d sectors read, %d by beats, want all %d but the seek table", name, p.sectors, sum, all)
		}
		t.Logf("%s: %.1f sectors and %.2f requests a beat, drawn after %d µs at the latest", name, float64(sum)/float64(p.beats), float64(p.requests)/float64(p.beats), worst)
		b.shows(name, last)
	}
	b.quit()
	for _, c := range []container.FrameCoding{container.Raw, container.Repeat, container.Tiles, container.KeyTiles} {
		if codings[c] == 0 {
			t.Errorf("no beat was %v: %v", c, codings)
		}
	}
	if sounds[container.U8] != 2 || sounds[container.IMAADPCM] != 1 {
		t.Errorf("sound codings %v", sounds)
	}
}

// TestTheBoardRefusesWhatIsNoCard boots with a card of noise.
func TestTheBoardRefusesWhatIsNoCard(t *testing.T) {
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
	b := boot(t, buildBoard(t), image)
	if lines := b.until("error card 20"); len(lines) != 1 || lines[0] != "stampreel board" { // FAT_NONE
		t.Errorf("the board says %q", lines)
	}
	var exit *exec.ExitError
	if err := b.cmd.Wait(); !errors.As(err, &exit) || exit.ExitCode() != 1 {
		t.Errorf("the firmware ends with %v, want exit code 1", err)
	}
}

var update = flag.Bool("update", false, "write the figures of board/README.md and colour/README.md anew")

// figure matches the numbers of a text.
var figure = regexp.MustCompile(`[0-9]+([.][0-9]+)?`)

// near says whether two texts are the same but for numbers, which may differ by 2 %.
func near(a, b string) bool {
	x, y := figure.FindAllString(a, -1), figure.FindAllString(b, -1)
	if figure.ReplaceAllString(a, "#") != figure.ReplaceAllString(b, "#") || len(x) != len(y) {
		return false
	}
	for i := range x {
		v, err1 := strconv.ParseFloat(x[i], 64)
		w, err2 := strconv.ParseFloat(y[i], 64)
		if err1 != nil || err2 != nil || math.Abs(v-w) > max(v, w)/50 {
			return false
		}
	}
	return true
}

// inReadme returns what a folder's README.md has between two marks. With -update, text stands
// there from then on.
func inReadme(t *testing.T, folder, mark, behind, text string) string {
	t.Helper()
	path := filepath.Join(folder, "README.md")
	all, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(all), mark)
	have, after, ok2 := strings.Cut(rest, behind)
	if !ok || !ok2 {
		t.Fatalf("%s has no %q before %q", path, mark, behind)
	}
	if *update {
		have = text
		if err := os.WriteFile(path, []byte(before+mark+text+behind+after), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return have
}

// TestTheReadmeSaysWhatTheBoardTakes measures code and RAM by the linker's table of symbols, the
// stack by what was overwritten (which depends a little on when interrupts come in), and sectors by the board's own count.
func TestTheReadmeSaysWhatTheBoardTakes(t *testing.T) {
	takes(t, buildBoard(t), "\n## Predicted", "player.c with stampreel.h", "chip.c, oled.c, start.c", greys(container.IMAADPCM), 32, []taking{
		{"raw.srq", "each picture raw", strings.Repeat("R", 50)},
		{"mixed.srq", "raw, tiles, repeats", strings.Repeat("RTT-KTTT-T", 5)},
		{"tiles.srq", "tiles, repeats", strings.Repeat("KTT-TTTT-T", 5)},
	})
}

// A taking is a clip that is played for its sectors.
type taking struct{ name, what, codings string }

// takes measures a board, and holds the figures of its README against that.
func takes(t *testing.T, kernel firmware, behind, player, chip string, s container.Settings, ring int, clips []taking) {
	t.Helper()
	compiler, err := exec.Command("arm-none-eabi-gcc", "-dumpversion").Output()
	if err != nil {
		t.Fatal(err)
	}
	symbols, err := exec.Command("arm-none-eabi-nm", "-S", "-l", kernel.path).Output()
	if err != nil {
		t.Fatal(err)
	}
	code, data := map[string]int{}, map[string]int{}
	kinds := map[string]string{"player.c": "player", "stampreel.h": "player", "stampreel_jpeg.h": "player", "sd.c": "sd", "fat.c": "fat", "guide.c": "guide", "stampreel_guide.h": "guide", "oled.c": "chip", "lcd.c": "chip", "chip.c": "chip", "start.c": "chip"}
	for line := range strings.Lines(string(symbols)) {
		var address, size int
		var kind, name, place string
		if n, _ := fmt.Sscanf(line, "%x %x %s %s %s", &address, &size, &kind, &name, &place); n < 4 {
			continue // it has no size
		}
		place, _, _ = strings.Cut(filepath.Base(place), ":")
		part := kinds[place]
		if part == "" {
			part = "rest" // log and console, and divisions of the compiler's library
		}
		into := code
		if strings.ContainsAny(kind, "bBdD") {
			into = data
			switch {
			case place == "player.c" && strings.HasPrefix(name, "ring"):
				part = "ring"
			case place == "player.c" && name == "sound":
				part = "sound"
			}
		}
		into[part] += size
	}
	var files []cardFile
	for _, c := range clips {
		files = append(files, cardFile{c.name, clip(t, s, c.codings)[0]})
	}
	b := start(t, kernel, cardOf(t, files...))
	var rows strings.Builder
	for _, c := range clips {
		p := b.play("play " + c.name)
		if p.beats != 50 || p.late+p.lost+p.gaps+p.err != 0 {
			t.Fatalf("%s: %+v", c.name, p)
		}
		fmt.Fprintf(&rows, "| %s | %.1f | %.2f |\n", c.what, float64(p.sectors)/50, float64(p.requests)/50)
	}
	b.say("stack")
	var stack int
	if lines := b.until("ready"); len(lines) != 1 {
		t.Fatalf("the board says %q", lines)
	} else if _, err := fmt.Sscanf(lines[0], "stack %d", &stack); err != nil {
		t.Fatalf("the board says %q", lines)
	}
	b.quit()
	if code["player"] == 0 || data["ring"] != ring*512 || data["sound"] != 16384 || data["fat"] < 512 || stack < 100 {
		t.Fatalf("code %v, data %v, stack %d", code, data, stack)
	}
	hz := int(math.Round(float64(s.SampleRate.Num) / float64(s.SampleRate.Den)))
	rate := fmt.Sprintf("%d,%03d Hz", hz/1000, hz%1000)
	figures := fmt.Sprintf(`
arm-none-eabi-gcc %s, -Os; bytes by the linker's symbols:

| | code | RAM |
|---|---:|---:|
| %s | %d | %d |
| its ring of sectors | | %d |
| its ring of sound | | %d |
| fat.c | %d | %d |
| guide.c with stampreel_guide.h | %d | %d |
| sd.c | %d | %d |
| %s | %d | %d |
| log, commands, 64-bit divisions | %d | %d |
| stack: the most that was seen and a tenth, in steps of 512 | | %d |

Fifty beats at 25 a second with IMA ADPCM of %s; header and lead-in are counted in:

| pictures | sectors a beat | requests a beat |
|---|---:|---:|
%s`, strings.TrimSpace(string(compiler)), player, code["player"], data["player"], data["ring"], data["sound"], code["fat"], data["fat"], code["guide"], data["guide"], code["sd"], data["sd"],
		chip, code["chip"], data["chip"], code["rest"], data["rest"], (stack*11/10+511)/512*512, rate, rows.String())
	have := inReadme(t, kernel.folder, "<!-- figures -->\n", behind, figures)
	if !strings.Contains(have, "arm-none-eabi-gcc "+strings.TrimSpace(string(compiler))+",") {
		missing(t, "the compiler of "+kernel.folder+"/README.md's figures: here is "+strings.TrimSpace(string(compiler)))
	}
	if !near(have, figures) {
		t.Errorf("%s/README.md's figures are not these by 2 %% (go test ./examples/firmware -run Takes -update):\n%s", kernel.folder, figures)
	}
}
