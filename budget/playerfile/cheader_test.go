package playerfile

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
		t.Fatalf("missing: %s", what)
	}
	t.Skipf("missing: %s", what)
}

// A C compiler reads every constant of the header back as the figure it came
// from.
func TestCHeaderIsWhatACompilerReads(t *testing.T) {
	cc, err := exec.LookPath("cc")
	if err != nil {
		missing(t, "cc")
	}
	if len(Known()) < 3 {
		t.Fatalf("%d built-in players", len(Known()))
	}
	for _, name := range Known() {
		p, err := LoadKnown(name)
		if err != nil {
			t.Fatal(err)
		}
		p.Memory.Buffers = Figure[int64]{Value: 2, Origin: Declared}
		want := map[string]int64{
			"PLAYER_BEAT_BUFFERS": 2,
			"PLAYER_WIDTH":        int64(p.Panel.Size.Value.W), "PLAYER_HEIGHT": int64(p.Panel.Size.Value.H),
			"PLAYER_STORED_WIDTH": int64(p.StoredSize().W), "PLAYER_TURN": int64(p.Panel.Mounted.Value),
			"PLAYER_PIXEL_FORMAT": int64(p.Panel.Pixels.Value), "PLAYER_FRAME_BYTES": int64(p.FrameBytes()),
			"PLAYER_PANEL_CLOCK_NUM": p.Panel.RealClock.Value.Num, "PLAYER_CARD_CLOCK_DEN": p.Card.RealClock.Value.Den,
			"PLAYER_READ_AHEAD_BYTES": p.Memory.ReadAhead.Value, "PLAYER_STALL_MICROS": p.Stall().Value.Microseconds(),
			"PLAYER_HAS_SOUND": int64(boolean(p.HasSound())),
		}
		if p.HasSound() {
			want["PLAYER_SAMPLE_RATE_NUM"], want["PLAYER_SAMPLE_RATE_DEN"] = p.Sound.RealRate.Value.Num, p.Sound.RealRate.Value.Den
		}
		dir := t.TempDir()
		header := p.CHeader("a */ b.yaml")
		var program strings.Builder
		program.WriteString("#include \"player.h\"\n#include \"player.h\"\n#include <stdio.h>\nint main(void) {\n")
		for _, m := range regexp.MustCompile(`#define (PLAYER_\w+) `).FindAllStringSubmatch(header, -1) {
			fmt.Fprintf(&program, "printf(\"%s %%lld\\n\", (long long)%s);\n", m[1], m[1])
		}
		program.WriteString("return 0; }\n")
		for file, text := range map[string]string{"player.h": header, "main.c": program.String()} {
			if err := os.WriteFile(filepath.Join(dir, file), []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		run := exec.Command(cc, "-std=c99", "-Wall", "-Wextra", "-pedantic", "-Werror", "-o", "main", "main.c")
		run.Dir = dir
		if out, err := run.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", name, err, out)
		}
		out, err := exec.Command(filepath.Join(dir, "main")).Output()
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]int64{}
		for line := range strings.Lines(string(out)) {
			var key string
			var value int64
			if _, err := fmt.Sscan(line, &key, &value); err != nil {
				t.Fatal(err)
			}
			got[key] = value
		}
		for key, value := range want {
			if v, ok := got[key]; !ok || v != value {
				t.Errorf("%s: %s is %d (%v), want %d", name, key, v, ok, value)
			}
		}
		if _, ok := got["PLAYER_SAMPLE_BITS"]; ok != p.HasSound() {
			t.Errorf("%s: states sample bits: %v", name, ok)
		}
	}
}
