package fill

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"example.org/stampreel/transcode/source"
)

// muxed are files that the system's codecs decode: of each the coding of the
// pictures, that of the sound, and the container; and the samples of silence that
// the encoder of the sound put before it, which no field of the file tells of.
var muxed = []struct {
	name, file, video, audio, mux string
	padding                       int
	even                          bool // made of pictures that last as long alone
}{
	{"MP4 of H.264 with B-frames and AAC", "film.mp4", "x264enc pass=qual quantizer=5 bframes=3 key-int-max=25", "avenc_aac bitrate=128000", "mp4mux", 1024, false},
	{"QuickTime of H.264 and PCM", "film.mov", "x264enc pass=qual quantizer=5 bframes=2", "audio/x-raw,format=S16LE", "qtmux", 0, false},
	{"Matroska of H.264 and FLAC", "film.mkv", "x264enc pass=qual quantizer=5 bframes=3", "flacenc", "matroskamux", 0, false},
	{"Matroska of H.265 and MP3", "film.mkv", "x265enc option-string=crf=5 ! h265parse", "lamemp3enc", "matroskamux", 1105, true},
	{"WebM of VP8 and Vorbis", "film.webm", "vp8enc timebase=1/1000 deadline=1 target-bitrate=2000000", "vorbisenc quality=0.7", "webmmux", 0, false},
	{"WebM of VP9 and Opus", "film.webm", "vp9enc timebase=1/1000 deadline=1 target-bitrate=2000000", "opusenc", "webmmux", 0, false},
	{"AVI of MPEG-4 and MP3", "film.avi", "avenc_mpeg4 bitrate=4000000", "lamemp3enc target=bitrate cbr=true", "avimux", 1105, true},
	{"AVI of Motion JPEG and MP3", "film.avi", "jpegenc quality=95", "lamemp3enc target=bitrate cbr=true", "avimux", 1105, true},
	{"transport stream of H.264 and AAC", "film.ts", "x264enc pass=qual quantizer=5 bframes=2", "avenc_aac bitrate=128000", "mpegtsmux", 1024, false},
	{"transport stream of MPEG-2 and MP2", "film.ts", "mpeg2enc format=3 quantisation=1 ! mpegvideoparse", "twolamemp2enc ! mpegaudioparse", "mpegtsmux", 481, true},
	{"FLV of H.264 and AAC", "film.flv", "x264enc pass=qual quantizer=5", "avenc_aac bitrate=128000", "flvmux", 1024, false},
	{"Ogg of Theora and Vorbis", "film.ogv", "theoraenc quality=60", "vorbisenc quality=0.7", "oggmux", 0, true},
}

// files are those to try: in a hurry one of each six.
func files() (some []int) {
	for i := range muxed {
		if !testing.Short() || i%6 == 0 {
			some = append(some, i)
		}
	}
	return some
}

// heard is a film as it must play from a file whose sound has so many samples
// put before it. The last picture stays as long as there is sound, which ends
// with a whole block of its coding.
func (f *film) heard(t *testing.T, padding int, got *seen) *film {
	t.Helper()
	g := *f
	g.beeps = nil
	for _, b := range f.beeps {
		g.beep(b + float64(padding)/videoRate)
	}
	const block = 1152. / videoRate // of MP3, the longest of those used here
	end := float64(len(got.number)) * got.beat()
	if end < f.duration()-got.beat()/2 || end > f.duration()+float64(padding)/videoRate+block+got.beat() {
		t.Errorf("%.3f s of a film of %.3f s with %d samples more", end, f.duration(), padding)
	}
	g.at = append(slices.Clone(f.at[:f.pictures()]), int64(math.Round(end/f.tick.Float())))
	return &g
}

// packVideo packs a file that is whole.
func packVideo(t *testing.T, s Settings, path string) *seen {
	t.Helper()
	clip := filepath.Join(t.TempDir(), "film.srq")
	p, err := s.Pack(background, Job{Source: path, Clip: clip})
	if err != nil {
		t.Fatal(err)
	}
	if p.Result.Incomplete {
		t.Errorf("%s: incomplete: %q", path, p.Result.Warnings)
	}
	return watch(t, clip)
}

func TestPictureAndSoundOfAVideoStartTogether(t *testing.T) {
	films := []*film{steady(25, 1, 75, 12, 36, 60), steady(30000, 1001, 90, 14, 44, 71)}
	for _, f := range films {
		for i, offset := range []float64{0, 0.1234, -0.0567} {
			f.beep(f.seconds(f.flash[i]) + offset)
		}
	}
	for _, i := range files() {
		m := muxed[i]
		t.Run(m.name, func(t *testing.T) {
			for i, f := range films {
				path := f.mux(t, t.TempDir(), m.file, m.video, m.audio, m.mux, 0, f.duration())
				got := packVideo(t, Settings{Player: speaking(t, "grey8", speakers[4*i+1].sound), Workers: 2}, path)
				miss := got.misses(t, f.heard(t, m.padding, got), 0)
				t.Logf("%v pictures a second, %v beats: %v", 1/f.tick.Float(), got.head.Rate(), miss)
				if miss.apart > 0.005 || miss.beep > 0.005 || miss.flash > got.beat()/2+1e-9 || miss.picture > 0.5+1e-9 {
					t.Errorf("%v pictures a second: %v", 1/f.tick.Float(), miss)
				}
			}
		})
	}
}

func TestEveryPictureOfAVideoIsWithinHalfABeatOfItsTime(t *testing.T) {
	notShort(t)
	rng := rand.New(rand.NewPCG(4, 2))
	var ticks []int64 // milliseconds
	for range 60 {
		ticks = append(ticks, 11+rng.Int64N(150))
	}
	f := uneven(source.Ratio{Num: 1, Den: 1000}, ticks, 11, 30, 50)
	for _, k := range f.flash {
		f.beep(f.seconds(k) + 0.0303)
	}
	var rates []source.Ratio
	for _, r := range [][2]int64{{0, 1}, {25, 1}, {30000, 1001}, {25, 2}, {50, 3}, {47, 1}} {
		rates = append(rates, source.Ratio{Num: r[0], Den: r[1]})
	}
	dir := t.TempDir()
	paths := map[string]string{"Matroska of Motion JPEG and PCM": put(t, dir, "film.mkv", f.matroska(t, 1_000_000, 0, f.duration()))}
	padding := map[string]int{}
	for _, i := range files() {
		if m := muxed[i]; !m.even {
			paths[m.name] = f.mux(t, t.TempDir(), m.file, m.video, m.audio, m.mux, 0, f.duration())
			padding[m.name] = m.padding
		}
	}
	for _, name := range slices.Sorted(maps.Keys(paths)) {
		t.Run(name, func(t *testing.T) {
			for i, rate := range rates {
				got := packVideo(t, Settings{Player: speaking(t, "rgb565", speakers[3*i%len(speakers)].sound), Workers: 2, Rate: rate}, paths[name])
				miss := got.misses(t, f.heard(t, padding[name], got), 0)
				t.Logf("%v beats a second: %v", got.head.Rate(), miss)
				if miss.picture > 0.5+1e-9 || miss.flash > got.beat()/2+1e-9 || miss.beep > 0.005 {
					t.Errorf("%v beats a second: %v", got.head.Rate(), miss)
				}
				if rate.Num == 0 && got.head.Rate().Float() != 30 {
					t.Errorf("%v beats a second of a video without a rate", got.head.Rate())
				}
			}
		})
	}
}

// A stream that begins later than the other keeps its time: before the sound is
// silence, before the first picture stands that picture.
func TestAStreamOfAVideoThatBeginsLaterDoesSoInTheClip(t *testing.T) {
	notShort(t)
	gstLaunch(t)
	const seconds = 0.4
	for _, late := range []string{"sound", "picture"} {
		f := steady(25, 1, 75, 22, 46, 70)
		from := seconds
		if late == "picture" {
			from = 0
			for i := range f.at {
				f.at[i] += seconds * 25
			}
		}
		for i, offset := range []float64{0, 0.1234, -0.0567} {
			f.beep(f.seconds(f.flash[i]) + offset)
		}
		want := *f
		want.at = append([]int64{0}, f.at[1:]...)
		check := func(name, path string, padding int) {
			t.Run("late "+late+", "+name, func(t *testing.T) {
				got := packVideo(t, Settings{Player: speaking(t, "grey8", speakers[7].sound), Workers: 2, Rate: source.Ratio{Num: 25, Den: 1}}, path)
				miss := got.misses(t, want.heard(t, padding, got), 0)
				t.Log(miss)
				if miss.apart > 0.005 || miss.beep > 0.005 || miss.flash > 1e-9 || miss.picture > 1e-9 {
					t.Error(miss)
				}
			})
		}
		check("Matroska of Motion JPEG and PCM", put(t, t.TempDir(), "film.mkv", f.matroska(t, 1_000_000, from, f.duration())), 0)
		for _, i := range files() {
			switch m := muxed[i]; {
			case m.mux == "avimux": // states no beginnings
			case m.mux == "mpegtsmux" && late == "picture": // and its clock begins with the pictures
			default:
				check(m.name, f.mux(t, t.TempDir(), m.file, m.video, m.audio, m.mux, from, f.duration()), m.padding)
			}
		}
	}
}

// The last picture stays as long as there is sound; behind the last of the sound
// is silence.
func TestWhatOfAVideoEndsEarlierWaitsForTheOther(t *testing.T) {
	notShort(t)
	gstLaunch(t)
	f := steady(25, 1, 75, 22, 46, 70).beep(0.5, 1.5, 2.2)
	for _, seconds := range []float64{2.4, 3, 5} {
		check := func(name, path string, block float64) {
			t.Run(fmt.Sprintf("%g s of sound, %s", seconds, name), func(t *testing.T) {
				got := packVideo(t, Settings{Player: speaking(t, "grey8", speakers[1].sound), Workers: 2}, path)
				beats := int(math.Round(max(3, seconds) * 25))
				if n := len(got.number); n < beats || n > beats+int(math.Ceil(block*25)) {
					t.Errorf("%d beats, want %d", n, beats)
				}
				for n := range got.number {
					if k := min(n, 74); got.number[n] != k {
						t.Errorf("beat %d shows picture %d, want %d", n, got.number[n], k)
					}
				}
				for i, v := range got.sound {
					if at := float64(i) / got.head.SampleRate().Float(); at > 2.4 && math.Abs(v) > 0.01 {
						t.Errorf("at %.3f s is a sound", at)
						break
					}
				}
				if len(got.beeps()) != 3 {
					t.Errorf("beeps at %.3f s, want 3", got.beeps())
				}
			})
		}
		check("Matroska of Motion JPEG and PCM", put(t, t.TempDir(), "film.mkv", f.matroska(t, 1_000_000, 0, seconds)), 0)
		for _, i := range files()[:4] {
			m := muxed[i]
			check(m.name, f.mux(t, t.TempDir(), m.file, m.video, m.audio, m.mux, 0, seconds), float64(m.padding+1152)/videoRate)
		}
	}
}

// From and To are of the file's own time, whatever pictures another decoder would
// have to begin with.
func TestAPartOfAVideoStartsWithBoth(t *testing.T) {
	notShort(t)
	gstLaunch(t)
	f := steady(25, 1, 200, 50, 90, 150).beep(2.05, 3.6, 5.93)
	check := func(name, path string, padding int) {
		t.Run(name, func(t *testing.T) {
			for _, from := range []source.Ratio{{Num: 1, Den: 1}, {Num: 33, Den: 25}, {Num: 4, Den: 3}} {
				s := Settings{Player: speaking(t, "grey8", speakers[7].sound), Workers: 2, Rate: source.Ratio{Num: 25, Den: 1}, From: from, To: source.Ratio{Num: 7, Den: 1}}
				got := packVideo(t, s, path)
				g := f.heard(t, padding, &seen{head: got.head, number: make([]int, 200)})
				miss := got.misses(t, g, from.Float())
				t.Logf("from %.3f s: %v", from.Float(), miss)
				if miss.beep > 0.005 || miss.picture > 0.5+1e-9 || from.Den != 3 && (miss.apart > 0.005 || miss.picture > 1e-6) {
					t.Errorf("from %.3f s: %v", from.Float(), miss)
				}
			}
		})
	}
	check("Matroska of Motion JPEG and PCM", put(t, t.TempDir(), "film.mkv", f.matroska(t, 1_000_000, 0, f.duration())), 0)
	for _, i := range files() {
		m := muxed[i]
		check(m.name, f.mux(t, t.TempDir(), m.file, m.video, m.audio, m.mux, 0, f.duration()), m.padding)
	}
}

// edit is a line of an edit list: so long, from some time of the track on; or so
// long nothing, from -1 on. In seconds.
type edit struct{ length, from float64 }

// edited copies an MP4 and gives its first track of a kind, "vide" or "soun",
// another edit list (ISO/IEC 14496-12, 8.6.6), the file lasting as long as this
// says. Times of the track count from where the first edit before began, as is
// necessary where pictures are out of order.
func edited(t *testing.T, path, name, kind string, edits ...edit) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	be := binary.BigEndian
	box := func(kind string, parts ...[]byte) []byte {
		data := append([]byte(kind), bytes.Join(parts, nil)...)
		return append(be.AppendUint32(nil, uint32(len(data)+4)), data...)
	}
	// split calls each with the boxes of data, and joins what it returns.
	split := func(data []byte, each func(kind string, data []byte) []byte) (out []byte) {
		for len(data) > 0 {
			n := int(be.Uint32(data))
			if n < 8 || n > len(data) {
				t.Fatalf("%s: a box of %d bytes in %d", path, n, len(data))
			}
			out = append(out, each(string(data[4:8]), data[8:n])...)
			data = data[n:]
		}
		return out
	}
	inside := func(data []byte, names ...string) (found []byte) {
		for _, name := range names {
			found = nil
			split(data, func(kind string, data []byte) []byte {
				if kind == name && found == nil {
					found = data
				}
				return nil
			})
			data = found
		}
		return found
	}
	movie := float64(be.Uint32(inside(data, "moov", "mvhd")[12:])) // units a second
	whole := 0.
	for _, e := range edits {
		whole += e.length
	}
	length := uint32(math.Round(whole * movie))
	done := false
	out := split(data, func(name string, data []byte) []byte {
		if name == "moov" {
			data = split(data, func(name string, data []byte) []byte {
				if name == "trak" && string(inside(data, "mdia", "hdlr")[8:12]) == kind && !done {
					done = true
					be.PutUint32(inside(data, "tkhd")[20:], length)
					media, begin := float64(be.Uint32(inside(data, "mdia", "mdhd")[12:])), uint32(0)
					if list := inside(data, "edts", "elst"); list != nil {
						begin = be.Uint32(list[12:]) // of its first line
					}
					list := be.AppendUint32(make([]byte, 4), uint32(len(edits)))
					for _, e := range edits {
						at := uint32(math.Round(e.from*media)) + begin
						if e.from < 0 {
							at = math.MaxUint32
						}
						list = be.AppendUint32(be.AppendUint32(list, uint32(math.Round(e.length*movie))), at)
						list = append(list, 0, 1, 0, 0)
					}
					rest := split(data, func(name string, data []byte) []byte {
						if name == "edts" {
							return nil
						}
						return box(name, data)
					})
					data = append(rest, box("edts", box("elst", list))...)
				}
				return box(name, data)
			})
		}
		return box(name, data)
	})
	if !done || bytes.Index(out, []byte("mdat")) != bytes.Index(data, []byte("mdat")) {
		t.Fatalf("%s: no %s track, or before its samples", path, kind)
	}
	be.PutUint32(inside(out, "moov", "mvhd")[16:], length)
	return put(t, filepath.Dir(path), name, out)
}

func TestEditListsOfAnMP4AreObeyed(t *testing.T) {
	notShort(t)
	f := steady(25, 1, 150, 52, 76, 120).beep(2.08, 3.1634, 4.7433)
	dir, m := t.TempDir(), muxed[0]
	film := f.mux(t, dir, m.file, m.video, m.audio, m.mux, 0, f.duration())
	const padding = 1024. / videoRate
	sound := edited(t, film, "sound.mp4", "soun", edit{6, padding})
	for _, c := range []struct {
		name, path           string
		late, sooner, length float64 // seconds: of the pictures, of the sound, in all
		short                bool    // may end earlier, if it is said
	}{
		{"what the encoder put before the sound is cut off", sound, 0, 0, 6, false},
		{"the pictures begin later", edited(t, sound, "pictures.mp4", "vide", edit{0.4, -1}, edit{6, 0}), 0.4, 0, 6.4, false},
		{"the sound begins later", edited(t, film, "late.mp4", "soun", edit{0.4, -1}, edit{6, padding}), 0, -0.4, 6.4, false},
		// GStreamer 1.22 ends such a file as much earlier as it begins later.
		{"the beginning is cut off", edited(t, edited(t, film, "cut.mp4", "vide", edit{4.8, 1.2}), "cut.mp4", "soun", edit{4.8, 1.2 + padding}), -1.2, 1.2, 4.8, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := Settings{Player: speaking(t, "grey8", speakers[7].sound), Workers: 2, Rate: source.Ratio{Num: 25, Den: 1}}
			clip := filepath.Join(t.TempDir(), "film.srq")
			p, err := s.Pack(background, Job{Source: c.path, Clip: clip})
			if err != nil {
				t.Fatal(err)
			}
			got := watch(t, clip)
			if whole := len(got.number) == int(math.Round(25*c.length)); whole == p.Result.Incomplete || !whole && !c.short {
				t.Errorf("%d beats, incomplete %v: %q", len(got.number), p.Result.Incomplete, p.Result.Warnings)
			}
			g := *f
			g.beeps = nil
			for _, b := range f.beeps {
				g.beep(b - c.sooner)
			}
			g.at = nil
			for _, at := range f.at {
				g.at = append(g.at, at+int64(math.Round(25*c.late)))
			}
			if c.late > 0 {
				g.at[0] = 0
			}
			g.at[150] = int64(len(got.number))
			miss := got.misses(t, &g, 0)
			t.Log(len(got.number), miss)
			if miss.apart > 0.005 || miss.beep > 0.005 || miss.flash > 1e-9 || miss.picture > 1e-9 {
				t.Error(miss)
			}
		})
	}
}
