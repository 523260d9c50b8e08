package firmware_test

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.org/stampreel/container/fat"
	"example.org/stampreel/container/guide"
)

// guidedCard fills a card with two shelves and returns its guide and where that lies in the image.
func guidedCard(t *testing.T, m machine, flags ...string) (image string, g *guide.Reader, at int64) {
	t.Helper()
	run, dir := command(t), t.TempDir()
	folder := filepath.Join(dir, "reel")
	sources(t, folder)
	for _, ext := range []string{".gif", ".wav"} { // a clip in the top folder, too
		if err := os.Rename(filepath.Join(folder, "a", "noise"+ext), filepath.Join(folder, "Zug über Land"+ext)); err != nil {
			t.Fatal(err)
		}
	}
	image = filepath.Join(dir, "card.img")
	run(0, append([]string{"fill", folder, image, "--size", "64MiB", "--whole", "--player", filepath.Join(m.folder, "player.yaml")}, flags...)...)
	data := onCard(t, image, guide.Name)
	g, err := guide.Open(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	if len(g.Shelves) != 3 || len(g.Clips) != 3 || g.Strip.W == 0 || g.Poster.W == 0 {
		t.Fatalf("a guide of %d shelves and %d clips", len(g.Shelves), len(g.Clips))
	}
	f, err := os.Open(image)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	v, err := fat.Open(f, 64<<20)
	if err != nil {
		t.Fatal(err)
	}
	file, err := v.OpenFile(guide.Name)
	if err != nil {
		t.Fatal(err)
	}
	return image, g, file.OffsetBytes()
}

// title is what the board says of a clip of the guide.
func title(g *guide.Reader, n int) string {
	return fmt.Sprintf("title %d %d %s", n, g.Clips[n].Milliseconds(), g.Clips[n].Title)
}

// chosen returns what a panel shows of a clip that is chosen: its shelf's strip, its poster, its
// own strip, at multiples of 8 pixels.
func chosen(t *testing.T, g *guide.Reader, n int, m machine) []byte {
	t.Helper()
	bits := g.Format.FrameBytes(m.width, m.height) * 8 / (m.width * m.height)
	frame := make([]byte, g.Format.FrameBytes(m.width, m.height))
	draw := func(title string, pix []byte, err error, s guide.Size, x, y int) {
		t.Helper()
		row := s.W * bits / 8
		if err != nil || len(pix) != row*s.H || (slices.Max(pix) == 0) != (title == "") {
			t.Fatalf("a picture of %d bytes: %v", len(pix), err)
		}
		for i := range s.H {
			copy(frame[((y+i)*m.width+x)*bits/8:], pix[i*row:][:row])
		}
	}
	c := &g.Clips[n]
	pix, err := g.ShelfStrip(c.Shelf)
	draw(g.Shelves[c.Shelf].Title, pix, err, g.Strip, 0, 0)
	pix, err = g.ClipStrip(n)
	draw(c.Title, pix, err, g.Strip, (m.width-g.Strip.W)/8*8, (m.height-g.Strip.H)/8*8)
	pix, err = g.ClipPoster(n)
	draw("poster", pix, err, g.Poster, (m.width-g.Poster.W)/2/8*8, (m.height-g.Poster.H)/2/8*8)
	return frame
}

// TestTheBoardReadsTheGuide goes through a card as a remote control does. What the board lists,
// chooses, shows and plays is what the Go reader finds in the guide; titles and posters are so
// to the pixel.
func TestTheBoardReadsTheGuide(t *testing.T) {
	kernel := buildBoard(t)
	image, g, _ := guidedCard(t, smallMachine)
	b := boot(t, kernel, image)
	if lines, want := b.until("ready"), fmt.Sprintf("guide %d shelves %d clips", len(g.Shelves), len(g.Clips)); !slices.Contains(lines, want) {
		t.Errorf("the board says %q, not %q", lines, want)
	}
	b.say("", "list")
	var want []string
	for i, s := range g.Shelves {
		want = append(want, fmt.Sprintf("shelf %d %s", i, s.Title))
		for n := s.First; n < s.First+s.Clips; n++ {
			want = append(want, title(g, n))
		}
	}
	if got := b.until("ready"); !slices.Equal(got, want) {
		t.Errorf("the board lists %q, want %q", got, want)
	}
	shows := func(n int) {
		t.Helper()
		b.shows(g.Clips[n].Title, chosen(t, g, n, b.machine))
	}
	b.say("show")
	b.until("ready")
	shows(0)
	n, all := 0, len(g.Clips)
	for _, c := range []struct {
		say string
		to  int
	}{
		{"next", 1}, {"next", 2}, {"next", 0}, {"previous", 2},
		{"next shelf", g.Shelves[(g.Clips[2].Shelf+1)%len(g.Shelves)].First}, {"previous shelf", g.Shelves[g.Clips[2].Shelf].First}, {"previous", 1},
	} {
		n = c.to % all
		b.say(c.say)
		if got := b.until("ready"); len(got) != 1 || got[0] != title(g, n) {
			t.Errorf("after %q the board says %q, want %q", c.say, got, title(g, n))
		}
		shows(n)
	}
	var wants [][]wanted
	for _, c := range g.Clips {
		beats, _, _ := wantBeats(t, onCard(t, image, c.Path))
		wants = append(wants, beats)
	}
	holds := func(p played, from int, clips ...int) {
		t.Helper()
		if p.err != 0 || p.late != 0 || p.lost != 0 || p.gaps != 0 || len(p.clips) != len(clips) {
			t.Fatalf("%d clips, error %d, %d late, %d lost, %d gaps, want clips %v", len(p.clips), p.err, p.late, p.lost, p.gaps, clips)
		}
		for i, n := range clips {
			if whole := clipLog(p.clips[i]).holds(t, g.Clips[n].Title, wants[n], 0); whole != len(wants[n]) && i >= from {
				t.Errorf("clip %d: %d beats whole, want %d", n, whole, len(wants[n]))
			}
		}
	}
	holds(b.play("play"), 0, 1, 2) // from the chosen one on, without a gap
	b.say("previous")              // the last one is chosen now
	b.until("ready")
	b.say("at 10 next")
	b.until("ready")
	b.say("play") // clip 1, and after ten beats the next one
	lines := b.until("ready")
	ends := 0
	for _, line := range lines {
		if strings.HasPrefix(line, "end beats ") {
			ends++
		}
	}
	if ends != 2 || !strings.HasPrefix(lines[len(lines)-1], fmt.Sprintf("end beats %d late 0 lost 0 gaps 0 error 0", len(wants[2]))) {
		t.Errorf("with \"next\" in the middle the board says %q", lines)
	}
	b.say("where")
	where := b.until("ready")
	if want := fmt.Sprintf("resume %x ", g.Clips[2].Identity); len(where) != 1 || !strings.HasPrefix(where[0], want) {
		t.Fatalf("the board says %q, want %q", where, want)
	}
	holds(b.play(fmt.Sprintf("resume %x 0", g.Clips[1].Identity)), 0, 1, 2) // it lies on a shelf
	b.quit()
}

// TestWithADamagedGuideTheBoardPlaysTheFolder changes a byte of a record: the board says so, and
// goes through the clips of the top folder instead.
func TestWithADamagedGuideTheBoardPlaysTheFolder(t *testing.T) {
	kernel := buildBoard(t)
	image, g, at := guidedCard(t, smallMachine)
	f, err := os.OpenFile(image, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.WriteAt([]byte{g.Clips[0].Title[0] ^ 1}, at+512*int64(1+len(g.Shelves))+100); err != nil { // GUIDE.md 1.3
		t.Fatal(err)
	}
	damaged := onCard(t, image, guide.Name)
	if _, err := guide.Open(bytes.NewReader(damaged), int64(len(damaged))); err == nil {
		t.Fatal("the Go reader takes the damaged guide")
	}
	var names []string
	for _, c := range g.Clips {
		if !strings.Contains(c.Path, "/") {
			names = append(names, c.Path)
		}
	}
	if len(names) != 1 {
		t.Fatalf("clips of the top folder: %q", names)
	}
	b := boot(t, kernel, image)
	if lines := b.until("ready"); !slices.Contains(lines, "guide damaged") {
		t.Errorf("the board says %q", lines)
	}
	b.say("", "list")
	if got, want := b.until("ready"), fmt.Sprintf("title 0 %d %s", g.Clips[0].Milliseconds(), names[0]); len(got) != 1 || got[0] != want {
		t.Errorf("the board lists %q, want %q", got, want)
	}
	b.say("show")
	if got := b.until("ready"); len(got) != 1 || got[0] != "error picture 0" {
		t.Errorf("without a guide the board shows %q", got)
	}
	want, _, _ := wantBeats(t, onCard(t, image, names[0]))
	if p := b.play("play"); p.err != 0 || len(p.clips) != 1 || clipLog(p.clips[0]).holds(t, names[0], want, 0) != len(want) {
		t.Errorf("%+v", p)
	}
	b.quit()
}

// TestTheBoardsGuideTrustsNothing changes bytes of a guide, one at a time, and gives the board's
// reader all vectors: it takes what the Go reader takes, and of what that refuses it never does
// more than pass over a rule that a player need not check (GUIDE.md, section 2).
func TestTheBoardsGuideTrustsNothing(t *testing.T) {
	need(t, "gcc")
	if testing.Short() {
		t.Skip("not in short runs: programs in C, which have no race detector")
	}
	program := filepath.Join(t.TempDir(), "guide")
	args := append([]string{"-std=c99", "-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror", "-I", filepath.Join("..", "..", "container", "c"), "-o", program}, sanitized...)
	for _, path := range []string{"testdata/guide.c", "player/guide.c", "player/fat.c", "player/guide.h", "player/fat.h", "player/sd.h", "player/screen.h", "../../container/c/stampreel.h", "../../container/c/stampreel_guide.h"} {
		if _, err := os.ReadFile(filepath.FromSlash(path)); err != nil { // go test keeps results until these change
			t.Fatal(err)
		}
		if filepath.Ext(path) == ".c" {
			args = append(args, filepath.FromSlash(path))
		}
	}
	if text, err := exec.Command("gcc", args...).CombinedOutput(); err != nil {
		t.Fatalf("gcc: %v\n%s", err, text)
	}
	ask := func(image, changes string, n int) []string {
		t.Helper()
		cmd := exec.Command(program, image)
		cmd.Stdin = strings.NewReader(changes)
		out, err := cmd.Output()
		if lines := strings.Fields(strings.ReplaceAll(string(out), " ", ":")); err == nil && len(lines) == n {
			return lines
		}
		var exit *exec.ExitError
		errors.As(err, &exit)
		t.Fatalf("%v: %s\n%v", err, out, exit)
		return nil
	}
	vectors, err := filepath.Glob("../../testdata/guide-vectors/*.srg")
	if err != nil || len(vectors) < 30 {
		t.Fatal(len(vectors), err)
	}
	right, refused := 0, 0
	for _, path := range vectors {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		g, err := guide.Open(bytes.NewReader(data), int64(len(data)))
		kind, _ := guide.KindOf(err)
		image := cardOf(t, cardFile{guide.Name, data})
		said := ask(image, "-\n", 1)[0]
		if err == nil {
			right++
			if want := fmt.Sprintf("0:%d", len(g.Clips)); said != want {
				t.Errorf("%s: guide_open says %s, want %s", path, said, want)
			}
		} else if !strings.HasPrefix(said, "0:") {
			refused++
			want := map[guide.Kind]string{guide.Damaged: "-1:0", guide.Truncated: "-2:0", guide.Unsupported: "-3:0"}[kind]
			if said != want {
				t.Errorf("%s is %v: guide_open says %s, want %s", path, kind, said, want)
			}
		}
		if !strings.HasSuffix(path, "ok-colour.srg") {
			continue
		}
		f, err := os.Open(image)
		if err != nil {
			t.Fatal(err)
		}
		v, err := fat.Open(f, 64<<20)
		if err != nil {
			t.Fatal(err)
		}
		file, err := v.OpenFile(guide.Name)
		if err != nil {
			t.Fatal(err)
		}
		f.Close()
		records := 512 * (1 + len(g.Shelves) + len(g.Clips))
		rng := rand.New(rand.NewPCG(12, 4))
		var changes strings.Builder
		const trials = 400
		for range trials {
			at := rng.IntN(records)
			fmt.Fprintf(&changes, "%d %d\n", file.OffsetBytes()+int64(at), data[at]^1<<rng.IntN(8))
		}
		for i, said := range ask(image, changes.String(), trials) {
			if said != "-1:0" {
				t.Errorf("with change %d guide_open says %s, want -1:0", i, said)
			}
		}
	}
	t.Logf("%d of %d vectors right, %d refused", right, len(vectors), refused)
	if right < 3 || refused < 10 {
		t.Errorf("%d of %d vectors right, %d refused: too few to say much", right, len(vectors), refused)
	}
}
