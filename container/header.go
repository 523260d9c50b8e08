package container

import (
	"encoding/binary"
	"fmt"

	"example.org/stampreel/container/pixel"
	"example.org/stampreel/container/sample"
)

// Flags of the header.
const (
	Loops uint16 = 1 << 0 // the first beat of the first part follows the last beat
	More  uint16 = 1 << 1 // another part follows
)

// Header is sector 0 of a clip, field by field as FORMAT.md lists them.
type Header struct {
	Version          uint16
	Flags            uint16
	Width            uint16 // pixels of a stored row
	Height           uint16 // stored rows
	PixelFormat      pixel.Format
	Turn             uint8 // quarter turns clockwise that bring the stored picture upright
	SoundCoding      SoundCoding
	Channels         uint8 // 1 or 2; 0 without sound
	RateNum          uint32
	RateDen          uint32
	SampleRateNum    uint32 // Hz; 0 without sound
	SampleRateDen    uint32
	Beats            uint32 // beats of this file
	FirstBeat        uint32 // number of its first beat; 0 in part 0
	Part             uint16
	SoundLead        uint16 // beats
	SeekSectors      uint16
	SeekShift        uint8  // a seek entry each 2^seekShift beats
	FrameCodings     uint8  // bit c set when a beat has frame coding c
	SeekCRC          uint32 // CRC-32 of the seek table's sectors
	LeadCRC          uint32 // CRC-32 of the lead-in's sectors; 0 without
	FileSectors      uint32
	FirstBeatSectors uint16
	MaxBeatSectors   uint16
	MaxFrameBytes    uint32
	MaxPanelBytes    uint32
	MaxSoundBytes    uint32
	StreamBytes      uint32 // RAM to play in strips: sound held ahead and one sector
	WholeBytes       uint32 // RAM to play whole beats: sound held ahead and the largest beat
	PanelBytes       uint64 // all beats together
	Identity         [16]byte
	Need             [NeedPoints]uint32 // bytes/s for read-ahead of 4 KiB·2^k
	LeadBytes        uint32             // sound of the lead-in
	BeatsSector      uint32             // where the first beat begins
	SamplePhase      uint32             // firstBeat·P mod Q, to step through sample counts from there
	AllBeats         uint32             // beats of all parts
	Extension        [ExtensionBytes]byte
}

// field is one row of FORMAT.md's header table. The legal range counts alone;
// [Header.check] has the rules that join fields.
type field struct {
	offset int
	name   string
	at     any // pointer to an unsigned integer, or a byte slice
	lo, hi uint64
}

const any32 = 1<<32 - 1

// fields lists the header in file order. Gaps are reserved.
func (h *Header) fields() []field {
	f := []field{
		{8, "version", &h.Version, 0, 65535},
		{10, "flags", &h.Flags, 0, 3},
		{12, "width", &h.Width, 1, MaxSide},
		{14, "height", &h.Height, 1, MaxSide},
		{16, "pixelFormat", (*uint8)(&h.PixelFormat), 1, 255},
		{17, "turn", &h.Turn, 0, 3},
		{18, "soundCoding", (*uint8)(&h.SoundCoding), 0, 255},
		{19, "channels", &h.Channels, 0, 2},
		{20, "rateNum", &h.RateNum, 1, 1000000},
		{24, "rateDen", &h.RateDen, 1, 100000},
		{28, "sampleRateNum", &h.SampleRateNum, 0, MaxProduct},
		{32, "sampleRateDen", &h.SampleRateDen, 0, 65535},
		{36, "beats", &h.Beats, 1, MaxFileSectors},
		{40, "firstBeat", &h.FirstBeat, 0, MaxBeatNumber},
		{44, "part", &h.Part, 0, MaxParts - 1},
		{46, "soundLead", &h.SoundLead, 0, MaxSoundLead},
		{48, "seekSectors", &h.SeekSectors, 1, MaxSeekSectors},
		{50, "seekShift", &h.SeekShift, 0, maxShift},
		{51, "frameCodings", &h.FrameCodings, 2, 255},
		{52, "seekCRC", &h.SeekCRC, 0, any32},
		{56, "leadCRC", &h.LeadCRC, 0, any32},
		{60, "fileSectors", &h.FileSectors, 4, MaxFileSectors},
		{64, "firstBeatSectors", &h.FirstBeatSectors, 2, 65535},
		{66, "maxBeatSectors", &h.MaxBeatSectors, 2, 65535},
		{68, "maxFrameBytes", &h.MaxFrameBytes, 1, 3 * MaxSide * MaxSide},
		{72, "maxPanelBytes", &h.MaxPanelBytes, 1, 3 * MaxSide * MaxSide},
		{76, "maxSoundBytes", &h.MaxSoundBytes, 0, 4 * MaxSampleRate},
		{80, "streamBytes", &h.StreamBytes, SectorBytes, 1<<27 - 1},
		{84, "wholeBytes", &h.WholeBytes, 2 * SectorBytes, 1<<27 - 1},
		{88, "panelBytes", &h.PanelBytes, 1, 1<<63 - 1},
		{96, "identity", h.Identity[:], 0, 0},
	}
	for k := range h.Need {
		f = append(f, field{112 + 4*k, fmt.Sprintf("need[%d]", k), &h.Need[k], 0, any32})
	}
	return append(f,
		field{144, "leadBytes", &h.LeadBytes, 0, 4 * MaxSoundLead * MaxSampleRate},
		field{148, "beatsSector", &h.BeatsSector, 2, MaxFileSectors},
		field{152, "samplePhase", &h.SamplePhase, 0, MaxProduct},
		field{156, "allBeats", &h.AllBeats, 1, MaxBeatNumber},
		field{256, "extension", h.Extension[:], 0, 0})
}

const (
	reservedStart = 160
	reservedEnd   = 256
	headerCRCAt   = 508
)

// Encode returns sector 0. It does not check the fields.
func (h *Header) Encode() [SectorBytes]byte {
	var s [SectorBytes]byte
	copy(s[:], magic)
	for _, f := range h.fields() {
		switch v := f.at.(type) {
		case *uint8:
			s[f.offset] = *v
		case *uint16:
			binary.LittleEndian.PutUint16(s[f.offset:], *v)
		case *uint32:
			binary.LittleEndian.PutUint32(s[f.offset:], *v)
		case *uint64:
			binary.LittleEndian.PutUint64(s[f.offset:], *v)
		case []byte:
			copy(s[f.offset:], v)
		}
	}
	binary.LittleEndian.PutUint32(s[headerCRCAt:], crc32Of(s[:headerCRCAt]))
	return s
}

// DecodeHeader reads and checks sector 0: its own rules, not the file behind
// it. Errors are a *FormatError or an *UnsupportedError.
func DecodeHeader(s *[SectorBytes]byte) (Header, error) {
	const place = "header byte 0 (magic)"
	if string(s[:8]) != magic {
		switch {
		case string(s[1:4]) == magic[1:4]:
			return Header{}, damaged(place, "% x, want % x: the file went through something that rewrote line ends or high bytes", s[:8], magic)
		default:
			return Header{}, damaged(place, "% x, want % x: not a clip, or one whose writing was not finished", s[:8], magic)
		}
	}
	if got, want := binary.LittleEndian.Uint32(s[headerCRCAt:]), crc32Of(s[:headerCRCAt]); got != want {
		return Header{}, damaged("header byte 508 (headerCRC)", "0x%08x, but the header's bytes give 0x%08x", got, want)
	}
	var h Header
	for _, f := range h.fields() {
		switch v := f.at.(type) {
		case *uint8:
			*v = s[f.offset]
		case *uint16:
			*v = binary.LittleEndian.Uint16(s[f.offset:])
		case *uint32:
			*v = binary.LittleEndian.Uint32(s[f.offset:])
		case *uint64:
			*v = binary.LittleEndian.Uint64(s[f.offset:])
		case []byte:
			copy(v, s[f.offset:])
		}
	}
	if h.Version != Version {
		return Header{}, unsupported(placeOf(8, "version"), "%d, this reader knows %d", h.Version, Version)
	}
	for i := reservedStart; i < reservedEnd; i++ {
		if s[i] != 0 {
			return Header{}, damaged(placeOf(i, "reserved"), "%d, want 0", s[i])
		}
	}
	if err := h.check(); err != nil {
		return Header{}, err
	}
	return h, nil
}

func placeOf(offset int, name string) string {
	return fmt.Sprintf("header byte %d (%s)", offset, name)
}

func (f field) value() uint64 {
	switch v := f.at.(type) {
	case *uint8:
		return uint64(*v)
	case *uint16:
		return uint64(*v)
	case *uint32:
		return uint64(*v)
	case *uint64:
		return *v
	}
	return 0
}

// check applies the rules of FORMAT.md that a header alone can break.
func (h *Header) check() error {
	at := make(map[string]field)
	for _, f := range h.fields() {
		at[f.name] = f
		if v := f.value(); v < f.lo || v > f.hi {
			return damaged(placeOf(f.offset, f.name), "%d, want %d to %d", v, f.lo, f.hi)
		}
	}
	bad := func(name, format string, args ...any) error {
		return damaged(placeOf(at[name].offset, name), format, args...)
	}
	unknown := func(name, format string, args ...any) error {
		return unsupported(placeOf(at[name].offset, name), format, args...)
	}
	if !h.PixelFormat.Valid() {
		return unknown("pixelFormat", "%d, this reader knows 1 to %d", h.PixelFormat, len(pixel.Formats()))
	}
	if h.SoundCoding > IMAADPCM {
		return unknown("soundCoding", "%v, which this reader cannot decode", h.SoundCoding)
	}
	if h.FrameCodings&^knownCodings != 0 {
		return unknown("frameCodings", "0x%02x, this reader knows 0x%02x: repeat (bit 0), raw (1), tiles (2), jpeg (3), key-tiles (4)", h.FrameCodings, knownCodings)
	}
	if gcd(h.RateNum, h.RateDen) != 1 {
		return bad("rateNum", "%d/%d is not in lowest terms", h.RateNum, h.RateDen)
	}
	if h.RateNum < h.RateDen || h.RateNum > MaxBeatRate*h.RateDen {
		return bad("rateNum", "%d/%d beats a second, want 1 to %d", h.RateNum, h.RateDen, MaxBeatRate)
	}
	if err := h.checkSound(bad); err != nil {
		return err
	}
	switch {
	case uint64(h.FirstBeat)+uint64(h.Beats) > uint64(h.AllBeats):
		return bad("allBeats", "%d, but this file has beats %d to %d", h.AllBeats, h.FirstBeat, uint64(h.FirstBeat)+uint64(h.Beats)-1)
	case h.Continues() != (h.FirstBeat+h.Beats < h.AllBeats):
		return bad("allBeats", "%d, this file ends before beat %d: flag more must be set exactly if beats follow", h.AllBeats, h.FirstBeat+h.Beats)
	case (h.Part == 0) != (h.FirstBeat == 0):
		return bad("firstBeat", "%d in part %d: it is 0 in part 0 and only there", h.FirstBeat, h.Part)
	case h.FirstBeat < uint32(h.Part):
		return bad("firstBeat", "%d in part %d: each part before has a beat", h.FirstBeat, h.Part)
	case h.SeekShift != seekShift(h.Beats, h.SeekSectors):
		return bad("seekShift", "%d, want %d, the smallest with which %d beats fit %d sectors", h.SeekShift, seekShift(h.Beats, h.SeekSectors), h.Beats, h.SeekSectors)
	case int(h.LeadBytes) != h.leadBytes():
		return bad("leadBytes", "%d, want %d for the sound of %d beats", h.LeadBytes, h.leadBytes(), h.SoundLead)
	case int(h.MaxSoundBytes) < h.largestLead():
		return bad("maxSoundBytes", "%d, but the lead-in has a sound of %d", h.MaxSoundBytes, h.largestLead())
	case int64(h.BeatsSector) != h.beatsSector():
		return bad("beatsSector", "%d, want %d", h.BeatsSector, h.beatsSector())
	case h.SamplePhase != h.Timing().phase(h.FirstBeat):
		return bad("samplePhase", "%d, want %d", h.SamplePhase, h.Timing().phase(h.FirstBeat))
	case uint64(h.FileSectors) < uint64(h.BeatsSector)+uint64(h.Beats):
		return bad("fileSectors", "%d, want at least %d for %d beats", h.FileSectors, uint64(h.BeatsSector)+uint64(h.Beats), h.Beats)
	case h.FirstBeatSectors > h.MaxBeatSectors:
		return bad("firstBeatSectors", "%d is over maxBeatSectors, %d", h.FirstBeatSectors, h.MaxBeatSectors)
	}
	held := h.SoundHeld()
	if want := held + SectorBytes; int64(h.StreamBytes) != want {
		return bad("streamBytes", "%d, want %d", h.StreamBytes, want)
	}
	if want := held + SectorBytes*int64(h.MaxBeatSectors); int64(h.WholeBytes) != want {
		return bad("wholeBytes", "%d, want %d", h.WholeBytes, want)
	}
	return nil
}

func (h *Header) checkSound(bad func(name, format string, args ...any) error) error {
	if h.SoundCoding == NoSound {
		for _, f := range []struct {
			name  string
			value uint32
		}{{"channels", uint32(h.Channels)}, {"sampleRateNum", h.SampleRateNum}, {"sampleRateDen", h.SampleRateDen}, {"soundLead", uint32(h.SoundLead)}, {"leadCRC", h.LeadCRC}, {"maxSoundBytes", h.MaxSoundBytes}} {
			if f.value != 0 {
				return bad(f.name, "%d in a clip without sound, want 0", f.value)
			}
		}
		return nil
	}
	if h.Channels == 0 {
		return bad("channels", "0 in a clip with sound, want 1 or 2")
	}
	if h.SoundLead == 0 {
		return bad("soundLead", "0 in a clip with sound, want 1 to %d", MaxSoundLead)
	}
	if h.SampleRateDen == 0 || gcd(h.SampleRateNum, h.SampleRateDen) != 1 {
		return bad("sampleRateNum", "%d/%d is not a ratio in lowest terms", h.SampleRateNum, h.SampleRateDen)
	}
	if uint64(h.SampleRateNum) < MinSampleRate*uint64(h.SampleRateDen) || uint64(h.SampleRateNum) > MaxSampleRate*uint64(h.SampleRateDen) {
		return bad("sampleRateNum", "%d/%d Hz, want %d to %d", h.SampleRateNum, h.SampleRateDen, MinSampleRate, MaxSampleRate)
	}
	if _, ok := timing(h.Rate(), h.SampleRate()); !ok {
		return bad("sampleRateNum", "%v Hz with %v beats a second: the products of their terms must stay below 2^31", h.SampleRate(), h.Rate())
	}
	return nil
}

// Rate returns the beats per second.
func (h *Header) Rate() Ratio { return Ratio{h.RateNum, h.RateDen} }

// SampleRate returns the samples per second and channel, in Hz.
func (h *Header) SampleRate() Ratio { return Ratio{h.SampleRateNum, h.SampleRateDen} }

// Timing returns the samples per beat; the zero Timing without sound.
func (h *Header) Timing() Timing {
	if h.SoundCoding == NoSound {
		return Timing{}
	}
	t, _ := timing(h.Rate(), h.SampleRate())
	return t
}

// Loop reports whether the first beat follows the last.
func (h *Header) Loop() bool { return h.Flags&Loops != 0 }

// Continues reports whether another part follows this file.
func (h *Header) Continues() bool { return h.Flags&More != 0 }

// SampleFrameBytes returns the bytes of one sample of all channels, 0 in IMA
// ADPCM.
func (h *Header) SampleFrameBytes() int { return h.SoundCoding.SampleBytes() * int(h.Channels) }

// RawFrameBytes returns the bytes of a raw frame.
func (h *Header) RawFrameBytes() int {
	return h.PixelFormat.FrameBytes(int(h.Width), int(h.Height))
}

// MaxKeyDistance returns the most beats from one key beat to the next: those of
// two seconds.
func (h *Header) MaxKeyDistance() int { return maxKeyDistance(h.Rate()) }

func maxKeyDistance(rate Ratio) int { return int(2 * uint64(rate.Num) / uint64(rate.Den)) }

// soundBytes returns the bytes of the sound of beat j: what plays with it. Past
// the end of a looping clip the beats count from its start; past the end of any
// other clip there is no sound.
func (h *Header) soundBytes(j uint32) int { return h.CodedBytes(h.samples(j)) }

// samples returns how many samples a channel the sound of beat j has.
func (h *Header) samples(j uint32) int {
	if j >= h.AllBeats {
		if !h.Loop() {
			return 0
		}
		j %= h.AllBeats
	}
	return h.Timing().Samples(j)
}

// CodedBytes returns the bytes of a beat's sound of the given samples a channel.
func (h *Header) CodedBytes(samples int) int {
	if h.SoundCoding == IMAADPCM {
		return sample.ADPCMBytes(samples, int(h.Channels))
	}
	return samples * h.SampleFrameBytes()
}

// StoredSamples returns the samples a channel of the sound that beat i stores.
func (h *Header) StoredSamples(i uint32) int { return h.samples(i + uint32(h.SoundLead)) }

// LeadSamples returns the samples a channel of beat k of the lead-in.
func (h *Header) LeadSamples(k int) int { return h.samples(h.FirstBeat + uint32(k)) }

// StoredSoundBytes returns the bytes of sound that beat i stores: the sound of
// beat i + soundLead.
func (h *Header) StoredSoundBytes(i uint32) int {
	return h.soundBytes(i + uint32(h.SoundLead))
}

// leadBytes returns the bytes of the lead-in: the sound of the first soundLead
// beats.
func (h *Header) leadBytes() int {
	var n int
	for k := range uint32(h.SoundLead) {
		n += h.soundBytes(h.FirstBeat + k)
	}
	return n
}

// largestLead returns the bytes of the largest sound of the lead-in.
func (h *Header) largestLead() (most int) {
	for k := range uint32(h.SoundLead) {
		most = max(most, h.soundBytes(h.FirstBeat+k))
	}
	return most
}

// SoundHeld returns the most sound a player holds, in bytes: that of the beat
// playing and of soundLead more.
func (h *Header) SoundHeld() int64 {
	beats := int(h.SoundLead) + 1
	if h.SoundCoding == IMAADPCM {
		return int64(beats) * int64(h.CodedBytes(int(h.Timing().most(1))))
	}
	return h.Timing().most(beats) * int64(h.SampleFrameBytes())
}

// beatsSector returns the sector of the first beat.
func (h *Header) beatsSector() int64 {
	return 1 + int64(h.SeekSectors) + sectorsFor(int64(h.leadBytes()))
}
