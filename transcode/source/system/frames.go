//go:build !nosystem && (linux || darwin || windows) && (amd64 || arm64)

package system

import (
	"errors"
	"fmt"
	"image"
	"io"
	"unsafe"

	"example.org/stampreel/transcode/picture"
)

// pictures decodes a row of pictures and sends them framed.
func (w *worker) pictures() error {
	framer, err := picture.NewFramer(w.Framing)
	if err != nil {
		return err
	}
	behind := "videoconvert ! video/x-raw,format={I420,Y42B,Y444,Y41B,RGBA}"
	p, err := openPipeline(w, "video/x-raw", behind)
	if err != nil {
		return err
	}
	var (
		f    frames
		end  ending
		last *timed // framed, but not sent: it ends where the next one begins
		free = &timed{}
	)
	flush := func(until int64) {
		if last == nil || until <= last.at {
			return
		}
		b := last.Bounds
		h := pictureHeader{last.at, until, int32(b.Min.X), int32(b.Min.Y), int32(last.W), int32(last.H)}
		w.send(msgPicture, (*[unsafe.Sizeof(h)]byte)(unsafe.Pointer(&h))[:], bytesOf(last.Pix))
		end.At = until
	}
	for n := int64(0); ; n++ {
		sample, err := p.next()
		if err != nil {
			if last == nil {
				return noPictures(err)
			}
			if err != io.EOF {
				end.Damaged = err.Error()
			}
			break
		}
		if n == 0 {
			w.json(msgInfo, struct{}{})
		}
		misbehave(w.Test, fmt.Sprintf("picture %d", n))
		err = f.take(sample, framer, free)
		miniUnref(sample)
		if err != nil {
			return err
		}
		if free.broken {
			end.Broken++
		}
		if last != nil && free.at <= last.at {
			continue // two at a time: the first stays
		}
		flush(free.at)
		if last == nil {
			last = &timed{}
		}
		last, free = free, last
	}
	flush(last.at + max(last.duration, 1))
	w.json(msgEnd, end)
	return nil
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
	caps   unsafe.Pointer // that the rest is made for
	info   videoInfo
	format string
	colour picture.Colour
	frame  videoFrame
}

func (f *frames) take(sample unsafe.Pointer, framer *picture.Framer, to *timed) error {
	buffer := sampleBuffer(sample)
	if buffer == nil {
		return errors.New("a sample without a picture")
	}
	if caps := sampleCaps(sample); caps != f.caps {
		if err := f.prepare(caps); err != nil {
			return err
		}
	}
	at := toRunningTime(sampleSegment(sample), formatTime, buffer.pts)
	if buffer.pts == noTime || at == noTime {
		return errors.New("a picture without a time")
	}
	to.at, to.duration, to.broken = int64(at), 0, buffer.flags&bufferCorrupted != 0
	if buffer.duration != noTime {
		to.duration = int64(buffer.duration)
	}
	if !videoFrameMap(&f.frame, &f.info, buffer, mapRead) {
		return errors.New("a picture that cannot be read")
	}
	defer videoFrameUnmap(&f.frame)
	return framer.Frame(&to.Framed, picture.Picture{
		Image: f.image(), Colour: f.colour, AspectNum: int(f.info.parN), AspectDen: int(f.info.parD),
	})
}

// prepare reads what all pictures have in common.
func (f *frames) prepare(caps unsafe.Pointer) error {
	if f.caps != nil {
		miniUnref(f.caps)
	}
	f.caps = miniRef(caps) // no other caps get this address meanwhile
	if !videoInfoFromCaps(&f.info, caps) {
		return fmt.Errorf("pictures of an unknown kind: %s", take(capsToString(caps)))
	}
	f.format = structureString(capsStructure(caps, 0), "format")
	const full, m709, m240, m2020 = 1, 3, 5, 6
	f.colour = picture.Colour{FullRange: f.info.colour.rng == full}
	switch f.info.colour.matrix {
	case m709, m240: // SMPTE 240M differs from BT.709 by less than a code
		f.colour.Matrix = picture.BT709
	case m2020:
		f.colour.Matrix = picture.BT2020
	}
	return nil
}

// subsampling of the formats that are asked for.
var subsampling = map[string]image.YCbCrSubsampleRatio{
	"I420": image.YCbCrSubsampleRatio420,
	"Y42B": image.YCbCrSubsampleRatio422,
	"Y444": image.YCbCrSubsampleRatio444,
	"Y41B": image.YCbCrSubsampleRatio411,
}

// image is the mapped picture, not copied.
func (f *frames) image() image.Image {
	v := &f.frame.info
	w, h := int(v.width), int(v.height)
	plane := func(i, width, height int) []byte {
		return unsafe.Slice(f.frame.data[i], (height-1)*int(v.stride[i])+width)
	}
	rect := image.Rect(0, 0, w, h)
	ratio, ok := subsampling[f.format]
	if !ok {
		return &image.NRGBA{Pix: plane(0, 4*w, h), Stride: int(v.stride[0]), Rect: rect}
	}
	cw, ch := w, h
	switch ratio {
	case image.YCbCrSubsampleRatio420:
		cw, ch = (w+1)/2, (h+1)/2
	case image.YCbCrSubsampleRatio422:
		cw = (w + 1) / 2
	case image.YCbCrSubsampleRatio411:
		cw = (w + 3) / 4
	}
	return &image.YCbCr{
		Y: plane(0, w, h), Cb: plane(1, cw, ch), Cr: plane(2, cw, ch),
		YStride: int(v.stride[0]), CStride: int(v.stride[1]), SubsampleRatio: ratio, Rect: rect,
	}
}
