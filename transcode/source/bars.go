package source

import (
	"context"
	"io"

	"example.org/stampreel/transcode/picture"
)

// lookedAt is how many pictures are read in search of bars, of a source that
// cannot go straight to a later one.
const lookedAt = 2000

// Bars looks for black bars at the sides of the pictures, which are part of
// them, and says whether there are any. It reads pictures, so the Media is good
// for nothing else but Close afterwards.
func (m *Media) Bars(ctx context.Context) (picture.Bars, bool, error) {
	switch {
	case m.bars != nil:
		return m.bars(ctx)
	case m.Pictures == nil:
		return picture.Bars{}, false, nil
	}
	var finder picture.BarFinder
	every := max(min(m.Pictures.Info().Frames, lookedAt)/24, 1)
	for n := int64(0); n < lookedAt; n++ {
		t, err := m.Pictures.Next(ctx)
		if err == io.EOF {
			break
		}
		if err != nil {
			return picture.Bars{}, false, err
		}
		if n%every == every/2 {
			err = finder.Add(t.Picture)
		}
		t.Release()
		if err != nil {
			return picture.Bars{}, false, err
		}
	}
	b, found := finder.Bars()
	return b, found, nil
}
