package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/measure"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/fill"
)

const benchPlayer = `player:
  name: Bench
panel:
  size: 80x64
  pixels: rgb565
  bus-clock: 60 MHz
card:
  wiring: 1-bit # hand-soldered
  clock: 25 MHz
  request-time: 0.5 ms
  stall: 1 ms
memory:
  read-ahead: 24 KiB
`

// packAlternating packs a film of so many pictures at 25 a second, every tenth of
// which repeats the one before.
func packAlternating(t *testing.T, dir string, pictures int) string {
	t.Helper()
	var b strings.Builder
	b.WriteString("YUV4MPEG2 W2 H2 F25:1 Cmono\n")
	for i := range pictures {
		if i%10 == 9 {
			i--
		}
		fmt.Fprintf(&b, "FRAME\n%s\n", []string{"abc", "xyz"}[i%2])
	}
	film := filepath.Join(dir, "film.y4m")
	for path, text := range map[string]string{film: b.String(), filepath.Join(dir, "bench.yaml"): benchPlayer} {
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	clip := filepath.Join(dir, "film.srq")
	if code, _, stderr := try(t, commands(), "pack", film, "-o", clip, "--player", filepath.Join(dir, "bench.yaml"), "--rate", "25"); code != exitDone {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	return clip
}

// writeLog plays a clip's beats on a card of 0.5 MB/s and 1 ms a request, in whole
// beats with a buffer of so many sectors, and writes the log. stall is the pause in
// seconds before a beat.
func writeLog(t *testing.T, path, clip string, sectors int, stall map[int]float64) {
	t.Helper()
	_, c, err := fill.Load(t.Context(), clip)
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	b.WriteString("# made by a test\r\nstart_us,sectors,took_us,beat\r\n4294000000,2,1500,\r\n")
	now, start := 0.002, math.Inf(1)
	var sizes []int
	held, oldest := 0, 0
	for beat := range c.Beats {
		i := len(sizes)
		for held+beat.Sectors > sectors {
			start = min(start, now)
			now = max(now, start+float64(oldest)*0.04)
			held -= sizes[oldest]
			oldest++
		}
		took := 0.001 + float64(beat.Sectors)*512/0.5e6 + stall[i]
		fmt.Fprintf(&b, "%d,%d,%d,%d\r\n", uint32(4294000000+int64(now*1e6)), beat.Sectors, int64(took*1e6), i)
		now += took
		held += beat.Sectors
		sizes = append(sizes, beat.Sectors)
	}
	if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
}

// The issue's own example: a clip stutters at 3:12 because the card stalled 84 ms.
// By hand: a beat of 21 sectors takes 22.5 ms of 40; 24 KiB hold two, so one that is
// asked for when there is room comes 80 − 22.5 = 57.5 ms before its time, and with 84
// ms more 26.5 ms after it.
func TestAStutterIsExplained(t *testing.T) {
	if testing.Short() {
		t.Skip("reads a log of minutes, in one goroutine")
	}
	dir := t.TempDir()
	clip := packAlternating(t, dir, 5000)
	log, player := filepath.Join(dir, "reads.csv"), filepath.Join(dir, "bench.yaml")
	writeLog(t, log, clip, 48, map[int]float64{1006: 0.02, 4806: 0.084})
	code, stdout, stderr := try(t, commands(), "measure", "--log", log, "--clip", clip, "--player", player)
	if code != exitDone || stderr != "" {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	for _, want := range []string{
		`reads\.csv: 5001 reads, .* in 3:19\.\d\n`,
		`\nrate inside a read +0\.50 +0\.\d\d  MB/s  1-bit at 25 MHz carries 3\.11 at most\n`,
		`\ntime of a request +1\.00 +1\.0\d  ms `,
		`\npauses: worst +84\.0 `,
		`film\.srq: 1 stutter in 5000 beats\n`,
		`\n3:12\.2  4806 +\d +26\.[45]  card stalled 84\.0 ms \(at beat 4806, 3:12\.2\)\n`,
	} {
		if !regexp.MustCompile(want).MatchString(stdout) {
			t.Errorf("no %q in\n%s", want, stdout)
		}
	}
	code, stdout, _ = try(t, commands(), "measure", "--log", log, "--clip", clip, "--player", player, "--json")
	var doc figures
	if err := json.Unmarshal([]byte(stdout), &doc); err != nil || code != exitDone {
		t.Fatalf("exit %d, %v", code, err)
	}
	if x := doc.Explanation; x == nil || len(x.Stutters) != 1 || x.Stutters[0].Beat != 4806 || x.Stutters[0].At != 192.24 || x.Stutters[0].Cause != measure.CardPaused || math.Abs(x.Stutters[0].Longest-0.084) > 0.0005 || x.Closest != nil {
		t.Errorf("%+v", x)
	}

	writeLog(t, log, clip, 48, map[int]float64{1006: 0.02})
	_, stdout, _ = try(t, commands(), "measure", "--log", log, "--clip", clip, "--player", player)
	if !regexp.MustCompile(`of 5000 beats none came late; the closest was beat 1006 at 0:40\.2 with \d+\.\d ms to spare: card stalled 20\.0 ms`).MatchString(stdout) {
		t.Errorf("no closest beat in\n%s", stdout)
	}
}

// What is saved out of a log decides: the same clip, before and after.
func TestVerdictsRestOnWhatThePlayerMeasured(t *testing.T) {
	dir := t.TempDir()
	clip := packAlternating(t, dir, 500)
	log, player := filepath.Join(dir, "reads.csv"), filepath.Join(dir, "bench.yaml")
	_, c, err := fill.Load(t.Context(), clip)
	if err != nil {
		t.Fatal(err)
	}
	judge := func() budget.Verdict {
		p, err := playerfile.Load(player)
		if err != nil {
			t.Fatal(err)
		}
		v, err := budget.Judge(c, p)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	before := judge()
	writeLog(t, log, clip, 48, map[int]float64{256: 0.084})
	if code, _, stderr := try(t, commands(), "measure", "--log", log, "--save", player); code != exitDone {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	after := judge()
	t.Logf("declared: %v, margin %.2f; measured: %v, margin %.2f", before.Typical.Word, before.Typical.Margin, after.Typical.Word, after.Typical.Margin)
	if before.Typical.Word != budget.Plays || after.Typical.Word != budget.Stutters || after.Typical.Origin != playerfile.Measured {
		t.Errorf("declared: %v; measured with a pause of 84 ms: %v (%v)", before.Typical.Word, after.Typical.Word, after.Typical.Origin)
	}
	text, err := os.ReadFile(player)
	if err != nil || !strings.HasPrefix(string(text), strings.Split(benchPlayer, "memory:")[0]) {
		t.Errorf("%v, the player file became\n%s", err, text)
	}
}

// No figure of a computer's reader reaches a player file, and none that is said to
// be the player's own makes a verdict better than the wiring allows.
func TestACeilingDecidesNothing(t *testing.T) {
	dir := t.TempDir()
	player := filepath.Join(dir, "bench.yaml")
	for _, args := range [][]string{
		{"measure", dir, "--save", player},
		{"measure", dir, "--save", player, "--json"},
		{"measure", dir, "--save", player, "--in-player", "--seconds", "1", "--bytes", "2MiB"},
	} {
		if err := os.WriteFile(player, []byte(strings.Replace(benchPlayer, "25 MHz", "400 kHz", 1)), 0o644); err != nil {
			t.Fatal(err)
		}
		code, _, stderr := try(t, commands(), args...)
		p, err := playerfile.Load(player)
		if code == exitDone || stderr == "" || err != nil || p.Card.Measured != (playerfile.CardMeasured{}) {
			t.Errorf("%v: exit %d, %s; %v, %+v", args, code, stderr, err, p)
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 1 {
		t.Errorf("%v, left %v", err, entries)
	}
}

func TestACounterfeitIsTold(t *testing.T) {
	for _, c := range []struct {
		got  measure.Capacity
		want string
	}{
		{measure.Capacity{Written: 32e9, Kept: 8e9, Wrapped: 24e9, ReadsAs: 24e9}, "card holds less than it claims: 8.00 GB of 32.0 GB are there, the rest was written over them"},
		{measure.Capacity{Written: 32e9, Kept: 8e9, Lost: 24e9, FirstLost: 8e9}, "card does not hold what is written to it: 8.00 GB of 32.0 GB read back right"},
		{measure.Capacity{Written: 32e9, Kept: 32e9, WriteErr: errors.New("input/output error")}, "card took 32.0 GB and then failed: input/output error"},
		{measure.Capacity{Written: 32e9, Kept: 31e9, Unreadable: 1e9, ReadErr: errors.New("input/output error")}, "card does not hold what is written to it: 31.0 GB of 32.0 GB read back right"},
	} {
		code, stdout, stderr := try(t, []*command{{name: "tell", results: true, run: func(_ context.Context, run *call) error { return run.capacityResult("card", &c.got) }}}, "tell")
		if code != exitFailed || !strings.Contains(stderr, c.want) || !strings.Contains(stderr, "use another card") {
			t.Errorf("exit %d: %s, want %s", code, stderr, c.want)
		}
		if c.got.Wrapped > 0 && !strings.Contains(stdout, "offset 0 reads as offset 24000000000") {
			t.Errorf("%s", stdout)
		}
	}
}

func TestACardMayBeCalledAsAPackageIs(t *testing.T) {
	err := fmt.Errorf("measure: %w", fmt.Errorf("card: %w", &fs.PathError{Op: "write", Path: "card", Err: errors.New("input/output error")}))
	if got := plainText(err); got != "card: input/output error" {
		t.Errorf("%q", got)
	}
}
