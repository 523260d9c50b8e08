package transcode

import (
	"context"
	"errors"
	"io"
	"runtime"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/container"
	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/sound"
	"example.org/stampreel/transcode/source"
)

// nowhere takes any clip and keeps nothing.
type nowhere struct{}

func (nowhere) Write(p []byte) (int, error)        { return len(p), nil }
func (nowhere) Seek(o int64, _ int) (int64, error) { return o, nil }

func toNowhere(int) (io.WriteSeeker, error) { return nowhere{}, nil }

// mustEnd fails when more goroutines run than before.
func mustEnd(t *testing.T, before int) {
	t.Helper()
	for range 200 {
		if runtime.NumGoroutine() <= before {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("%d goroutines, %d before", runtime.NumGoroutine(), before)
}

// holed is steady, but picture hole has no image, which cannot be rendered.
type holed struct {
	*fakePictures
	hole int64
}

func (h *holed) Next(ctx context.Context) (*source.Timed, error) {
	t, err := h.fakePictures.Next(ctx)
	if err == nil && t.At == h.hole {
		t.Picture = picture.Picture{}
	}
	return t, err
}

func TestAPictureThatCannotBeRenderedFailsTheClip(t *testing.T) {
	before := runtime.NumGoroutine()
	for _, workers := range []int{1, 4} {
		for _, hole := range []int64{0, 7, 99} {
			o := tiny()
			o.Workers = workers
			_, err := Run(context.Background(), Input{Media: media(&holed{steady(100, 25, 1), hole}, nil)}, toNowhere, o)
			if err == nil || errors.Is(err, context.Canceled) || !strings.HasPrefix(err.Error(), "picture: ") {
				t.Errorf("%d workers, picture %d: %v, want the renderer's error", workers, hole, err)
			}
		}
	}
	mustEnd(t, before)
}

func TestARendererThatCannotBeMadeIsTheOnlyError(t *testing.T) {
	before := runtime.NumGoroutine()
	o := tiny()
	o.Picture.Tone.Gamma = -1
	_, err := Run(context.Background(), Input{Media: media(steady(100, 25, 1), nil)}, toNowhere, o)
	if err == nil || errors.Is(err, context.Canceled) || strings.Contains(err.Error(), "\n") {
		t.Errorf("got %v, want the renderer's error alone", err)
	}
	mustEnd(t, before)
}

// brokenSound fails after some frames.
type brokenSound struct {
	fakeSound
	err error
}

func (b *brokenSound) Read(dst []float32) (int, error) {
	n, err := b.fakeSound.Read(dst)
	if err == io.EOF {
		err = b.err
	}
	return n, err
}

func TestSoundThatFailsHalfWayFailsTheClip(t *testing.T) {
	before := runtime.NumGoroutine()
	broken := errors.New("the sound is broken")
	o := tiny()
	o.Sound = &sound.Format{RateNum: 8000, RateDen: 1, Channels: 1, Bits: 8}
	snd := &brokenSound{fakeSound{rate: 8000, channels: 1, frames: 8000}, broken}
	if _, err := Run(context.Background(), Input{Media: media(steady(100, 25, 1), snd)}, toNowhere, o); !errors.Is(err, broken) {
		t.Errorf("got %v", err)
	}
	mustEnd(t, before)
}

func TestAWriterThatFailsEndsTheRun(t *testing.T) {
	before := runtime.NumGoroutine()
	full := errors.New("no space left on device")
	_, err := Run(context.Background(), Input{Media: media(steady(1<<20, 25, 1), nil)}, func(int) (io.WriteSeeker, error) { return nil, full }, tiny())
	if !errors.Is(err, full) {
		t.Errorf("got %v", err)
	}
	mustEnd(t, before)
}

func TestAStillIsHandedOutForAsLongAsAnySoundLasts(t *testing.T) {
	still := &fakePictures{info: source.PicturesInfo{Width: 1, Height: 1, Frames: 1, Tick: source.Ratio{Num: 1, Den: 1}, Still: true}, starts: func(int64) int64 { return 0 }, count: 1}
	o := tiny()
	o.Rate = source.Ratio{Num: 240, Den: 1}
	o.Sound = &sound.Format{RateNum: 2000, RateDen: 1, Channels: 1, Bits: 8}
	r := &runner{o: o, in: Input{Media: media(still, nil), Sound: media(nil, &fakeSound{rate: 2000, channels: 1, frames: 2000 * 3600 * MaxHours})}}
	if err := r.prepare(context.Background()); err != nil {
		t.Fatal(err)
	}
	todo, ordered := make(chan *job, 1), make(chan *job, 1)
	if err := r.read(context.Background(), todo, ordered); err != nil {
		t.Fatal(err)
	}
	if j := <-ordered; j.beats < 240*3600*MaxHours {
		t.Errorf("the still is shown for %d beats, want a day of them", j.beats)
	}
}

func TestTheRoundingOfItsLengthAddsNoBeatOfSilence(t *testing.T) {
	for _, c := range []struct {
		rate          int
		frames, beats int64
	}{
		{44100, 88200, 20}, {44100, 88190, 20}, {44100, 88300, 21}, {44100, 1, 1},
		{1001, 2002, 20}, {1001, 2003, 20}, {1001, 2005, 21}, // a sample becomes 22
	} {
		o := tiny()
		o.Sound = &sound.Format{RateNum: 375000, RateDen: 17, Channels: 1, Bits: 8} // 2 s are 44117.6 samples
		res, err := Run(context.Background(), Input{Sound: media(nil, &fakeSound{rate: c.rate, channels: 1, frames: c.frames})}, toNowhere, o)
		if err != nil {
			t.Fatal(err)
		}
		if res.Beats != c.beats {
			t.Errorf("%d sample frames at %d Hz: %d beats of a tenth, want %d", c.frames, c.rate, res.Beats, c.beats)
		}
	}
}

func TestSoundThatOutlastsTheLongestClipIsNotCutOff(t *testing.T) {
	still := &fakePictures{info: source.PicturesInfo{Width: 1, Height: 1, Frames: 1, Tick: source.Ratio{Num: 1, Den: 1}, Still: true}, starts: func(int64) int64 { return 0 }, count: 1}
	for _, extra := range []int64{0, 3} {
		still.next = 0
		o := tiny()
		o.Sound = &sound.Format{RateNum: 8000, RateDen: 1, Channels: 1, Bits: 8}
		r := &runner{o: o, in: Input{Media: media(still, nil), Sound: media(nil, &fakeSound{rate: 8000, channels: 1, frames: 8000*5 + extra})}}
		if err := r.prepare(context.Background()); err != nil {
			t.Fatal(err)
		}
		r.most = 5 * StillRate // as if a clip lasted five seconds at most
		renderer, err := picture.NewRenderer(o.Picture)
		if err != nil {
			t.Fatal(err)
		}
		if r.w, err = container.NewPartsWriter(toNowhere, r.settings); err != nil {
			t.Fatal(err)
		}
		err = r.pipeline(context.Background(), []*picture.Renderer{renderer})
		var long *LengthError
		if extra == 0 && (err != nil || r.w.Beats() != 5*StillRate) || extra > 0 && !errors.As(err, &long) {
			t.Errorf("%d samples too many: %d beats, %v", extra, r.w.Beats(), err)
		}
	}
}

func TestAnAnimationWithoutTimeDoesNotRepeatForEver(t *testing.T) {
	none := func() *source.Media {
		p := steady(3, 10, 1)
		p.starts = func(int64) int64 { return 0 }
		p.info.LoopsForever, p.info.Duration = true, source.Ratio{Num: 0, Den: 1}
		return media(p, nil)
	}
	o := tiny()
	o.Sound = &sound.Format{RateNum: 8000, RateDen: 1, Channels: 1, Bits: 8}
	in := Input{Media: none(), Sound: media(nil, &fakeSound{rate: 8000, channels: 1, frames: 8000}), Again: func(context.Context) (*source.Media, error) { return none(), nil }}
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if _, err := Run(ctx, in, toNowhere, o); err == nil || ctx.Err() != nil {
		t.Errorf("got %v", err)
	}
}

func TestCancellingReachesASoundThatIsSkipped(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	o := tiny()
	o.From = source.Ratio{Num: 3600, Den: 1}
	o.Sound = &sound.Format{RateNum: 8000, RateDen: 1, Channels: 1, Bits: 8}
	snd := &fakeSound{rate: 8000, channels: 1, frames: 2 * 8000 * 3600}
	if _, err := Run(ctx, Input{Sound: media(nil, snd)}, toNowhere, o); !errors.Is(err, context.Canceled) || snd.at > 0 {
		t.Errorf("%d sample frames skipped, %v", snd.at, err)
	}
}

// TestCancellingReachesAPipeWhoseRestIsAwaited: of a pipe that never ends the
// first pictures are packed; its checksum would need the rest.
func TestCancellingReachesAPipeWhoseRestIsAwaited(t *testing.T) {
	pipe, end := io.Pipe()
	defer end.Close()
	go func() {
		io.WriteString(end, "YUV4MPEG2 W2 H2 F1:1 C444\n")
		for range 4 {
			io.WriteString(end, "FRAME\n123456789012")
		}
	}()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	m, err := source.Open(ctx, "-", source.Options{Stdin: pipe})
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	o := tiny()
	o.To = source.Ratio{Num: 2, Den: 1}
	o.Progress = func(beats, _ int64) {
		if beats == 2 {
			time.AfterFunc(50*time.Millisecond, cancel)
		}
	}
	ended := make(chan error, 1)
	go func() {
		_, err := Run(ctx, Input{Media: m}, toNowhere, o)
		ended <- err
	}()
	select {
	case err := <-ended:
		if !errors.Is(err, context.Canceled) {
			t.Errorf("got %v", err)
		}
	case <-time.After(10 * time.Second):
		t.Error("the run does not end")
	}
}

// waiting gives no picture until its context ends.
type waiting struct{ *fakePictures }

func (w *waiting) Next(ctx context.Context) (*source.Timed, error) {
	<-ctx.Done()
	return nil, ctx.Err()
}

func TestCancellingReachesASourceThatWaits(t *testing.T) {
	before := runtime.NumGoroutine()
	ctx, cancel := context.WithCancel(context.Background())
	time.AfterFunc(20*time.Millisecond, cancel)
	if _, err := Run(ctx, Input{Media: media(&waiting{steady(100, 25, 1)}, nil)}, toNowhere, tiny()); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	mustEnd(t, before)
}
