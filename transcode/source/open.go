package source

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"example.org/stampreel/transcode/source/system"
)

const (
	opened  = "stampreel sources lists what is opened"
	tryVid  = "export it as AVI with Motion JPEG and PCM sound, as Y4M video, as an animated GIF or as numbered PNG pictures with their sound as WAV"
	trySnd  = "export it as WAV sound, 16-bit PCM, or as FLAC"
	tryPic  = "export it as PNG or JPEG"
	headLen = 3 * tsPacket // as many bytes as the longest signature needs

	tsPacket = 188 // bytes of an MPEG transport stream packet, ISO/IEC 13818-1
)

// askSystem says whether files that are not read here are given to the system's
// codecs. Tests of what is read here turn it off.
var askSystem = system.Built

// opener says what opens a kind of file.
type opener int

const (
	byNone   opener = iota
	byGo            // this package alone
	bySystem        // the system's codecs
)

// opens reports whether this program opens it, given the codecs.
func (o opener) opens() bool { return o == byGo || o == bySystem && askSystem }

// signature tells a kind of file by its first bytes.
type signature struct {
	kind    string
	article string
	by      opener
	try     string
	matches func(head []byte) bool
}

var signatures = []signature{
	// Of other versions the reader says what is wrong; some codecs wait for them without end.
	{KindAnimation, "an", byGo, "", func(h []byte) bool { return starts(h, "GIF8") }},
	{KindPNG, "a", byGo, "", func(h []byte) bool { return starts(h, "\x89PNG\r\n\x1a\n") }},
	{KindJPEG, "a", byGo, "", func(h []byte) bool { return starts(h, "\xff\xd8\xff") }},
	{KindWebP, "a", byGo, "", func(h []byte) bool { return form(h, "RIFF", "WEBP") }},
	{KindBMP, "a", byGo, "", isBMP},
	{KindY4M, "a", byGo, "", func(h []byte) bool { return starts(h, "YUV4MPEG2 ") || starts(h, "YUV4MPEG2\n") }},
	{KindAVI, "an", byGo, "", func(h []byte) bool { return form(h, "RIFF", "AVI ") }},
	{KindWAV, "a", byGo, "", func(h []byte) bool {
		return form(h, "RIFF", "WAVE") || form(h, "RF64", "WAVE") || form(h, "BW64", "WAVE")
	}},
	{KindFLAC, "a", byGo, "", func(h []byte) bool { return starts(h, "fLaC") }},
	{KindMP3, "an", byGo, "", isMP3},

	{"big-endian WAV sound (RIFX)", "a", byNone, trySnd, func(h []byte) bool { return form(h, "RIFX", "WAVE") }},
	{"HEIF or AVIF picture", "a", byNone, tryPic, isHEIF},
	{KindM4A, "an", bySystem, trySnd, func(h []byte) bool { return brand(h, "M4A ") || brand(h, "M4B ") }},
	{KindMOV, "a", bySystem, tryVid, func(h []byte) bool {
		return brand(h, "qt  ") || isBoxes(h) && !at(h, 4, "ftyp")
	}},
	{KindMP4, "an", bySystem, tryVid, func(h []byte) bool { return at(h, 4, "ftyp") }},
	{KindWebM, "a", bySystem, tryVid, func(h []byte) bool { return starts(h, ebml) && bytes.Contains(h, []byte("webm")) }},
	{KindMatroska, "a", bySystem, tryVid, func(h []byte) bool { return starts(h, ebml) }},
	{KindTS, "an", bySystem, tryVid, func(h []byte) bool { return packets(h, 0, tsPacket) || packets(h, 4, tsPacket+4) }},
	{KindMPEG, "an", bySystem, tryVid, func(h []byte) bool {
		return starts(h, "\x00\x00\x01\xba") || starts(h, "\x00\x00\x01\xb3")
	}},
	{KindWindows, "a", bySystem, tryVid, func(h []byte) bool { return starts(h, "\x30\x26\xb2\x75\x8e\x66\xcf\x11") }},
	{KindFLV, "an", bySystem, tryVid, func(h []byte) bool { return starts(h, "FLV\x01") }},
	{KindOggVideo, "an", bySystem, tryVid, func(h []byte) bool { return starts(h, "OggS") && bytes.Contains(h, []byte("\x80theora")) }},
	{KindOgg, "an", bySystem, trySnd, func(h []byte) bool { return starts(h, "OggS") }},
	{KindAIFF, "an", bySystem, trySnd, func(h []byte) bool { return form(h, "FORM", "AIFF") || form(h, "FORM", "AIFC") }},
	{KindMPEGSound, "an", bySystem, trySnd, isMPEGSound},
	{"TIFF picture", "a", byNone, tryPic, func(h []byte) bool { return starts(h, "II*\x00") || starts(h, "MM\x00*") }},
}

func starts[T []byte | string](head T, magic string) bool {
	return len(head) >= len(magic) && string(head[:len(magic)]) == magic
}

func at(head []byte, offset int, magic string) bool {
	return len(head) > offset && starts(head[offset:], magic)
}

// ebml begins a Matroska file (RFC 8794).
const ebml = "\x1a\x45\xdf\xa3"

// brand matches the first brand of an MP4 file (ISO/IEC 14496-12, 4.3).
func brand(head []byte, name string) bool { return at(head, 4, "ftyp"+name) }

// packets matches three packets of a transport stream, of which each begins with
// the byte 47 (ISO/IEC 13818-1, 2.4.3.2).
func packets(h []byte, first, size int) bool {
	return len(h) > first+2*size && h[first] == 0x47 && h[first+size] == 0x47 && h[first+2*size] == 0x47
}

// form matches the outer chunk of RIFF and its relatives: id, size, type.
func form(head []byte, id, kind string) bool { return starts(head, id) && at(head, 8, kind) }

// isBMP also looks at the length of the second header, because two letters
// alone would take in a good deal of plain text.
func isBMP(h []byte) bool {
	if !starts(h, "BM") || len(h) < 26 || h[15] != 0 || h[16] != 0 || h[17] != 0 {
		return false
	}
	switch h[14] {
	case 12, 40, 52, 56, 64, 108, 124:
		return true
	}
	return false
}

func isHEIF(h []byte) bool {
	if !at(h, 4, "ftyp") || len(h) < 12 {
		return false
	}
	switch string(h[8:12]) {
	case "heic", "heix", "heim", "heis", "hevc", "mif1", "msf1", "avif", "avis":
		return true
	}
	return false
}

// isMP3 takes an ID3 tag, or the header of a layer III frame.
func isMP3(h []byte) bool {
	_, ok, other := parseMP3Header(h)
	return ok || starts(other, "MP3") || starts(h, "ID3")
}

// isMPEGSound takes the headers of the other layers, but not the bytes ff fe,
// with which text in UTF-16 begins.
func isMPEGSound(h []byte) bool {
	_, _, other := parseMP3Header(h)
	return starts(other, "MPEG") && h[1] != 0xfe
}

// recognise returns the signature that matches, or nil.
func recognise(head []byte) *signature {
	for i := range signatures {
		if signatures[i].matches(head) {
			return &signatures[i]
		}
	}
	return nil
}

// readHead reads the first bytes of an ordinary file, or those behind a tag that
// was put before FLAC sound.
func readHead(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("source: %w", err)
	}
	defer f.Close()
	head := make([]byte, headLen)
	n, err := io.ReadFull(f, head)
	if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
		return nil, fmt.Errorf("source: %w", err)
	}
	head = head[:n]
	if starts(head, "ID3") && n >= 10 {
		var behind [4]byte
		if n, _ := f.ReadAt(behind[:], id3Size(head)); starts(behind[:n], "fLaC") {
			head = behind[:n]
		}
	}
	return head, nil
}

// Sniff says what a file or folder is, by its content. The kind is one of the
// Kind constants when ok; otherwise it is the plain name of a kind that is not
// opened here, or empty when nothing is recognised. A file that sniffs well may
// still turn out to be damaged. For a folder see IsFrameFolder.
func Sniff(path string) (kind string, ok bool, err error) {
	info, err := os.Stat(path)
	if err != nil {
		return "", false, fmt.Errorf("source: %w", err)
	}
	if info.IsDir() {
		frames, err := IsFrameFolder(path)
		if err != nil || !frames {
			return "", false, err
		}
		return KindFrames, true, nil
	}
	if !info.Mode().IsRegular() {
		return "", false, nil
	}
	head, err := readHead(path)
	if err != nil {
		return "", false, err
	}
	s := recognise(head)
	switch {
	case s == nil:
		return "", false, nil
	case s.kind == KindAnimation:
		kind, err := gifKind(path)
		return kind, err == nil, err
	case s.kind == KindPNG:
		moves, err := pngMoves(path)
		if moves {
			return KindAPNG, err == nil, err
		}
	}
	return s.kind, s.by.opens(), nil
}

// Open opens a file, a folder of numbered pictures, or, for the path "-", the
// Y4M video on Options.Stdin. The Media must be closed. Errors are
// *UnsupportedError, *DamagedError, *LimitError, or those of the file system; of
// a file that the system's codecs decode also *system.WorkerError. When ctx ends,
// so does the sound of such a file.
func Open(ctx context.Context, path string, o Options) (*Media, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if path == "-" {
		if o.Stdin == nil {
			return nil, errors.New("source: standard input is not available")
		}
		return openY4M(ctx, "standard input", nil, o)
	}
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("source: %w", err)
	}
	if info.IsDir() {
		return openFrames(ctx, path, o)
	}
	if !info.Mode().IsRegular() {
		return nil, &UnsupportedError{path, "neither an ordinary file nor a folder",
			"give Y4M video on standard input, with - as the source"}
	}
	head, err := readHead(path)
	if err != nil {
		return nil, err
	}
	s := recognise(head)
	switch {
	case len(head) == 0:
		return nil, &DamagedError{path, "", errors.New("the file is empty")}
	case s == nil:
		if askSystem {
			m, err := openSystem(ctx, path, "", o)
			if err == nil || ctx.Err() != nil || knew(err) {
				return m, err
			}
		}
		return nil, &UnsupportedError{path, fmt.Sprintf("begins with %q, which is no kind of file known here; %s",
			head[:min(len(head), 8)], opened), tryVid}
	case s.by == bySystem && askSystem:
		return openSystem(ctx, path, s.kind, o)
	case s.by != byGo:
		return nil, &UnsupportedError{path, fmt.Sprintf("holds %s %s; %s", s.article, s.kind, opened), s.try}
	}
	switch s.kind {
	case KindAnimation:
		return openGIF(ctx, path, o)
	case KindPNG:
		if moves, err := pngMoves(path); err != nil {
			return nil, err
		} else if moves {
			return openAPNG(ctx, path, o)
		}
	case KindWAV:
		return orSystem(ctx, path, s.kind, o, func() (*Media, error) { return openWAV(ctx, path) })
	case KindFLAC:
		return orSystem(ctx, path, s.kind, o, func() (*Media, error) { return openFLAC(ctx, path) })
	case KindMP3:
		return orSystem(ctx, path, s.kind, o, func() (*Media, error) { return openMP3(ctx, path) })
	case KindAVI:
		if o.SoundTrack > 1 && !o.NoSound && (askSystem || !o.TrackOrFirst) { // here the first one is read
			if askSystem {
				return openSystem(ctx, path, s.kind, o)
			}
			return nil, &UnsupportedError{path, fmt.Sprintf("sound %d of an AVI takes the system's codecs; without them the first one is read", o.SoundTrack), "choose sound 1"}
		}
		return orSystem(ctx, path, s.kind, o, func() (*Media, error) { return openAVI(ctx, path, o) })
	case KindY4M:
		f, err := os.Open(path)
		if err != nil {
			return nil, fmt.Errorf("source: %w", err)
		}
		m, err := openY4M(ctx, path, f, o)
		if err != nil {
			f.Close()
			return nil, err
		}
		return m, nil
	}
	return openStill(path, s.kind, o)
}

// orSystem has the system's codecs open what is coded in a way that is not read
// here, all of it or its sound. When they fail too, the error is theirs: they
// know what it holds.
func orSystem(ctx context.Context, path, kind string, o Options, open func() (*Media, error)) (*Media, error) {
	m, err := open()
	var unsupported *UnsupportedError
	var damaged *DamagedError
	switch {
	case !askSystem:
		return m, err
	case errors.As(err, &unsupported):
		all, err := openSystem(ctx, path, kind, o)
		var lacks *UnsupportedError
		if errors.As(err, &lacks) && strings.HasPrefix(lacks.Holds, system.Lacking) { // they did not get to see what it holds
			lacks.Holds = unsupported.Holds + "; " + lacks.Holds
			lacks.Try = strings.TrimSuffix(lacks.Try+"; "+unsupported.Try, "; ")
		}
		return all, err
	case errors.As(err, &damaged) && kind == KindAVI: // some find their way by its index
		if found, err := openSystem(ctx, path, kind, o); err == nil {
			found.log.lost("%s: %v", damaged.Where, damaged.Err)
			return found, nil
		}
	case err == nil && m.mute && !o.NoSound:
		if all, err := openSystem(ctx, path, kind, o); err == nil {
			m.Close()
			return all, nil
		}
	}
	return m, err
}

// knew tells whether an error of the system's codecs is about something that
// they know; for a file that nobody knows, there is more to say here.
func knew(err error) bool {
	var unsupported *UnsupportedError
	var damaged *DamagedError
	return !errors.As(err, &unsupported) && !errors.As(err, &damaged)
}

// Close closes the pictures or the sound. A picture not yet given back stays
// valid.
func (m *Media) Close() error {
	var errs []error
	if m.closed != nil {
		m.closed()
	}
	if m.Pictures != nil {
		errs = append(errs, m.Pictures.Close())
	}
	if m.Sound != nil {
		errs = append(errs, m.Sound.Close())
	}
	return errors.Join(errs...)
}

// Incomplete reports whether, of what was read so far, a part is missing or
// damaged: less than the file itself states. Warnings say what.
func (m *Media) Incomplete() bool {
	return m != nil && (m.log != nil && m.log.isIncomplete() || m.beside.Incomplete())
}

// Sum returns the SHA-256 of all bytes of the source, whatever Options it was
// opened with. For a folder of frames it covers, for each picture in order and
// then for its sound, the length of the file (8 bytes, low byte first) and the
// file, but no names. What
// has not been read by then is read now, so for standard input it comes after
// the last picture. It is not to be called while Next or Read runs. If a file
// can no longer be read, the sum is all zero and a warning says why.
func (m *Media) Sum() [32]byte {
	if m.sum == nil { // a Media made by a caller
		return [32]byte{}
	}
	sum, err := m.sum()
	if err != nil {
		m.log.add("no checksum of the source: %v", strings.TrimPrefix(err.Error(), "source: "))
		return [32]byte{}
	}
	return sum
}
