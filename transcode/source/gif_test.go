package source

import (
	"bytes"
	"context"
	"errors"
	"image"
	"image/color"
	"image/draw"
	"image/gif"
	"io"
	"math/rand/v2"
	"os"
	"runtime"
	"strings"
	"testing"
)

// twin composes all frames of a GIF the obvious way, with the decoder of the
// standard library and the disposal methods as GIF89a, section 23, describes
// them, but for "restore to background", which clears. It returns the number of
// frames.
func twin(r io.Reader, visit func(i, frames int, shown *image.NRGBA, delay int64)) (int, error) {
	all, err := gif.DecodeAll(r)
	if err != nil {
		return 0, err
	}
	w, h := all.Config.Width, all.Config.Height
	if w == 0 || h == 0 {
		w, h = all.Image[0].Rect.Max.X, all.Image[0].Rect.Max.Y
	}
	screen := image.NewNRGBA(image.Rect(0, 0, w, h))
	before := image.NewNRGBA(screen.Rect)
	for i, frame := range all.Image {
		copy(before.Pix, screen.Pix)
		palette := make([]color.NRGBA, len(frame.Palette))
		for i, c := range frame.Palette {
			palette[i] = color.NRGBAModel.Convert(c).(color.NRGBA)
		}
		for y := frame.Rect.Min.Y; y < frame.Rect.Max.Y; y++ {
			to := screen.Pix[screen.PixOffset(frame.Rect.Min.X, y):]
			from := frame.Pix[frame.PixOffset(frame.Rect.Min.X, y):]
			for i := range frame.Rect.Dx() {
				if c := palette[from[i]]; c.A != 0 {
					to[4*i], to[4*i+1], to[4*i+2], to[4*i+3] = c.R, c.G, c.B, c.A
				}
			}
		}
		delay := int64(all.Delay[i])
		if delay < 2 {
			delay = 10
		}
		visit(i, len(all.Image), screen, delay)
		switch all.Disposal[i] {
		case gif.DisposalBackground:
			draw.Draw(screen, frame.Rect, image.Transparent, image.Point{}, draw.Src)
		case gif.DisposalPrevious:
			copy(screen.Pix, before.Pix)
		}
	}
	return len(all.Image), nil
}

// compareWithTwin compares pixels and times of every frame and returns how many
// there are.
func compareWithTwin(t *testing.T, path string) int {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	m := open(t, path, Options{})
	var at int64
	n, err := twin(bytes.NewReader(data), func(i, frames int, want *image.NRGBA, delay int64) {
		p, err := m.Pictures.Next(background)
		if err != nil {
			t.Fatalf("%s: picture %d of %d: %v", path, i+1, frames, err)
		}
		got, ok := p.Image.(*image.NRGBA)
		if !ok || got.Rect != want.Rect || !bytes.Equal(got.Pix, want.Pix) {
			t.Fatalf("%s: picture %d differs from the twin's", path, i+1)
		}
		if frames > 1 && (p.At != at || p.Until != at+delay) {
			t.Fatalf("%s: picture %d from %d to %d, want %d to %d", path, i+1, p.At, p.Until, at, at+delay)
		}
		at = p.Until
		p.Release()
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Pictures.Next(background); err != io.EOF {
		t.Fatalf("%s: %v after the last picture, want io.EOF", path, err)
	}
	m.Close()
	return n
}

// randomGIF makes an animation of partial, transparent frames with palettes of
// their own and every disposal method.
func randomGIF(t testing.TB, seed uint64, w, h, frames int) []byte {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 1))
	all := &gif.GIF{Config: image.Config{Width: w, Height: h}}
	for range frames {
		n := 2 << r.IntN(6)
		palette := make(color.Palette, n)
		for i := range palette {
			palette[i] = color.NRGBA{uint8(r.IntN(256)), uint8(r.IntN(256)), uint8(r.IntN(256)), 255}
		}
		if r.IntN(2) == 0 {
			palette[r.IntN(n)] = color.NRGBA{}
		}
		x, y := r.IntN(w), r.IntN(h)
		rect := image.Rect(x, y, x+1+r.IntN(w-x), y+1+r.IntN(h-y))
		if len(all.Image) == 0 {
			rect = image.Rect(0, 0, w, h)
		}
		frame := image.NewPaletted(rect, palette)
		for i := range frame.Pix {
			frame.Pix[i] = uint8(r.IntN(n))
		}
		all.Image = append(all.Image, frame)
		// Never 0: without a graphic control block of its own a frame would get
		// the disposal of the one before from image/gif, against section 23.
		all.Delay = append(all.Delay, 1+r.IntN(12))
		all.Disposal = append(all.Disposal, byte(r.IntN(4)))
	}
	var b bytes.Buffer
	if err := gif.EncodeAll(&b, all); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func smallGIF(t testing.TB) []byte { return randomGIF(t, 7, 9, 7, 3) }

func TestEveryDisposalMatchesTheTwin(t *testing.T) {
	frames := 0
	for seed := range uint64(60) {
		frames += compareWithTwin(t, write(t, "a.gif", randomGIF(t, seed, 17, 11, 12)))
	}
	if frames != 60*12 {
		t.Errorf("%d frames compared, want %d", frames, 60*12)
	}
}

// interlacedGIF rewrites a one-frame GIF of the standard library's encoder so
// that its rows come in the order of GIF89a, appendix E.
func interlacedGIF(t testing.TB, w, h int) (data []byte, want *image.Paletted) {
	t.Helper()
	palette := make(color.Palette, 256)
	for i := range palette {
		palette[i] = color.Gray{uint8(i)}
	}
	want = image.NewPaletted(image.Rect(0, 0, w, h), palette)
	for i := range want.Pix {
		want.Pix[i] = uint8(i * 7)
	}
	stored := image.NewPaletted(want.Rect, palette)
	row := 0
	for _, pass := range []struct{ start, step int }{{0, 8}, {4, 8}, {2, 4}, {1, 2}} {
		for y := pass.start; y < h; y += pass.step {
			copy(stored.Pix[row*w:], want.Pix[y*w:(y+1)*w])
			row++
		}
	}
	var b bytes.Buffer
	if err := gif.EncodeAll(&b, &gif.GIF{Image: []*image.Paletted{stored}, Delay: []int{0}}); err != nil {
		t.Fatal(err)
	}
	data = b.Bytes()
	descriptor := bytes.LastIndex(data[:6+7+3*256+40], []byte{0x2c, 0, 0, 0, 0, byte(w), 0})
	if descriptor < 0 {
		t.Fatal("no image descriptor found")
	}
	data[descriptor+9] |= 0x40
	return data, want
}

func TestInterlacedRowsLandInTheirPlaces(t *testing.T) {
	for h := 1; h <= 20; h++ {
		data, want := interlacedGIF(t, 5, h)
		p, err := open(t, write(t, "a.gif", data), Options{}).Pictures.Next(background)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(nrgba(p.Image).Pix, nrgba(want).Pix) {
			t.Errorf("height %d: rows in the wrong places", h)
		}
	}
}

// timedGIF is an animation of frames of one pixel with the delays given.
func timedGIF(t testing.TB, loop int, delays ...int) []byte {
	t.Helper()
	all := &gif.GIF{LoopCount: loop}
	for range delays {
		all.Image = append(all.Image, image.NewPaletted(image.Rect(0, 0, 1, 1), color.Palette{color.Black, color.White}))
	}
	all.Delay = delays
	var b bytes.Buffer
	if err := gif.EncodeAll(&b, all); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestDelaysMakeTimesRateAndDuration(t *testing.T) {
	for _, c := range []struct {
		delays   []int
		rate     Ratio
		duration Ratio
	}{
		{[]int{4, 4, 4}, Ratio{25, 1}, Ratio{3, 25}},
		{[]int{4, 6}, Ratio{50, 1}, Ratio{1, 10}},                    // both begin on a 20 ms raster
		{[]int{3, 5}, Ratio{100, 3}, Ratio{2, 25}},                   // 10 ms raster: 100/s is too many, 100/3 taken
		{[]int{0, 1, 0}, Ratio{10, 1}, Ratio{3, 10}},                 // hurried delays are 100 ms
		{[]int{2, 2}, Ratio{50, 1}, Ratio{1, 25}},                    // 20 ms is meant
		{[]int{7, 7}, Ratio{100, 7}, Ratio{7, 50}},                   //
		{[]int{65535, 3}, Ratio{100, 3}, Ratio{65538, 100}.lowest()}, // gcd 3
	} {
		info := open(t, write(t, "a.gif", timedGIF(t, 0, c.delays...)), Options{}).Pictures.Info()
		if info.Rate != c.rate || info.Duration != c.duration || info.Frames != int64(len(c.delays)) || info.Tick != (Ratio{1, 100}) {
			t.Errorf("delays %v: %+v, want rate %v and duration %v", c.delays, info, c.rate, c.duration)
		}
	}
}

func TestOnlyALoopCountOfZeroLoopsForever(t *testing.T) {
	for loop, want := range map[int]bool{0: true, 3: false, -1: false} {
		info := open(t, write(t, "a.gif", timedGIF(t, loop, 5, 5)), Options{}).Pictures.Info()
		if info.LoopsForever != want {
			t.Errorf("loop count %d: LoopsForever %v", loop, info.LoopsForever)
		}
	}
}

func TestAMissingTrailerEndsEarlyWithAWarning(t *testing.T) {
	data := smallGIF(t)
	whole := open(t, write(t, "a.gif", data), Options{})
	if len(whole.Warnings()) != 0 {
		t.Fatalf("whole file warns: %q", whole.Warnings())
	}
	for _, cut := range []struct{ bytes, frames int }{{1, 3}, {2, 2}, {10, 2}} {
		m := open(t, write(t, "a.gif", data[:len(data)-cut.bytes]), Options{})
		n, _, err := drain(m)
		if err != nil || n != int64(cut.frames) || m.Pictures.Info().Frames != n {
			t.Errorf("%d bytes less: %d pictures, %v; want %d", cut.bytes, n, err, cut.frames)
		}
		if w := m.Warnings(); len(w) != 1 || !strings.Contains(w[0], "ends early") {
			t.Errorf("%d bytes less: warnings %q", cut.bytes, w)
		}
	}
	var d *DamagedError
	if _, err := Open(background, write(t, "a.gif", data[:60]), Options{}); !errors.As(err, &d) {
		t.Errorf("cut inside the first frame: %v", err)
	}
}

func TestAFramePartlyOutsideTheScreenIsCut(t *testing.T) {
	data := timedGIF(t, 0, 5, 5)
	// The screen stays 1x1; the second frame moves to (1, 0).
	at := bytes.LastIndex(data, []byte{0x2c, 0, 0, 0, 0, 1, 0, 1, 0})
	data[at+1] = 1
	n, _, err := drain(open(t, write(t, "a.gif", data), Options{}))
	if err != nil || n != 2 {
		t.Errorf("%d pictures, %v", n, err)
	}
}

func TestOneFrameMakesAStill(t *testing.T) {
	path := write(t, "a.gif", timedGIF(t, 0, 5))
	m := open(t, path, Options{Hold: Ratio{5, 2}})
	info := m.Pictures.Info()
	if m.Kind != KindGIF || !info.Still || info.Duration != (Ratio{5, 2}) || info.Rate != (Ratio{0, 1}) {
		t.Errorf("%s %+v", m.Kind, info)
	}
	p, err := m.Pictures.Next(background)
	if err != nil || p.At != 0 || p.Until != 5 || info.Tick != (Ratio{1, 2}) {
		t.Errorf("shown from %d to %d of %v s, %v", p.At, p.Until, info.Tick, err)
	}
	if _, err := m.Pictures.Next(background); err != io.EOF {
		t.Errorf("%v after the only picture", err)
	}
	if kind, ok, err := Sniff(path); kind != KindGIF || !ok || err != nil {
		t.Errorf("Sniff says %q %v %v", kind, ok, err)
	}
}

func TestAnyByteOfAGIFMayBeWrong(t *testing.T) { everyByte(t, "a.gif", smallGIF(t)) }

// emptyFrames is a GIF of many frames without a pixel of data.
func emptyFrames(w, h uint16, frames int) []byte {
	b := []byte("GIF89a")
	b = append(b, byte(w), byte(w>>8), byte(h), byte(h>>8), 0x80, 0, 0, 0, 0, 0, 255, 255, 255)
	for range frames {
		b = append(b, 0x2c, 0, 0, 0, 0, byte(w), byte(w>>8), byte(h), byte(h>>8), 0, 2, 1, 0x2c, 0)
	}
	return append(b, 0x3b)
}

func TestTinyGIFsOfHugeFramesAreRefused(t *testing.T) {
	var l *LimitError
	for _, c := range []struct {
		w, h   uint16
		frames int
	}{{65535, 65535, 1}, {65535, 65535, 3000}, {8192, 8192, 2}, {4096, 4096, 10000}} {
		data := emptyFrames(c.w, c.h, c.frames)
		grew := growth(func() {
			if _, err := Open(background, write(t, "a.gif", data), Options{}); !errors.As(err, &l) {
				t.Errorf("%d frames of %dx%d in %d bytes: %v, want a LimitError", c.frames, c.w, c.h, len(data), err)
			}
		})
		if grew > 16<<20 {
			t.Errorf("%d frames of %dx%d: %d bytes allocated", c.frames, c.w, c.h, grew)
		}
	}
}

// growth returns how many bytes f allocates in all.
func growth(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

func TestMemoryDoesNotGrowWithTheNumberOfFrames(t *testing.T) {
	read := func(frames int) uint64 {
		path := write(t, "a.gif", emptyFrames(300, 300, frames))
		return growth(func() {
			if n, _, err := drain(open(t, path, Options{})); err != nil || n != int64(frames) {
				t.Fatalf("%d pictures, %v", n, err)
			}
		})
	}
	few, many := read(10), read(3000)
	t.Logf("10 frames allocate %d bytes, 3000 frames %d", few, many)
	if many > few+300*300*4 {
		t.Errorf("3000 frames allocate %d bytes, 10 frames %d: more than one frame apart", many, few)
	}
}

func TestCancellingStopsBetweenRows(t *testing.T) {
	ctx, cancel := context.WithCancel(background)
	m := open(t, write(t, "a.gif", smallGIF(t)), Options{})
	p, err := m.Pictures.Next(ctx)
	if err != nil {
		t.Fatal(err)
	}
	p.Release()
	cancel()
	if _, err := m.Pictures.Next(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want context.Canceled", err)
	}
}

func BenchmarkGIF(b *testing.B) {
	path := write(b, "a.gif", randomGIF(b, 1, 480, 270, 40))
	b.ReportAllocs()
	pictures := int64(0)
	for b.Loop() {
		m, err := Open(background, path, Options{})
		if err != nil {
			b.Fatal(err)
		}
		n, _, err := drain(m)
		if err != nil {
			b.Fatal(err)
		}
		pictures += n
		m.Close()
	}
	b.ReportMetric(float64(pictures)/b.Elapsed().Seconds(), "pictures/s")
}
