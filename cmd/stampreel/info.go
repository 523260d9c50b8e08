package main

import (
	"bytes"
	"context"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strconv"

	"github.com/urfave/cli/v2"

	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/cmd/stampreel/internal/viewer"
	"example.org/stampreel/container"
)

func infoCommand() *command {
	return &command{
		name: "info", group: "Looking at clips",
		short: "say what a clip is",
		about: "Tells what is in a clip: its picture, length, sound and size, the memory that a " +
			"player needs for it, and its need curve, the least rate that a card has to " +
			"sustain for a read-ahead buffer of each size. Reads the headers of the clip and " +
			"of its beats; whether all bytes are right, verify tells.\n\n" +
			"With --source it also tells how near the panel comes to the source's own pictures, " +
			"scaled as they are but with endless levels: PSNR over R, G and B, SSIM over luma. " +
			"What pack was told of the picture (--fit, --crop, --from and the like) has to be told " +
			"here too. With --player it also draws what that player holds ahead over time, the least of " +
			"each share of the clip, its card pausing each time that memory is full. The dots of dithering count as error, though from where one looks at such " +
			"a panel they are what carries its tones.",
		flags:    append([]cli.Flag{&cli.StringFlag{Name: "source", Category: everywhere, Usage: "compare with the pictures of `FILE`"}}, qualityFlags()...),
		operands: []operand{{"CLIP", "the clip to describe"}},
		examples: []example{
			{"stampreel info express.srq", "all that is known of a clip"},
			{"stampreel info express.srq --source express.gif", "how near the panel comes to the animation"},
			{"stampreel info express.srq --json", "the same for a program, in SI units"},
		},
		results: true, player: true,
		run: runInfo,
	}
}

func runInfo(ctx context.Context, c *call) error {
	path := c.operand(0)
	r, f, err := openClip(path)
	if err != nil {
		return err
	}
	defer f.Close()
	facts, err := clipFactsOf(ctx, path, r)
	if err != nil {
		return err
	}
	if src := c.String("source"); src != "" {
		s, err := pictureSettings(c)
		if err != nil {
			return err
		}
		if facts.Quality, err = qualityOf(ctx, r, src, s); err != nil {
			return err
		}
	}
	if c.String("player") != "" {
		if err := facts.holdAhead(ctx, c, path); err != nil {
			return err
		}
	}
	c.showClip(facts)
	return c.console.JSON(facts)
}

// clipFacts is what info says of a clip.
type clipFacts struct {
	Path        string         `json:"path"`
	Bytes       int64          `json:"bytes"`
	Length      float64        `json:"length_s"`
	StartsAt    float64        `json:"starts_at_s"` // of the first beat; above 0 in parts that follow
	Rate        float64        `json:"rate_hz"`
	Upright     size           `json:"upright"`
	Stored      size           `json:"stored"`
	FrameBytes  int            `json:"raw_frame_bytes"`
	Loops       bool           `json:"loops"`
	Incomplete  bool           `json:"source_incomplete"` // as its packer noted
	Flashes     *flashFacts    `json:"flashes"`           // the same; null where nothing is noted
	Loudness    *loudnessFacts `json:"loudness"`          // of the DAC's samples, the same
	More        bool           `json:"more"`
	RawBeats    int64          `json:"raw_beats"`
	RepeatBeats int64          `json:"repeat_beats"`
	TileBeats   int64          `json:"tile_beats"` // key-tiles, too
	Tiles       int64          `json:"tiles"`      // of those beats
	JPEGBeats   int64          `json:"jpeg_beats"`
	KeyBeats    int64          `json:"key_beats"`
	KeyDistance float64        `json:"longest_key_distance_s"` // from a key beat to the next, or to the end
	SampleRate  float64        `json:"sample_rate_hz"`         // 0 without sound
	Lead        float64        `json:"sound_lead_s"`

	PictureBytes int64   `json:"picture_bytes"`
	SoundBytes   int64   `json:"sound_bytes"` // lead-in included
	OtherBytes   int64   `json:"other_bytes"` // headers, tables, padding
	LargestBeat  int64   `json:"largest_beat_bytes"`
	AverageRate  float64 `json:"average_bytes_per_s"` // of all beats
	OverTime     []int64 `json:"bytes_over_time"`     // the largest beat of each of up to 60 equal shares of the clip

	SeekEntryBeats int64        `json:"seek_entry_beats"` // beats from one seek entry to the next
	Need           []needPoint  `json:"need_curve"`
	Header         headerFields `json:"header"`

	Quality *qualityFacts `json:"to_the_source,omitempty"` // with --source
	Ahead   *aheadFacts   `json:"held_ahead,omitempty"`    // with --player

	header  container.Header
	noted   bool // the extension says how the clip was made
	flashes fill.Flashes
	heard   *fill.Sound // nil where nothing is noted
}

// loudnessFacts is what --json says of a clip's sound as it was measured when it was packed.
type loudnessFacts struct {
	Loudness *float64 `json:"lufs"`           // null for silence and below 0.4 s
	TruePeak *float64 `json:"true_peak_dbtp"` // null for silence
	Gain     float64  `json:"gain_db"`        // that it got then
}

func loudnessFactsOf(s *fill.Sound) *loudnessFacts {
	if s == nil {
		return nil
	}
	finite := func(dB float64) *float64 {
		if math.IsInf(dB, -1) {
			return nil
		}
		return &dB
	}
	return &loudnessFacts{finite(s.Loudness), finite(s.TruePeak), s.Gain}
}

// loudnessText is the same for a person.
func loudnessText(s *fill.Sound) string {
	switch {
	case math.IsInf(s.TruePeak, -1):
		return "silent"
	case math.IsInf(s.Loudness, -1): // by R 128 below -70 LUFS nothing counts
		return fmt.Sprintf("too soft or too short to measure, true peak %.1f dBTP, gain %+.1f dB", s.TruePeak, s.Gain)
	}
	return fmt.Sprintf("%.1f LUFS, true peak %.1f dBTP, gain %+.1f dB", s.Loudness, s.TruePeak, s.Gain)
}

// needPoint is a point of the need curve.
type needPoint struct {
	Buffer int64  `json:"buffer_bytes"`
	Rate   uint32 `json:"need_bytes_per_s"` // 0: the buffer holds it all
	Whole  bool   `json:"whole_beats"`      // read in whole beats, else in strips
}

// headerFields are the fields of the header under FORMAT.md's names.
type headerFields struct {
	Version          uint16   `json:"version"`
	Flags            uint16   `json:"flags"`
	Width            uint16   `json:"width"`
	Height           uint16   `json:"height"`
	PixelFormat      string   `json:"pixel_format"`
	Turn             uint8    `json:"turn"`
	SoundCoding      string   `json:"sound_coding"`
	Channels         uint8    `json:"channels"`
	RateNum          uint32   `json:"rate_num"`
	RateDen          uint32   `json:"rate_den"`
	SampleRateNum    uint32   `json:"sample_rate_num"`
	SampleRateDen    uint32   `json:"sample_rate_den"`
	Beats            uint32   `json:"beats"`
	FirstBeat        uint32   `json:"first_beat"`
	Part             uint16   `json:"part"`
	SoundLead        uint16   `json:"sound_lead"`
	SeekSectors      uint16   `json:"seek_sectors"`
	SeekShift        uint8    `json:"seek_shift"`
	FrameCodings     []string `json:"frame_codings"`
	SeekCRC          uint32   `json:"seek_crc"`
	LeadCRC          uint32   `json:"lead_crc"`
	FileSectors      uint32   `json:"file_sectors"`
	FirstBeatSectors uint16   `json:"first_beat_sectors"`
	MaxBeatSectors   uint16   `json:"max_beat_sectors"`
	MaxFrameBytes    uint32   `json:"max_frame_bytes"`
	MaxPanelBytes    uint32   `json:"max_panel_bytes"`
	MaxSoundBytes    uint32   `json:"max_sound_bytes"`
	StreamBytes      uint32   `json:"stream_bytes"`
	WholeBytes       uint32   `json:"whole_bytes"`
	PanelBytes       uint64   `json:"panel_bytes"`
	Identity         string   `json:"identity"`
	LeadBytes        uint32   `json:"lead_bytes"`
	BeatsSector      uint32   `json:"beats_sector"`
	SamplePhase      uint32   `json:"sample_phase"`
	AllBeats         uint32   `json:"all_beats"`
	Extension        string   `json:"extension"` // hexadecimal, without the zeros at its end
}

func headerFieldsOf(h *container.Header) headerFields {
	codings := []string{}
	for c := container.Repeat; c <= container.KeyTiles; c++ {
		if h.FrameCodings>>c&1 != 0 {
			codings = append(codings, c.String())
		}
	}
	return headerFields{
		h.Version, h.Flags, h.Width, h.Height, h.PixelFormat.String(), h.Turn, h.SoundCoding.String(), h.Channels,
		h.RateNum, h.RateDen, h.SampleRateNum, h.SampleRateDen, h.Beats, h.FirstBeat, h.Part, h.SoundLead,
		h.SeekSectors, h.SeekShift, codings, h.SeekCRC, h.LeadCRC, h.FileSectors, h.FirstBeatSectors, h.MaxBeatSectors,
		h.MaxFrameBytes, h.MaxPanelBytes, h.MaxSoundBytes, h.StreamBytes, h.WholeBytes, h.PanelBytes,
		hex.EncodeToString(h.Identity[:]), h.LeadBytes, h.BeatsSector, h.SamplePhase, h.AllBeats, hex.EncodeToString(bytes.TrimRight(h.Extension[:], "\x00")),
	}
}

// clipFactsOf reads the headers of all beats.
func clipFactsOf(ctx context.Context, path string, r *container.Reader) (*clipFacts, error) {
	h := r.Header()
	f := &clipFacts{
		Path: path, Bytes: int64(h.FileSectors) * container.SectorBytes,
		Length: container.BeatTime(h.Rate(), h.Beats).Seconds(), StartsAt: container.BeatTime(h.Rate(), h.FirstBeat).Seconds(),
		Rate: h.Rate().Float(), Upright: uprightSize(&h), Stored: size{int(h.Width), int(h.Height)},
		FrameBytes: h.RawFrameBytes(), Loops: h.Loop(), More: h.Continues(),
		Lead:           container.BeatTime(h.Rate(), uint32(h.SoundLead)).Seconds(),
		LargestBeat:    int64(h.MaxBeatSectors) * container.SectorBytes,
		SeekEntryBeats: 1 << h.SeekShift,
		Header:         headerFieldsOf(&h), header: h,
	}
	if f.Incomplete, f.flashes, f.heard, f.noted = fill.HowMade(&h); f.noted {
		f.Flashes = flashFactsOf(&f.flashes)
		f.Loudness = loudnessFactsOf(f.heard)
	}
	if h.SoundCoding != container.NoSound {
		f.SampleRate = h.SampleRate().Float()
	}
	for k, need := range h.Need {
		buffer := int64(container.NeedBuffer) << k
		f.Need = append(f.Need, needPoint{buffer, need, buffer >= f.LargestBeat})
	}
	lead, err := r.LeadIn()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	f.SoundBytes = int64(len(lead))

	var b container.Beat
	var sectors int64
	var key, widest uint32
	f.OverTime = make([]int64, min(60, h.Beats))
	for n := range h.Beats {
		if n%1024 == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if err := r.ReadHeader(h.FirstBeat+n, &b); err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		switch b.FrameCoding {
		case container.Repeat:
			f.RepeatBeats++
		case container.Raw:
			f.RawBeats++
		case container.JPEG:
			f.JPEGBeats++
		case container.Tiles, container.KeyTiles:
			windows, err := r.Windows(&b)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", path, err)
			}
			f.TileBeats++
			f.Tiles += int64(windows)
		}
		if b.Key() {
			f.KeyBeats++
			widest, key = max(widest, n-key), n
		}
		share := &f.OverTime[int64(n)*int64(len(f.OverTime))/int64(h.Beats)]
		*share = max(*share, int64(b.Sectors)*container.SectorBytes)
		sectors += int64(b.Sectors)
		f.PictureBytes += int64(b.FrameBytes)
		f.SoundBytes += int64(b.SoundBytes)
	}
	widest = max(widest, h.Beats-key)
	f.KeyDistance = container.BeatTime(h.Rate(), widest).Seconds()
	f.OtherBytes = f.Bytes - f.PictureBytes - f.SoundBytes
	f.AverageRate = float64(sectors*container.SectorBytes) * f.Rate / float64(h.Beats)
	return f, nil
}

// aheadFacts are what a player holds ahead of a clip, step by step in the simulation.
type aheadFacts struct {
	Player   string  `json:"player"`
	Least    int64   `json:"least_bytes"`
	OverTime []int64 `json:"bytes_over_time"` // the least of each of up to 60 equal shares of the clip
	Late     int     `json:"late"`            // pictures and gaps in the sound
}

// holdAhead plays the clip on the player that is given.
func (f *clipFacts) holdAhead(ctx context.Context, c *call, path string) error {
	player, err := c.player(folderOf(path))
	if err != nil {
		return err
	}
	_, clip, err := fill.Load(ctx, path)
	if err != nil {
		return err
	}
	held, late, err := viewer.Ahead(&clip, player)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	a := &aheadFacts{Player: player.Name.Value, Least: slices.Min(held), OverTime: make([]int64, min(60, len(held))), Late: late}
	for i := range a.OverTime {
		share := held[i*len(held)/len(a.OverTime) : (i+1)*len(held)/len(a.OverTime)]
		a.OverTime[i] = slices.Min(share)
	}
	f.Ahead = a
	return nil
}

// showClip writes the facts for a person.
func (c *call) showClip(f *clipFacts) {
	h := &f.Header
	say := func(label, format string, args ...any) {
		c.console.Result("%-14s%s", label, fmt.Sprintf(format, args...))
	}
	say("clip", "%s", console.Name(f.Path))
	say("picture", "%v %s, %d bytes a frame", f.Upright, h.PixelFormat, f.FrameBytes)
	if h.Turn != 0 {
		say("stored", "%v, turned clockwise by %d° for the viewer", f.Stored, 90*int(h.Turn))
	}
	say("length", "%s, %s at %s a second", console.Duration(container.BeatTime(f.header.Rate(), h.Beats)), console.Count(int64(h.Beats), "beat", "beats"), ratio(f.header.Rate()))
	beats := fmt.Sprintf("%d raw, ", f.RawBeats)
	if f.TileBeats > 0 {
		beats += fmt.Sprintf("%d of tiles (%.1f each), ", f.TileBeats, float64(f.Tiles)/float64(f.TileBeats))
	}
	if f.JPEGBeats > 0 {
		beats += fmt.Sprintf("%d of JPEG, ", f.JPEGBeats)
	}
	say("beats", "%s%s; %s, at most %s s apart", beats, console.Count(f.RepeatBeats, "repeat", "repeats"),
		console.Count(f.KeyBeats, "key beat", "key beats"), number(f.KeyDistance))
	sound := soundText(&f.header, ratio(f.header.SampleRate()))
	if f.SampleRate > 0 {
		sound += fmt.Sprintf(", stored %s (%s ms) ahead", console.Count(int64(h.SoundLead), "beat", "beats"), number(1000*f.Lead))
	}
	say("sound", "%s", sound)
	if f.heard != nil {
		say("loudness", "%s", loudnessText(f.heard))
	}
	say("at its end", "%s", endText(f))
	if h.Part > 0 || f.More {
		say("part", "%d of a longer clip, counted from 0; begins at %s, beat %d", h.Part, console.Duration(container.BeatTime(f.header.Rate(), h.FirstBeat)), h.FirstBeat)
	}
	size := fmt.Sprintf("%s: pictures %s", console.Size(f.Bytes), console.Size(f.PictureBytes))
	if f.SoundBytes > 0 {
		size += ", sound " + console.Size(f.SoundBytes)
	}
	say("size", "%s, the rest %s", size, console.Size(f.OtherBytes))
	say("largest beat", "%s, %s", console.Size(f.LargestBeat), console.Count(int64(h.MaxBeatSectors), "sector", "sectors"))
	say("over time", "%s", console.Strip(f.OverTime))
	if a := f.Ahead; a != nil {
		say("held ahead", "%s", console.Strip(a.OverTime))
		say("", "at the least %s on %s, %s", console.Memory(a.Least), a.Player, console.Count(int64(a.Late), "beat late", "beats late"))
	}
	say("average rate", "%s", console.Rate(f.AverageRate))
	say("memory", "%s to play in strips, %s to play whole beats", console.Memory(int64(h.StreamBytes)), console.Memory(int64(h.WholeBytes)))
	say("seek table", "%s, an entry for every %s", console.Count(int64(h.SeekSectors), "sector", "sectors"), everyBeats(f.SeekEntryBeats))
	if f.Quality != nil {
		c.showQuality(f.Quality, h.Beats)
	}
	say("identity", "%s", h.Identity)
	if f.noted {
		text := flashText(&f.flashes)
		if text == "" {
			text = fmt.Sprintf("at most %d in a second, of the 3 that WCAG 2.2 allows", max(f.flashes.General.Rate, f.flashes.Red.Rate))
		}
		say("flashes", "%s", text)
	}
	if f.Incomplete {
		say("source", "incomplete when it was packed")
	}
	if !f.noted && h.Extension != "" {
		say("extension", "%d bytes in use", len(h.Extension)/2)
	}
	say("format", "version %d", h.Version)

	c.console.Text("\nNeed curve: the least rate that a card has to sustain.\n")
	t := console.NewTable(console.Numbers("read-ahead", "KiB"), console.Numbers("need", "kB/s"), console.Words("read in"))
	for _, p := range f.Need {
		in, need := "strips", strconv.FormatInt((int64(p.Rate)+999)/1000, 10) // rounded up, as the curve is
		if p.Whole {
			in = "whole beats"
		}
		t.Row(console.KiB(p.Buffer), need, in)
	}
	c.console.Table(t)
}

func endText(f *clipFacts) string {
	switch {
	case f.More && f.Loops:
		return "the next part follows; the last one goes on at the start"
	case f.More:
		return "the next part follows"
	case f.Loops:
		return "goes on at its start"
	}
	return "stops"
}

func everyBeats(n int64) string {
	if n == 1 {
		return "beat"
	}
	return console.Count(n, "beat", "beats")
}
