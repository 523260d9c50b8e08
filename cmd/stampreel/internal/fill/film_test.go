package fill

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/gif"
	"image/jpeg"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/mewkiz/flac"
	"github.com/mewkiz/flac/frame"
	"github.com/mewkiz/flac/meta"

	"example.org/stampreel/transcode/source"
)

// film is a source whose times are known. Picture k shows its number from at[k]
// to at[k+1] ticks; some flash, and for each flash a beep begins at some time.
type film struct {
	tick  source.Ratio // seconds
	at    []int64
	flash []int     // pictures with which a flash begins that lasts two
	beeps []float64 // seconds
	round int       // pictures behind which their numbers begin anew; 0 for never
}

// A picture of a film is filmW by filmH pixels, black and white: above, eight
// columns for each bit of its number, the lowest on the left; below, the flash.
// Blocks of 8 pixels come through JPEG as they are.
const (
	filmW, filmH = 96, 16
	filmBits     = filmW / 8
)

// A beep is a tone of beepHz that begins in silence at its full amplitude,
// without a phase, and lasts beepSeconds.
const (
	beepHz      = 2000
	beepPeak    = 0.5
	beepSeconds = 0.03
)

// steady is a film of n pictures, num/den of them a second, in which those
// numbered flash flash for two pictures.
func steady(num, den int64, n int, flash ...int) *film {
	f := &film{tick: source.Ratio{Num: den, Den: num}, at: []int64{0}, flash: flash}
	for k := range n {
		f.at = append(f.at, int64(k)+1)
	}
	return f
}

// uneven is a film of pictures that last the given ticks.
func uneven(tick source.Ratio, ticks []int64, flash ...int) *film {
	f := &film{tick: tick, at: []int64{0}, flash: flash}
	for _, n := range ticks {
		f.at = append(f.at, f.at[len(f.at)-1]+n)
	}
	return f
}

// rounds is a film that plays so often.
func (f *film) rounds(n int) *film {
	r := &film{tick: f.tick, at: []int64{0}, round: f.pictures()}
	for i := range n {
		for _, k := range f.flash {
			r.flash = append(r.flash, k+i*r.round)
		}
		for _, b := range f.beeps {
			r.beeps = append(r.beeps, b+float64(i)*f.duration())
		}
		for k := range r.round {
			r.at = append(r.at, r.at[len(r.at)-1]+f.at[k+1]-f.at[k])
		}
	}
	return r
}

func (f *film) number(k int) int {
	if f.round > 0 {
		k %= f.round
	}
	return k % (1 << filmBits)
}

func (f *film) pictures() int           { return len(f.at) - 1 }
func (f *film) seconds(k int) float64   { return float64(f.at[k]) * f.tick.Float() }
func (f *film) duration() float64       { return f.seconds(f.pictures()) }
func (f *film) beep(s ...float64) *film { f.beeps = append(f.beeps, s...); return f }

// flashes are the times in seconds at which flashes begin.
func (f *film) flashes() (at []float64) {
	for _, k := range f.flash {
		at = append(at, f.seconds(k))
	}
	return at
}

func (f *film) picture(k int) *image.Gray {
	lit := false
	for _, n := range f.flash {
		lit = lit || k == n || k == n+1
	}
	img := image.NewGray(image.Rect(0, 0, filmW, filmH))
	for y := range filmH {
		for x := range filmW {
			if y < filmH/2 && k>>(x/8)&1 == 1 || y >= filmH/2 && lit {
				img.Pix[y*img.Stride+x] = 255
			}
		}
	}
	return img
}

// wave is the sound of a film, or of so many seconds.
func (f *film) wave(rate int, seconds float64) []float64 {
	out := make([]float64, int(math.Round(seconds*float64(rate))))
	for _, b := range f.beeps {
		for i := int(math.Ceil(b * float64(rate))); i < min(len(out), int((b+beepSeconds)*float64(rate))); i++ {
			out[i] = beepPeak * math.Sin(2*math.Pi*beepHz*(float64(i)/float64(rate)-b))
		}
	}
	return out
}

// pcm is a wave in 8 or 16 bits of as many equal channels.
func pcm(wave []float64, bits, channels int) (b []byte) {
	for _, v := range wave {
		for range channels {
			if bits == 8 {
				b = append(b, byte(128+math.Round(127*v)))
			} else {
				b = binary.LittleEndian.AppendUint16(b, uint16(int16(math.Round(32767*v))))
			}
		}
	}
	return b
}

// waveFormat is the content of a fmt chunk.
func waveFormat(rate, bits, channels int) (b []byte) {
	le := binary.LittleEndian
	b = le.AppendUint16(le.AppendUint16(b, 1), uint16(channels))
	b = le.AppendUint32(le.AppendUint32(b, uint32(rate)), uint32(rate*channels*bits/8))
	return le.AppendUint16(le.AppendUint16(b, uint16(channels*bits/8)), uint16(bits))
}

func riff(id string, parts ...[]byte) []byte {
	data := bytes.Join(parts, nil)
	b := append(binary.LittleEndian.AppendUint32([]byte(id), uint32(len(data))), data...)
	return append(b, make([]byte, len(data)%2)...)
}

func wavOf(wave []float64, rate, bits, channels int) []byte {
	return riff("RIFF", []byte("WAVE"), riff("fmt ", waveFormat(rate, bits, channels)), riff("data", pcm(wave, bits, channels)))
}

// flacOf is 16-bit FLAC by another's encoder.
func flacOf(t *testing.T, wave []float64, rate int) []byte {
	t.Helper()
	var b bytes.Buffer
	const block = 4096
	e, err := flac.NewEncoder(&b, &meta.StreamInfo{BlockSizeMin: block, BlockSizeMax: block, SampleRate: uint32(rate), NChannels: 1, BitsPerSample: 16, NSamples: uint64(len(wave))})
	if err != nil {
		t.Fatal(err)
	}
	for at := 0; at < len(wave); at += block {
		part := wave[at:min(at+block, len(wave))]
		samples := make([]int32, len(part))
		for i, v := range part {
			samples[i] = int32(math.Round(32767 * v))
		}
		if err := e.WriteFrame(&frame.Frame{
			Header:    frame.Header{HasFixedBlockSize: true, BlockSize: uint16(len(part)), SampleRate: uint32(rate), Channels: frame.ChannelsMono, BitsPerSample: 16},
			Subframes: []*frame.Subframe{{SubHeader: frame.SubHeader{Pred: frame.PredVerbatim}, Samples: samples, NSamples: len(part)}},
		}); err != nil {
			t.Fatal(err)
		}
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// mp3Of is MP3 by LAME, which states what silence it adds.
func mp3Of(t *testing.T, wave []float64, rate int) []byte {
	t.Helper()
	lame, err := exec.LookPath("lame")
	if err != nil {
		missing(t, "lame")
	}
	dir := t.TempDir()
	in, out := put(t, dir, "in.wav", wavOf(wave, rate, 16, 1)), filepath.Join(dir, "out.mp3")
	if text, err := exec.Command(lame, "--quiet", "-m", "m", "-b", "128", in, out).CombinedOutput(); err != nil {
		t.Fatalf("lame: %v\n%s", err, text)
	}
	b, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func (f *film) y4m() []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "YUV4MPEG2 W%d H%d F%d:%d Ip A1:1 C420jpeg\n", filmW, filmH, f.tick.Den, f.tick.Num)
	for k := range f.pictures() {
		for range f.at[k+1] - f.at[k] {
			b.WriteString("FRAME\n")
			for _, v := range f.picture(k).Pix {
				b.WriteByte(16 + v/255*219)
			}
			b.Write(bytes.Repeat([]byte{128}, filmW*filmH/2))
		}
	}
	return b.Bytes()
}

// gif is an animation that plays once or without end; its tick is a hundredth of
// a second.
func (f *film) gif(t *testing.T, endless bool) []byte {
	t.Helper()
	if f.tick != (source.Ratio{Num: 1, Den: 100}) {
		t.Fatalf("a GIF with ticks of %v s", f.tick)
	}
	var g gif.GIF
	if !endless {
		g.LoopCount = -1
	}
	for k := range f.pictures() {
		img := image.NewPaletted(image.Rect(0, 0, filmW, filmH), color.Palette{color.Black, color.White})
		for i, v := range f.picture(k).Pix {
			img.Pix[i] = v / 255
		}
		g.Image, g.Delay = append(g.Image, img), append(g.Delay, int(f.at[k+1]-f.at[k]))
	}
	var b bytes.Buffer
	if err := gif.EncodeAll(&b, &g); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// apng is an animation that plays once.
func (f *film) apng(t *testing.T) []byte {
	t.Helper()
	be := binary.BigEndian
	chunk := func(id string, parts ...[]byte) []byte {
		data := append([]byte(id), bytes.Join(parts, nil)...)
		b := append(be.AppendUint32(nil, uint32(len(data)-4)), data...)
		return be.AppendUint32(b, crc32.ChecksumIEEE(data))
	}
	longs := func(v ...int) (b []byte) {
		for _, v := range v {
			b = be.AppendUint32(b, uint32(v))
		}
		return b
	}
	file, sequence := []byte(nil), 0
	for k := range f.pictures() {
		still := encodePNG(t, f.picture(k))
		if k == 0 { // signature and IHDR
			file = append(append(file, still[:33]...), chunk("acTL", longs(f.pictures(), 1))...)
		}
		num, den := (f.at[k+1]-f.at[k])*f.tick.Num, f.tick.Den
		for _, p := range []int64{2, 3, 5, 7} {
			for num%p == 0 && den%p == 0 {
				num, den = num/p, den/p
			}
		}
		if num > math.MaxUint16 || den > math.MaxUint16 {
			t.Fatalf("an animated PNG with %d/%d s", num, den)
		}
		file = append(file, chunk("fcTL", longs(sequence, filmW, filmH, 0, 0), be.AppendUint16(be.AppendUint16(nil, uint16(num)), uint16(den)), []byte{0, 0})...)
		sequence++
		for at := 8; at < len(still); {
			size := int(be.Uint32(still[at:]))
			if data := still[at+8:][:size]; string(still[at+4:at+8]) == "IDAT" && k == 0 {
				file = append(file, chunk("IDAT", data)...)
			} else if string(still[at+4:at+8]) == "IDAT" {
				file = append(file, chunk("fdAT", longs(sequence), data)...)
				sequence++
			}
			at += 12 + size
		}
	}
	return append(file, chunk("IEND")...)
}

// avi is Motion JPEG with a sound, after the AVI RIFF File Reference: with each
// tick a picture, one of no bytes where the one before stays, and its sound. Of
// each stream the given units are left out at its begin, and its header says so:
// ticks of the first picture, and sample frames, which have to be silent.
func (f *film) avi(t *testing.T, rate, bits, channels, ticksLate, framesLate int) []byte {
	t.Helper()
	longs := func(v ...int64) (b []byte) {
		for _, v := range v {
			b = binary.LittleEndian.AppendUint32(b, uint32(v))
		}
		return b
	}
	list := func(kind string, parts ...[]byte) []byte {
		return riff("LIST", append([][]byte{[]byte(kind)}, parts...)...)
	}
	sound, frameBytes := pcm(f.wave(rate, f.duration())[framesLate:], bits, channels), bits/8*channels
	ticks := f.at[f.pictures()] - int64(ticksLate)
	if int64(ticksLate) >= f.at[1] {
		t.Fatalf("%d ticks late, of a first picture of %d", ticksLate, f.at[1])
	}
	var movi [][]byte
	sent := 0
	for k := range f.pictures() {
		var b bytes.Buffer
		if err := jpeg.Encode(&b, f.picture(k), &jpeg.Options{Quality: 95}); err != nil {
			t.Fatal(err)
		}
		for at := max(f.at[k], int64(ticksLate)); at < f.at[k+1]; at++ {
			movi = append(movi, riff("00dc", b.Bytes()))
			b.Reset()
			end := len(sound)
			if at+1 < f.at[f.pictures()] {
				end = max(int(float64(at+1)*f.tick.Float()*float64(rate))-framesLate, 0) * frameBytes
			}
			movi = append(movi, riff("01wb", sound[sent:end]))
			sent = end
		}
	}
	header := list("hdrl",
		riff("avih", longs(int64(1e6*f.tick.Float()), 0, 0, 0x10, ticks, 0, 2, 0, filmW, filmH, 0, 0, 0, 0)),
		list("strl",
			riff("strh", []byte("vidsMJPG"), longs(0, 0, 0, f.tick.Num, f.tick.Den, int64(ticksLate), ticks, 0, 0, 0), make([]byte, 8)),
			riff("strf", longs(40, filmW, filmH, 1|24<<16), []byte("MJPG"), longs(0, 0, 0, 0, 0))),
		list("strl",
			riff("strh", []byte("auds"), longs(0, 0, 0, 0, int64(frameBytes), int64(rate*frameBytes), int64(framesLate), int64(len(sound)/frameBytes), 0, 0, int64(frameBytes)), make([]byte, 8)),
			riff("strf", waveFormat(rate, bits, channels))))
	return riff("RIFF", []byte("AVI "), header, list("movi", movi...))
}

// frames writes the pictures into a folder, numbered, one a tick.
func (f *film) frames(t *testing.T, dir string) {
	t.Helper()
	n := 0
	for k := range f.pictures() {
		still := encodePNG(t, f.picture(k))
		for range f.at[k+1] - f.at[k] {
			put(t, dir, fmt.Sprintf("frame%05d.png", n), still)
			n++
		}
	}
}
