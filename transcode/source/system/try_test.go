package system

import (
	"context"
	"fmt"
	"io"
	"os"
	"testing"
	"time"

	"example.org/stampreel/transcode/picture"
)

func TestTry(t *testing.T) {
	path := os.Getenv("TRY")
	if path == "" {
		t.Skip()
	}
	ctx := context.Background()
	start := time.Now()
	d, err := Describe(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	fmt.Printf("%+v %v\n", d, time.Since(start))
	if len(d.Videos) > 0 {
		start = time.Now()
		p, err := OpenPictures(ctx, d, PictureOptions{Framing: picture.Framing{Width: 240, Height: 135}})
		if err != nil {
			t.Fatal(err)
		}
		fmt.Println("open", time.Since(start))
		var f picture.Framed
		n := 0
		for {
			at, until, err := p.Next(ctx, &f)
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			if n < 3 || n%500 == 0 {
				fmt.Println(at, until, f.Bounds, f.Pix[:3])
			}
			n++
		}
		fmt.Println(n, p.Ending(), time.Since(start))
		p.Close()
	}
	if len(d.Tracks) > 0 {
		start = time.Now()
		s, err := OpenSound(ctx, d, SoundOptions{})
		if err != nil {
			t.Fatal(err)
		}
		buf := make([]float32, 4096)
		n := 0
		for {
			k, err := s.Read(buf)
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			n += k
		}
		fmt.Println(s.Rate, s.Channels, n, s.Ending(), time.Since(start))
		s.Close()
	}
}
