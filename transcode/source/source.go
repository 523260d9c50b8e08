// Package source opens what people have (an animation, a picture, a folder of
// rendered frames, an uncompressed video, a sound) and hands it on as a row of
// timed pictures and a stream of float samples. The content of a file decides
// what it is, never its name: a file says so in its first bytes. Every picture
// carries the ticks between which it is shown, because animations change speed
// from frame to frame and a still has no speed at all; choosing the pictures
// that fall on the beats of a clip is the caller's work. Memory does not grow
// with the length of a source: one picture is decoded at a time, into a buffer
// that the caller gives back with Release.
//
// What is read here was often made by somebody else. Sizes are checked before
// anything is allocated, a file cut short plays as far as it goes and says so
// in Warnings, and any other damage is an error that says where it is. Only in
// MP3 and Motion JPEG, which are made of pieces that stand alone and often have
// a bad one, the others play and Warnings tell of it.
package source

import (
	"context"
	"fmt"
	"io"
	"strings"

	"example.org/stampreel/transcode/picture"
)

// The kinds of source, as Media.Kind and Sniff name them.
const (
	KindAnimation = "animated GIF"
	KindGIF       = "GIF picture"
	KindPNG       = "PNG picture"
	KindAPNG      = "animated PNG"
	KindJPEG      = "JPEG picture"
	KindWebP      = "WebP picture"
	KindBMP       = "BMP picture"
	KindFrames    = "folder of frames"
	KindY4M       = "Y4M video"
	KindAVI       = "AVI video"
	KindWAV       = "WAV sound"
	KindFLAC      = "FLAC sound"
	KindMP3       = "MP3 sound"

	// Kinds that the system's codecs decode.
	KindMP4       = "MP4 video"
	KindMOV       = "QuickTime video"
	KindM4A       = "MPEG-4 sound"
	KindMatroska  = "Matroska video"
	KindWebM      = "WebM video"
	KindTS        = "MPEG-TS video"
	KindMPEG      = "MPEG video"
	KindWindows   = "Windows Media video"
	KindFLV       = "FLV video"
	KindOggVideo  = "Ogg video"
	KindOgg       = "Ogg sound"
	KindAIFF      = "AIFF sound"
	KindMPEGSound = "MPEG layer I or II sound"
)

// IsSound reports whether a kind is sound alone.
func IsSound(kind string) bool { return strings.HasSuffix(kind, " sound") }

// DefaultMaxPixels is the largest picture opened unless Options say otherwise:
// 64 Mi pixels, as of 8192 by 8192. MaxMemory may set a lower bound.
const DefaultMaxPixels = 64 << 20

// DefaultFrameRate is the speed of a folder of frames unless Options say
// otherwise, in pictures a second.
const DefaultFrameRate = 25

// Ratio is an exact fraction. A Num of 0 means unknown or not given, and
// the zero value means the same as 0/1.
type Ratio struct{ Num, Den int64 }

// Float returns the value as a float64, 0 when it is unknown.
func (r Ratio) Float() float64 {
	if r.Num == 0 || r.Den == 0 {
		return 0
	}
	return float64(r.Num) / float64(r.Den)
}

// lowest returns r in lowest terms; the zero value becomes 0/1.
func (r Ratio) lowest() Ratio {
	if r.Num == 0 || r.Den == 0 {
		return Ratio{0, 1}
	}
	g := gcd(r.Num, r.Den)
	return Ratio{r.Num / g, r.Den / g}
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// PicturesInfo is what is known of a row of pictures before the first is read.
type PicturesInfo struct {
	// Size of a picture in pixels, upright. In a folder of frames it is that of
	// the first; the others may differ.
	Width, Height int
	// Number of pictures Next will return; 0 means unknown. A Y4M file cut
	// short, or whose frames carry parameters, may return fewer.
	Frames int64
	// Seconds per tick of Timed.At and Timed.Until.
	Tick Ratio
	// Nominal pictures a second, in lowest terms; 0/1 for a still.
	Rate Ratio
	// One picture, shown for as long as Options.Hold says.
	Still bool
	// An animation made to repeat without end.
	LoopsForever bool
	// Seconds from the first picture to the end of the last; 0/1 means unknown,
	// as for a stream or for a still without Options.Hold.
	Duration Ratio
}

// Timed is one picture and the ticks from At to before Until in which it is
// shown. Until equals At only for a still without Options.Hold.
type Timed struct {
	picture.Picture
	At, Until int64

	release func()
}

// Release gives the buffer back to the source it came from. The picture must
// not be used afterwards. It may be called from any goroutine, after Close too,
// and does nothing on nil or the second time.
func (t *Timed) Release() {
	if t == nil || t.release == nil {
		return
	}
	give := t.release
	t.release, t.Picture = nil, picture.Picture{}
	give()
}

// Pictures is a row of timed pictures, each beginning where the one before it
// ends. Its methods are called by one goroutine.
type Pictures interface {
	Info() PicturesInfo
	// Next returns the next picture, and io.EOF after the last. While pictures
	// that were not given back with Release take MaxMemory, it waits for one.
	Next(ctx context.Context) (*Timed, error)
	Close() error
}

// SoundInfo is what is known of a sound before the first sample is read.
type SoundInfo struct {
	Rate     int   // sample frames a second
	Channels int   // samples in a sample frame
	Frames   int64 // sample frames in the whole sound; 0 means unknown
	First    int64 // number of the first sample frame that Read returns
}

// Sound is a stream of samples. Its methods are called by one goroutine.
type Sound interface {
	Info() SoundInfo
	// Read fills dst with whole sample frames, channels interleaved, and returns
	// how many; then 0 and io.EOF. Full scale is -1 to 1. Float files may go
	// beyond it and are passed on as they are, but for NaN and infinities, which
	// become 0.
	Read(dst []float32) (frames int, err error)
	Close() error
}

// Media is an opened source. It has pictures, sound, or both, which may then be
// read at the same time, each by a goroutine of its own; what it has not is nil.
type Media struct {
	Kind     string // one of the Kind constants
	Pictures Pictures
	Sound    Sound
	// Warnings returns what is known by now that a person should be told, such
	// as "ends at 12.60 s of 25.00 s". It may be called at any time, from any
	// goroutine.
	Warnings func() []string
	// The pictures and the sound are one recording: the last picture stays until
	// the sound has ended. Otherwise the pictures alone say how long it lasts.
	Film bool

	sum    func() ([32]byte, error)
	closed func() // what else Close ends; nil for nothing
	log    *warnings
	beside *Media // whose sound this is, when it is a file of its own
	mute   bool   // it has a sound that is not read here
	bars   func(context.Context) (picture.Bars, bool, error)
}

// Options say how to open a source. The zero value serves.
type Options struct {
	// Seconds a still is shown; 0/1 leaves it to the caller.
	Hold Ratio
	// Pictures a second of a folder of frames, and of a Y4M stream that does not
	// say; 0/1 means DefaultFrameRate.
	Rate Ratio
	// Largest picture in pixels; 0 means DefaultMaxPixels.
	MaxPixels int64
	// How the pictures will be framed, for those that are decoded elsewhere and
	// come framed; other sources leave that to the caller.
	Framing *picture.Framing
	// Seconds between which the caller needs the source; To 0/1 means the end. A
	// source that can seek reads nothing else, but keeps its own times.
	From, To Ratio
	// Which sound, counted from 1, of several; 0 means the one to be heard unless
	// told otherwise.
	SoundTrack int
	// Where there are not so many, the first one is taken, and that is no error.
	TrackOrFirst bool
	// What the caller has no use for.
	NoPictures, NoSound bool
	// The caller will ask for the Sum: of a file that is decoded elsewhere it is
	// worked out from now on.
	SumAhead bool
	// What Open reads for the path "-": Y4M video. It is never closed.
	Stdin io.Reader
	// How to read the colours of a Y4M video. Nil means BT.601 below 720 lines
	// and BT.709 from there on.
	Matrix *picture.Matrix
	// Whether a Y4M video uses all 256 codes. Nil means as the stream says, and
	// limited where it says nothing.
	FullRange *bool
}

func (o Options) maxPixels() int64 {
	if o.MaxPixels > 0 {
		return o.MaxPixels
	}
	return DefaultMaxPixels
}

func (o Options) rate() Ratio {
	if r := o.Rate.lowest(); r.Num > 0 && r.Den > 0 {
		return r
	}
	return Ratio{DefaultFrameRate, 1}
}

// UnsupportedError means that a file is sound as far as can be seen but is of a
// kind, or uses a feature, that is not opened here.
type UnsupportedError struct {
	Path  string
	Holds string // what was found and what was expected
	Try   string // what to do; may be empty
}

func (e *UnsupportedError) Error() string {
	return fmt.Sprintf("source: %s: %s", e.Path, e.Holds)
}

// Tries returns what to do, if anything.
func (e *UnsupportedError) Tries() []string { return lines(e.Try) }

func lines(try string) []string {
	if try == "" {
		return nil
	}
	return []string{try}
}

// DamagedError means that a file breaks the rules of its own format.
type DamagedError struct {
	Path  string
	Where string // such as "frame 12 at byte 4711"; may be empty
	Err   error  // what was found and what was expected
}

func (e *DamagedError) Error() string {
	if e.Where == "" {
		return fmt.Sprintf("source: %s: %v", e.Path, e.Err)
	}
	return fmt.Sprintf("source: %s: %s: %v", e.Path, e.Where, e.Err)
}

func (e *DamagedError) Unwrap() error { return e.Err }

// Tries returns what to do.
func (e *DamagedError) Tries() []string { return lines("fetch or export it once more") }

// LimitError means that a file is valid but larger than is allowed.
type LimitError struct {
	Path  string
	What  string // what is too large, such as "picture of 64250x64250"
	Found int64
	Limit int64
	Unit  string // of Found and Limit
	Try   string // what to do; may be empty
}

func (e *LimitError) Error() string {
	return fmt.Sprintf("source: %s: %s: %d %s, want at most %d", e.Path, e.What, e.Found, e.Unit, e.Limit)
}

// Tries returns what to do, if anything.
func (e *LimitError) Tries() []string { return lines(e.Try) }
