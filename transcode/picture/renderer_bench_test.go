package picture

import (
	"image"
	"image/color"
	"testing"

	"example.org/stampreel/container/pixel"
	"github.com/makeworld-the-better-one/dither/v2"
)

// BenchmarkRender times whole frames of 240x240 in rgb565: from a picture of
// that size, where dithering weighs most, and from a video frame.
func BenchmarkRender(b *testing.B) {
	video := image.NewYCbCr(image.Rect(0, 0, 1280, 720), image.YCbCrSubsampleRatio420)
	for i := range video.Y {
		video.Y[i] = uint8(16 + i*7%220)
	}
	for i := range video.Cb {
		video.Cb[i], video.Cr[i] = uint8(100+i%50), uint8(150-i%50)
	}
	for _, source := range []struct {
		name string
		p    Picture
	}{{"240x240", Picture{Image: testCard(240, 240)}}, {"1280x720", Picture{Image: video}}} {
		for _, d := range Dithers() {
			b.Run(source.name+"/"+d.String(), func(b *testing.B) {
				r := mustRenderer(b, Options{Width: 240, Height: 240, Format: pixel.RGB565, Dither: d})
				frame := make([]byte, r.FrameBytes())
				b.ReportAllocs()
				for b.Loop() {
					if err := r.Render(frame, source.p); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}

// BenchmarkDither times dithering alone, 240x240 from linear light.
func BenchmarkDither(b *testing.B) {
	for _, f := range []pixel.Format{pixel.RGB565, pixel.MonoRows} {
		pix := make([]uint16, 240*240*f.Channels())
		for i := range pix {
			pix[i] = uint16(i * 7919)
		}
		codes := make([]uint8, len(pix))
		for _, d := range Dithers() {
			b.Run(f.String()+"/"+d.String(), func(b *testing.B) {
				dith, err := newDitherer(d, f, DefaultTone().curve())
				if err != nil {
					b.Fatal(err)
				}
				for b.Loop() {
					dith.dither(codes, 240*f.Channels(), pix, 240, 240, 0, 0)
				}
			})
		}
	}
}

// BenchmarkAgainstDitherLibrary sets whole frames of two levels beside the same
// work of a general-purpose library, from the same grey picture to bits or, in
// the library's case, to a picture of two colours. The library takes any
// palette, which costs it; it uses all processors where it can.
func BenchmarkAgainstDitherLibrary(b *testing.B) {
	src := image.NewGray(image.Rect(0, 0, 240, 240))
	for i := range src.Pix {
		src.Pix[i] = uint8(i % 240)
	}
	for _, c := range []struct {
		ours   Dither
		theirs func(*dither.Ditherer)
	}{
		{Bayer, func(d *dither.Ditherer) { d.Mapper = dither.Bayer(8, 8, 1) }},
		{FloydSteinberg, func(d *dither.Ditherer) { d.Matrix, d.Serpentine = dither.FloydSteinberg, true }},
		{Atkinson, func(d *dither.Ditherer) { d.Matrix, d.Serpentine = dither.Atkinson, true }},
	} {
		b.Run(c.ours.String()+"/here", func(b *testing.B) {
			r := mustRenderer(b, Options{Width: 240, Height: 240, Format: pixel.MonoRows, Dither: c.ours})
			frame := make([]byte, r.FrameBytes())
			for b.Loop() {
				if err := r.Render(frame, Picture{Image: src}); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(c.ours.String()+"/library", func(b *testing.B) {
			d := dither.NewDitherer([]color.Color{color.Black, color.White})
			c.theirs(d)
			for b.Loop() {
				d.DitherCopy(src)
			}
		})
	}
}
