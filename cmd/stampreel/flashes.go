package main

import (
	"fmt"
	"strings"
	"time"

	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
)

// flashFacts is what --json says of flashing pictures.
type flashFacts struct {
	Passes  bool      `json:"passes"` // at most three flashes in any second, WCAG 2.2
	General flashKind `json:"general"`
	Red     flashKind `json:"red"`
	LongAt  float64   `json:"long_at_s"` // the first flashing of more than 5 s, ITU-R BT.1702
	Long    float64   `json:"long_s"`    // 0 for none
}

type flashKind struct {
	Rate  int     `json:"most_in_a_second"`
	First float64 `json:"first_at_s"` // the first second with more than three; 0 with fewer
}

func flashFactsOf(f *fill.Flashes) *flashFacts {
	return &flashFacts{
		f.Passes(), flashKind{f.General.Rate, f.General.First.Seconds()}, flashKind{f.Red.Rate, f.Red.First.Seconds()},
		f.LongAt.Seconds(), f.Length.Seconds(),
	}
}

// flashText says what flashes, in a few words; "" for nothing to worry about.
func flashText(f *fill.Flashes) string {
	var all []string
	for _, k := range []struct {
		name string
		fill.Flashing
	}{{"flashes", f.General}, {"flashes of saturated red", f.Red}} {
		if k.TooMany() {
			all = append(all, fmt.Sprintf("up to %d %s in a second, first at %s", k.Rate, k.name, console.Duration(k.First)))
		}
	}
	if f.Length > 0 {
		all = append(all, fmt.Sprintf("flashing that goes on for %s s from %s on", number(f.Length.Seconds()), console.Duration(f.LongAt)))
	}
	return strings.Join(all, "; ")
}

// warnFlashes tells what in a clip may harm people, and what helps.
func (c *call) warnFlashes(name string, f *fill.Flashes, try string) {
	switch text := flashText(f); {
	case !f.Passes():
		c.console.Warn("%s: %s: this can harm people with photosensitive epilepsy; %s", console.Name(name), text, try)
	case text != "":
		c.console.Warn("%s: %s: within WCAG's threshold, but long enough to be a risk by ITU-R BT.1702", console.Name(name), text)
	}
}

// noteSoftened tells which passages have less contrast.
func (c *call) noteSoftened(name string, p *fill.Packed) {
	if len(p.Softened) == 0 {
		return
	}
	length := container.BeatTime(p.Headers[0].Rate(), p.Headers[0].AllBeats)
	var parts []string
	for i, s := range p.Softened {
		if i == 3 {
			parts = append(parts, fmt.Sprintf("%d more", len(p.Softened)-i))
			break
		}
		parts = append(parts, fmt.Sprintf("%s to %s (%s left)", console.Duration(s.From), console.Duration(min(s.To, length).Round(time.Millisecond)), console.Percent(s.Contrast)))
	}
	c.console.Note("%s: contrast lowered where it flashed: %s", console.Name(name), strings.Join(parts, ", "))
}
