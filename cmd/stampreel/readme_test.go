package main

import (
	"bytes"
	"flag"
	"image"
	"image/draw"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

var updateReadme = flag.Bool("update", false, "write README and the page of the patterns anew")

// shellBlocks returns the lines of README's sh blocks.
func shellBlocks(t *testing.T, text string) (lines []string) {
	t.Helper()
	for _, block := range regexp.MustCompile("(?s)```sh\n(.*?)```").FindAllStringSubmatch(text, -1) {
		lines = append(lines, strings.Split(strings.TrimSpace(block[1]), "\n")...)
	}
	return lines
}

// TestReadmeCommandsWork runs every command line of README.md in the order of
// the page, holds the demo's table against the page's, and draws the page's
// picture anew.
func TestReadmeCommandsWork(t *testing.T) {
	if testing.Short() {
		t.Skip("builds and runs the program by itself")
	}
	root, err := filepath.Abs(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	readme := filepath.Join(root, "README.md")
	text, err := os.ReadFile(readme)
	if err != nil {
		t.Fatal(err)
	}
	vectors, err := filepath.Glob(filepath.Join(root, "testdata", "vectors", "*.srq"))
	if said := regexp.MustCompile(`\b(\d+) small files`).FindSubmatch(text); err != nil || said == nil || string(said[1]) != strconv.Itoa(len(vectors)) {
		t.Errorf("README.md speaks of %q, there are %d vectors: %v", said, len(vectors), err)
	}
	dir := t.TempDir()
	program := filepath.Join(dir, "bin", "stampreel")
	if out, err := exec.Command("go", "build", "-o", program, ".").CombinedOutput(); err != nil {
		t.Fatalf("go build: %v\n%s", err, out)
	}
	run := func(args ...string) string {
		t.Helper()
		var stdout, stderr bytes.Buffer
		cmd := exec.Command(program, args...)
		cmd.Dir, cmd.Stdout, cmd.Stderr = dir, &stdout, &stderr
		if err := cmd.Run(); err != nil {
			t.Fatalf("stampreel %s: %v\n%s", strings.Join(args, " "), err, stderr.Bytes())
		}
		return stdout.String()
	}
	lines := shellBlocks(t, string(text))
	if len(lines) < 10 {
		t.Fatalf("%d command lines in README.md, want the whole job", len(lines))
	}
	var table string
	for _, line := range lines {
		words := strings.Fields(line)
		switch {
		case len(words) > 3 && words[0] == "go" && words[1] == "run" && words[2] == "./cmd/stampreel":
			words = words[2:]
		case words[0] != "stampreel":
			t.Fatalf("README.md has a command that is not ours: %s", line)
		}
		out := run(words[1:]...)
		if words[1] == "demo" {
			table, _, _ = strings.Cut(out, "\nMade in")
			table = strings.TrimSpace(table) + "\n"
		}
	}

	before, rest, ok := strings.Cut(string(text), "<!-- demo -->\n```\n")
	have, after, ok2 := strings.Cut(rest, "```\n")
	if !ok || !ok2 {
		t.Fatal("README.md has no block demo")
	}
	picture := filepath.Join(root, "testdata", "readme", "panels.png")
	drawn := readmePicture(t, dir, run)
	if *updateReadme {
		if err := os.WriteFile(readme, []byte(before+"<!-- demo -->\n```\n"+table+"```\n"+after), 0o644); err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&b, drawn); err != nil {
			t.Fatal(err)
		}
		os.MkdirAll(filepath.Dir(picture), 0o755)
		if err := os.WriteFile(picture, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if have != table {
		t.Errorf("the demo's table differs from README.md's (go test ./cmd/stampreel -run Readme -update):\n%s", table)
	}
	if kept := readPNG(t, picture); !samePicture(kept, drawn) {
		t.Errorf("%s differs from what the demo packs (go test ./cmd/stampreel -run Readme -update)", picture)
	}
}

// readmePicture stacks three contact sheets of the demo.
func readmePicture(t *testing.T, dir string, run func(...string) string) *image.RGBA {
	var sheets []image.Image
	width, height := 0, 0
	for _, clip := range []string{"card-rect-240x135/drive-in-feature.srq", "card-round-240/station-clock.srq", "card-mono-128x64/platform-sign.srq"} {
		run("preview", "stampreel-demo/"+clip, "--sheet", "one.png", "--frames", "4")
		s := readPNG(t, filepath.Join(dir, "one.png"))
		sheets = append(sheets, s)
		width, height = max(width, s.Bounds().Dx()), height+s.Bounds().Dy()
	}
	all := image.NewRGBA(image.Rect(0, 0, width, height))
	draw.Draw(all, all.Bounds(), image.NewUniform(sheets[0].At(0, 0)), image.Point{}, draw.Src)
	y := 0
	for _, s := range sheets {
		r := image.Rect(0, y, s.Bounds().Dx(), y+s.Bounds().Dy())
		draw.Draw(all, r, s, s.Bounds().Min, draw.Src)
		y = r.Max.Y
	}
	return all
}

func readPNG(t *testing.T, path string) image.Image {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := png.Decode(f)
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return img
}

func samePicture(a, b image.Image) bool {
	if a.Bounds().Size() != b.Bounds().Size() {
		return false
	}
	p, q := image.NewRGBA(a.Bounds()), image.NewRGBA(b.Bounds())
	draw.Draw(p, p.Bounds(), a, a.Bounds().Min, draw.Src)
	draw.Draw(q, q.Bounds(), b, b.Bounds().Min, draw.Src)
	return bytes.Equal(p.Pix, q.Pix)
}
