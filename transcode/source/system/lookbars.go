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
	seen, last, wanted := 0, int64(-1), int64(0)
	f := frames{pipeline: p, orientation: w.Video.Orientation,
		take: func(_ *picture.Framed, p picture.Picture) error {
			if t.at == last || t.at < wanted { // the same key picture again, or one in between
				return nil
			}
			seen, last = seen+1, t.at
			return finder.Add(p)
		}}
	span := w.To - w.From
	// at is the time of one of the looks; where the length is not known, they are a second
	// apart from the start on.
	at := func(k int64) int64 {
		if span > 0 {
			return w.From + span*(2*k+1)/(2*looks)
		}
		return w.From + k*int64(time.Second)
	}
	// The pipeline stays paused: each look is at the one picture that it then holds.
	for k := int64(0); w.Seek && k < looks; k++ {
		if err := p.seek(at(k), atTheKeys); err != nil {
			return err
		}
		sample, err := p.preroll()
		if err == io.EOF { // nothing is there
			continue
		}
		if err == nil {
			err = f.show(sample, &t)
		}
		if err != nil {
			return err
		}
		w.send(msgBusy)
	}
	// Where there are too few keys, or none can be gone to, all of the part is read once.
	for k := int64(0); seen < enoughKeys && k < looks; k++ {
		if k == 0 {
			if w.Seek {
				if err := p.seek(w.From, exactly); err != nil {
					return err
				}
			}
			if err := p.state(statePlaying); err != nil {
				return err
			}
		}
		wanted = at(k)
		err := f.next(&t)
		for n := 1; err == nil && t.at < wanted; n++ {
			if n%100 == 0 {
				w.send(msgBusy)
			}
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
