//go:build !nosystem && (linux || darwin || windows) && (amd64 || arm64)

package system

import (
	"errors"
	"fmt"
	"image"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"unsafe"

	"example.org/stampreel/transcode/picture"
)

// pictures decodes a row of pictures and sends them framed.
func (w *worker) pictures() error {
	framer, err := picture.NewFramer(w.Framing)
	if err != nil {
		return err
	}
	behind := "videoconvert ! " + capsOfFormats()
	if w.Video.Interlaced {
		// A picture of each field, since each was taken at a time of its own.
		// Pictures that are not marked as interlaced pass as they are.
		behind = "deinterlace mode=auto fields=all ! " + behind
	}
	p, err := openPipeline(w, "video/x-raw", behind)
	if err != nil {
		return err
	}
	f := frames{pipeline: p, take: framer.Frame, orientation: w.Video.Orientation}
	first := &timed{}
	if err := f.start(w, first); err != nil {
		return w.noPictures(err)
	}
	if w.Every > 0 { // the place that it was sent to may lie within it
		first.at -= first.at % w.Every
	}
	w.json(msgInfo, struct{}{})
	p.trouble(0)
	headers := p.dropped // of Theora these count, too
	var end ending
	r := reel{w: w, end: &end, held: []*timed{first}, gaps: gapFinder{p: p, every: w.Video.every()}}
	next := &timed{}
	for n := 0; !r.enough(); n++ {
		misbehave(w.Test, fmt.Sprintf("picture %d", n))
		if n%100 == 0 {
			w.send(msgBusy)
			p.trouble(0)
		}
		err := f.next(next)
		if err == io.EOF {
			break
		}
		if err != nil {
			end.Damaged = whyNoMore(err)
			break
		}
		next = r.add(next)
	}
	if !r.enough() {
		r.finish()
	}
	p.trouble(0)
	end.Broken += int64(p.dropped - headers)
	end.Gaps = r.gaps.found
	w.json(msgEnd, end)
	return nil
}

// reel sends pictures as soon as it is known how long they are shown. Those that
// have one time, as the first of an FLV may, share what there is until the next.
type reel struct {
	w    *worker
	end  *ending
	held []*timed // pictures of one time
	step int64    // how long the last of those sent is shown
	gaps gapFinder
	free []*timed
}

// maxShared is how many pictures may share a time; more are in error.
const maxShared = 8

// enough tells that what is held is beyond what is needed.
func (r *reel) enough() bool { return r.w.To > 0 && r.held[0].at >= r.w.To }

// add takes a picture and returns one to be used again.
func (r *reel) add(t *timed) *timed {
	if every := r.w.Every; every > 0 {
		t.at = max(t.at, r.held[len(r.held)-1].at+every)
	}
	switch {
	case t.at > r.held[0].at:
		r.send(t.at)
		r.free = append(r.free, r.held...)
		r.held = append(r.held[:0], t)
	case len(r.held) < maxShared:
		r.held = append(r.held, t)
	default: // left out
		r.end.Broken++
		return t
	}
	if n := len(r.free); n > 0 {
		t, r.free = r.free[n-1], r.free[:n-1]
		return t
	}
	return &timed{}
}

// finish sends what is held when there is no more.
func (r *reel) finish() {
	each := r.held[len(r.held)-1].duration
	if each == 0 {
		each = max(r.step, 1)
	}
	r.send(r.held[0].at + int64(len(r.held))*each)
}

func (r *reel) send(until int64) {
	from, n := r.held[0].at, int64(len(r.held))
	r.gaps.shown(r.held[0], until)
	for i, t := range r.held {
		at, until := from+(until-from)*int64(i)/n, from+(until-from)*int64(i+1)/n
		r.step = until - at
		if until <= r.w.From || r.w.To > 0 && at >= r.w.To {
			continue
		}
		if t.broken {
			r.end.Broken++
		}
		b := t.Bounds
		h := pictureHeader{at, until, int32(b.Min.X), int32(b.Min.Y), int32(t.W), int32(t.H)}
		r.w.send(msgPicture, (*[unsafe.Sizeof(h)]byte)(unsafe.Pointer(&h))[:], bytesOf(t.Pix))
		r.end.At = until
	}
}

// start reads the first picture that is needed: the one shown at the time From,
// or one before it.
func (f *frames) start(w *worker, to *timed) error {
	// A decoder drops the picture that began before the place it was sent to, so
	// that place is a little earlier; much earlier when a picture stays for long.
	for margin := int64(500_000_000); ; margin *= 8 {
		if err := f.play(w, max(w.From-margin, 0)); err != nil {
			return err
		}
		if err := f.next(to); err != nil || to.at <= w.From || margin >= w.From || !w.Seek {
			return err
		}
		if err := f.state(statePaused); err != nil {
			return err
		}
	}
}

// noPictures is the error for a row that ends before its first picture.
func (w *worker) noPictures(err error) error {
	switch {
	case err == io.EOF && w.From > 0:
		return &EndedError{Why: "no picture of it"}
	case err == io.EOF:
		return &DamagedError{Why: "no picture of it can be decoded"}
	}
	return err
}

// timed is a framed picture.
type timed struct {
	picture.Framed
	at, duration int64 // nanoseconds
	pts          int64 // as the file counts
	broken       bool
}

// frames reads decoded pictures where the decoder has put them.
type frames struct {
	*pipeline
	take        func(*picture.Framed, picture.Picture) error // of a picture whose memory is lent
	orientation picture.Orientation

	caps   unsafe.Pointer // that the rest is made for
	info   videoInfo
	layout layout
	colour picture.Colour
	frame  videoFrame
}

// next waits for the next picture and hands it to take.
func (f *frames) next(to *timed) error {
	sample, err := f.pipeline.next()
	if err != nil {
		return err
	}
	return f.show(sample, to)
}

// show hands the picture of a sample to take, and releases it.
func (f *frames) show(sample unsafe.Pointer, to *timed) error {
	defer miniUnref(sample)
	buffer := sampleBuffer(sample)
	if buffer == nil {
		return errors.New("a sample without a picture")
	}
	if caps := sampleCaps(sample); caps != f.caps {
		if err := f.prepare(caps); err != nil {
			return err
		}
	}
	var known bool
	if to.at, known = f.at(sample, buffer.pts); !known {
		return errors.New("a picture without a time")
	}
	to.pts = int64(buffer.pts)
	to.duration, to.broken = 0, buffer.flags&bufferCorrupted != 0
	if buffer.duration != noTime {
		to.duration = int64(buffer.duration)
	}
	if !videoFrameMap(&f.frame, &f.info, buffer, mapRead) {
		return errors.New("a picture that cannot be read")
	}
	defer videoFrameUnmap(&f.frame)
	return f.take(&to.Framed, picture.Picture{
		Image: f.image(), Colour: f.colour, Orientation: f.orientation,
		AspectNum: int(f.info.parN), AspectDen: int(f.info.parD),
	})
}

// prepare reads what all pictures have in common.
func (f *frames) prepare(caps unsafe.Pointer) error {
	if f.caps != nil {
		miniUnref(f.caps)
	}
	f.caps = miniRef(caps) // no other caps get this address meanwhile
	format := structureString(capsStructure(caps, 0), "format")
	var known bool
	f.layout, known = layouts[format]
	if !known || !videoInfoFromCaps(&f.info, caps) {
		return fmt.Errorf("pictures of an unknown kind: %s", take(capsToString(caps)))
	}
	f.colour = colourOf(&f.info, capsStructure(caps, 0))
	return nil
}

// colourOf translates what the libraries say of colours (gst/video/video-color.h).
// Where a file says nothing they take BT.601 for up to 576 lines and BT.709 beyond.
func colourOf(info *videoInfo, caps unsafe.Pointer) picture.Colour {
	const (
		full                             = 1
		m709, m240, m2020                = 3, 5, 6
		pq, hlg                          = 14, 15
		bt2020, digitalCinema, displayP3 = 7, 10, 11
	)
	c := picture.Colour{FullRange: info.colour.rng == full}
	switch info.colour.matrix {
	case m709, m240: // SMPTE 240M is close to BT.709
		c.Matrix = picture.BT709
	case m2020:
		c.Matrix = picture.BT2020
	}
	switch info.colour.primaries {
	case bt2020:
		c.Primaries = picture.BT2020Primaries
	case digitalCinema, displayP3: // they differ in their white alone
		c.Primaries = picture.DisplayP3Primaries
	}
	switch info.colour.transfer {
	case pq:
		c.Transfer, c.Peak = picture.PQ, peak(structureString(caps, "mastering-display-info"))
	case hlg:
		c.Transfer = picture.HLG
	}
	return c
}

// peak reads the brightest light, in cd/m2, of a display that pictures were made
// on: the ninth of ten numbers, in steps of 0.0001 cd/m2 (GStreamer,
// gst_video_mastering_display_info_to_string; ITU-T H.265, D.3.28). 0 is unknown.
func peak(display string) uint16 {
	numbers := strings.Split(display, ":")
	if len(numbers) != 10 {
		return 0
	}
	n, err := strconv.ParseUint(numbers[8], 10, 32)
	if err != nil {
		return 0
	}
	return uint16(min(n/10_000, 10_000))
}

// layout says how a picture lies in memory: in planes of Y, Cb and Cr, or, of no
// depth, in one of RGBA.
type layout struct {
	depth int // bits
	ratio image.YCbCrSubsampleRatio
}

// layouts by the names that the libraries have for them.
var layouts = map[string]layout{
	"I420": {8, image.YCbCrSubsampleRatio420},
	"Y42B": {8, image.YCbCrSubsampleRatio422},
	"Y444": {8, image.YCbCrSubsampleRatio444},
	"Y41B": {8, image.YCbCrSubsampleRatio411},
	"RGBA": {},

	"I420_10LE": {10, image.YCbCrSubsampleRatio420},
	"I422_10LE": {10, image.YCbCrSubsampleRatio422},
	"Y444_10LE": {10, image.YCbCrSubsampleRatio444},
	"I420_12LE": {12, image.YCbCrSubsampleRatio420},
	"I422_12LE": {12, image.YCbCrSubsampleRatio422},
	"Y444_12LE": {12, image.YCbCrSubsampleRatio444},
}

// capsOfFormats asks for any of them.
func capsOfFormats() string {
	return "video/x-raw,format={" + strings.Join(slices.Sorted(maps.Keys(layouts)), ",") + "}"
}

// image is the mapped picture, not copied.
func (f *frames) image() image.Image {
	v, l := &f.frame.info, f.layout
	w, h := int(v.width), int(v.height)
	bytes := 1 // of a sample
	if l.depth > 8 {
		bytes = 2
	}
	plane := func(i, width, height int) []byte {
		return unsafe.Slice(f.frame.data[i], (height-1)*int(v.stride[i])+bytes*width)
	}
	rect := image.Rect(0, 0, w, h)
	if l.depth == 0 {
		return &image.NRGBA{Pix: plane(0, 4*w, h), Stride: int(v.stride[0]), Rect: rect}
	}
	cw, ch := w, h
	switch l.ratio {
	case image.YCbCrSubsampleRatio420:
		cw, ch = (w+1)/2, (h+1)/2
	case image.YCbCrSubsampleRatio422:
		cw = (w + 1) / 2
	case image.YCbCrSubsampleRatio411:
		cw = (w + 3) / 4
	}
	y, cb, cr := plane(0, w, h), plane(1, cw, ch), plane(2, cw, ch)
	if l.depth > 8 {
		return &picture.DeepYCbCr{
			Y: y, Cb: cb, Cr: cr, YStride: int(v.stride[0]), CStride: int(v.stride[1]),
			SubsampleRatio: l.ratio, Depth: l.depth, Rect: rect,
		}
	}
	return &image.YCbCr{
		Y: y, Cb: cb, Cr: cr, YStride: int(v.stride[0]), CStride: int(v.stride[1]),
		SubsampleRatio: l.ratio, Rect: rect,
	}
}
