//go:build !nosystem && (linux || darwin || windows) && (amd64 || arm64)

package system

import (
	"io"
	"time"

	"example.org/stampreel/transcode/picture"
)

// looks is how many pictures of a video bars are sought in.
const looks = 24

// bars looks for black bars in pictures from all over the part that is needed.
func (w *worker) bars() error {
	p, err := openPipeline(w, "video/x-raw", "videoconvert ! "+capsOfFormats())
	if err != nil {
		return err
	}
	var finder picture.BarFinder
	f := frames{pipeline: p, orientation: w.Video.Orientation,
		take: func(_ *picture.Framed, p picture.Picture) error { return finder.Add(p) }}
	span := w.To - w.From
	var t timed
	for k := range int64(looks) {
		// Where the length is not known, a picture each second from the start on.
		at := w.From + k*int64(time.Second)
		if span > 0 {
			at = w.From + span*(2*k+1)/(2*looks)
		}
		if k > 0 {
			if err := f.state(statePaused); err != nil {
				return err
			}
		}
		if err := f.play(w, at); err != nil {
			return err
		}
		err := f.next(&t)
		for err == nil && !w.Seek && t.at < at {
			err = f.next(&t)
		}
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
		w.send(msgBusy)
	}
	var answer barsAnswer
	answer.Bars, answer.Found = finder.Bars()
	w.json(msgInfo, answer)
	return nil
}
