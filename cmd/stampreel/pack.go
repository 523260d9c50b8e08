package main

import (
	"context"
	"encoding/hex"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"example.org/stampreel/budget"
	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
)

func packCommand() *command {
	return &command{
		name: "pack", group: "Making clips",
		short: "pack one source into one clip",
		about: "Scales and dithers the pictures of SOURCE to the player's panel, converts its " +
			"sound to the player's DAC, and writes both as a clip. SOURCE is an animation, a " +
			"picture, a folder of numbered frames, a Y4M video or a sound; its content decides, " +
			"not its name. The clip is verified before it gets its name.\n\n" +
			"Flashing pictures can harm people with photosensitive epilepsy, and a small " +
			"speaker near an ear is louder than it looks: watch and hear a new clip with care.",
		operands: []operand{
			{"SOURCE", "what to pack; - reads Y4M video from standard input"},
			{"[SOUND]", "its sound, in place of any that SOURCE has"},
		},
		flags: append([]cli.Flag{
			&cli.StringFlag{Name: "output", Aliases: []string{"o"}, Category: everywhere, Usage: "write the `CLIP` here", DefaultText: "the source's name in this folder"},
		}, packingFlags()...),
		examples: []example{
			{"stampreel pack express.gif", "writes express.srq for the player of player.yaml"},
			{"stampreel pack film.y4m film.wav -o card/film.srq --from 1:30 --to 2:00", "half a minute of a film and its sound"},
			{"stampreel pack frames/ --rate 12.5 --fit cover --player round-240", "numbered pictures, filling a round panel"},
		},
		results: true, player: true,
		run: runPack,
	}
}

func runPack(ctx context.Context, c *call) error {
	src := c.operand(0)
	player, err := c.player(folderOf(src))
	if err != nil {
		return err
	}
	s, err := packingSettings(c, player)
	if err != nil {
		return err
	}
	clip := c.String("output")
	if clip == "" {
		if src == "-" {
			return usagef("standard input has no name to call the clip by").try("-o CLIP%s", fill.ClipExtension)
		}
		name := filepath.Base(filepath.Clean(src))
		if name == "." || name == string(filepath.Separator) || name == ".." {
			return usagef("%s is no name for a clip", src).try("-o CLIP%s", fill.ClipExtension)
		}
		clip = strings.TrimSuffix(name, filepath.Ext(name)) + fill.ClipExtension
	}
	progress := c.console.Progress(console.Job{What: "packing " + console.Name(src), Unit: "pictures"})
	defer progress.Stop()
	packed, err := s.Pack(ctx, fill.Job{
		Source: src, Sound: c.operand(1), Clip: clip, Stdin: c.stdin,
		Expect: progress.Expect, Beats: progress.Add,
	})
	progress.Stop()
	if err != nil {
		return err
	}
	if c.operand(1) != "" && !s.Mute && !player.HasSound() {
		c.console.Warn("%s is left out: %s has no sound", console.Name(c.operand(1)), player.Name.Value)
	}
	for _, w := range packed.Result.Warnings {
		c.console.Warn("%s: %s", console.Name(src), w)
	}
	facts := factsOf(packed)
	c.console.Result("%s: %s, %s pictures/s, %s, %s", strings.Join(packed.Files, ", "), console.Duration(seconds(facts.Seconds)),
		facts.rate, console.Size(packed.Bytes), verdictText(&packed.Verdict))
	if !packed.Verdict.OK() {
		c.console.Warn("%s would not play well on %s: stampreel check %s tells why", console.Name(clip), player.Name.Value, console.Name(clip))
	}
	return c.console.JSON(facts)
}

// packedFacts is what --json says of a packed clip.
type packedFacts struct {
	Source   string         `json:"source,omitempty"`
	Kind     string         `json:"kind"`
	Clip     string         `json:"clip"`
	Files    []string       `json:"files"`
	Bytes    int64          `json:"bytes"`
	Beats    int64          `json:"beats"`
	Seconds  float64        `json:"length_s"`
	Rate     float64        `json:"rate_hz"`
	Rendered int64          `json:"pictures_rendered"`
	Repeats  int64          `json:"repeats"`
	Sample   float64        `json:"sample_rate_hz"`
	Clipped  int64          `json:"samples_clipped"`
	Identity string         `json:"identity"`
	Warnings []string       `json:"warnings"`
	Verdict  budget.Verdict `json:"verdict"`

	rate string
}

func factsOf(p *fill.Packed) packedFacts {
	h := p.Headers[0]
	f := packedFacts{
		Kind: p.Kind, Clip: p.Files[0], Files: p.Files, Bytes: p.Bytes, Beats: p.Result.Beats,
		Seconds: container.BeatTime(h.Rate(), uint32(p.Result.Beats)).Seconds(), Rate: h.Rate().Float(),
		Rendered: p.Result.Rendered, Repeats: p.Result.Repeats, Clipped: p.Result.Sound.Clipped,
		Identity: hex.EncodeToString(h.Identity[:]), Warnings: p.Result.Warnings, Verdict: p.Verdict,
		rate: number(h.Rate().Float()),
	}
	if h.SoundCoding != container.NoSound {
		f.Sample = h.SampleRate().Float()
	}
	if f.Warnings == nil {
		f.Warnings = []string{}
	}
	return f
}

// number writes a number with at most two decimals.
func number(x float64) string {
	return strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%.2f", x), "0"), ".")
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }

// folderOf is the folder in which a player file is looked for: a source that is
// a folder may hold it itself.
func folderOf(path string) string {
	if path == "-" {
		return "."
	}
	if isFolder(path) {
		return path
	}
	return filepath.Dir(path)
}

// verdictText is a verdict in a few words: "plays (margin 34 %)".
func verdictText(v *budget.Verdict) string {
	if !v.Fits() {
		return "made for another player"
	}
	return fmt.Sprintf("%v (margin %s)", v.Typical.Word, console.Percent(v.Typical.Margin))
}

// verdictCell colours a verdict.
func verdictCell(v *budget.Verdict) console.Cell {
	switch {
	case !v.Fits():
		return console.Bad("other player")
	case v.Typical.Word == budget.Plays:
		return console.Good("plays")
	case v.Typical.Word == budget.Tight:
		return console.Careful("tight")
	}
	return console.Bad("stutters")
}
