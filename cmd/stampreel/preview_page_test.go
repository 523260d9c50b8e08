//go:build unix

package main

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"image"
	"io"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/go-audio/wav"

	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/container"
	"example.org/stampreel/container/pixel"
)

// served runs preview on something until the test ends and returns the address
// that it prints.
func served(t testing.TB, args ...string) string {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	printed, out := io.Pipe()
	ended := make(chan int, 1)
	go func() {
		con := console.New(console.Options{Stdout: out, Stderr: io.Discard})
		ended <- run(ctx, newRoot(commands()), append([]string{"preview"}, args...), strings.NewReader(""), con)
		out.Close()
	}()
	t.Cleanup(func() {
		stop()
		printed.Close()
		<-ended
	})
	line := make([]byte, 200)
	n, err := printed.Read(line)
	address := strings.TrimSpace(string(line[:n]))
	if err != nil || !regexp.MustCompile(`^http://127\.0\.0\.1:\d+/[A-Z2-7]{26}/$`).MatchString(address) {
		t.Fatalf("preview prints %q, %v; want an address of this machine with a token", address, err)
	}
	return address
}

// page is a page in Debian's Chromium. Whatever goes wrong in its scripts fails
// the test.
type page struct {
	t   testing.TB
	ctx context.Context
}

func opened(t testing.TB, address string) *page {
	t.Helper()
	if _, err := exec.LookPath("chromium"); err != nil {
		missing(t, "chromium")
	}
	ctx, stop := context.WithTimeout(context.Background(), 2*time.Minute)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewExecAllocator(ctx, append(chromedp.DefaultExecAllocatorOptions[:], chromedp.DisableGPU)...)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewContext(ctx, chromedp.WithBrowserOption(chromedp.WithConsolef(func(format string, args ...any) {
		if text := fmt.Sprintf(format, args...); strings.Contains(strings.ToLower(text), "error") {
			t.Errorf("the page says: %s", text)
		}
	})))
	t.Cleanup(stop)
	p := &page{t, ctx}
	p.do(chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(address))
	p.until("document.querySelector('#picture').dataset.beat === '0'")
	return p
}

func (p *page) do(steps ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	if err := chromedp.Do(p.ctx, steps...); err != nil {
		p.t.Fatalf("chromium: %v", err)
	}
}

func value[T any](p *page, script string) T {
	p.t.Helper()
	v, err := chromedp.Run(p.ctx, chromedp.Evaluate[T](script, chromedp.EvalAwaitPromise))
	if err != nil {
		p.t.Fatalf("chromium: %s: %v", script, err)
	}
	return v
}

// until waits for something to be so.
func (p *page) until(condition string) {
	p.t.Helper()
	ctx, stop := context.WithTimeout(p.ctx, 20*time.Second)
	defer stop()
	for {
		v, err := chromedp.Run(ctx, chromedp.Evaluate[bool](condition))
		if err == nil && v {
			return
		}
		if ctx.Err() != nil {
			state, _ := chromedp.Run(p.ctx, chromedp.Evaluate[string]("document.body.innerText"))
			p.t.Fatalf("chromium: %s is never so (%v)\n%s", condition, err, state)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

func (p *page) key(keys string) {
	p.t.Helper()
	p.do(chromedp.KeyEvent(keys))
}

// beat waits until the canvas shows a beat.
func (p *page) beat(n int) {
	p.t.Helper()
	p.until(fmt.Sprintf("document.querySelector('#picture').dataset.beat === '%d'", n))
}

// canvas is what stands on that of the panel.
func (p *page) canvas() *image.NRGBA { p.t.Helper(); return p.pixels("#picture") }

// pixels are those of a canvas.
func (p *page) pixels(canvas string) *image.NRGBA {
	p.t.Helper()
	text := value[string](p, `(() => {
		const c = document.querySelector("`+canvas+`"), d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data
		let s = ""
		for (let i = 0; i < d.length; i += 4096) s += String.fromCharCode(...d.subarray(i, i + 4096))
		return c.width + " " + btoa(s)
	})()`)
	width, data, _ := strings.Cut(text, " ")
	pix, err := base64.StdEncoding.DecodeString(data)
	var w int
	if _, e := fmt.Sscan(width, &w); e != nil || err != nil || w < 1 {
		p.t.Fatalf("canvas: %v, %v, %q wide", e, err, width)
	}
	return &image.NRGBA{Pix: pix, Stride: 4 * w, Rect: image.Rect(0, 0, w, len(pix)/4/w)}
}

// A clip of each pixel format and of each coding, a turned one among them: every
// pixel of every beat on the canvas is that of the PNG that unpack writes.
func TestEveryPixelOfThePageIsWhatUnpackWrites(t *testing.T) {
	dir := t.TempDir()
	names := []string{"ok-turned", "ok-repeats", "ok-tiles-of-every-operation", "ok-key-tiles-in-two-rows", "ok-middle-part"}
	for _, f := range pixel.Formats() {
		names = append(names, "ok-pixels-"+f.String(), "ok-tiles-"+f.String(), "ok-jpeg-"+f.String())
	}
	for i, name := range names {
		data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "vectors", name+".srq"))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%02d-%s.srq", i, name)), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	p := opened(t, served(t, dir, "--keep"))
	clips, err := filepath.Glob(filepath.Join(dir, "*.srq"))
	if err != nil || len(clips) != 32 {
		t.Fatalf("%d clips, %v; want 32", len(clips), err)
	}
	compared := 0
	for i, clip := range clips {
		p.until(fmt.Sprintf("document.querySelector('#clip').value === '%d' && document.querySelector('#facts').textContent !== ''", i))
		for n, want := range unpackedPictures(t, clip) {
			p.beat(n)
			if got := p.canvas(); got.Rect != want.Rect || !bytes.Equal(got.Pix, want.Pix) {
				t.Fatalf("%s: beat %d: the canvas, %v, is not what unpack writes, %v", filepath.Base(clip), n, got.Rect, want.Rect)
			}
			compared++
			p.key(kb.ArrowRight)
		}
		p.key("n")
	}
	if compared < 70 {
		t.Errorf("%d pictures compared, want more", compared)
	}
}

// filmFor writes a clip for the built-in player round-240 whose raw pictures take
// 2.88 MB/s; of a damaged one beat 7 has a wrong byte.
func filmFor(t testing.TB, path string, beats int, broken bool) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w, err := container.NewWriter(f, container.Settings{
		Width: 240, Height: 240, PixelFormat: pixel.RGB565, Rate: container.NewRatio(25, 1),
		SoundCoding: container.U8, Channels: 1, SampleRate: container.NewRatio(16000, 1), SoundLead: 5,
	})
	if err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(11, 240))
	frame := make([]byte, 240*240*2)
	for range beats {
		for i := range 999 {
			frame[rnd.IntN(len(frame))] = byte(i)
		}
		sound := make([]byte, w.SoundBytes())
		for i := range sound {
			sound[i] = byte(120 + rnd.IntN(17))
		}
		if err := w.Write(container.RawFrame(frame), sound); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if !broken {
		return
	}
	r, err := container.NewReader(f, size64(t, f), container.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	var b container.Beat
	if err := r.Read(7, &b); err != nil {
		t.Fatal(err)
	}
	at := (b.Sector + 9) * container.SectorBytes
	one := make([]byte, 1)
	if _, err := f.ReadAt(one, at); err != nil {
		t.Fatal(err)
	}
	one[0] ^= 0x10
	if _, err := f.WriteAt(one, at); err != nil {
		t.Fatal(err)
	}
}

func size64(t testing.TB, f *os.File) int64 {
	t.Helper()
	info, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	return info.Size()
}

// Each key does what the page says of it, without a pointer.
func TestThePageObeysTheKeyboard(t *testing.T) {
	dir := t.TempDir()
	filmFor(t, filepath.Join(dir, "a.srq"), 60, false)
	filmFor(t, filepath.Join(dir, "b.srq"), 30, false)
	if err := os.Mkdir(filepath.Join(dir, "shelf"), 0o755); err != nil {
		t.Fatal(err)
	}
	filmFor(t, filepath.Join(dir, "shelf", "c.srq"), 10, false)
	p := opened(t, served(t, dir, "--keep", "--player", "round-240"))
	p.until("document.querySelectorAll('#rows tr').length > 10")
	for _, step := range []struct {
		keys string
		so   string // JavaScript
	}{
		{kb.ArrowRight, "beat() === 1"},
		{kb.ArrowRight, "beat() === 2"},
		{kb.ArrowLeft, "beat() === 1"},
		{kb.End, "beat() === 59"},
		{kb.ArrowRight, "beat() === 59"},
		{kb.Home, "beat() === 0"},
		{kb.ArrowLeft, "beat() === 0"},
		{"l", "$('#loop').checked"},
		{"l", "!$('#loop').checked"},
		{"s", "$('#speed').value === '0.5'"},
		{"f", "$('#speed').value === '1'"},
		{"f", "$('#speed').value === '2'"},
		{"+", "Number($('#zoom').value) === 3"},
		{"-", "Number($('#zoom').value) === 2"},
		{"-", "Number($('#zoom').value) === 1 && $('#picture').clientWidth === 240"},
		{"+", "$('#picture').clientWidth === 480"},
		{"+", "$('#picture').clientWidth === 720"},
		{"g", "!$('#grid').hidden"},
		{"g", "$('#grid').hidden"},
		{"m", "$('#volume').value === '0'"},
		{" ", "$('#play').textContent === 'Pause' && beat() > 3"},
		{" ", "$('#play').textContent === 'Play'"},
		{"m", "$('#volume').value === '40'"},
		{"n", "$('#clip').value === '1' && beat() === 0"},
		{"p", "$('#clip').value === '0' && beat() === 0 && $('#rows tr')"},
		{kb.PageDown, "$('#clip').value === '2' && beat() === 0 && $('#clip').selectedOptions[0].parentNode.label === 'shelf' && $('#next-shelf').disabled"},
		{kb.PageUp, "$('#clip').value === '0' && beat() === 0 && $('#rows tr')"},
		// 32.4 mm by the player file, 96 pixels an inch of 25.4 mm by CSS.
		{"o", "$('#zoom').value === 'own' && Math.abs($('#picture').getBoundingClientRect().width - 32.4 / 25.4 * 96) < 0.5 && !$('#scale').hidden"},
		{"o", "$('#zoom').value !== 'own' && $('#scale').hidden"},
		{"w", "document.activeElement.name === 'row'"},
		{kb.ArrowDown, "$('#rows tr.chosen input') === document.activeElement"},
	} {
		p.key(step.keys)
		p.until("(() => { const $ = q => document.querySelector(q), beat = () => Number($('#picture').dataset.beat); return Boolean(" + step.so + ") })()")
	}
	// Every control can be reached by the tabulator and shows that it was.
	reached := value[int](p, "document.querySelectorAll('button, select, input, summary, [tabindex=\"0\"]').length")
	seen := map[string]bool{}
	p.do(chromedp.Evaluate[chromedp.Void]("document.activeElement.blur()"))
	for range reached + 5 {
		p.key(kb.Tab)
		seen[value[string](p, "document.activeElement.id || document.activeElement.className || document.activeElement.tagName")] = true
	}
	for _, id := range []string{"clip", "play", "on", "speed", "volume", "zoom", "clock", "buffer", "stall", "reset", "position", "next-clip", "SUMMARY"} {
		if !seen[id] {
			t.Errorf("the tabulator never reaches %s: %v", id, seen)
		}
	}
}

// Where the line is drawn longer, as on a screen of finer pixels, so is the panel: in
// its own size it is 32.4 mm wide by any line of 50.
func TestThePanelIsShownInItsOwnSize(t *testing.T) {
	if testing.Short() {
		t.Skip("looks at the page alone")
	}
	dir := t.TempDir()
	filmFor(t, filepath.Join(dir, "a.srq"), 3, false)
	address := served(t, dir, "--keep", "--player", "round-240")
	p := opened(t, address)
	for _, length := range []int{220, 371} {
		p.do(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`(() => {
			document.querySelector("#zoom").value = "own"
			document.querySelector("#zoom").onchange()
			document.querySelector("#ruler-length").value = %d
			document.querySelector("#ruler-length").oninput()
		})()`, length)))
		for what, mm := range map[string]float64{"#picture": 32.4, "#ruler": 85.6} {
			got := value[float64](p, fmt.Sprintf("document.querySelector(%q).getBoundingClientRect().width", what))
			if want := mm / 50 * float64(length); math.Abs(got-want) > 1 {
				t.Errorf("a line of %d pixels: %s is %.1f wide, want %.1f", length, what, got, want)
			}
		}
	}
	// Another page in this browser, of another port, knows the screen.
	p.do(chromedp.Navigate(served(t, dir, "--keep", "--player", "round-240")))
	p.beat(0)
	if got := value[string](p, "document.cookie"); got != "stampreel-mm=7.42" {
		t.Errorf("the page remembers %q", got)
	}
}

// Choosing another wiring moves the late beats, and playing shows them late.
func TestLateBeatsFollowTheWiring(t *testing.T) {
	dir := t.TempDir()
	filmFor(t, filepath.Join(dir, "a.srq"), 40, false)
	p := opened(t, served(t, dir, "--keep", "--player", "round-240"))
	p.until("document.querySelectorAll('#rows tr').length > 10")
	row := func(wiring, clock string) {
		t.Helper()
		if !value[bool](p, fmt.Sprintf(`(() => {
			for (const r of document.querySelectorAll("#rows tr")) if (r.cells[0].textContent.trim().replace("as wired", "") === %q && r.cells[1].textContent === %q) { r.querySelector("input").click(); return true }
			return false
		})()`, wiring, clock)) {
			t.Fatalf("no row %s at %s MHz", wiring, clock)
		}
	}
	// By the figures of package viewer's test: 2.49 MB/s for 2.92.
	row("1-bit", "20")
	p.until("document.querySelector('#verdict').className === 'verdict stutters' && /\\d\\d pictures late/.test(document.querySelector('#summary').textContent)")
	p.key(kb.Home)
	p.key("d")
	p.until("/picture [\\d.]+ ms late/.test(document.querySelector('#beat').textContent)")
	// Shown with their lateness, 40 beats take longer than 1.6 s: the last ones are
	// never seen in their time.
	p.do(chromedp.Evaluate[chromedp.Void](`window.seen = []; new MutationObserver(() => seen.push(Number(document.querySelector("#picture").dataset.beat))).observe(document.querySelector("#picture"), {attributes: true, attributeFilter: ["data-beat"]})`))
	p.key(kb.Home)
	p.key("m")
	p.beat(0)
	p.do(chromedp.Evaluate[chromedp.Void]("seen.length = 0"))
	p.do(chromedp.Evaluate[chromedp.Void]("document.activeElement.blur()"))
	p.key(" ")
	p.until("document.querySelector('#play').textContent === 'Play' && seen.length > 5")
	if late := value[int](p, "Math.max(...seen.slice(0, -1))"); late >= 38 {
		t.Errorf("beat %d was seen in its time, want the last beats late", late)
	}
	// With every second picture this card is in time, and the others are never seen.
	row("every second picture", "20")
	p.until("/every second picture left out/.test(document.querySelector('#reason').textContent) && /no picture late/.test(document.querySelector('#summary').textContent)")
	p.do(chromedp.Evaluate[chromedp.Void]("document.activeElement.blur()"))
	p.key(kb.Home)
	p.beat(0)
	p.do(chromedp.Evaluate[chromedp.Void]("seen.length = 0"))
	p.key(" ")
	p.until("document.querySelector('#play').textContent === 'Play' && seen.length > 5")
	if odd := value[int](p, "seen.slice(0, -1).filter(b => b % 2).length"); odd > 0 {
		t.Errorf("%d pictures seen that are left out", odd)
	}
	row("4-bit", "50")
	p.until("document.querySelector('#verdict').className !== 'verdict stutters' && /no picture late/.test(document.querySelector('#summary').textContent)")
}

// What the page schedules, rendered by the browser into memory, is sample by sample
// the WAV that unpack writes; where a gap is foretold the sound is silent for as long.
// A clip slower than browsers go has each sample held for a whole number of theirs.
func TestEverySampleOfThePageIsWhatUnpackWrites(t *testing.T) {
	dir := t.TempDir()
	filmFor(t, filepath.Join(dir, "0.srq"), 30, false)
	names := []string{"ok-sound-u8-stereo", "ok-sound-s16-mono", "ok-sound-s16-stereo", "ok-sound-adpcm", "ok-sound-adpcm-stereo", "ok-real-dac-rate", "ok-samples-vary", "ok-loop-uneven"}
	for i, name := range names {
		data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "vectors", name+".srq"))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%d.srq", i+1)), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	p := opened(t, served(t, dir, "--keep"))
	compared := 0
	for i := range len(names) + 1 {
		folder := filepath.Join(t.TempDir(), "unpacked")
		var about unpacked
		if err := json.Unmarshal([]byte(ran(t, "unpack", filepath.Join(dir, fmt.Sprintf("%d.srq", i)), "-o", folder, "--json")), &about); err != nil {
			t.Fatal(err)
		}
		f, err := os.Open(filepath.Join(folder, "sound.wav"))
		if err != nil {
			t.Fatal(err)
		}
		wave, err := wav.NewDecoder(f).FullPCMBuffer()
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		channels := wave.Format.NumChannels
		wave.Data = wave.Data[:int(about.Samples)*channels] // it takes the padding of an odd chunk for a sample
		for _, gap := range []int{-1, 3} {                  // the beat whose sound comes too late
			got := value[struct {
				Hold, From, To int // of the beat with the gap, in samples
				Wave           [][]float64
			}](p, fmt.Sprintf(`(async () => {
				const {Sound} = await import("./sound.js")
				const facts = (await (await fetch("clips")).json()).clips[%d].facts
				const rate = facts.sample_rate_num / facts.sample_rate_den, hold = Math.ceil(8000 / rate)
				const s = new Sound()
				s.context = new OfflineAudioContext({numberOfChannels: facts.channels, length: %d * hold, sampleRate: rate * hold})
				s.gain = new GainNode(s.context)
				s.gain.connect(s.context.destination)
				await s.start("clips/%[1]d", facts, 0, 0, new Map([[%[3]d, 10]]))
				const buffer = await s.context.startRendering()
				return {Hold: hold, From: s.first(facts, %[3]d), To: s.first(facts, %[3]d + 1), Wave: Array.from({length: facts.channels}, (_, c) => Array.from(buffer.getChannelData(c)))}
			})()`, i, len(wave.Data)/channels, gap))
			if len(got.Wave) != channels || len(got.Wave[0]) != len(wave.Data)/channels*got.Hold {
				t.Fatalf("clip %d: %d channels, want %d", i, len(got.Wave), channels)
			}
			for at, v := range wave.Data {
				n := at / channels
				want := float64(v) / 32768
				if wave.SourceBitDepth == 8 {
					want = float64(v-128) / 128
				}
				if gap >= 0 && n >= got.From && n < got.To {
					want = 0
				}
				for h := range got.Hold {
					if have := got.Wave[at%channels][n*got.Hold+h]; math.Abs(have-want) > 1e-5 { // a third of the least step of 16 bits
						t.Fatalf("clip %d, gap %d: sample %d of channel %d is %v, want %v", i, gap, n, at%channels, have, want)
					}
				}
				compared++
			}
		}
	}
	if compared < 20000 {
		t.Errorf("%d samples compared, want more", compared)
	}
}

// A damaged beat is named and marked; the others are shown.
func TestThePageNamesADamagedBeatAndPlaysTheRest(t *testing.T) {
	dir := t.TempDir()
	filmFor(t, filepath.Join(dir, "a.srq"), 20, true)
	p := opened(t, served(t, filepath.Join(dir, "a.srq"), "--keep", "--player", "round-240"))
	for n := range 20 {
		p.beat(n)
		hidden := value[bool](p, "document.querySelector('#trouble').hidden")
		if text := value[string](p, "document.querySelector('#trouble').textContent"); n == 7 && (hidden || !strings.Contains(text, "Beat 7 cannot be shown: beat 7 at sector ") || !strings.Contains(text, "checksum")) || n != 7 && !hidden {
			t.Errorf("beat %d: hidden %v: %q", n, hidden, text)
		}
		p.key(kb.ArrowRight)
	}
	p.until("/damaged: beat 7$/.test(document.querySelector('#summary').textContent)")
	// With its sound, and without a loudspeaker too, as on a machine that tests.
	p.key(kb.Home)
	p.beat(0)
	p.key(" ")
	p.until("document.querySelector('#play').textContent === 'Pause' && document.querySelector('#picture').dataset.beat !== '0'")
	p.until("document.querySelector('#play').textContent === 'Play' && document.querySelector('#picture').dataset.beat === '19'")
}

// Eight pictures a second, black and white in turn, are four flashes a second, more
// than the three of WCAG 2.2, 2.3.1.
func TestThePageWarnsOfFlashes(t *testing.T) {
	dir := t.TempDir()
	film := []byte("YUV4MPEG2 W16 H16 F8:1 Ip A1:1 Cmono\n")
	for n := range 24 {
		film = append(append(film, "FRAME\n"...), bytes.Repeat([]byte{byte(16 + 219*(n%2))}, 256)...)
	}
	if err := os.WriteFile(filepath.Join(dir, "a.y4m"), film, 0o644); err != nil {
		t.Fatal(err)
	}
	clip := filepath.Join(dir, "a.srq")
	ran(t, "pack", filepath.Join(dir, "a.y4m"), "-o", clip, "--player", "rect-240x135")
	p := opened(t, served(t, clip, "--keep", "--player", "rect-240x135"))
	p.until("!document.querySelector('#caution').hidden && /up to 4 flashes in a second/.test(document.querySelector('#caution').textContent)")
	p.until("document.querySelectorAll('#rows tr').length > 10")
	begins := 0
	for n := range 24 {
		p.beat(n)
		if strings.Contains(value[string](p, "document.querySelector('#beat').textContent"), "flashing begins") {
			begins++
		}
		p.key(kb.ArrowRight)
	}
	if begins != 1 {
		t.Errorf("flashing begins at %d beats, want 1", begins)
	}
}

// Another page in the same browser gets nothing out of the server.
func TestAnotherPageGetsNothing(t *testing.T) {
	dir := t.TempDir()
	filmFor(t, filepath.Join(dir, "a.srq"), 2, false)
	address := served(t, filepath.Join(dir, "a.srq"), "--keep")
	wrong := address[:len(address)-6] + "AAAAA/"
	for at, want := range map[string]int{address: http.StatusOK, wrong: http.StatusNotFound, strings.Replace(address, "127.0.0.1", "localhost", 1): http.StatusForbidden} {
		r, err := http.Get(at)
		if err != nil {
			t.Fatal(err)
		}
		r.Body.Close()
		if r.StatusCode != want {
			t.Errorf("GET %s: %s, want %d", at, r.Status, want)
		}
	}
	p := opened(t, address)
	p.do(chromedp.Navigate("data:text/html,another page"))
	if got := value[string](p, fmt.Sprintf("fetch(%q, {mode: 'no-cors'}).then(r => r.type + r.status, e => 'refused')", address+"clips")); got != "refused" {
		t.Errorf("another page asks and gets %q", got)
	}
}

// axe-core (.ci/fetch-media) finds nothing against WCAG 2.2 A and AA, wide and
// narrow, light and dark, with a damaged beat, late pictures and all notes shown, the panel
// in its own size, and beside a source.
func TestAxeFindsNothingOnThePage(t *testing.T) {
	if testing.Short() {
		t.Skip("looks at the page alone")
	}
	folder := os.Getenv("STAMPREEL_MEDIA")
	if folder == "" {
		cache, err := os.UserCacheDir()
		if err != nil {
			t.Fatal(err)
		}
		folder = filepath.Join(cache, "stampreel-media")
	}
	axe, err := os.ReadFile(filepath.Join(folder, "axe-core-4.14.1", "axe.min.js"))
	if err != nil {
		missing(t, "axe-core, fetched by .ci/fetch-media")
	}
	dir := t.TempDir()
	filmFor(t, filepath.Join(dir, "a.srq"), 20, true)
	filmFor(t, filepath.Join(dir, "b.srq"), 20, false)
	if err := os.Mkdir(filepath.Join(dir, "shelf"), 0o755); err != nil {
		t.Fatal(err)
	}
	filmFor(t, filepath.Join(dir, "shelf", "c.srq"), 5, false)
	numberedPictures(t, filepath.Join(dir, "frames"), 20, 240, 240)
	looked := 0
	for _, args := range [][]string{{dir}, {filepath.Join(dir, "b.srq"), "--source", filepath.Join(dir, "frames")}} {
		p := opened(t, served(t, append(args, "--keep", "--player", "round-240")...))
		p.until("document.querySelectorAll('#rows tr').length > 10")
		p.do(chromedp.Evaluate[chromedp.Void]("document.querySelector('details').open = true"))
		for range 7 {
			p.key(kb.ArrowRight)
		}
		p.until("!document.querySelector('#misfit').hidden && document.querySelector('#verdict').className === 'verdict stutters'")
		p.key("o")
		if len(args) == 1 {
			p.until("!document.querySelector('#trouble').hidden && !document.querySelector('#next-shelf').hidden")
		} else {
			p.do(chromedp.Evaluate[chromedp.Void](`(() => { const g = document.querySelector("#gamma"); g.value = 2; g.dispatchEvent(new Event("input")) })()`))
			p.until("!document.querySelector('#before').hidden && document.querySelector('#flags').textContent === '--gamma 2' && /SSIM 0/.test(document.querySelector('#score').textContent)")
		}
		p.do(chromedp.Evaluate[chromedp.Void](string(axe) + ";0"))
		for _, width := range []int64{360, 1280} {
			p.do(chromedp.EmulateViewport(width, 900))
			for _, scheme := range []string{"light", "dark"} {
				if _, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}); err != nil {
					t.Fatal(err)
				}
				found := value[struct {
					Passes     int
					Violations []string
				}](p, `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}).then(r => ({
					Passes: r.passes.length,
					Violations: r.violations.flatMap(v => v.nodes.map(n => v.id + ": " + v.help + ": " + n.html + " " + n.failureSummary)),
				}))`)
				for _, v := range found.Violations {
					t.Errorf("%d pixels wide, %s: %s", width, scheme, v)
				}
				if got := value[int64](p, "document.documentElement.scrollWidth"); got > width {
					t.Errorf("%d pixels wide: the page takes %d", width, got)
				}
				looked += found.Passes
			}
		}
	}
	if looked < 8*20 {
		t.Errorf("axe applied %d rules in eight runs, want at least 20 each", looked)
	}
}

// From 360 pixels on nothing lies beside the page, in light and dark.
func TestThePageFitsSmallAndLargeWindows(t *testing.T) {
	if testing.Short() {
		t.Skip("looks at the page alone")
	}
	dir := t.TempDir()
	filmFor(t, filepath.Join(dir, "a.srq"), 20, false)
	p := opened(t, served(t, dir, "--keep", "--player", "round-240"))
	p.until("document.querySelectorAll('#rows tr').length > 10")
	for _, width := range []int64{360, 768, 1280, 2560} {
		for _, scheme := range []string{"light", "dark"} {
			if _, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}); err != nil {
				t.Fatal(err)
			}
			p.do(chromedp.EmulateViewport(width, 900))
			if got := value[int64](p, "document.documentElement.scrollWidth"); got > width {
				t.Errorf("%d pixels wide: the page takes %d", width, got)
			}
			if folder := os.Getenv("STAMPREEL_SHOTS"); folder != "" { // to look at
				shot, err := chromedp.Run(p.ctx, chromedp.FullScreenshot(100))
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(filepath.Join(folder, fmt.Sprintf("page-%d-%s.png", width, scheme)), shot, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

// BenchmarkThePagePlays plays ten seconds of 240×240 at 25 beats a second, all of them
// raw, and counts the beats that were never drawn.
func BenchmarkThePagePlays(b *testing.B) {
	const beats = 250
	path := filepath.Join(b.TempDir(), "a.srq")
	filmFor(b, path, beats, false)
	p := opened(b, served(b, path, "--keep", "--player", "round-240"))
	p.until("document.querySelectorAll('#rows tr').length > 10")
	p.do(chromedp.Evaluate[chromedp.Void](`document.querySelector("#stutter").checked = false; window.seen = new Set(); new MutationObserver(() => seen.add(document.querySelector("#picture").dataset.beat)).observe(document.querySelector("#picture"), {attributes: true, attributeFilter: ["data-beat"]})`))
	p.key("m")
	dropped := 0
	for b.Loop() {
		p.key(kb.Home)
		p.beat(0)
		p.do(chromedp.Evaluate[chromedp.Void]("seen.clear()"))
		p.key(" ")
		p.until("document.querySelector('#play').textContent === 'Play' && seen.size > 0")
		dropped += beats - 1 - value[int](p, "seen.size")
	}
	b.ReportMetric(float64(dropped)/float64(b.N), "dropped/op")
}

// BenchmarkThePageSeeks moves the position of the page over an hour, a hundred times, and
// takes the time until the picture is drawn; every beat is its own picture. The percentile
// is that of all tries.
func BenchmarkThePageSeeks(b *testing.B) {
	const beats = 3600 * 25
	path := filepath.Join(b.TempDir(), "hour.srq")
	f, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	w, err := container.NewWriter(f, container.Settings{Width: 128, Height: 64, PixelFormat: pixel.MonoPages, Rate: container.NewRatio(25, 1), ExpectedBeats: beats})
	if err != nil {
		b.Fatal(err)
	}
	frame := make([]byte, 1024)
	for n := range beats {
		frame[n%1024]++
		if err := w.Write(container.RawFrame(frame), nil); err != nil {
			b.Fatal(err)
		}
	}
	if _, err := w.Close(); err != nil {
		b.Fatal(err)
	}
	p := opened(b, served(b, path, "--keep", "--player", "mono-128x64"))
	p.until("document.querySelectorAll('#rows tr').length > 10")
	p.do(chromedp.Evaluate[chromedp.Void](`window.sought = beat => new Promise(done => {
		const canvas = document.querySelector("#picture"), at = performance.now()
		const look = () => { if (canvas.dataset.beat === String(beat)) { watch.disconnect(); done(performance.now() - at) } }
		const watch = new MutationObserver(look)
		watch.observe(canvas, {attributes: true, attributeFilter: ["data-beat"]})
		document.querySelector("#position").value = beat
		document.querySelector("#position").oninput()
		look()
	})`))
	rnd := rand.New(rand.NewPCG(11, 3600))
	var took []float64
	for b.Loop() {
		for range 100 {
			took = append(took, value[float64](p, fmt.Sprintf("sought(%d)", rnd.IntN(beats))))
		}
	}
	slices.Sort(took)
	b.ReportMetric(took[len(took)*95/100], "p95-ms")
	b.ReportMetric(took[len(took)/2], "median-ms")
	b.ReportMetric(0, "ns/op")
}

// Chromium's own decoder of images reads the APNG: each picture is the one that
// unpack writes, and stays for the clip's time.
func TestAnAPNGShowsEachBeatAtItsTime(t *testing.T) {
	if testing.Short() {
		t.Skip("writes and reads in one goroutine")
	}
	p := opened(t, served(t, vector("ok-repeats"), "--keep")) // any page of this machine may use the decoder
	beats := 0
	for _, name := range []string{"ok-repeats", "ok-turned", "ok-loop", "ok-pixels-rgb565", "ok-tiles-rgb666", "ok-fastest"} {
		path := filepath.Join(t.TempDir(), "a.apng")
		ran(t, "preview", vector(name), "--export", path)
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		film := value[struct {
			Loops  bool
			Frames []struct {
				Micros float64
				W, H   int
				Pixels string
			}
		}](p, fmt.Sprintf(`(async () => {
			const data = Uint8Array.from(atob(%q), c => c.charCodeAt(0))
			const decoder = new ImageDecoder({data, type: "image/png"})
			await decoder.completed
			await decoder.tracks.ready
			const track = decoder.tracks.selectedTrack, Frames = []
			for (let i = 0; i < track.frameCount; i++) {
				const {image} = await decoder.decode({frameIndex: i})
				const pixels = new Uint8Array(image.allocationSize({format: "RGBA"}))
				await image.copyTo(pixels, {format: "RGBA"})
				Frames.push({Micros: image.duration ?? 0, W: image.displayWidth, H: image.displayHeight, Pixels: btoa(String.fromCharCode(...pixels))})
				image.close()
			}
			return {Loops: track.repetitionCount === Infinity, Frames}
		})()`, base64.StdEncoding.EncodeToString(data)))
		h, want := headerOf(t, vector(name)), unpackedPictures(t, vector(name))
		if len(film.Frames) > 1 && film.Loops != h.Loop() {
			t.Errorf("%s: loops %v, want %v", name, film.Loops, h.Loop())
		}
		shown, end := -1, 0.0
		for n := range want {
			middle := (float64(n) + 0.5) / h.Rate().Float() * 1e6
			for end <= middle && shown+1 < len(film.Frames) {
				shown++
				end += film.Frames[shown].Micros
			}
			f := film.Frames[shown]
			pixels, err := base64.StdEncoding.DecodeString(f.Pixels)
			if err != nil || image.Rect(0, 0, f.W, f.H) != want[n].Rect || !bytes.Equal(pixels, want[n].Pix) {
				t.Fatalf("%s: beat %d is another picture, %d×%d, %v", name, n, f.W, f.H, err)
			}
			beats++
		}
	}
	if beats < 20 {
		t.Errorf("%d beats compared, want more", beats)
	}
}
