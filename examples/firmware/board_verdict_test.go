package firmware_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.org/stampreel/container"
)

// A trial is one clip on one card: what the budget says of it has to come true.
type trial struct {
	pictures string // letters of clip
	rate     int    // beats a second
	word     string // the verdict
	long     bool   // only with STAMPREEL_LONG=1
}

// TestTheVerdictComesTrueOnTheBoard lets the board time its card, as an author would with
// LOG.md: the log goes through measure --log into the player file. What check then calls "plays"
// has no late beat on the board, and of what it calls "stutters" a tenth of the beats or more
// are late. The clips ask for two thirds of what the card gives and less, or for 1.4 times that and more.
//
// A request and its first sector cannot be broken off: a beat that is taken up later
// than they take, and 1 ms (LOG.md), is late. The cards are slow by the board's own timer.
func TestTheVerdictComesTrueOnTheBoard(t *testing.T) {
	run, kernel := command(t), buildBoard(t)
	var rows []string
	played := "\n| request, µs | sector, µs | beats | a second | verdict | margin | late |\n|---:|---:|---|---:|---|---:|---|\n"
	long := os.Getenv("STAMPREEL_LONG") == "1"
	for _, c := range []struct {
		request, sector int // µs
		trials          []trial
	}{
		// A raw beat has 9 sectors and takes two requests, as the panel comes between, and some 4 ms
		// to draw: 2·2 + 9·0.512 + 4 = 12.6 ms, or 79 a second. One of tiles: 1 to 3 sectors.
		{2000, 512, []trial{
			{"R", 25, "plays", true}, {"R", 40, "plays", false}, {"R", 120, "stutters", false}, {"R", 160, "stutters", true},
			{"KTT-TTTT-T", 50, "plays", false}, {"KTT-TTTT-T", 240, "stutters", true},
		}},
		// 2·5 + 9·1 + 4 = 23 ms, or 43 a second.
		{5000, 1000, []trial{
			{"R", 12, "plays", true}, {"R", 24, "plays", true}, {"R", 65, "stutters", false},
			{"RTT-R", 20, "plays", false}, {"RTT-R", 120, "stutters", true}, {"RTT-R", 200, "stutters", true},
		}},
	} {
		var files []cardFile
		dir := t.TempDir()
		if !long {
			c.trials = slices.DeleteFunc(c.trials, func(x trial) bool { return x.long })
		}
		for i, trial := range c.trials {
			s := greys(container.IMAADPCM)
			s.Rate.Num, s.SoundLead = uint32(trial.rate), max(1, trial.rate/5)
			codings := strings.Repeat(trial.pictures, trial.rate+20)[:max(20, trial.rate)]
			files = append(files, cardFile{fmt.Sprintf("trial%d.srq", i), clip(t, s, codings)[0]})
		}
		files = append(files, cardFile{"load.srq", clip(t, greys(container.IMAADPCM), strings.Repeat("RT-R--TK--T-", 5))[0]})
		b := start(t, kernel, cardOf(t, files...))
		b.say(fmt.Sprintf("slow %d %d", c.request, c.sector))
		b.until("ready")
		if p := b.play("play load.srq"); p.err != 0 {
			t.Fatalf("%+v", p)
		}
		b.say("reads")
		reads, player := filepath.Join(dir, "reads.csv"), filepath.Join(dir, "player.yaml")
		figures, err := os.ReadFile(filepath.Join("board", "player.yaml"))
		if err != nil {
			t.Fatal(err)
		}
		for name, data := range map[string][]byte{reads: []byte(strings.Join(b.until("ready"), "\n") + "\n"), player: figures} {
			if err := os.WriteFile(name, data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		run(0, "measure", "--log", reads, "--save", player)
		for i, trial := range c.trials {
			name := fmt.Sprintf("trial%d.srq", i)
			path := filepath.Join(dir, name)
			if err := os.WriteFile(path, files[i].data, 0o644); err != nil {
				t.Fatal(err)
			}
			code := 0
			if trial.word == "stutters" {
				code = 3
			}
			var said struct {
				Clips []struct {
					Verdict struct {
						Typical struct {
							Word   string
							Margin float64
						}
					}
				}
			}
			text := run(code, "check", "--quiet", "--json", "--player", player, path)
			if err := json.NewDecoder(bytes.NewReader(text)).Decode(&said); err != nil || len(said.Clips) != 1 {
				t.Fatalf("%v: %s", err, text)
			}
			verdict := said.Clips[0].Verdict.Typical
			p := b.play("play " + name)
			if p.err != 0 || p.lost != 0 || len(p.clips) != 1 {
				t.Fatalf("%+v", p)
			}
			late := 0
			for _, v := range p.clips[0] {
				if v.fate != "shown" || v.begun > onTime+c.request+c.sector {
					late++
				}
			}
			t.Logf("%d µs and %d µs, %s at %d: %s, margin %.2f; %d of %d late, %d dropped, %d gaps", c.request, c.sector, trial.pictures, trial.rate, verdict.Word, verdict.Margin, late, p.beats, p.late, p.gaps)
			if verdict.Word != trial.word {
				t.Errorf("%s at %d a second: check says %s with a margin of %.2f, want %s", trial.pictures, trial.rate, verdict.Word, verdict.Margin, trial.word)
			}
			if trial.word == "plays" && late > 0 || trial.word == "stutters" && late < p.beats/10 {
				t.Errorf("%s at %d a second %s, but %d of %d beats were late", trial.pictures, trial.rate, verdict.Word, late, p.beats)
			}
			predicted := fmt.Sprintf("| %d | %d | `%s` | %d | %s |", c.request, c.sector, trial.pictures, trial.rate, verdict.Word)
			rows = append(rows, predicted)
			played += fmt.Sprintf("%s %.0f %% | %d of %d |\n", predicted, 100*verdict.Margin, late, p.beats)
		}
		b.quit()
	}
	if *update && !long {
		t.Fatal("board/README.md has the long run: STAMPREEL_LONG=1")
	}
	have := inReadme(t, "board", "<!-- verdicts -->\n", "\n`R` raw", played)
	for _, row := range rows { // margins and counts go with the compiler
		if !strings.Contains(have, row) {
			t.Errorf("board/README.md has no row %q (STAMPREEL_LONG=1 go test ./examples/firmware -run Verdict -update)", row)
		}
	}
}
