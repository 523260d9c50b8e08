package transcode

import (
	"bytes"
	"context"
	"errors"
	"image"
	"image/color"
	"io"
	"math/big"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

	"example.org/stampreel/container"
	"example.org/stampreel/container/pixel"
	"example.org/stampreel/container/sample"
	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/sound"
	"example.org/stampreel/transcode/source"
)

// memFile is an empty file in memory.
type memFile struct {
	data []byte
	at   int
}

func (m *memFile) Write(p []byte) (int, error) {
	if need := m.at + len(p); need > len(m.data) {
		m.data = append(m.data, make([]byte, need-len(m.data))...)
	}
	copy(m.data[m.at:], p)
	m.at += len(p)
	return len(p), nil
}

func (m *memFile) Seek(off int64, _ int) (int64, error) { m.at = int(off); return off, nil }

// fakePictures shows picture k, a plain grey, from tick starts[k] to
// starts[k+1].
type fakePictures struct {
	info   source.PicturesInfo
	starts func(k int64) int64
	count  int64
	next   int64
	fail   error // after the last picture, in place of io.EOF
}

func (f *fakePictures) Info() source.PicturesInfo { return f.info }
func (f *fakePictures) Close() error              { return nil }
func (f *fakePictures) Next(ctx context.Context) (*source.Timed, error) {
	if f.next == f.count {
		if f.fail != nil {
			return nil, f.fail
		}
		return nil, io.EOF
	}
	k := f.next
	f.next++
	grey := image.NewGray(image.Rect(0, 0, 1, 1))
	grey.SetGray(0, 0, color.Gray{uint8(k)})
	return &source.Timed{Picture: picture.Picture{Image: grey}, At: f.starts(k), Until: f.starts(k + 1)}, nil
}

// fakeSound gives a ramp.
type fakeSound struct {
	rate, channels int
	frames, at     int64
}

func (f *fakeSound) Info() source.SoundInfo {
	return source.SoundInfo{Rate: f.rate, Channels: f.channels, Frames: f.frames}
}
func (f *fakeSound) Close() error { return nil }
func (f *fakeSound) Read(dst []float32) (int, error) {
	n := min(int64(len(dst)/f.channels), f.frames-f.at)
	if n == 0 {
		return 0, io.EOF
	}
	for i := range n * int64(f.channels) {
		dst[i] = 0.5
	}
	f.at += n
	return int(n), nil
}

func media(p source.Pictures, s source.Sound) *source.Media {
	return &source.Media{Kind: "made-up source", Pictures: p, Sound: s}
}

// steady is count pictures at num/den a second, in ticks of den/num seconds.
func steady(count, num, den int64) *fakePictures {
	return &fakePictures{info: source.PicturesInfo{Width: 1, Height: 1, Frames: count, Tick: source.Ratio{Num: den, Den: num}, Rate: source.Ratio{Num: num, Den: den}, Duration: source.Ratio{Num: count * den, Den: num}}, starts: func(k int64) int64 { return k }, count: count}
}

func tiny() Options {
	return Options{Picture: picture.Options{Width: 4, Height: 2, Format: pixel.Grey8, Dither: picture.None, Fit: picture.Stretch}, Workers: 3}
}

// run packs and reads back what each beat shows: the grey of its last frame,
// and whether it was stored raw.
func run(t *testing.T, in Input, o Options) (*Result, []byte, []uint8, []bool) {
	t.Helper()
	var f memFile
	res, err := Run(context.Background(), in, func(int) (io.WriteSeeker, error) { return &f, nil }, o)
	if err != nil {
		t.Fatal(err)
	}
	var shown []uint8
	var raw []bool
	if _, err := container.Verify(context.Background(), bytes.NewReader(f.data), int64(len(f.data)), func(b *container.Beat, _ *container.Panel) {
		if b.FrameBytes > 0 {
			shown = append(shown, b.Frame[0])
		} else {
			shown = append(shown, shown[len(shown)-1])
		}
		raw = append(raw, b.FrameBytes > 0)
	}); err != nil {
		t.Fatal(err)
	}
	return res, f.data, shown, raw
}

func TestEachPictureOfASteadySourceGetsItsBeat(t *testing.T) {
	for _, rate := range [][2]int64{{25, 1}, {30000, 1001}, {24000, 1001}, {12, 1}, {50, 1}} {
		res, _, shown, _ := run(t, Input{Media: media(steady(200, rate[0], rate[1]), nil)}, tiny())
		if res.Beats != 200 || len(shown) != 200 {
			t.Fatalf("%v: %d beats for 200 pictures", rate, res.Beats)
		}
		for k, g := range shown {
			if g != uint8(k) {
				t.Fatalf("%v: beat %d shows picture %d", rate, k, g)
			}
		}
		if h := res.Headers[0]; int64(h.RateNum) != rate[0] || int64(h.RateDen) != rate[1] {
			t.Errorf("rate %d/%d, want %v", h.RateNum, h.RateDen, rate)
		}
	}
}

func TestTwoHoursStayInTimeWithoutTwoHoursOfMedia(t *testing.T) {
	// 30000/1001 pictures a second to 25 beats a second: beat i begins at i/25 s
	// and shows the picture in which its middle lies, ⌊(i + ½)/25·30000/1001⌋.
	c := clock{rate: container.Ratio{Num: 25, Den: 1}, from: new(big.Rat)}
	tick := source.Ratio{Num: 1001, Den: 30000}
	const pictures = 215785 // two hours
	beat := int64(0)
	for k := range int64(pictures) {
		for end := c.before(k+1, tick); beat < end; beat++ {
			if want := (2*beat + 1) * 30000 / (2 * 25 * 1001); k != want {
				t.Fatalf("beat %d shows picture %d, want %d", beat, k, want)
			}
		}
	}
	if beat != 180001 { // 215785·1001/30000 s = 7200.026 s
		t.Errorf("%d beats in two hours, want 180001", beat)
	}
}

func TestIrregularTimesKeepTheirBeats(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	for range 50 {
		starts := []int64{0}
		for range 1 + rng.IntN(40) {
			starts = append(starts, starts[len(starts)-1]+1+rng.Int64N(30))
		}
		n := int64(len(starts) - 1)
		p := &fakePictures{info: source.PicturesInfo{Width: 1, Height: 1, Tick: source.Ratio{Num: 1, Den: 100}, Rate: source.Ratio{Num: 10, Den: 1}}, starts: func(k int64) int64 { return starts[k] }, count: n}
		o := tiny()
		o.Rate = source.Ratio{Num: 20, Den: 1}
		if starts[n] <= 2 {
			continue
		}
		_, _, shown, raw := run(t, Input{Media: media(p, nil)}, o)
		for i, g := range shown {
			middle := 5*i + 2 // hundredths, rounded down from 2½: no start lies between
			want := 0
			for want+1 < int(n) && starts[want+1] <= int64(middle) {
				want++
			}
			if int(g) != want {
				t.Fatalf("%v: beat %d shows picture %d, want %d", starts, i, g, want)
			}
			if i > 0 && raw[i] && shown[i] == shown[i-1] && i%40 != 0 && !keyDue(raw, i) {
				t.Fatalf("%v: beat %d stores the same picture again", starts, i)
			}
		}
	}
}

// keyDue reports whether two seconds at 20 beats a second passed since the last
// raw beat.
func keyDue(raw []bool, i int) bool {
	for k := i - 1; k > i-40 && k >= 0; k-- {
		if raw[k] {
			return false
		}
	}
	return true
}

func TestTheNumberOfWorkersChangesNothing(t *testing.T) {
	var first []byte
	for _, workers := range []int{1, 2, 7} {
		o := tiny()
		o.Workers = workers
		o.Sound = &sound.Format{RateNum: 375000, RateDen: 17, Channels: 1, Bits: 8}
		_, data, _, _ := run(t, Input{Media: media(steady(100, 25, 1), &fakeSound{rate: 44100, channels: 2, frames: 4 * 44100})}, o)
		if first == nil {
			first = data
		}
		if !bytes.Equal(first, data) {
			t.Errorf("%d workers give other bytes", workers)
		}
	}
}

func TestSoundIsCutOrFilledToThePicture(t *testing.T) {
	for _, c := range []struct {
		seconds  int64
		warnings int
	}{{4, 0}, {2, 1}, {6, 1}} {
		o := tiny()
		o.Sound = &sound.Format{RateNum: 8000, RateDen: 1, Channels: 1, Bits: 8}
		res, data, _, _ := run(t, Input{Media: media(steady(100, 25, 1), nil), Sound: media(nil, &fakeSound{rate: 44100, channels: 1, frames: c.seconds * 44100})}, o)
		if len(res.Warnings) != c.warnings {
			t.Errorf("%d s of sound for 4 s of picture: warnings %q", c.seconds, res.Warnings)
		}
		r, err := container.NewReader(bytes.NewReader(data), int64(len(data)), container.Limits{})
		if err != nil {
			t.Fatal(err)
		}
		loud, all := 0, 0
		for n := range res.Headers[0].Beats {
			s, err := r.Sound(n)
			if err != nil {
				t.Fatal(err)
			}
			for _, v := range s {
				all++
				if v > 180 { // 128 + 0.5·127
					loud++
				}
			}
		}
		want := int(min(c.seconds, 4)) * 8000
		if all != 32000 || loud < want-40 || loud > want {
			t.Errorf("%d s of sound: %d samples, %d of them sounding, want %d and %d", c.seconds, all, loud, 32000, want)
		}
	}
}

func TestAStillLastsAsLongAsItsSound(t *testing.T) {
	still := &fakePictures{info: source.PicturesInfo{Width: 1, Height: 1, Frames: 1, Tick: source.Ratio{Num: 1, Den: 1}, Still: true}, starts: func(int64) int64 { return 0 }, count: 1}
	o := tiny()
	o.Sound = &sound.Format{RateNum: 8000, RateDen: 1, Channels: 1, Bits: 8}
	res, _, _, raw := run(t, Input{Media: media(still, nil), Sound: media(nil, &fakeSound{rate: 8000, channels: 1, frames: 8000 * 5})}, o)
	if res.Beats != 50 || res.Rendered != 1 {
		t.Errorf("%d beats of %d pictures for 5 s of sound, want 50 of 1", res.Beats, res.Rendered)
	}
	keys := 0
	for _, r := range raw {
		if r {
			keys++
		}
	}
	if keys != 3 {
		t.Errorf("%d key beats in 5 s, want 3, one each two seconds", keys)
	}
	// Sound alone: the background.
	res, _, shown, _ := run(t, Input{Sound: media(nil, &fakeSound{rate: 8000, channels: 1, frames: 8000})}, o)
	if res.Beats != 10 || shown[0] != 0 {
		t.Errorf("%d beats showing %d for 1 s of sound alone, want 10 showing 0", res.Beats, shown[0])
	}
}

func TestAnAnimationRepeatsUntilItsSoundEnds(t *testing.T) {
	loop := func() *source.Media {
		p := steady(10, 10, 1)
		p.info.LoopsForever = true
		return media(p, nil)
	}
	o := tiny()
	o.Sound = &sound.Format{RateNum: 8000, RateDen: 1, Channels: 1, Bits: 8}
	opened := 0
	in := Input{Media: loop(), Sound: media(nil, &fakeSound{rate: 8000, channels: 1, frames: 8000 * 7 / 2}), Again: func(context.Context) (*source.Media, error) { opened++; return loop(), nil }}
	res, _, shown, _ := run(t, in, o)
	if res.Beats != 35 || opened < 3 {
		t.Fatalf("%d beats, opened again %d times; want 35 and 3", res.Beats, opened)
	}
	for i, g := range shown {
		if int(g) != i%10 {
			t.Fatalf("beat %d shows picture %d", i, g)
		}
	}
}

func TestOnlyThePartAskedForIsPacked(t *testing.T) {
	o := tiny()
	o.From, o.To = source.Ratio{Num: 3, Den: 2}, source.Ratio{Num: 3, Den: 1}
	o.Sound = &sound.Format{RateNum: 8000, RateDen: 1, Channels: 1, Bits: 8}
	res, _, shown, _ := run(t, Input{Media: media(steady(100, 20, 1), &fakeSound{rate: 8000, channels: 1, frames: 40000})}, o)
	if res.Beats != 30 || shown[0] != 30 || shown[29] != 59 {
		t.Errorf("%d beats from picture %d to %d, want 30 from 30 to 59", res.Beats, shown[0], shown[len(shown)-1])
	}
	if len(res.Warnings) != 0 {
		t.Errorf("warnings %q", res.Warnings)
	}
	o.From = source.Ratio{Num: 90, Den: 1}
	o.To = source.Ratio{}
	if _, err := Run(context.Background(), Input{Media: media(steady(100, 20, 1), nil)}, func(int) (io.WriteSeeker, error) { return &memFile{}, nil }, o); err == nil {
		t.Error("a part behind the end: no error")
	}
}

func TestRates(t *testing.T) {
	r := func(n, d int64) source.Ratio { return source.Ratio{Num: n, Den: d} }
	for _, c := range []struct {
		own, asked, limit source.Ratio
		sound             bool
		want              container.Ratio
	}{
		{own: r(25, 1), want: container.Ratio{Num: 25, Den: 1}},
		{own: r(30000, 1001), want: container.Ratio{Num: 30000, Den: 1001}},
		{own: r(60, 1), limit: r(43, 1), want: container.Ratio{Num: 30, Den: 1}},
		{own: r(60, 1), limit: r(19, 1), want: container.Ratio{Num: 15, Den: 1}},
		{own: r(1000, 1), want: container.Ratio{Num: 200, Den: 1}},
		{own: r(1, 5), want: container.Ratio{Num: 1, Den: 1}},
		{own: r(1, 5), sound: true, want: container.Ratio{Num: 5, Den: 1}},
		{own: r(2, 3), sound: true, want: container.Ratio{Num: 16, Den: 3}},
		{own: r(0, 1), want: container.Ratio{Num: 1, Den: 1}},
		{own: r(0, 1), sound: true, want: container.Ratio{Num: 10, Den: 1}},
		{own: r(25, 1), asked: r(25, 2), want: container.Ratio{Num: 25, Den: 2}},
		{own: r(10000001, 400000), want: container.Ratio{Num: 25, Den: 1}},
		{own: r(25, 1), limit: r(1, 2), want: container.Ratio{Num: 1, Den: 1}},
	} {
		got, err := chooseRate(&source.PicturesInfo{Rate: c.own}, c.sound, c.asked, c.limit)
		if err != nil || got != c.want {
			t.Errorf("own %v, asked %v, limit %v, sound %v: %v, %v; want %v", c.own, c.asked, c.limit, c.sound, got, err, c.want)
		}
	}
	if _, err := chooseRate(nil, false, r(500, 1), source.Ratio{}); err == nil {
		t.Error("500 beats a second: no error")
	}
}

func TestAnyRateOfPicturesGoesWithAnyRateOfSamples(t *testing.T) {
	for _, c := range []struct {
		rate    [2]int64
		samples [2]int64
		want    container.Ratio
	}{
		{[2]int64{30000, 1001}, [2]int64{22050, 1}, container.Ratio{Num: 30000, Den: 1001}},
		{[2]int64{30000, 1001}, [2]int64{375000, 17}, container.Ratio{Num: 30000, Den: 1001}},
		// 80 MHz by 3628: 2^31/20,000,000 allows denominators up to 107, and the
		// continued fraction of 30000/1001 is 29; 1, 32, 2, 1, 10: 2997/100.
		{[2]int64{30000, 1001}, [2]int64{20000000, 907}, container.Ratio{Num: 2997, Den: 100}},
		{[2]int64{24000, 1001}, [2]int64{84000000, 3809}, container.Ratio{Num: 24, Den: 1}},
		{[2]int64{25, 2}, [2]int64{1<<31 - 1, 65534}, container.Ratio{Num: 12, Den: 1}},
	} {
		for _, asked := range []bool{false, true} {
			if testing.Short() && !asked {
				continue
			}
			o := tiny()
			o.Sound = &sound.Format{RateNum: c.samples[0], RateDen: c.samples[1], Channels: 1, Bits: 8}
			if asked {
				o.Rate = source.Ratio{Num: c.rate[0], Den: c.rate[1]}
			}
			res, _, shown, _ := run(t, Input{Media: media(steady(100, c.rate[0], c.rate[1]), &fakeSound{rate: 44100, channels: 1, frames: 44100 * 100 * c.rate[1] / c.rate[0]})}, o)
			changed := c.want != container.NewRatio(uint32(c.rate[0]), uint32(c.rate[1]))
			if got := res.Headers[0].Rate(); got != c.want || (len(res.Warnings) > 0) != (changed && asked) {
				t.Errorf("%v beside %v Hz, asked %v: %v, warnings %q; want %v", c.rate, c.samples, asked, got, res.Warnings, c.want)
			}
			// Each picture is shown at its time, half a beat more or less.
			for i, g := range shown {
				middle := (float64(i) + 0.5) / c.want.Float() * float64(c.rate[0]) / float64(c.rate[1])
				if d := middle - float64(g); d < -1e-9 || d > 1+1e-9 {
					t.Fatalf("%v beside %v Hz: beat %d shows picture %d, its middle is at %g", c.rate, c.samples, i, g, middle)
				}
			}
		}
	}
}

func TestASourceThatFailsHalfWayFailsTheClip(t *testing.T) {
	broken := errors.New("frame 7 is broken")
	p := steady(7, 25, 1)
	p.fail = broken
	var f memFile
	if _, err := Run(context.Background(), Input{Media: media(p, nil)}, func(int) (io.WriteSeeker, error) { return &f, nil }, tiny()); !errors.Is(err, broken) {
		t.Fatalf("got %v", err)
	}
	if _, err := container.NewReader(bytes.NewReader(f.data), int64(len(f.data)), container.Limits{}); err == nil {
		t.Error("what a failed run leaves is a clip")
	}
}

func TestCancellingEndsARunAndItsGoroutines(t *testing.T) {
	before := runtime.NumGoroutine()
	ctx, cancel := context.WithCancel(context.Background())
	o := tiny()
	o.Progress = func(beats, _ int64) {
		if beats == 100 {
			cancel()
		}
	}
	p := steady(1<<20, 25, 1)
	if _, err := Run(ctx, Input{Media: media(p, nil)}, func(int) (io.WriteSeeker, error) { return &memFile{}, nil }, o); !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v", err)
	}
	for range 100 {
		if runtime.NumGoroutine() <= before {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("%d goroutines, %d before", runtime.NumGoroutine(), before)
}

func TestTheLeadIsAFifthOfASecondOrWhatMemoryAllows(t *testing.T) {
	for _, c := range []struct {
		rate  container.Ratio
		bytes float64
		limit int64
		want  int
	}{{container.Ratio{Num: 25, Den: 1}, 22050, 0, 5}, {container.Ratio{Num: 30, Den: 1}, 22050, 0, 6}, {container.Ratio{Num: 1, Den: 1}, 22050, 0, 1}, {container.Ratio{Num: 240, Den: 1}, 22050, 0, 48}, {container.Ratio{Num: 25, Den: 1}, 88200, 16384, 3}, {container.Ratio{Num: 25, Den: 1}, 88200, 100, 1}} {
		if got := leadBeats(c.rate, c.bytes, c.limit); got != c.want {
			t.Errorf("%v beats a second, %g B/s, limit %d: %d beats, want %d", c.rate, c.bytes, c.limit, got, c.want)
		}
	}
}

func TestAClipLastsADayAtMost(t *testing.T) {
	day := int64(MaxHours * 3600)
	o := tiny()
	var long *LengthError
	for _, known := range []bool{true, false} {
		p := steady(2, 1, day/2) // two pictures of half a day each
		p.starts = func(k int64) int64 { return k }
		if !known {
			p.info.Frames, p.info.Duration = 0, source.Ratio{Num: 0, Den: 1}
		}
		res, err := Run(context.Background(), Input{Media: media(p, nil)}, func(int) (io.WriteSeeker, error) { return &memFile{}, nil }, o)
		if err != nil || res.Beats != day {
			t.Errorf("length known %v: a day: %v", known, err)
		}
		p.next, p.count, p.info.Frames = 0, 3, 3*p.info.Frames/2
		p.info.Duration.Num = 3 * p.info.Duration.Num / 2
		if _, err := Run(context.Background(), Input{Media: media(p, nil)}, func(int) (io.WriteSeeker, error) { return &memFile{}, nil }, o); !errors.As(err, &long) {
			t.Errorf("length known %v: a day and a half: %v", known, err)
		}
	}
}

func TestADPCMIsEncodedBeatByBeat(t *testing.T) {
	o := tiny()
	o.ADPCM = true
	o.Sound = &sound.Format{RateNum: 22050, RateDen: 1, Channels: 2, Bits: 8}
	res, data, _, _ := run(t, Input{Media: media(steady(50, 30000, 1001), &fakeSound{rate: 44100, channels: 2, frames: 4 * 44100})}, o)
	h := res.Headers[0]
	if h.SoundCoding != container.IMAADPCM {
		t.Fatalf("sound coding %v", h.SoundCoding)
	}
	r, err := container.NewReader(bytes.NewReader(data), int64(len(data)), container.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	all := 0
	for n := range h.Beats {
		coded, err := r.Sound(n)
		if err != nil {
			t.Fatal(err)
		}
		samples := h.Timing().Samples(n)
		wave := make([]int16, 2*samples)
		if err := sample.DecodeADPCM(wave, coded, samples, 2); err != nil {
			t.Fatalf("beat %d: %v", n, err)
		}
		all += samples
		for i, v := range wave { // half of full scale, but for the filter's first samples
			if all > 2*samples && (v < 16000 || v > 16800) {
				t.Fatalf("beat %d sample %d: %d, want about 16384", n, i, v)
			}
		}
	}
	if want := int(h.Timing().FirstSample(h.Beats)); all != want {
		t.Errorf("%d samples, want %d", all, want)
	}
}

func TestASourceShorterThanHalfABeatGetsOne(t *testing.T) {
	o := tiny()
	o.RateLimit = source.Ratio{Num: 40, Den: 1}
	res, _, shown, _ := run(t, Input{Media: media(steady(1, 120, 1), nil)}, o)
	if res.Beats != 1 || len(shown) != 1 || shown[0] != 0 {
		t.Errorf("%d beats showing %v, want one showing picture 0", res.Beats, shown)
	}
}

// blinks is black and white in turn, so many times a second each, for some seconds.
type blinks struct{ hz, seconds, next int64 }

func (b *blinks) Info() source.PicturesInfo {
	return source.PicturesInfo{Width: 1, Height: 1, Rate: source.Ratio{Num: 2 * b.hz, Den: 1}, Tick: source.Ratio{Num: 1, Den: 2 * b.hz}}
}
func (b *blinks) Close() error { return nil }
func (b *blinks) Next(context.Context) (*source.Timed, error) {
	if b.next == 2*b.hz*b.seconds {
		return nil, io.EOF
	}
	grey := image.NewGray(image.Rect(0, 0, 1, 1))
	grey.SetGray(0, 0, color.Gray{uint8(255 * (b.next % 2))})
	b.next++
	return &source.Timed{Picture: picture.Picture{Image: grey}, At: b.next - 1, Until: b.next}, nil
}

// Flashes are found in the clip at its own rate: three a second pass, five do not, and five
// packed at two pictures a second are none.
func TestFlashesOfTheClipAreFound(t *testing.T) {
	for _, c := range []struct {
		hz     int64
		rate   source.Ratio
		loops  bool
		passes bool
	}{{3, source.Ratio{Num: 30, Den: 1}, false, true}, {5, source.Ratio{Num: 30, Den: 1}, false, false}, {5, source.Ratio{Num: 2, Den: 1}, true, true}} {
		var f memFile
		r, err := Run(context.Background(), Input{Media: &source.Media{Pictures: &blinks{hz: c.hz, seconds: 3}}}, func(int) (io.WriteSeeker, error) { return &f, nil }, Options{
			Picture: picture.Options{Width: 8, Height: 8, Format: pixel.RGB565, Tone: picture.DefaultTone()}, Rate: c.rate, Loops: c.loops,
		})
		if err != nil {
			t.Fatal(err)
		}
		if r.Flash.Passes() != c.passes {
			t.Errorf("%d a second at %v: %+v, want passes %v", c.hz, c.rate, r.Flash, c.passes)
		}
	}
}
