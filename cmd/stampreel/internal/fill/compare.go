package fill

import (
	"context"
	"errors"
	"fmt"
	"math/big"

	"example.org/stampreel/container"
	"example.org/stampreel/transcode"
	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/quality"
	"example.org/stampreel/transcode/source"
)

// Look is how these settings have pictures look on the panel of a clip. They need no
// player: round says whether its panel is.
func (s *Settings) Look(h *container.Header, round bool) picture.Options {
	o := picture.Options{
		Width: int(h.Width), Height: int(h.Height), Turn: int(h.Turn), Round: round, Format: h.PixelFormat,
		Fit: s.Fit, Crop: s.Crop, Background: s.Background, Tone: s.Tone, Dither: picture.DefaultDither(h.PixelFormat),
	}
	if h.Turn%2 == 1 {
		o.Width, o.Height = o.Height, o.Width
	}
	if s.Dither != nil {
		o.Dither = *s.Dither
	}
	return o
}

// Pictures visits the pictures of a source that a clip with the size and the rate of this
// one would show from one of its beats on, and the beats in which each stays. A picture is
// valid until visit returns.
func (s *Settings) Pictures(ctx context.Context, src string, h *container.Header, from uint32, visit func(first, beats int64, p picture.Picture) error) error {
	begin := new(big.Rat).SetFrac64(int64(from)*int64(h.RateDen), int64(h.RateNum))
	if s.From.Den != 0 {
		begin.Add(begin, new(big.Rat).SetFrac64(s.From.Num, s.From.Den))
	}
	if !begin.Num().IsInt64() || !begin.Denom().IsInt64() {
		return fmt.Errorf("fill: %s: beat %d begins at no time that can be asked for", src, from)
	}
	at := source.Ratio{Num: begin.Num().Int64(), Den: begin.Denom().Int64()}
	o := transcode.Options{Picture: s.Look(h, false), Rate: source.Ratio{Num: int64(h.RateNum), Den: int64(h.RateDen)}, From: at, To: s.To}
	framing := o.Picture.Framing()
	length := source.Ratio{Num: int64(h.AllBeats) * int64(h.RateDen), Den: int64(h.RateNum)} // of a still
	media, err := source.Open(ctx, src, source.Options{
		Hold: length, Rate: o.Rate, Matrix: s.Matrix, FullRange: s.FullRange, Framing: &framing, From: at, To: s.To, NoSound: true,
	})
	if err != nil {
		return err
	}
	defer media.Close()
	err = transcode.Pictures(ctx, transcode.Input{Media: media}, o, func(first, beats int64, p picture.Picture) error {
		return visit(int64(from)+first, beats, p)
	})
	if err != nil {
		return named(src, err)
	}
	return nil
}

var errEnough = errors.New("enough")

// Compare holds what the panel shows of a clip, beat by beat, against the pictures of a
// source, scaled and toned by these settings as for a panel with endless levels. Beats of
// which the source has no picture are passed over.
func (s *Settings) Compare(ctx context.Context, src string, r *container.Reader, round bool, visit func(beat uint32, score quality.Score) error) error {
	h := r.Header()
	look := s.Look(&h, round)
	renderer, err := picture.NewRenderer(look)
	if err != nil {
		return err
	}
	meter := quality.NewMeter(look.Width, look.Height)
	ideal, shown := make([]float64, 3*look.Width*look.Height), make([]float64, 3*look.Width*look.Height)
	panel := container.NewPanel(&h)
	var b container.Beat
	beat := int64(h.FirstBeat)
	end := beat + int64(h.Beats)
	err = s.Pictures(ctx, src, &h, h.FirstBeat, func(first, beats int64, p picture.Picture) error {
		l, err := renderer.Ideal(p)
		if err != nil {
			return err
		}
		l.Codes(ideal)
		for ; beat < min(first+beats, end); beat++ {
			if err := r.Show(uint32(beat), panel, &b); err != nil {
				return err
			}
			img, err := Picture(&h, panel.Pixels)
			if err != nil {
				return err
			}
			Codes(shown, img)
			if err := visit(uint32(beat), meter.Compare(ideal, shown)); err != nil {
				return err
			}
		}
		if beat == end {
			return errEnough
		}
		return nil
	})
	if errors.Is(err, errEnough) {
		return nil
	}
	return err
}
