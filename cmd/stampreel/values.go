package main

import (
	"context"
	"errors"
	"fmt"
	"image/color"
	"math/big"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
	"example.org/stampreel/transcode"
	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/sound"
	"example.org/stampreel/transcode/source"
)

// Headings of flags in help.
const (
	ofPicture = "Picture"
	ofTime    = "Time"
	ofSound   = "Sound"
	ofSource  = "Source"
)

// packingFlags are the flags of commands that make clips.
func packingFlags() []cli.Flag {
	return []cli.Flag{
		&cli.StringFlag{Name: "fit", Value: "whole", Category: ofPicture, Usage: "`HOW`: whole picture with bars, cover the panel and cut, or stretch"},
		&cli.StringFlag{Name: "crop", Category: ofPicture, Usage: "the part `X,Y,WxH` of the source alone, in its pixels"},
		&cli.BoolFlag{Name: "bars", Category: ofPicture, Usage: "cut off black bars that are part of the pictures"},
		&cli.StringFlag{Name: "background", Value: "#000000", Category: ofPicture, Usage: "`COLOUR` of bars and behind transparency, as #RRGGBB"},
		&cli.StringFlag{Name: "dither", Category: ofPicture, Usage: "`NAME`: none, bayer, blue-noise, floyd-steinberg or atkinson", DefaultText: "what suits the pixel format"},
		&cli.Float64Flag{Name: "brightness", Value: 0, Category: ofPicture, Usage: "`SHARE` of full white added, -1 to 1"},
		&cli.Float64Flag{Name: "contrast", Value: 1, Category: ofPicture, Usage: "`FACTOR` around mid grey, 0 to 4"},
		&cli.Float64Flag{Name: "gamma", Value: 1, Category: ofPicture, Usage: "`EXPONENT` above 1 lightens the middle (1.8 suits one-bit panels), 0.2 to 5"},
		&cli.Float64Flag{Name: "saturation", Value: 1, Category: ofPicture, Usage: "`FACTOR` of colour, 0 is grey, 0 to 4"},

		&cli.StringFlag{Name: "coding", Value: "auto", Category: ofPicture, Usage: "`NAME`: raw pictures, tiles (only what changed), jpeg, or auto: for each picture raw or tiles, what costs the player less, and JPEG where those would not play, tiles and JPEG only if its file says how fast it decodes them"},
		&cli.IntFlag{Name: "quality", Category: ofPicture, Usage: "of JPEG, `N` from 1 to 100 for all pictures alike; with auto pictures need be no better where exact ones would not play with a margin, and are stored as JPEG too, where that costs the player less", DefaultText: "chosen for each picture, so that the clip plays"},
		&cli.StringFlag{Name: "margin", Category: ofPicture, Usage: "`PERCENT` of the player that stays to spare where quality is chosen, from 0 to 90", DefaultText: fmt.Sprint(100 * budget.TightMargin)},
		&cli.IntFlag{Name: "ignore", Category: ofPicture, Usage: "changes up to `N` of 255 in each colour need no tile"},

		&cli.StringFlag{Name: "rate", Category: ofTime, Usage: "`NUMBER` of pictures a second: 25, 12.5 or 30000/1001; numbered frames play at it", DefaultText: "the source's, within what the panel takes"},
		&cli.StringFlag{Name: "hold", Category: ofTime, Usage: "`SECONDS` (or m:ss) that a still is shown", DefaultText: "as long as its sound, else 5"},
		&cli.StringFlag{Name: "from", Category: ofTime, Usage: "`TIME` in the source at which to begin: 90, 1:30 or 1:02:03.5"},
		&cli.StringFlag{Name: "to", Category: ofTime, Usage: "`TIME` in the source at which to end"},
		&cli.BoolFlag{Name: "loop", Category: ofTime, Usage: "the clip starts anew at its end"},
		&cli.BoolFlag{Name: "no-loop", Category: ofTime, Usage: "it does not, even if the source does"},

		&cli.BoolFlag{Name: "no-sound", Category: ofSound, Usage: "leave the sound out"},
		&cli.IntFlag{Name: "sound-track", Category: ofSound, Usage: "`NUMBER` of the sound to take, counted from 1, of a video that has several", DefaultText: "the one it names first"},
		&cli.BoolFlag{Name: "meter", Category: ofSound, Usage: "a sound without pictures shows its level: a bar for each channel, in decibels"},
		&cli.StringFlag{Name: "loudness", Value: strconv.Itoa(fill.DefaultLoudness), Category: ofSound, Usage: fmt.Sprintf("make each clip as loud as `LUFS` (by EBU R 128), with a limiter, or off; %d is what small loudspeakers in noisy places are given, where broadcasting's -23 would be lost", fill.DefaultLoudness)},
		&cli.BoolFlag{Name: "compress", Category: ofSound, Usage: "bring loud and soft passages nearer to each other: half the decibels above -24 dB, and 6 dB more of all but noise"},
		&cli.BoolFlag{Name: "lift-lows", Category: ofSound, Usage: "add harmonics of the lows that the player's speaker cannot give (below its low-cut), from which the ear hears them"},
		&cli.StringFlag{Name: "sound-dither", Value: "triangular", Category: ofSound, Usage: "`NAME`: triangular, shaped or round, for the DAC's bits"},

		&cli.StringFlag{Name: "sound-coding", Value: "pcm", Category: ofSound, Usage: "`NAME`: pcm, or ima-adpcm for a quarter of 16-bit, which the player decodes"},

		&cli.BoolFlag{Name: "soften-flashes", Category: ofPicture, Usage: "lower the contrast of passages that flash more than three times a second, until they do not; the source is read several times"},
		&cli.BoolFlag{Name: "strict", Category: ofSource, Usage: "fail where a part of the source is missing or damaged, and pack nothing of it"},
		&cli.StringFlag{Name: "matrix", Category: ofSource, Usage: "`NAME` of a Y4M video's colours: bt601, bt709 or bt2020", DefaultText: "bt601 below 720 lines"},
		&cli.StringFlag{Name: "range", Category: ofSource, Usage: "`NAME` of a Y4M video's range: limited or full", DefaultText: "as it says, else limited"},
		&cli.IntFlag{Name: "workers", Category: everywhere, Usage: "how many `CORES` to use", DefaultText: "all"},
	}
}

// packingSettings reads the packing flags.
func packingSettings(c *call, player *playerfile.Player) (s fill.Settings, err error) {
	if s, err = pictureSettings(c); err != nil {
		return s, err
	}
	s.Player = player
	if s.Bars = c.Bool("bars"); s.Bars && c.String("crop") != "" {
		return s, usagef("--bars and --crop exclude each other")
	}
	if text := c.String("dither"); text != "" {
		d, err := picture.ParseDither(text)
		if err != nil {
			return s, badChoice("dither", text)
		}
		s.Dither = &d
	}
	coding, ok := fill.Codings()[c.String("coding")]
	if !ok {
		return s, badChoice("coding", c.String("coding"))
	}
	s.Coding, s.Ignore = coding, c.Int("ignore")
	if s.Ignore < 0 || s.Ignore > 255 {
		return s, usagef("--ignore: %d is not from 0 to 255", s.Ignore)
	}
	s.Quality = c.Int("quality")
	switch {
	case !c.IsSet("quality"):
		s.Quality = 0
	case s.Coding != fill.JPEG && s.Coding != fill.Auto:
		return s, usagef("--quality is that of JPEG, which --coding %s does not take", c.String("coding")).try("--coding jpeg --quality %d", s.Quality)
	case s.Coding == fill.Auto && !budget.DecodesJPEG(player):
		return s, usagef("--quality: %s does not say how fast it decodes JPEG (decode.jpeg: per-block, per-coefficient, per-byte)", player.Name.Value).try("--coding jpeg --quality %d, whatever it costs the player", s.Quality)
	case s.Quality < 1 || s.Quality > 100:
		return s, usagef("--quality: %d is not from 1 to 100", s.Quality)
	}
	if text := c.String("margin"); text != "" {
		percent, err := strconv.ParseFloat(strings.TrimSuffix(strings.TrimSpace(text), "%"), 64)
		if err != nil || !(percent >= 0 && percent <= 90) {
			return s, usagef("--margin: %q is no number from 0 to 90", text).try("--margin 20")
		}
		if s.Quality > 0 {
			return s, usagef("--margin and --quality exclude each other: a fixed quality takes what it takes")
		}
		margin := percent / 100
		s.Margin = &margin
	}
	if s.Rate, err = parseRatio("rate", c.String("rate")); err != nil {
		return s, err
	}
	if r := s.Rate.Float(); r != 0 && (r < 1 || r > container.MaxBeatRate) {
		return s, usagef("--rate: %s is not from 1 to %d pictures a second", c.String("rate"), container.MaxBeatRate)
	}
	if s.Hold, err = parseTime("hold", c.String("hold")); err != nil {
		return s, err
	}
	if c.IsSet("hold") && s.Hold.Num == 0 {
		return s, usagef("--hold: %s is not above 0", c.String("hold"))
	}
	switch loop, stop := c.Bool("loop"), c.Bool("no-loop"); {
	case loop && stop:
		return s, usagef("--loop and --no-loop exclude each other")
	case loop || stop:
		s.Loop = &loop
	}
	s.NoSound, s.Meter, s.Strict = c.Bool("no-sound"), c.Bool("meter"), c.Bool("strict")
	s.SoftenFlashes = c.Bool("soften-flashes")
	if s.SoundTrack = c.Int("sound-track"); c.IsSet("sound-track") && (s.SoundTrack < 1 || s.SoundTrack > 1000) {
		return s, usagef("--sound-track: %d is not from 1 to 1000", s.SoundTrack)
	}
	if text := c.String("loudness"); text != "off" {
		s.Loudness, err = strconv.ParseFloat(text, 64)
		if err != nil || !(s.Loudness >= transcode.LeastLoudness && s.Loudness <= transcode.MostLoudness) {
			return s, usagef("--loudness: %q is neither off nor LUFS from %d to %d", text, transcode.LeastLoudness, transcode.MostLoudness).try("--loudness %d", fill.DefaultLoudness)
		}
	}
	s.Compress = c.Bool("compress")
	if s.LiftLows = c.Bool("lift-lows"); s.LiftLows && player.HasSound() && !s.NoSound {
		if err := fill.CheckLift(player); err != nil {
			return s, usagef("--lift-lows: %v", err)
		}
	}
	if s.SoundDither, err = sound.ParseDither(c.String("sound-dither")); err != nil {
		return s, badChoice("sound-dither", c.String("sound-dither"))
	}
	switch coding := c.String("sound-coding"); coding {
	case "pcm":
	case container.IMAADPCM.String():
		s.ADPCM = true
	default:
		return s, badChoice("sound-coding", coding)
	}
	s.Workers = c.Int("workers")
	switch {
	case !c.IsSet("workers"):
		s.Workers = runtime.GOMAXPROCS(0)
	case s.Workers < 1 || s.Workers > 1024:
		return s, usagef("--workers: %d is not from 1 to 1024", s.Workers)
	}
	return s, nil
}

// pictureSettings reads those of the packing flags that say what a picture is to be, but for
// what only its packing needs.
func pictureSettings(c *call) (s fill.Settings, err error) {
	if s.Fit, err = picture.ParseFit(c.String("fit")); err != nil {
		return s, badChoice("fit", c.String("fit"))
	}
	if text := c.String("crop"); text != "" {
		if s.Crop, err = parseCrop(text); err != nil {
			return s, err
		}
	}
	if s.Background, err = parseColour(c.String("background")); err != nil {
		return s, err
	}
	s.Tone = picture.Tone{Brightness: c.Float64("brightness"), Contrast: c.Float64("contrast"), Gamma: c.Float64("gamma"), Saturation: c.Float64("saturation")}
	for _, v := range []struct {
		flag   string
		lo, hi float64
	}{{"brightness", -1, 1}, {"contrast", 0, 4}, {"gamma", 0.2, 5}, {"saturation", 0, 4}} {
		if x := c.Float64(v.flag); !(x >= v.lo && x <= v.hi) {
			return s, usagef("--%s: %g is not from %g to %g", v.flag, x, v.lo, v.hi)
		}
	}
	for _, t := range []struct {
		flag string
		to   *source.Ratio
	}{{"from", &s.From}, {"to", &s.To}} {
		if *t.to, err = parseTime(t.flag, c.String(t.flag)); err != nil {
			return s, err
		}
	}
	if c.IsSet("to") && s.To.Float() <= s.From.Float() {
		return s, usagef("--to: %s is not after --from", c.String("to"))
	}
	if text := c.String("matrix"); text != "" {
		m, ok := map[string]picture.Matrix{"bt601": picture.BT601, "bt709": picture.BT709, "bt2020": picture.BT2020}[text]
		if !ok {
			return s, badChoice("matrix", text)
		}
		s.Matrix = &m
	}
	if text := c.String("range"); text != "" {
		full := text == "full"
		if !full && text != "limited" {
			return s, badChoice("range", text)
		}
		s.FullRange = &full
	}
	return s, nil
}

func namesOf[T fmt.Stringer](all []T) (names []string) {
	for _, v := range all {
		names = append(names, v.String())
	}
	return names
}

// parseRatio reads a positive number: 25, 12.5 or 30000/1001; "" is 0/1.
func parseRatio(flag, text string) (source.Ratio, error) {
	if text == "" {
		return source.Ratio{Num: 0, Den: 1}, nil
	}
	bad := usagef("--%s: %q is not a number such as 25, 12.5 or 30000/1001", flag, text)
	if len(text) > 30 || strings.ContainsAny(text, "eExXpP_+-") {
		return source.Ratio{}, bad
	}
	r, ok := new(big.Rat).SetString(text)
	if !ok || r.Sign() <= 0 || !r.Num().IsInt64() || !r.Denom().IsInt64() || r.Num().Int64() > 1<<40 || r.Denom().Int64() > 1<<40 {
		return source.Ratio{}, bad
	}
	return source.Ratio{Num: r.Num().Int64(), Den: r.Denom().Int64()}, nil
}

// parseTime reads seconds, m:ss or h:mm:ss, with decimals; "" is 0/1.
func parseTime(flag, text string) (source.Ratio, error) {
	if text == "" {
		return source.Ratio{Num: 0, Den: 1}, nil
	}
	bad := usagef("--%s: %q is not a time such as 90, 1:30 or 1:02:03.5", flag, text)
	total := new(big.Rat)
	parts := strings.Split(text, ":")
	if len(parts) > 3 {
		return source.Ratio{}, bad
	}
	for i, p := range parts {
		r, ok := new(big.Rat).SetString(p)
		if !ok || len(p) > 15 || strings.Trim(p, "0123456789.") != "" || i > 0 && r.Cmp(big.NewRat(60, 1)) >= 0 || i < len(parts)-1 && !r.IsInt() {
			return source.Ratio{}, bad
		}
		total.Add(total.Mul(total, big.NewRat(60, 1)), r)
	}
	if !total.Num().IsInt64() || !total.Denom().IsInt64() || total.Cmp(big.NewRat(1e8, 1)) > 0 || total.Denom().Int64() > 1e6 {
		return source.Ratio{}, bad
	}
	return source.Ratio{Num: total.Num().Int64(), Den: total.Denom().Int64()}, nil
}

// parseCrop reads X,Y,WxH in pixels.
func parseCrop(text string) (picture.Crop, error) {
	bad := usagef("--crop: %q is not X,Y,WxH in pixels, such as 40,0,640x480", text)
	fields := strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == 'x' || r == '×' })
	if len(fields) != 4 {
		return picture.Crop{}, bad
	}
	var v [4]float64
	for i, f := range fields {
		n, err := strconv.ParseFloat(f, 64)
		if err != nil || !(n >= 0 && n <= 1e6) { // nor NaN
			return picture.Crop{}, bad
		}
		v[i] = n
	}
	if v[2] <= 0 || v[3] <= 0 {
		return picture.Crop{}, bad
	}
	return picture.Crop{X: v[0], Y: v[1], W: v[2], H: v[3]}, nil
}

// parseColour reads #RRGGBB.
func parseColour(text string) (color.Color, error) {
	n, err := strconv.ParseUint(strings.TrimPrefix(text, "#"), 16, 24)
	if err != nil || len(text) != 7 || text[0] != '#' {
		return nil, usagef("--background: %q is not a colour such as #000000 or #204060", text)
	}
	return color.NRGBA{uint8(n >> 16), uint8(n >> 8), uint8(n), 255}, nil
}

// playerFileName is looked for in the folder at hand.
const playerFileName = "player.yaml"

// player returns the player that --player names, else that of player.yaml in
// the folder, else a built-in one, which is said.
func (c *call) player(folder string) (*playerfile.Player, error) {
	if name := c.String("player"); name != "" {
		return loadPlayer(name)
	}
	path := filepath.Join(folder, playerFileName)
	if _, err := os.Stat(path); err == nil {
		c.console.Note("player: %s", path)
		return loadPlayerFile(path)
	}
	name := playerfile.Known()[0]
	for _, k := range playerfile.Known() {
		if k == defaultPlayer {
			name = k
		}
	}
	c.console.Note("player: %s, a built-in one; describe yours with: stampreel player new", name)
	if other := otherPlayer(folder); other != "" {
		c.console.Note("if %s is meant: --player %[1]s", console.Name(other))
	}
	return playerfile.LoadKnown(name)
}

// otherPlayer is a player file of another name in the folder; "" if there is none.
func otherPlayer(folder string) string {
	files, err := os.ReadDir(folder)
	if err != nil {
		return ""
	}
	for _, f := range files {
		if ext := filepath.Ext(f.Name()); !f.Type().IsRegular() || ext != ".yaml" && ext != ".yml" {
			continue
		}
		path := filepath.Join(folder, f.Name())
		if _, err := playerfile.Load(path); err == nil {
			return path
		}
	}
	return ""
}

const defaultPlayer = "rect-240x135"

// loadPlayer reads a player file, or a built-in player of that name.
func loadPlayer(name string) (*playerfile.Player, error) {
	for _, k := range playerfile.Known() {
		if k == name {
			return playerfile.LoadKnown(name)
		}
	}
	p, err := loadPlayerFile(name)
	if errors.Is(err, os.ErrNotExist) && !strings.ContainsAny(name, `/\.`) {
		e := usagef("--player: %q is neither a file nor a built-in player", name)
		for _, k := range nearest(name, playerfile.Known()) {
			e.try("--player %s", k)
		}
		return nil, e.try("stampreel player known, to see the built-in players")
	}
	return p, err
}

// loadPlayerFile reads a player file; an error shows the place.
func loadPlayerFile(path string) (*playerfile.Player, error) {
	p, err := playerfile.Load(path)
	return p, excerpt(err)
}

// excerpt shows the place of an error in a player file.
func excerpt(err error) error {
	var bad *playerfile.Error
	if errors.As(err, &bad) && bad.Excerpt != "" {
		return fmt.Errorf("%w\n%s", err, bad.Excerpt)
	}
	return err
}

// clipsIn lists clips: the files named, and those of folders and images of cards, with their
// sub-folders.
func clipsIn(ctx context.Context, operands []string) ([]string, error) {
	var clips []string
	for _, path := range operands {
		if image, inside, ok := fill.SplitImage(path); ok {
			found, err := fill.ClipsInImage(ctx, image, inside)
			if err != nil {
				return nil, err
			}
			if len(found) == 0 {
				return nil, fmt.Errorf("%s: no clip (%s) in this image of a card", path, fill.ClipExtension)
			}
			clips = append(clips, found...)
			continue
		}
		info, err := os.Stat(path)
		if err != nil {
			return nil, err
		}
		if !info.IsDir() {
			clips = append(clips, path)
			continue
		}
		before := len(clips)
		err = filepath.WalkDir(path, func(p string, d os.DirEntry, err error) error {
			if err == nil {
				err = ctx.Err()
			}
			if err != nil {
				return err
			}
			if strings.HasPrefix(d.Name(), ".") && p != path {
				if d.IsDir() {
					return filepath.SkipDir
				}
				return nil
			}
			if d.Type().IsRegular() && strings.EqualFold(filepath.Ext(p), fill.ClipExtension) {
				clips = append(clips, p)
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
		if len(clips) == before {
			return nil, fmt.Errorf("%s: no clip (%s) in this folder", path, fill.ClipExtension)
		}
	}
	return clips, nil
}
