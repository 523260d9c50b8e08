package fill

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
	"example.org/stampreel/transcode"
	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/sound"
	"example.org/stampreel/transcode/source"
)

// packing is raised whenever the same source and settings give another clip.
const packing = 10

// note is what a clip keeps, in the free area of its header, of how it was
// made: four letters, a byte of flags, three bytes of zero, the SHA-256 of
// the settings, what flashes, and how loud the sound is. The source itself is in the clip's identity.
type note struct {
	incomplete bool // a part of the source was missing or damaged
	settings   [sha256.Size]byte
	flashes    Flashes
	sound      *Sound // nil without sound, and in clips of earlier packings
}

const (
	noteLetters    = "made"
	noteIncomplete = 1 // the flags
	noteFlashes    = 2 // flashing was looked for; not so in clips of the first packing
	noteSound      = 4 // the sound was measured; not so in clips of the first two packings
	noteSettingsAt = 8
	noteFlashesAt  = noteSettingsAt + sha256.Size
	noteSoundAt    = noteFlashesAt + flashesBytes
)

func (n note) extension() (e [container.ExtensionBytes]byte) {
	copy(e[:], noteLetters)
	e[4] = noteFlashes
	if n.incomplete {
		e[4] |= noteIncomplete
	}
	copy(e[noteSettingsAt:], n.settings[:])
	n.flashes.put(e[noteFlashesAt:][:flashesBytes])
	if n.sound != nil {
		e[4] |= noteSound
		n.sound.put(e[noteSoundAt:][:soundBytes])
	}
	return e
}

// parseNote returns what extension wrote; ok is false for any other area.
func parseNote(e [container.ExtensionBytes]byte) (n note, ok bool) {
	n.incomplete = e[4]&noteIncomplete != 0
	copy(n.settings[:], e[noteSettingsAt:])
	n.flashes = parseFlashes(e[noteFlashesAt:])
	if e[4]&noteSound != 0 {
		n.sound = parseSound(e[noteSoundAt:])
	}
	return n, e == n.extension()
}

// HowMade tells whether a clip says how it was made, and if so, whether a part of
// its source was missing or damaged, what flashes and how loud it is, nil where that is
// not said.
func HowMade(h *container.Header) (incomplete bool, flashes Flashes, sound *Sound, ok bool) {
	n, ok := parseNote(h.Extension)
	if !ok {
		return false, Flashes{}, nil, false
	}
	return n.incomplete, n.flashes, n.sound, true
}

// sumOf returns the SHA-256 of all that decides, beside the bytes of the source
// and the part of it that is taken, what a clip becomes.
func (s *Settings) sumOf(o *transcode.Options) [sha256.Size]byte { return s.sumFor(o, "") }

// sumOfRaw is the sum for a clip of raw frames where the choice was free, because tiles came
// nearer to stuttering: that depends on all of the player.
func (s *Settings) sumOfRaw(o *transcode.Options) ([sha256.Size]byte, error) {
	player, err := playerSum(s.Player)
	return s.sumFor(o, player), err
}

func (s *Settings) sumFor(o *transcode.Options, raw string) [sha256.Size]byte {
	p := o.Picture
	basis := struct {
		Packing                int
		Framing                picture.Framing
		Turn, Format           int
		Round                  bool
		Tone                   picture.Tone
		Dither                 picture.Dither
		Rate, RateLimit, Hold  source.Ratio
		Sound                  *sound.Format
		SoundOptions           sound.Options
		ADPCM, Loops           bool
		SoundBuffer, PartLimit int64
		Matrix                 *picture.Matrix
		FullRange              *bool
		SoundTrack             int
		Meter, SoftenFlashes   bool
		Loudness               float64 `json:",omitempty"`
		Coding                 transcode.Coding
		Raw                    string   `json:",omitempty"` // for which player raw frames did better
		Margin                 *float64 `json:",omitempty"`
		Paces                  bool     `json:",omitempty"`
	}{
		packing, p.Framing(), p.Turn, int(p.Format), p.Round, p.Tone, p.Dither, o.Rate, o.RateLimit, s.Hold,
		o.Sound, o.SoundOptions, o.ADPCM, o.Loops, o.SoundBuffer, o.PartSectors, s.Matrix, s.FullRange, s.SoundTrack, s.Meter, s.SoftenFlashes, s.Loudness, o.Coding, raw, s.Margin, s.paces(),
	}
	text, err := json.Marshal(basis)
	if err != nil {
		panic(err) // plain numbers alone
	}
	return sha256.Sum256(text)
}

// match is a clip of the same source and settings.
type match struct {
	header *container.Header
	note   note
	kind   string // of its source
	rate   source.Ratio
	was    string // the name that it stands under, where that is another one
}

// find returns the clip that stands under the job's name already, or one that nobody wants
// any more, if it was packed with these settings from the very same bytes; nil if there is
// none.
func (s *Settings) find(ctx context.Context, job Job) (*match, error) {
	if !stands(job.Clip) && (job.Former == nil || exists(job.Clip)) {
		return nil, nil
	}
	in, closeAll, err := s.open(ctx, job)
	if err != nil {
		return nil, err
	}
	defer closeAll()
	o := s.options(in.Media, in.Sound != nil)
	raw, err := s.sumOfRaw(&o)
	if err != nil {
		return nil, err
	}
	sums := [][sha256.Size]byte{s.sumOf(&o), raw}
	f := &match{kind: in.Media.Kind}
	f.header, f.note = s.standing(job.Clip, sums)
	if f.header == nil && (job.Former == nil || exists(job.Clip)) {
		return nil, nil
	}
	id := transcode.Identity(in, s.From, s.To)
	if id == (transcode.Identity(transcode.Input{}, s.From, s.To)) {
		return nil, nil
	}
	for i := 0; f.header == nil && i < len(sums); i++ {
		if f.was = job.Former(id, sums[i]); f.was != "" {
			f.header, f.note = s.standing(f.was, sums)
		}
	}
	if f.header == nil || f.header.Identity != id {
		return nil, nil
	}
	if in.Media.Pictures != nil {
		f.rate = in.Media.Pictures.Info().Rate
	}
	return f, nil
}

// stands tells whether a clip that was packed here stands under a name.
func stands(clip string) bool {
	r, f, err := Open(clip)
	if err != nil {
		return false
	}
	f.Close()
	h := r.Header()
	_, ours := parseNote(h.Extension)
	return ours
}

// kept returns the clip that find finds, under the job's name, if all of it reads back;
// nil if there is none. Packing that again would give the same clip, unless the system's
// codecs have changed meanwhile.
func (s *Settings) kept(ctx context.Context, job Job) (*Packed, error) {
	found, err := s.find(ctx, job)
	if found == nil || err != nil {
		return nil, err
	}
	if found.was != "" {
		if job.Take == nil || !job.Take(found.was) {
			return nil, nil
		}
		if err := renameParts(found.was, job.Clip); err != nil {
			return nil, err
		}
	}
	h, n := *found.header, found.note
	p := &Packed{
		Kept: true, Was: found.was, Kind: found.kind, SourceRate: found.rate, Flashes: n.flashes,
		Result: &transcode.Result{Beats: int64(h.AllBeats), Incomplete: n.incomplete},
	}
	for part, first := 0, uint32(0); ; part++ {
		name := PartName(job.Clip, part)
		r, f, err := Open(name)
		if err != nil {
			return nil, nil
		}
		all := h
		h := r.Header()
		if int(h.Part) != part || h.FirstBeat != first || h.AllBeats != all.AllBeats || h.Identity != all.Identity || h.Extension != all.Extension {
			f.Close()
			return nil, nil // of another clip
		}
		first += h.Beats
		err = p.add(ctx, s, f, name, h)
		f.Close()
		if err != nil {
			return nil, ctx.Err()
		}
		if h.Continues() {
			continue
		}
		if s.Coding == Auto && p.rawIsBetter {
			return nil, nil // for this player
		}
		return p, nil
	}
}

// standing is the header of the clip that stands under a name, if it was packed with the
// settings of one of the sums; nil if not.
func (s *Settings) standing(clip string, sums [][sha256.Size]byte) (*container.Header, note) {
	r, f, err := Open(clip)
	if err != nil {
		return nil, note{}
	}
	f.Close()
	h := r.Header()
	n, ok := parseNote(h.Extension)
	if !ok || n.incomplete && s.Strict || !slices.Contains(sums, n.settings) {
		return nil, note{}
	}
	return &h, n
}

// add verifies and judges one more part.
func (p *Packed) add(ctx context.Context, s *Settings, f io.ReaderAt, name string, h container.Header) error {
	size := int64(h.FileSectors) * container.SectorBytes
	clip, err := Verify(ctx, f, size)
	if err != nil {
		return fmt.Errorf("%s does not read back as it was written: %w", name, err)
	}
	v, err := budget.Judge(clip, s.Player)
	if err != nil {
		return err
	}
	if len(p.Headers) == 0 || worse(&v, &p.Verdict) {
		p.Verdict = v
		if p.rawIsBetter, err = rawIsBetter(clip, s.Player, &v); err != nil {
			return err
		}
	}
	p.Files, p.Headers, p.Bytes = append(p.Files, name), append(p.Headers, h), p.Bytes+size
	return nil
}

// RawIsBetter tells that the clip does not play with a margin, and would come nearer to
// that with raw frames.
func (p *Packed) RawIsBetter() bool { return p.rawIsBetter }

func worse(a, b *budget.Verdict) bool {
	return a.Typical.Word < b.Typical.Word || a.Typical.Word == b.Typical.Word && a.Typical.Margin < b.Typical.Margin
}

// rawIsBetter judges the clip with raw frames in place of tiles, where it does not play
// with a margin.
func rawIsBetter(c budget.Clip, p *playerfile.Player, v *budget.Verdict) (bool, error) {
	if v.Typical.Word == budget.Plays {
		return false, nil
	}
	raw := int64(container.RawFrameBytes(c.Pixels, c.Width, c.Height))
	stored, tiled := c.Beats, false
	c.Beats = func(yield func(budget.Beat) bool) {
		for b := range stored {
			if b.Coding == container.Tiles || b.Coding == container.KeyTiles {
				tiled = true
				b.Sectors += sectors(raw) - sectors(b.FrameBytes)
				b.FrameBytes, b.PanelBytes, b.Windows, b.Coding = raw, raw, 1, container.Raw
			}
			if !yield(b) {
				return
			}
		}
	}
	other, err := budget.Judge(c, p)
	return err == nil && tiled && worse(v, &other), err
}

// sectors is how many sectors hold so many bytes.
func sectors(bytes int64) int {
	return int((bytes + container.SectorBytes - 1) / container.SectorBytes)
}

// IncompleteError says that a part of a source is missing or damaged, where all
// of it was wanted.
type IncompleteError struct {
	Path string
	Lost []string // what is missing
}

func (e *IncompleteError) Error() string {
	return fmt.Sprintf("%s: the source is incomplete, and nothing is packed: %s", e.Path, strings.Join(e.Lost, "; "))
}

// Tries returns what to do.
func (e *IncompleteError) Tries() []string {
	return []string{"without --strict, what is left of it is packed"}
}
