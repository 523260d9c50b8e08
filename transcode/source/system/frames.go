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
	last, next := &timed{}, &timed{}
	if err := f.start(w, last); err != nil {
		return noPictures(err)
	}
	w.json(msgInfo, struct{}{})
	p.trouble(0)
	headers := p.dropped // of Theora these count, too
	var end ending
	var step int64 // how long the picture before was shown
	late := 0      // pictures that come after their time
	// A picture is sent when the next one says how long it is shown.
	send := func(until int64) {
		step = until - last.at
		if until <= w.From {
			return
		}
		if last.broken {
			end.Broken++
		}
		b := last.Bounds
		h := pictureHeader{last.at, until, int32(b.Min.X), int32(b.Min.Y), int32(last.W), int32(last.H)}
		w.send(msgPicture, (*[unsafe.Sizeof(h)]byte)(unsafe.Pointer(&h))[:], bytesOf(last.Pix))
		end.At = until
	}
	for n := 0; w.To == 0 || last.at < w.To; n++ {
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
			end.Damaged = err.Error()
			break
		}
		if next.at <= last.at {
			late++ // of two at a time the first stays
			continue
		}
		send(next.at)
		last, next = next, last
	}
	if w.To == 0 || last.at < w.To {
		if last.duration == 0 {
			last.duration = step
		}
		send(last.at + max(last.duration, 1))
	}
	p.trouble(0)
	end.Broken += int64(p.dropped - headers)
	// A few are known of sound files: the first of an FLV may have one time.
	if late > 10 && end.Damaged == "" {
		end.Damaged = fmt.Sprintf("%d pictures come after their time and are left out", late)
	}
	w.json(msgEnd, end)
	return nil
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
func noPictures(err error) error {
	if err == io.EOF {
		return &DamagedError{Why: "no picture of it can be decoded"}
	}
	return err
}

// timed is a framed picture.
type timed struct {
	picture.Framed
	at, duration int64 // nanoseconds
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
