package fill

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"example.org/stampreel/transcode"
	"example.org/stampreel/transcode/source"
)

func TestAClipHasItsNameOnlyWhenItIsWhole(t *testing.T) {
	dir := t.TempDir()
	src := put(t, dir, "a.gif", madeGIF(t, 20))
	card := t.TempDir()
	path := put(t, card, "a.srq", []byte("old"))
	s := sign(t)
	s.Coding = Raw // beats are written at once
	var during []string
	var total, counted int64
	p, err := s.Pack(background, Job{
		Source: src, Clip: path,
		Expect: func(n int64) { total = n },
		Beats: func(n int64) {
			if counted += n; counted == 10 {
				during = tree(t, card)
				if old, _ := os.ReadFile(path); string(old) != "old" {
					t.Errorf("while packing the clip holds %q", old)
				}
			}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(during) != 2 || !strings.HasPrefix(during[0], ".stampreel-") || during[1] != "a.srq" {
		t.Errorf("while packing: %q, want a temporary file and the old clip", during)
	}
	left(t, card, "a.srq")
	_, h := clip(t, path)
	if total != 20 || counted != 20 || h.Beats != 20 || !h.Loop() || p.Headers[0] != h || p.Kind != source.KindAnimation {
		t.Errorf("expected %d, counted %d, header %+v, packed %+v", total, counted, h, p)
	}
	if info, _ := os.Stat(path); info.Size() != p.Bytes {
		t.Errorf("%d bytes, said %d", info.Size(), p.Bytes)
	}
}

// Sources that fail in different places: before the first picture, in the
// middle, in the sound, in what was asked for.
func TestAFailureLeavesTheOldClipAndNothingElse(t *testing.T) {
	dir := t.TempDir()
	good := put(t, dir, "good.gif", madeGIF(t, 20))
	animation := madeGIF(t, 20)
	// A picture in the middle begins with a code that its table does not have
	// yet: behind ten bytes of descriptor, four colours, a size and a length.
	at := bytes.Index(animation[len(animation)/2:], []byte{0x2c, 0, 0, 0, 0}) + len(animation)/2
	lzw := bytes.Clone(animation)
	lzw[at+10+4*3+2] = 0xff
	cases := []struct {
		name string
		s    func(*Settings)
		job  Job
	}{
		{"missing", nil, Job{Source: filepath.Join(dir, "missing.gif")}},
		{"empty", nil, Job{Source: put(t, dir, "empty.gif", nil)}},
		{"no kind", nil, Job{Source: put(t, dir, "no kind.gif", []byte("not an animation"))}},
		{"nothing left", func(s *Settings) { s.From = source.Ratio{Num: 99, Den: 1} }, Job{Source: good}},
		{"too long", func(s *Settings) { s.Hold = source.Ratio{Num: 1e6, Den: 1} }, Job{Source: put(t, dir, "too long.png", madePNG(t, 4, 4, 1))}},
		{"missing sound", nil, Job{Source: good, Sound: filepath.Join(dir, "missing sound.wav")}},
		{"no sound", nil, Job{Source: good, Sound: put(t, dir, "no sound.png", madePNG(t, 4, 4, 1))}},
		{"half a stream", nil, Job{Source: "-", Stdin: strings.NewReader("YUV4MPEG2 W4 H4 F25:1\nFRAMX\n")}},
		{"broken stream", nil, Job{Source: "-", Stdin: &breaking{data: madeY4M(8, 8, 30, 25), after: 2000}}},
		{"lzw", nil, Job{Source: put(t, dir, "lzw.gif", lzw)}},
		{"a sample a second", nil, Job{Source: put(t, dir, "a sample a second.wav", slowWAV(t))}},
		{"PNG", nil, Job{Source: put(t, dir, "PNG.png", append(madePNG(t, 64, 64, 1)[:100], make([]byte, 500)...))}},
	}
	for _, c := range cases {
		card := t.TempDir()
		path := put(t, card, "clip.srq", []byte("old"))
		s := sign(t)
		if c.s != nil {
			c.s(&s)
		}
		c.job.Clip = path
		p, err := s.Pack(background, c.job)
		if err == nil || p != nil {
			t.Errorf("%s: no error: %+v", c.name, p)
			continue
		}
		name := filepath.Base(c.job.Source)
		if c.job.Source == "-" {
			name = "standard input"
		}
		if c.job.Sound != "" {
			name = ""
		}
		if !strings.Contains(err.Error(), name) {
			t.Errorf("%s: the error names no file: %v", c.name, err)
		}
		left(t, card, "clip.srq")
		if old, _ := os.ReadFile(path); string(old) != "old" {
			t.Errorf("%s: the old clip holds %q", c.name, old)
		}
	}
}

// breaking is a pipe that fails.
type breaking struct {
	data  []byte
	after int
}

var errPipe = errors.New("the pipe broke")

func (b *breaking) Read(p []byte) (int, error) {
	if b.after == 0 {
		return 0, errPipe
	}
	n := copy(p, b.data[:b.after])
	b.data, b.after = b.data[n:], b.after-n
	return n, nil
}

func TestACancelledPackLeavesNothing(t *testing.T) {
	dir, card := t.TempDir(), t.TempDir()
	src := put(t, dir, "a.y4m", madeY4M(64, 32, 500, 25))
	for _, when := range []int64{1, 250, 499} {
		ctx, cancel := context.WithCancel(background)
		n := int64(0)
		s := sign(t)
		s.Workers = 2
		_, err := s.Pack(ctx, Job{Source: src, Clip: filepath.Join(card, "a.srq"), Beats: func(int64) {
			if n++; n == when {
				cancel()
			}
		}})
		if !errors.Is(err, context.Canceled) {
			t.Errorf("cancelled at beat %d: %v", when, err)
		}
		left(t, card)
		cancel()
	}
}

func TestAFullCardIsAnErrorThatNamesTheClip(t *testing.T) {
	card := smallDisk(t, "300k")
	dir := t.TempDir()
	s := sign(t)
	put(t, dir, "a-fits.gif", madeGIF(t, 10))
	put(t, dir, "b-does-not.y4m", madeY4M(64, 32, 300, 25)) // 300 beats of 3 sectors: 460 KB
	put(t, dir, "c-fits.gif", madeGIF(t, 10))
	items, _, err := Find(background, dir, card)
	if err != nil {
		t.Fatal(err)
	}
	outcomes, err := Run(background, dir, card, items, s, Options{Workers: 1}, Events{})
	if err != nil {
		t.Fatal(err)
	}
	if outcomes[0].Err != nil || outcomes[2].Err != nil {
		t.Errorf("the clips that fit: %v, %v", outcomes[0].Err, outcomes[2].Err)
	}
	err = outcomes[1].Err
	if !errors.Is(err, syscall.ENOSPC) || !strings.Contains(err.Error(), filepath.Join(card, "b-does-not.srq")) || strings.Contains(err.Error(), ".stampreel-") {
		t.Errorf("the clip that does not: %v", err)
	}
	left(t, card, "a-fits.srq", "c-fits.srq")
	clip(t, filepath.Join(card, "a-fits.srq"))
	clip(t, filepath.Join(card, "c-fits.srq"))
}

func TestAClipThatCannotGetItsNameIsAnError(t *testing.T) {
	dir, card := t.TempDir(), t.TempDir()
	src := put(t, dir, "a.gif", madeGIF(t, 3))
	put(t, card, "a.srq/in the way", nil)
	s := sign(t)
	if _, err := s.Pack(background, Job{Source: src, Clip: filepath.Join(card, "a.srq")}); err == nil || !strings.Contains(err.Error(), "a.srq") || strings.Contains(err.Error(), ".stampreel-") {
		t.Errorf("a folder in the way: %v", err)
	}
	left(t, card, "a.srq/in the way")
	if _, err := s.Pack(background, Job{Source: src, Clip: filepath.Join(card, "gone", "a.srq")}); !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), filepath.Join("gone", "a.srq")) {
		t.Errorf("a folder that is not there: %v", err)
	}
}

// longer is a video of 30 seconds: 750 beats, 2250 sectors or so.
func longer() []byte { return madeY4M(16, 8, 750, 25) }

func TestPartsAreNamedAndComeTogether(t *testing.T) {
	dir, card := t.TempDir(), t.TempDir()
	src := put(t, dir, "film.y4m", longer())
	s := sign(t)
	s.PartSectors = 700
	path := filepath.Join(card, "film.srq")
	p, err := s.Pack(background, Job{Source: src, Clip: path})
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Files) < 3 || len(p.Headers) != len(p.Files) || p.Files[0] != path || p.Files[1] != filepath.Join(card, "film.part2.srq") {
		t.Fatalf("files %q", p.Files)
	}
	next, size := uint32(0), int64(0)
	for i, name := range p.Files {
		_, h := clip(t, name)
		if h.FirstBeat != next || int(h.Part) != i || h.Continues() != (i < len(p.Files)-1) || int64(h.FileSectors) > s.PartSectors {
			t.Errorf("%s: part %d from beat %d, %d sectors, goes on: %v", name, h.Part, h.FirstBeat, h.FileSectors, h.Continues())
		}
		if h.Identity != p.Headers[0].Identity {
			t.Errorf("%s has another identity", name)
		}
		next += h.Beats
		size += int64(h.FileSectors) * 512
	}
	if next != 750 || size != p.Bytes {
		t.Errorf("%d beats in %d bytes, want 750 in %d", next, size, p.Bytes)
	}

	// In one part again: the others go, and what only looks like one stays.
	put(t, card, "film.part9.srq", []byte("something else"))
	s.PartSectors = 0
	if _, err := s.Pack(background, Job{Source: src, Clip: path}); err != nil {
		t.Fatal(err)
	}
	left(t, card, "film.part9.srq", "film.srq")
}

func TestPartsThatCannotAllGetTheirNamesGetNone(t *testing.T) {
	dir := t.TempDir()
	src := put(t, dir, "film.y4m", longer())
	for _, blocked := range []string{"film.srq", "film.part2.srq", "film.part3.srq"} {
		card := t.TempDir()
		put(t, card, blocked+"/in the way", nil)
		want := []string{blocked + "/in the way"}
		if blocked != "film.srq" {
			put(t, card, "film.srq", []byte("old"))
			want = append(want, "film.srq")
		}
		s := sign(t)
		s.PartSectors = 700
		if _, err := s.Pack(background, Job{Source: src, Clip: filepath.Join(card, "film.srq")}); err == nil || !strings.Contains(err.Error(), blocked) {
			t.Errorf("%s in the way: %v", blocked, err)
		}
		left(t, card, want...)
	}
}

func TestOneBadSourceDoesNotStopTheRest(t *testing.T) {
	dir, card := t.TempDir(), filepath.Join(t.TempDir(), "new", "card")
	put(t, dir, "a-slow.y4m", madeY4M(320, 240, 100, 25))
	put(t, dir, "b-bad.gif", []byte("GIF89a"))
	put(t, dir, "c/good.gif", madeGIF(t, 3))
	put(t, dir, "d.wav", madeWAV(t, 8000, 1, 8000))
	items, _, err := Find(background, dir, card)
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	begun, ended := 0, map[string]bool{}
	outcomes, err := Run(background, dir, card, items, sign(t), Options{Workers: 3}, Events{
		Begin: func(Item) { mu.Lock(); begun++; mu.Unlock() },
		End:   func(o Outcome) { mu.Lock(); ended[o.Source] = o.Err == nil; mu.Unlock() },
	})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"a-slow.y4m", "b-bad.gif", "c/good.gif", "d.wav"} {
		o := outcomes[i]
		if o.Source != want || (o.Err != nil) != (want == "b-bad.gif") || (o.Packed == nil) != (o.Err != nil) || (o.Verdict == nil) != (o.Err != nil) || ended[want] != (o.Err == nil) {
			t.Errorf("outcome %d: %+v, want that of %s", i, o, want)
		}
	}
	if begun != 4 || len(ended) != 4 {
		t.Errorf("%d begun, %d ended, want 4", begun, len(ended))
	}
	left(t, card, "a-slow.srq", "c/good.srq", "d.srq")
}

func TestTheNumberOfWorkersChangesNoByte(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "film.y4m", madeY4M(64, 48, 60, 25))
	put(t, dir, "film.wav", madeWAV(t, 44100, 2, 44100*2))
	put(t, dir, "move.gif", madeGIF(t, 40))
	put(t, dir, "sound.wav", madeWAV(t, 22050, 1, 22050))
	for i := range 4 {
		put(t, dir, "still/"+string(rune('a'+i))+".png", madePNG(t, 50+i, 40, i))
	}
	items, _, err := Find(background, dir, "")
	if err != nil || len(items) != 7 {
		t.Fatalf("%v, %v", items, err)
	}
	players := []string{"mono-128x64", "rect-240x135"}
	if testing.Short() {
		players = players[:1]
	}
	for _, player := range players {
		first := map[string][]byte{}
		for _, workers := range []int{1, 2, 5} {
			card := t.TempDir()
			s := Settings{Player: known(t, player)}
			if _, err := Run(background, dir, card, items, s, Options{Workers: workers}, Events{}); err != nil {
				t.Fatal(err)
			}
			for _, name := range tree(t, card) {
				got, err := os.ReadFile(filepath.Join(card, name))
				if err != nil {
					t.Fatal(err)
				}
				// The same with the workers inside one clip.
				s.Workers = workers
				for _, it := range items {
					if it.Clip == name {
						alone := filepath.Join(t.TempDir(), "alone.srq")
						if _, err := s.Pack(background, Job{Source: joined(dir, it.Source), Sound: joined(dir, it.Sound), Clip: alone}); err != nil {
							t.Fatal(err)
						}
						if b, _ := os.ReadFile(alone); !bytes.Equal(b, got) {
							t.Errorf("%s: packed alone by %d workers it has other bytes", name, workers)
						}
					}
				}
				if first[name] == nil {
					first[name] = got
				}
				if !bytes.Equal(got, first[name]) {
					t.Errorf("%s: %d workers make other bytes", name, workers)
				}
			}
			if len(first) != 7 {
				t.Errorf("%d clips, want 7", len(first))
			}
		}
	}
}

func TestACancelledRunEndsSoonAndLeavesWholeClipsOnly(t *testing.T) {
	dir, card := t.TempDir(), t.TempDir()
	put(t, dir, "a.gif", madeGIF(t, 3))
	for _, name := range []string{"b.y4m", "c.y4m", "d.y4m"} {
		put(t, dir, name, madeY4M(640, 480, 60, 25))
	}
	items, _, err := Find(background, dir, card)
	if err != nil {
		t.Fatal(err)
	}
	before := runtime.NumGoroutine()
	ctx, cancel := context.WithCancel(background)
	defer cancel()
	var since time.Time
	once := sync.Once{}
	beats := 0
	outcomes, err := Run(ctx, dir, card, items, sign(t), Options{Workers: 1}, Events{Beats: func(int64) {
		if beats++; beats == 10 {
			once.Do(func() { since = time.Now(); cancel() })
		}
	}})
	took := time.Since(since)
	if !errors.Is(err, context.Canceled) || outcomes != nil {
		t.Errorf("got %v, %v", outcomes, err)
	}
	// A picture or two may be finished; the videos would take a second.
	t.Logf("ended %v after it was cancelled, at beat %d", took, beats)
	if beats > 20 {
		t.Errorf("%d beats were packed, cancelled at 10", beats)
	}
	left(t, card, "a.srq")
	clip(t, filepath.Join(card, "a.srq"))
	for range 100 {
		if runtime.NumGoroutine() <= before {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("%d goroutines, %d before", runtime.NumGoroutine(), before)
}

func TestLeftoversOfAKilledRunGo(t *testing.T) {
	dir, card := t.TempDir(), t.TempDir()
	put(t, dir, "sub/a.gif", madeGIF(t, 3))
	put(t, dir, "b.gif", madeGIF(t, 3))
	put(t, card, ".stampreel-123.part", []byte("half"))
	put(t, card, "sub/.stampreel-456.part", []byte("half"))
	put(t, card, "sub/mine.txt", nil)
	items, _, err := Find(background, dir, card)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Run(background, dir, card, items, sign(t), Options{Workers: 2}, Events{}); err != nil {
		t.Fatal(err)
	}
	left(t, card, "b.srq", "sub/a.srq", "sub/mine.txt")
}

func TestACardThatCannotBeWrittenFailsTheRun(t *testing.T) {
	dir := t.TempDir()
	file := put(t, dir, "a.gif", madeGIF(t, 1))
	_, err := Run(background, dir, file, []Item{{Source: "a.gif", Clip: "a.srq"}}, sign(t), Options{Workers: 1}, Events{})
	if err == nil || !strings.Contains(err.Error(), "a.gif") {
		t.Errorf("a file for a card: %v", err)
	}
}

func TestASourceOfYearsIsRefused(t *testing.T) {
	dir, card := t.TempDir(), t.TempDir()
	years := "YUV4MPEG2 W2 H2 F1:1000000000 C444\n" + strings.Repeat("FRAME\n............", 2)
	s := sign(t)
	var long *transcode.LengthError
	for _, job := range []Job{
		{Source: put(t, dir, "years.y4m", []byte(years))},
		{Source: "-", Stdin: strings.NewReader(years)},
	} {
		job.Clip = filepath.Join(card, "clip.srq")
		if _, err := s.Pack(background, job); !errors.As(err, &long) || len(long.Tries()) == 0 || !strings.Contains(err.Error(), job.Source) {
			t.Errorf("%s: %v", job.Source, err)
		}
	}
	left(t, card)
	s.To = source.Ratio{Num: 10, Den: 1}
	if p, err := s.Pack(background, Job{Source: filepath.Join(dir, "years.y4m"), Clip: filepath.Join(card, "clip.srq")}); err != nil || p.Result.Beats != 10 {
		t.Errorf("ten seconds of it: %v", err)
	}
}

// slowWAV states one sample a second.
func slowWAV(t *testing.T) []byte {
	b := madeWAV(t, 8000, 1, 1000)
	b[24], b[25], b[28], b[29] = 1, 0, 2, 0
	return b
}
