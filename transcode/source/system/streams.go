package system

import (
	"context"
	"encoding/json"
	"fmt"
	"image"
	"io"
	"time"
	"unsafe"

	"example.org/stampreel/transcode/picture"
)

// Ending says how pictures or a sound ended.
type Ending struct {
	At      time.Duration // end of the last picture or sample
	Broken  int64         // pictures that the decoder marked as damaged or made nothing of
	Damaged string        // why it could not go on; nothing at an ordinary end
	Gaps    []Gap         // where it brought nothing for long, the first few
}

// Gap is a time for which a stream brought nothing that can be decoded.
type Gap struct {
	From, To time.Duration
	// The file has something there all the same, of which the decoder made nothing.
	Lost bool
}

// PictureOptions say which pictures of a file are wanted, and how.
type PictureOptions struct {
	Video   int // place in Description.Videos
	Framing picture.Framing
	// The part that is needed; To 0 means up to the end.
	From, To time.Duration
}

// seeks tells whether reading can begin at a later place, with the pictures and
// samples that reading all of it would have there; a test finds that so for
// these. Of FLV it gives pictures without the ones that they build on.
func (d *Description) seeks() bool {
	switch d.Container {
	case "MP4", "QuickTime", "3GP", "Matroska", "WebM", "AVI", "MPEG-TS", "Ogg":
		return d.Seekable
	}
	return false
}

// Estimated tells whether the duration is worked out from the times that stand near the
// end of the file: that of several recordings one after the other comes out wrong.
func (d *Description) Estimated() bool { return d.Container == "MPEG-TS" || d.Container == "MPEG-PS" }

// seeksTo is seeks for a part: where a file has ended by its estimate it is read from the
// start.
func (d *Description) seeksTo(from time.Duration) bool {
	return d.seeks() && !(d.Estimated() && from >= d.Duration)
}

// exposedVideo is the place of a video among those that are decoded here: of the others
// the libraries show nothing.
func (d *Description) exposedVideo(video int) (n int) {
	for _, v := range d.Videos[:video] {
		if !v.Missing {
			n++
		}
	}
	return n
}

// exposedTrack is the same of a track.
func (d *Description) exposedTrack(track int) (n int) {
	for _, t := range d.Tracks[:track] {
		if !t.Missing {
			n++
		}
	}
	return n
}

// every is by how many nanoseconds pictures follow each other at least. In an AVI
// they have no times of their own but follow each other at an even rate. Where
// they are coded out of order, the libraries give some of them the time of the
// one before, and those behind fall back by some pictures.
func (d *Description) every(v *Video) int64 {
	if d.Container != "AVI" || v.RateNum == 0 {
		return 0
	}
	rate := int64(v.RateNum)
	if v.Interlaced { // a picture of each field
		rate *= 2
	}
	return int64(time.Second) * int64(v.RateDen) / rate
}

// barsAnswer is what a worker says of black bars.
type barsAnswer struct {
	Found bool
	Bars  picture.Bars
}

// FindBars looks for black bars at the sides of a video, in pictures from all
// over the part between two times; 0 for to means up to the end.
func FindBars(ctx context.Context, d *Description, video int, from, to time.Duration) (picture.Bars, bool, error) {
	if to == 0 || to > d.Duration {
		to = d.Duration
	}
	v := d.Videos[video]
	var a barsAnswer
	err := ask(ctx, d.Path, request{
		Do: doBars, Stream: v.ID, Index: d.exposedVideo(video), Video: v, From: int64(from), To: int64(to), Seek: d.seeks(),
	}, &a)
	return a.Bars, a.Found, err
}

// Pictures is a row of framed pictures. Its methods are called by one goroutine.
type Pictures struct {
	p   *process
	end *ending
}

// OpenPictures starts decoding the pictures of a file.
func OpenPictures(ctx context.Context, d *Description, o PictureOptions) (*Pictures, error) {
	v := d.Videos[o.Video]
	p, err := start(ctx, d.Path, request{
		Do: doPictures, Stream: v.ID, Index: d.exposedVideo(o.Video), Video: v, Framing: o.Framing, From: int64(o.From), To: int64(o.To), Seek: d.seeksTo(o.From),
		Every: d.every(&v),
	})
	if err != nil {
		return nil, err
	}
	if err := p.receiveJSON(ctx, msgInfo, &struct{}{}); err != nil {
		p.close()
		return nil, err
	}
	return &Pictures{p: p}, nil
}

// Next puts the next picture into dst, whose buffer is used again, and returns
// the time in which it is shown: at to before until, counted from the start of
// the file. After the last it returns io.EOF.
func (s *Pictures) Next(ctx context.Context, dst *picture.Framed) (at, until time.Duration, err error) {
	if s.end != nil {
		return 0, 0, io.EOF
	}
	kind, payload, err := s.p.receive(ctx)
	if err != nil {
		return 0, 0, err
	}
	var h pictureHeader
	const size = int(unsafe.Sizeof(h))
	switch {
	case kind == msgEnd:
		if err := json.Unmarshal(payload, &s.end); err != nil {
			return 0, 0, fmt.Errorf("system: %s: worker: %w", s.p.path, err)
		}
		return 0, 0, io.EOF
	case kind != msgPicture || len(payload) < size:
		return 0, 0, fmt.Errorf("system: %s: worker sent %q of %d bytes, want a picture", s.p.path, kind, len(payload))
	}
	copy((*[size]byte)(unsafe.Pointer(&h))[:], payload)
	n := 3 * int(h.W) * int(h.H)
	if h.W < 1 || h.H < 1 || len(payload)-size != 2*n {
		return 0, 0, fmt.Errorf("system: %s: worker sent a picture of %dx%d in %d bytes", s.p.path, h.W, h.H, len(payload)-size)
	}
	if cap(dst.Pix) < n {
		dst.Pix = make([]uint16, n)
	}
	dst.W, dst.H, dst.Pix = int(h.W), int(h.H), dst.Pix[:n]
	dst.Bounds = image.Rect(0, 0, dst.W, dst.H).Add(image.Pt(int(h.X), int(h.Y)))
	copy(bytesOf(dst.Pix), payload[size:])
	return time.Duration(h.At), time.Duration(h.Until), nil
}

// Ending says how the pictures ended; it is known after io.EOF.
func (s *Pictures) Ending() Ending { return s.end.public() }

func (e *ending) public() Ending {
	if e == nil {
		return Ending{}
	}
	return Ending{time.Duration(e.At), e.Broken, e.Damaged, e.Gaps}
}

// Close ends the worker.
func (s *Pictures) Close() error { return s.p.close() }

// SoundOptions say which sound of a file is wanted.
type SoundOptions struct {
	Track    int // place in Description.Tracks
	From, To time.Duration
}

// Sound is a row of samples without gaps: sample frame n is played n/Rate
// seconds after the start of the file. Its methods are called by one goroutine.
type Sound struct {
	Rate     int   // sample frames a second
	Channels int   // 1 or 2
	First    int64 // number of the first sample frame that Read returns

	p    *process
	rest []float32 // unread part of the message
	end  *ending
	ctx  context.Context
}

// OpenSound starts decoding a sound of a file, which goes on until Close or
// until ctx ends.
func OpenSound(ctx context.Context, d *Description, o SoundOptions) (*Sound, error) {
	p, err := start(ctx, d.Path, request{
		Do: doSound, Stream: d.Tracks[o.Track].ID, Index: d.exposedTrack(o.Track), From: int64(o.From), To: int64(o.To), Seek: d.seeksTo(o.From),
	})
	if err != nil {
		return nil, err
	}
	s := &Sound{p: p, ctx: ctx}
	if err := p.receiveJSON(ctx, msgInfo, s); err != nil {
		p.close()
		return nil, err
	}
	return s, nil
}

// Read fills dst with whole sample frames, channels interleaved, and returns how
// many; then 0 and io.EOF.
func (s *Sound) Read(dst []float32) (frames int, err error) {
	for len(s.rest) == 0 {
		if s.end != nil {
			return 0, io.EOF
		}
		kind, payload, err := s.p.receive(s.ctx)
		switch {
		case err != nil:
			return 0, err
		case kind == msgEnd:
			if err := json.Unmarshal(payload, &s.end); err != nil {
				return 0, fmt.Errorf("system: %s: worker: %w", s.p.path, err)
			}
		case kind != msgSound || len(payload)%(4*s.Channels) != 0:
			return 0, fmt.Errorf("system: %s: worker sent %q of %d bytes, want samples", s.p.path, kind, len(payload))
		case len(payload) > 0:
			s.rest = unsafe.Slice((*float32)(unsafe.Pointer(unsafe.SliceData(payload))), len(payload)/4)
		}
	}
	n := copy(dst[:len(dst)/s.Channels*s.Channels], s.rest)
	s.rest = s.rest[n:]
	return n / s.Channels, nil
}

// Ending says how the sound ended; it is known after io.EOF.
func (s *Sound) Ending() Ending { return s.end.public() }

// Close ends the worker.
func (s *Sound) Close() error { return s.p.close() }
