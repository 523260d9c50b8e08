package jpeg

import (
	"bytes"
	"image"
	stdjpeg "image/jpeg"
	"testing"
)

// One encode is to take at most four times Go's encoder, which searches for nothing.
func BenchmarkEncode(b *testing.B) {
	const w, h = 240, 240
	all := photos(b, w, h, 1)
	b.Run("this", func(b *testing.B) {
		e, err := NewEncoder(w, h, Share)
		if err != nil {
			b.Fatal(err)
		}
		var p []byte
		i := 0
		for b.Loop() {
			if p, _, err = e.Append(p[:0], all[i%len(all)], w, 75); err != nil {
				b.Fatal(err)
			}
			i++
		}
	})
	b.Run("image/jpeg", func(b *testing.B) {
		var images []*image.RGBA
		for _, rgb := range all {
			images = append(images, rgbImage(rgb, w, h))
		}
		var p bytes.Buffer
		i := 0
		for b.Loop() {
			p.Reset()
			if err := stdjpeg.Encode(&p, images[i%len(images)], &stdjpeg.Options{Quality: 75}); err != nil {
				b.Fatal(err)
			}
			i++
		}
	})
}
