//go:build !nosystem && (linux || darwin || windows) && (amd64 || arm64)

package system

import (
	"io"
	"time"

	"example.org/stampreel/transcode/picture"
)

// looks is how many pictures of a video bars are sought in. Key pictures serve, where
// there are enough of them: of any other all since the last key picture is decoded.
const (
	looks      = 24
	enoughKeys = 8
)

// bars looks for black bars in pictures from all over the part that is needed.
func (w *worker) bars() error {
	p, err := openPipeline(w, "video/x-raw", "videoconvert ! "+capsOfFormats())
	if err != nil {
		return err
	}
	var finder picture.BarFinder
	var t timed
	seen, last := 0, int64(-1)
	f := frames{pipeline: p, orientation: w.Video.Orientation,
		take: func(_ *picture.Framed, p picture.Picture) error {
			if t.at == last { // the same key picture again
				return nil
			}
			seen, last = seen+1, t.at
			return finder.Add(p)
		}}
	span := w.To - w.From
	playing := false
	look := func(k int64, how seeking) error {
		// Where the length is not known, a picture each second from the start on.
		at := w.From + k*int64(time.Second)
		if span > 0 {
			at = w.From + span*(2*k+1)/(2*looks)
		}
		if playing {
			if err := f.state(statePaused); err != nil {
				return err
			}
		}
		playing = true
		if err := f.playFrom(w, at, how); err != nil {
			return err
		}
		err := f.next(&t)
		for err == nil && !w.Seek && t.at < at {
			err = f.next(&t)
		}
		w.send(msgBusy)
		return err
	}
	for _, how := range []seeking{atTheKeys, exactly} {
		for k := int64(0); k < looks && err == nil; k++ {
			err = look(k, how)
		}
		if err == io.EOF {
			err = nil
		}
		if err != nil {
			return err
		}
		if !w.Seek || seen >= enoughKeys {
			break
		}
	}
	var answer barsAnswer
	answer.Bars, answer.Found = finder.Bars()
	w.json(msgInfo, answer)
	return nil
}
