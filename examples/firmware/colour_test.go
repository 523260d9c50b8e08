package firmware_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/stampreel/container"
	"example.org/stampreel/container/pixel"
)

// colours is what the clips of the colour board are like.
func colours(coding container.SoundCoding) container.Settings {
	s := container.Settings{Width: 160, Height: 128, PixelFormat: pixel.RGB565LE, Rate: container.Ratio{Num: 25, Den: 1}}
	if coding != container.NoSound {
		s.SoundCoding, s.Channels, s.SampleRate, s.SoundLead = coding, 1, container.Ratio{Num: 8000000, Den: 363}, 5
	}
	return s
}

// TestTheColourBoardPlaysTheCard plays raw pictures, tiles and JPEG on the emulated colour
// board. As on the small one, what it pushed and sounded is beat by beat what the Go decoder
// makes of the clip, no beat is late, and the panel shows the last picture, here of each clip
// another coding.
func TestTheColourBoardPlaysTheCard(t *testing.T) {
	kernel := colourMachine.build(t)
	var files []cardFile
	for name, c := range map[string]struct {
		sound   container.SoundCoding
		codings string
	}{
		"raw.srq":   {container.U8, "RRR-RR"},
		"tiles.srq": {container.IMAADPCM, "KTT-TTRTTKT"},
		"jpeg.srq":  {container.S16, "JJJ-JRTTJ-KTJJJJ"},
		"quiet.srq": {container.NoSound, "JTTRT"},
	} {
		files = append(files, cardFile{name, clip(t, colours(c.sound), c.codings)[0]})
	}
	b := start(t, kernel, cardOf(t, files...))
	seen := map[container.FrameCoding]int{}
	for _, f := range files {
		want, _, last := wantBeats(t, f.data)
		p := b.play("play " + f.name)
		if p.err != 0 || p.late != 0 || p.lost != 0 || p.gaps != 0 || len(p.clips) != 1 {
			t.Fatalf("%s: %+v", f.name, p)
		}
		if whole := clipLog(p.clips[0]).holds(t, f.name, want, 0); whole != len(want) {
			t.Errorf("%s: %d beats whole, want %d", f.name, whole, len(want))
		}
		latest := 0
		for i, got := range p.clips[0] {
			seen[want[i].coding]++
			latest = max(latest, got.done)
			if got.done >= 40000 {
				t.Errorf("%s, beat %d (%v): drawn %d µs after its time, a beat has 40,000", f.name, i, want[i].coding, got.done)
			}
		}
		t.Logf("%s: drawn after %d µs at the latest", f.name, latest)
		b.shows(f.name, last)
	}
	b.quit()
	for _, c := range []container.FrameCoding{container.Raw, container.Repeat, container.Tiles, container.KeyTiles, container.JPEG} {
		if seen[c] == 0 {
			t.Errorf("no beat was %v: %v", c, seen)
		}
	}
}

// TestTheColourBoardReadsTheGuide fills a card for the colour board, as anybody would, with
// clips in JPEG; what it shows of the guide is what is in there, and its clips play in order.
func TestTheColourBoardReadsTheGuide(t *testing.T) {
	kernel := colourMachine.build(t)
	image, g, _ := guidedCard(t, colourMachine, "--coding", "jpeg")
	b := start(t, kernel, image)
	b.say("show")
	b.until("ready")
	b.shows("first", chosen(t, g, 0, b.machine))
	p := b.play("play")
	if p.err != 0 || p.late != 0 || p.lost != 0 || p.gaps != 0 || len(p.clips) != len(g.Clips) {
		t.Fatalf("%d clips, %d late, %d lost, %d gaps, error %d, want %d clips", len(p.clips), p.late, p.lost, p.gaps, p.err, len(g.Clips))
	}
	jpegs := 0
	for i, c := range g.Clips {
		want, _, last := wantBeats(t, onCard(t, image, c.Path))
		if whole := clipLog(p.clips[i]).holds(t, c.Title, want, 0); whole != len(want) {
			t.Errorf("%s: %d beats whole, want %d", c.Title, whole, len(want))
		}
		for _, w := range want {
			if w.coding == container.JPEG {
				jpegs++
			}
		}
		if i == len(g.Clips)-1 {
			b.shows(c.Title, last)
		}
	}
	if jpegs < 20 {
		t.Errorf("%d beats are JPEG: too few to say much", jpegs)
	}
	b.say("next") // behind the last comes the first
	if got := b.until("ready"); len(got) != 1 || got[0] != title(g, 0) {
		t.Errorf("the board says %q, want %q", got, title(g, 0))
	}
	b.shows("next", chosen(t, g, 0, b.machine))
	b.quit()
}

func TestTheReadmeSaysWhatTheColourBoardTakes(t *testing.T) {
	takes(t, colourMachine.build(t), "\n## What is here", "player.c with stampreel.h and stampreel_jpeg.h", "chip.c, lcd.c, start.c", colours(container.IMAADPCM), 64, []taking{
		{"raw.srq", "each picture raw", strings.Repeat("R", 50)},
		{"jpeg.srq", "JPEG, repeats", strings.Repeat("JJJ-J", 10)},
		{"mixed.srq", "raw, tiles, JPEG, repeats", strings.Repeat("RTT-JKTT-T", 5)},
		{"tiles.srq", "tiles, repeats", strings.Repeat("KTT-TTTT-T", 5)},
	})
}

// TestTheVerdictOfJPEGComesTrue lets check judge two clips of JPEG for the colour board: one that
// asks for half of what its decoder does, and the same at a rate that is twice too much. A
// frame takes some 17 ms, or 57 a second.
func TestTheVerdictOfJPEGComesTrue(t *testing.T) {
	run, kernel := command(t), colourMachine.build(t)
	dir := t.TempDir()
	var files []cardFile
	trials := []struct {
		rate uint32
		word string
		code int
	}{{25, "plays", 0}, {120, "stutters", 3}}
	for i, c := range trials {
		s := colours(container.IMAADPCM)
		s.Rate.Num, s.SoundLead = c.rate, int(c.rate)/5
		files = append(files, cardFile{fmt.Sprintf("trial%d.srq", i), clip(t, s, strings.Repeat("J", 40))[0]})
	}
	b := start(t, kernel, cardOf(t, files...))
	for i, c := range trials {
		path := filepath.Join(dir, files[i].name)
		if err := os.WriteFile(path, files[i].data, 0o644); err != nil {
			t.Fatal(err)
		}
		text := run(c.code, "check", "--quiet", "--json", "--player", filepath.Join("colour", "player.yaml"), path)
		var said struct {
			Clips []struct {
				Verdict struct {
					Typical struct{ Word string }
				}
			}
		}
		if err := json.NewDecoder(bytes.NewReader(text)).Decode(&said); err != nil || len(said.Clips) != 1 {
			t.Fatalf("%v: %s", err, text)
		}
		if v := said.Clips[0].Verdict.Typical; v.Word != c.word {
			t.Errorf("at %d a second: check says %+v, want %s", c.rate, v, c.word)
		}
		p := b.play("play " + files[i].name)
		late := 0
		for _, v := range p.clips[0] {
			if v.fate != "shown" || v.begun > onTime {
				late++
			}
		}
		t.Logf("at %d a second: %d of %d late, %d of them dropped", c.rate, late, p.beats, p.late)
		if p.err != 0 || p.lost != 0 || c.word == "plays" && late > 0 || c.word == "stutters" && late < p.beats/2 {
			t.Errorf("at %d a second check says %s, but %d of %d beats were late; error %d, %d lost", c.rate, c.word, late, p.beats, p.err, p.lost)
		}
	}
	b.quit()
}
