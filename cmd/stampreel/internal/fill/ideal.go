package fill

import (
	"context"

	"example.org/stampreel/container"
	"example.org/stampreel/transcode"
	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/source"
)

// Ideals visits what the beats of a clip would show of a source if its panel had endless
// levels: with the size, the format and the rate of the clip, and these settings, which need
// no player.
func (s *Settings) Ideals(ctx context.Context, src string, h *container.Header, visit func(first, beats int64, ideal *picture.Linear) error) error {
	o := transcode.Options{
		Picture: picture.Options{
			Width: int(h.Width), Height: int(h.Height), Turn: int(h.Turn), Format: h.PixelFormat,
			Fit: s.Fit, Crop: s.Crop, Background: s.Background, Tone: s.Tone, Dither: picture.DefaultDither(h.PixelFormat),
		},
		Rate: source.Ratio{Num: int64(h.RateNum), Den: int64(h.RateDen)}, From: s.From, To: s.To,
	}
	if h.Turn%2 == 1 {
		o.Picture.Width, o.Picture.Height = o.Picture.Height, o.Picture.Width
	}
	framing := o.Picture.Framing()
	length := source.Ratio{Num: int64(h.AllBeats) * int64(h.RateDen), Den: int64(h.RateNum)} // of a still
	media, err := source.Open(ctx, src, source.Options{
		Hold: length, Rate: o.Rate, Matrix: s.Matrix, FullRange: s.FullRange, Framing: &framing, From: s.From, To: s.To, NoSound: true,
	})
	if err != nil {
		return err
	}
	defer media.Close()
	if err := transcode.Ideals(ctx, transcode.Input{Media: media}, o, visit); err != nil {
		return named(src, err)
	}
	return nil
}
