package system

import (
	"math"
	"slices"
	"testing"
	"time"
)

// films are two seconds of pictures and sound in each container; sounds are
// those whose samples can be told apart everywhere.
var films = []struct{ name, video, sound, mux string }{
	{"film-aac.mp4", "x264enc key-int-max=30 bframes=2 b-adapt=false ! h264parse", "avenc_aac", "mp4mux"},
	{"film-pcm.mov", "x264enc key-int-max=30 ! h264parse", "audioconvert ! audio/x-raw,format=S16LE", "qtmux"},
	{"film-fragments.mp4", "x264enc key-int-max=30 ! h264parse", "avenc_aac", "mp4mux fragment-duration=500"},
	{"film-flac.mkv", "x264enc key-int-max=30 bframes=2 b-adapt=false ! h264parse", "flacenc", "matroskamux"},
	{"film-aac.mkv", "x265enc key-int-max=30 ! h265parse", "avenc_aac", "matroskamux"},
	{"film-vorbis.webm", "vp8enc keyframe-max-dist=30", "audioconvert ! vorbisenc", "webmmux"},
	{"film-opus.webm", "vp9enc keyframe-max-dist=30 cpu-used=8", "audioresample ! audio/x-raw,rate=48000 ! opusenc", "webmmux"},
	{"film-aac.ts", "x264enc key-int-max=30 ! h264parse", "avenc_aac", "mpegtsmux"},
	{"film-mp3.avi", "avenc_mpeg4 gop-size=30", "lamemp3enc ! mpegaudioparse", "avimux"},
	{"film-vorbis.ogg", "theoraenc keyframe-force=32", "audioconvert ! vorbisenc", "oggmux"},
	{"film-aac.flv", "x264enc key-int-max=30 bframes=0 ! h264parse", "avenc_aac", "flvmux"},
}

func makeFilm(t *testing.T, i int) string {
	f := films[i]
	return media(t, f.name, f.mux+" name=m ! OUT "+
		"videotestsrc num-buffers=100 pattern=ball ! video/x-raw,format=I420,width=160,height=120,framerate=25/1 ! "+f.video+" ! queue ! m. "+
		"audiotestsrc num-buffers=172 samplesperbuffer=1024 freq=97 ! audio/x-raw,rate=44100,channels=1 ! "+
		f.sound+" ! queue ! m.")
}

// A part of a film has the pictures and the samples that the whole film has
// there.
func TestAPartHasThePicturesAndSamplesOfTheWhole(t *testing.T) {
	for i := range films {
		if testing.Short() && i%3 != 0 {
			continue
		}
		t.Run(films[i].name, func(t *testing.T) {
			d := describe(t, makeFilm(t, i))
			whole, _ := allPictures(t, d, small)
			track, samples := allSound(t, d, SoundOptions{})
			if len(whole) < 99 || len(samples) < 170*1024 {
				t.Fatalf("%d pictures, %d samples", len(whole), len(samples))
			}
			for _, from := range []time.Duration{20 * time.Millisecond, 1199 * time.Millisecond, 3333 * time.Millisecond} {
				to := from + 300*time.Millisecond
				o := small
				o.From, o.To = from, to
				part, ending := allPictures(t, d, o)
				if ending.Broken != 0 || ending.Damaged != "" {
					t.Errorf("from %v: %+v", from, ending)
				}
				first := slices.IndexFunc(whole, func(s shown) bool { return s.until > from })
				end := slices.IndexFunc(whole, func(s shown) bool { return s.at >= to })
				if end < 0 {
					end = len(whole)
				}
				if len(part) != end-first {
					t.Errorf("from %v: %d pictures, want %d", from, len(part), end-first)
					continue
				}
				for k, p := range part {
					want := whole[first+k]
					if off := p.until - want.until; off < -time.Millisecond || off > time.Millisecond {
						t.Errorf("from %v: picture %d is shown until %v, want %v", from, k, p.until, want.until)
					}
					if !slices.Equal(p.Pix, want.Pix) {
						t.Errorf("from %v: picture %d is another one", from, k)
					}
				}
				s, some := allSound(t, d, SoundOptions{From: from, To: to})
				if at := float64(s.First) / float64(s.Rate); math.Abs(at-from.Seconds()) > 0.0001 {
					t.Errorf("from %v: sound begins at %.4f s", from, at)
				}
				if n := float64(len(some)) / float64(s.Rate); n < 0.29 && end < len(whole) || n > 0.31 {
					t.Errorf("from %v: %.3f s of sound", from, n)
				}
				off, diff := align(some, samples[s.First:], samples[:s.First], track.Rate/500)
				t.Logf("from %v: sound off by %d samples, different by %.5f", from, off, diff)
				if diff > 0.001 {
					t.Errorf("from %v: other samples, by %.4f at best (off by %d)", from, diff, off)
				}
			}
		})
	}
}

// align finds by how many samples a part is late against what it is a part of,
// and how much it then still differs, on average.
func align(part, after, before []float32, most int) (off int, diff float64) {
	diff = math.Inf(1)
	for k := -most; k <= most; k++ {
		sum, n := 0.0, 0
		for i, v := range part {
			var want float32
			switch at := i - k; {
			case at >= 0 && at < len(after):
				want = after[at]
			case at < 0 && -at <= len(before):
				want = before[len(before)+at]
			default:
				continue
			}
			sum += math.Abs(float64(v - want))
			n++
		}
		if d := sum / float64(max(n, 1)); n > len(part)/2 && d < diff {
			off, diff = k, d
		}
	}
	return off, diff
}
