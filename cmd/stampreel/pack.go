package main

import (
	"context"
	"encoding/hex"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/urfave/cli/v2"
	"golang.org/x/term"

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
			"sound to the player's DAC, and writes both as a clip. SOURCE is a video, an " +
			"animation, a picture, a folder of numbered frames or a sound; its content decides, " +
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
			{"stampreel pack film.mp4 -o card/film.srq --from 1:30 --to 2:00", "half a minute of a film, with its sound"},
			{"stampreel pack chime.wav --meter", "a sound that shows how loud it is"},
			{"stampreel pack frames/ --rate 12.5 --fit cover --player round-240", "numbered pictures, filling a round panel"},
		},
		results: true, player: true,
		run: runPack,
	}
}

func runPack(ctx context.Context, c *call) error {
	src := c.operand(0)
	if strings.EqualFold(filepath.Ext(src), fill.ClipExtension) {
		return usagef("%s is a clip already", console.Name(src)).try("stampreel info %s", console.Name(src))
	}
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
	if err := checkClipName(clip, src, c.operand(1), c.String("player")); err != nil {
		return err
	}
	if dir := filepath.Dir(clip); !isFolder(dir) {
		return usagef("--output: %s: there is no folder %s", console.Name(clip), console.Name(dir)).try("mkdir %s", console.Name(dir))
	}
	if src == "-" && isTerminal(c.stdin) {
		return usagef("- reads Y4M video from standard input, which is a terminal")
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
	if c.operand(1) != "" && !s.NoSound && !player.HasSound() {
		c.console.Warn("%s is left out: %s has no sound", console.Name(c.operand(1)), player.Name.Value)
	}
	for _, w := range packed.Result.Warnings {
		c.console.Warn("%s: %s", console.Name(src), w)
	}
	if s.Bars {
		c.noteBars(src, packed)
	}
	c.noteRate(src, packed)
	c.noteEnd(src, packed, &s)
	c.noteSoftened(src, packed)
	c.noteQuality(src, packed)
	c.noteLevel(src, packed)
	c.warnFlashes(src, &packed.Flashes, "--soften-flashes lowers their contrast")
	facts := factsOf(packed)
	names := make([]string, len(packed.Files))
	for i, f := range packed.Files {
		names[i] = console.Name(f)
	}
	c.console.Result("%s: %s, %s pictures/s, %s, %s", strings.Join(names, ", "), console.Duration(seconds(facts.Seconds)),
		facts.rate, console.Size(packed.Bytes), verdictText(&packed.Verdict))
	if err := c.console.JSON(facts); err != nil {
		return err
	}
	if packed.Result.Incomplete {
		return &cutShortError{fmt.Sprintf("%s: the source is incomplete; what is left of it is packed in %s", console.Name(src), console.Name(clip))}
	}
	if !packed.Verdict.OK() {
		e := notFit(console.Name(clip), player.Name.Value, packed)
		e.Try = append(e.Try, c.again("stampreel check "+console.Name(clip))+", for what would help")
		if packed.RawIsBetter() { // of a pipe, which cannot be read once more
			e.Try = append([]string{"--coding raw, which comes nearer to playing"}, e.Try...)
		}
		return e
	}
	return nil
}

// cutShortError is a clip whose source lacks something. It is written all the
// same.
type cutShortError struct{ text string }

func (e *cutShortError) Error() string { return e.text }
func (e *cutShortError) Tries() []string {
	return []string{"fetch or export the source once more; --strict packs nothing of one like this"}
}

// again adds the --player of this call to a command line that is proposed.
func (c *call) again(line string) string {
	if name := c.String("player"); name != "" {
		line += " --player " + console.Name(name)
	}
	return line
}

// noteRate tells when a clip has fewer pictures a second than its source, and nobody asked
// for that.
func (c *call) noteRate(src string, p *fill.Packed) {
	if c.IsSet("rate") {
		return
	}
	if own, rate := p.SourceRate.Float(), p.Headers[0].Rate().Float(); own > 1.001*rate {
		c.console.Note("%s: %s of its %s pictures/s, what the panel's bus takes with %d %% to spare; --rate asks for more", console.Name(src), number(rate), number(own), int(100*budget.TightMargin))
	}
}

// noteEnd tells when a source ends before the time asked for.
func (c *call) noteEnd(src string, p *fill.Packed, s *fill.Settings) {
	h := p.Headers[0]
	ends := s.From.Float() + container.BeatTime(h.Rate(), uint32(p.Result.Beats)).Seconds()
	if s.To.Num > 0 && !p.Result.Incomplete && s.To.Float() > ends+2/h.Rate().Float() {
		c.console.Note("%s: ends at %s, before --to %s", console.Name(src), console.Duration(seconds(ends)), c.String("to"))
	}
}

// noteLevel tells how loud the source is and what was done about it.
func (c *call) noteLevel(src string, p *fill.Packed) {
	l := p.Result.Level
	switch {
	case l == nil:
	case math.IsInf(l.Loudness, -1):
		c.console.Note("%s: its sound is silent, or shorter than 0.4 s: its level stays", console.Name(src))
	default:
		c.console.Note("%s: %.1f LUFS, range %.1f LU, true peak %.1f dBTP; gain %+.1f dB, limiter at most %.1f dB", console.Name(src), l.Loudness, l.Range, l.TruePeak, l.Gain, p.Result.Sound.Limited)
	}
}

// noteBars tells what was cut off.
func (c *call) noteBars(src string, p *fill.Packed) {
	if p.BarsErr != nil {
		c.console.Warn("%s: packed without a search for black bars, which failed: %s", console.Name(src), plainText(p.BarsErr))
		return
	}
	if p.Bars == nil {
		c.console.Note("%s: no black bars found", console.Name(src))
		return
	}
	b := p.Bars
	var sides []string
	for _, side := range []struct {
		name  string
		lines int
	}{{"left", b.Left}, {"top", b.Top}, {"right", b.Right}, {"bottom", b.Bottom}} {
		if side.lines > 0 {
			sides = append(sides, fmt.Sprintf("%s %d", side.name, side.lines))
		}
	}
	c.console.Note("%s: black bars cut off (%s), as with --crop %g,%g,%gx%g", console.Name(src), strings.Join(sides, ", "), b.Crop.X, b.Crop.Y, b.Crop.W, b.Crop.H)
	if b.Written > 0 {
		c.console.Warn("%s: %d of %d pictures looked at have something in a bar, such as a subtitle, which is lost", console.Name(src), b.Written, b.Pictures)
	}
}

// checkClipName refuses what must not be overwritten or is no name for a clip.
func checkClipName(clip string, inputs ...string) error {
	if !strings.EqualFold(filepath.Ext(clip), fill.ClipExtension) {
		e := usagef("--output: %s: the name of a clip ends with %s", console.Name(clip), fill.ClipExtension)
		if isFolder(clip) {
			return e.try("-o %s", console.Name(filepath.Join(clip, "NAME"+fill.ClipExtension)))
		}
		return e.try("-o %s", console.Name(strings.TrimSuffix(clip, filepath.Ext(clip))+fill.ClipExtension))
	}
	info, err := os.Stat(clip)
	if err != nil {
		return nil
	}
	if !info.Mode().IsRegular() {
		return usagef("--output: %s is not an ordinary file, and is not replaced", console.Name(clip))
	}
	for _, in := range inputs {
		if other, err := os.Stat(in); err == nil && os.SameFile(info, other) {
			return usagef("--output: %s is read for this clip, and is not replaced", console.Name(clip))
		}
	}
	return nil
}

// isTerminal tells whether a person would have to type what is read.
func isTerminal(r io.Reader) bool {
	f, ok := r.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
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
	Own      float64        `json:"source_rate_hz"` // 0 for a still
	Rendered int64          `json:"pictures_rendered"`
	Repeats  int64          `json:"repeats"`
	Sample   float64        `json:"sample_rate_hz"`
	Clipped  int64          `json:"samples_clipped"`
	Identity string         `json:"identity"`
	Warnings []string       `json:"warnings"`
	Cut      bool           `json:"incomplete"` // a part of the source is missing or damaged
	Kept     bool           `json:"kept"`       // from an earlier fill
	Flashes  *flashFacts    `json:"flashes"`
	Softened int            `json:"passages_softened"`
	Level    *levelFacts    `json:"level,omitempty"` // with --loudness, where there is sound to level
	Verdict  budget.Verdict `json:"verdict"`

	rate string
}

// levelFacts is what --json says of how a sound was levelled.
type levelFacts struct {
	Loudness float64 `json:"source_lufs"`
	Range    float64 `json:"source_range_lu"`
	TruePeak float64 `json:"source_true_peak_dbtp"`
	Gain     float64 `json:"gain_db"`
	Limited  float64 `json:"limited_db"` // at most
}

func factsOf(p *fill.Packed) packedFacts {
	h := p.Headers[0]
	f := packedFacts{
		Kind: p.Kind, Clip: p.Files[0], Files: p.Files, Bytes: p.Bytes, Beats: p.Result.Beats,
		Seconds: container.BeatTime(h.Rate(), uint32(p.Result.Beats)).Seconds(), Rate: h.Rate().Float(), Own: p.SourceRate.Float(),
		Rendered: p.Result.Rendered, Repeats: p.Result.Repeats, Clipped: p.Result.Sound.Clipped,
		Identity: hex.EncodeToString(h.Identity[:]), Warnings: p.Result.Warnings, Verdict: p.Verdict,
		Cut: p.Result.Incomplete, Kept: p.Kept, Flashes: flashFactsOf(&p.Flashes), Softened: len(p.Softened),
		rate: number(h.Rate().Float()),
	}
	if h.SoundCoding != container.NoSound {
		f.Sample = h.SampleRate().Float()
	}
	if l := p.Result.Level; l != nil && !math.IsInf(l.Loudness, -1) {
		f.Level = &levelFacts{l.Loudness, l.Range, l.TruePeak, l.Gain, p.Result.Sound.Limited}
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
	if image, _, ok := fill.SplitImage(path); ok {
		path = image
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
