package viewer

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container"
	"example.org/stampreel/container/pixel"
	"example.org/stampreel/container/sample"
)

func noFlashes(*container.Header) (string, []time.Duration) { return "", nil }

// served starts a server of some clips on a built-in player, which ends with the test.
func served(t *testing.T, player string, paths ...string) *Server {
	t.Helper()
	p, err := playerfile.LoadKnown(player)
	if err != nil {
		t.Fatal(err)
	}
	var clips []Clip
	for _, path := range paths {
		clips = append(clips, Clip{Name: filepath.Base(path), Path: path})
	}
	s, err := New(clips, p, noFlashes)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx, true) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Errorf("the server ended with %v", err)
		}
	})
	return s
}

func get(t *testing.T, address string, want int) []byte {
	t.Helper()
	r, err := http.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	if r.StatusCode != want {
		t.Fatalf("GET %s: %s: %.300s, want %d", address, r.Status, body, want)
	}
	return body
}

func getJSON[T any](t *testing.T, address string) (v T) {
	t.Helper()
	if err := json.Unmarshal(get(t, address, http.StatusOK), &v); err != nil {
		t.Fatal(err)
	}
	return v
}

// part is a record of an answer.
type part struct {
	kind byte
	body []byte
}

func records(t *testing.T, answer []byte) (parts []part) {
	t.Helper()
	for len(answer) > 0 {
		if len(answer) < 5 || len(answer)-5 < int(binary.LittleEndian.Uint32(answer[1:])) {
			t.Fatalf("%d bytes are left behind %d records", len(answer), len(parts))
		}
		n := int(binary.LittleEndian.Uint32(answer[1:]))
		parts = append(parts, part{answer[0], answer[5:][:n]})
		answer = answer[5+n:]
	}
	return parts
}

// vectors are the conformance vectors of the format that are clips.
func vectors(t *testing.T) []string {
	t.Helper()
	paths, err := filepath.Glob("../../../../testdata/vectors/ok-*.srq")
	if err != nil || len(paths) < 40 {
		t.Fatalf("%d vectors, %v; want at least 40", len(paths), err)
	}
	return paths
}

// beatsOf asks for pixels or sound of all beats, one request after another.
func beatsOf(t *testing.T, address, what string, count uint32) (parts []part) {
	t.Helper()
	for uint32(len(parts)) < count {
		some := records(t, get(t, fmt.Sprintf("%s/%s?from=%d&count=%d", address, what, len(parts), 7), http.StatusOK))
		if len(some) == 0 || len(some) > 7 {
			t.Fatalf("%d records of 7 asked for", len(some))
		}
		parts = append(parts, some...)
	}
	return parts
}

// Verify goes through a clip from its first beat to its last, the server from
// request to request; both show the same panel. The sound is put together here
// from what the beats store, by FORMAT.md: beat i stores that of i+soundLead.
func TestPixelsAndSoundAreThoseThatVerifySees(t *testing.T) {
	paths := vectors(t)
	s := served(t, "round-240", paths...)
	pictures, sounds, codings := 0, 0, map[container.FrameCoding]bool{}
	for i, path := range paths {
		address := fmt.Sprintf("%sclips/%d", s.Address(), i)
		r, f, err := fill.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		h := r.Header()
		info, err := f.Stat()
		if err != nil {
			t.Fatal(err)
		}
		var want, stored [][]byte
		_, err = container.Verify(context.Background(), f, info.Size(), func(b *container.Beat, p *container.Panel) {
			img, err := fill.Picture(&h, p.Pixels)
			if err != nil {
				t.Fatal(err)
			}
			want, stored, codings[b.FrameCoding] = append(want, img.Pix), append(stored, slices.Clone(b.Sound)), true
		})
		if err != nil {
			t.Fatal(err)
		}
		var before []byte
		for n, p := range beatsOf(t, address, "pixels", h.Beats) {
			switch p.kind {
			case shown:
				before = p.body
			case stays:
				if len(p.body) > 0 {
					t.Fatalf("%s: beat %d stays, with %d bytes", path, n, len(p.body))
				}
			default:
				t.Fatalf("%s: beat %d: %q %s", path, n, p.kind, p.body)
			}
			if !bytes.Equal(before, want[n]) {
				t.Fatalf("%s: beat %d has other pixels", path, n)
			}
			pictures++
		}
		if h.SoundCoding == container.NoSound {
			get(t, address+"/sound?from=0&count=1", http.StatusNotFound)
			f.Close()
			continue
		}
		lead, err := r.LeadIn()
		if err != nil {
			t.Fatal(err)
		}
		f.Close()
		all := slices.Concat(lead, slices.Concat(stored...))
		for n, p := range beatsOf(t, address, "sound", h.Beats) {
			samples := h.Timing().Samples(h.FirstBeat + uint32(n))
			heard := all[:h.CodedBytes(samples)]
			all = all[len(heard):]
			if h.SoundCoding == container.IMAADPCM {
				wave := make([]int16, samples*int(h.Channels))
				if err := sample.DecodeADPCM(wave, heard, samples, int(h.Channels)); err != nil {
					t.Fatal(err)
				}
				heard = sample.AppendS16(nil, wave)
			}
			if p.kind != shown || !bytes.Equal(p.body, heard) {
				t.Fatalf("%s: the sound of beat %d is another: %q", path, n, p.kind)
			}
			sounds++
		}
	}
	if pictures < 300 || sounds < 100 || len(codings) != 5 {
		t.Errorf("%d pictures, %d sounds, codings %v: want more", pictures, sounds, codings)
	}
}

// Pages may ask for anything at once, for more clips than are held open: each answer
// is the one that it would be alone.
func TestAnswersDoNotDependOnEachOther(t *testing.T) {
	paths := vectors(t)[:20]
	s := served(t, "round-240", paths...)
	asked := func(rnd *rand.Rand) string {
		n := rnd.IntN(len(paths))
		return fmt.Sprintf("%sclips/%d/%s", s.Address(), n, []string{"pixels?from=0&count=3", "sound?from=0&count=3", "wirings", "verdict"}[rnd.IntN(4)])
	}
	fetch := func(address string) (string, error) {
		r, err := http.Get(address)
		if err != nil {
			return "", err
		}
		defer r.Body.Close()
		body, err := io.ReadAll(r.Body)
		return r.Status + string(body), err
	}
	alone := map[string]string{}
	rnd := rand.New(rand.NewPCG(11, 4))
	for len(alone) < 60 {
		address := asked(rnd)
		answer, err := fetch(address)
		if err != nil {
			t.Fatal(err)
		}
		alone[address] = answer
	}
	var all sync.WaitGroup
	for seed := range uint64(8) {
		all.Go(func() {
			rnd := rand.New(rand.NewPCG(11, seed))
			for range 60 {
				address := asked(rnd)
				if answer, err := fetch(address); err != nil || alone[address] != "" && answer != alone[address] {
					t.Errorf("%s: another answer, %v", address, err)
				}
			}
		})
	}
	all.Wait()
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.opened) != mostOpen {
		t.Errorf("%d clips are open, want %d", len(s.opened), mostOpen)
	}
}

// Whatever is wrong with a file, it is said, and the server goes on.
func TestDamagedClipsAreToldOf(t *testing.T) {
	paths, err := filepath.Glob("../../../../testdata/vectors/*.srq")
	if err != nil || len(paths) < 150 {
		t.Fatalf("%d vectors, %v; want at least 150", len(paths), err)
	}
	s := served(t, "round-240", paths...)
	list := getJSON[struct{ Clips []listed }](t, s.Address()+"clips")
	if len(list.Clips) != len(paths) {
		t.Fatalf("%d clips in the list, want %d", len(list.Clips), len(paths))
	}
	unopened, told := 0, 0
	for i, c := range list.Clips {
		address := fmt.Sprintf("%sclips/%d", s.Address(), i)
		if c.Facts == nil {
			if c.Error == "" {
				t.Errorf("%s: neither facts nor an error", c.Name)
			}
			get(t, address, http.StatusInternalServerError)
			unopened++
			continue
		}
		b := getJSON[beats](t, address)
		if n := int(c.Facts.Beats); len(b.Bytes) != n || len(b.Frame) != n || len(b.Sound) != n || len(b.Coding) != n || len(b.Key) != n {
			t.Errorf("%s: rows of %d, %d, %d, %d and %d beats, want %d", c.Name, len(b.Bytes), len(b.Frame), len(b.Sound), len(b.Coding), len(b.Key), n)
		}
		for _, p := range beatsOf(t, address, "pixels", min(c.Facts.Beats, 50)) {
			if p.kind == damaged {
				if len(p.body) == 0 {
					t.Errorf("%s: damage without a word", c.Name)
				}
				told++
			}
		}
	}
	if unopened < 50 || told < 10 {
		t.Errorf("%d clips that do not open and %d damaged beats, want more", unopened, told)
	}
}

// film writes a clip of 240×240 RGB565, which is 2.88 MB/s at 25 beats a second,
// and a damaged one beside it: beat 41 has a wrong byte in its picture.
func film(t *testing.T, beats int) (whole, broken string) {
	t.Helper()
	dir := t.TempDir()
	whole, broken = filepath.Join(dir, "film.srq"), filepath.Join(dir, "broken.srq")
	f, err := os.Create(whole)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w, err := container.NewWriter(f, container.Settings{
		Width: 240, Height: 240, PixelFormat: pixel.RGB565, Rate: container.NewRatio(25, 1),
		SoundCoding: container.U8, Channels: 1, SampleRate: container.NewRatio(22050, 1), SoundLead: 5,
	})
	if err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(11, 25))
	frame := make([]byte, 240*240*2)
	for range beats {
		for i := range frame[:4000] {
			frame[i] = byte(rnd.Uint32())
		}
		sound := make([]byte, w.SoundBytes())
		for i := range sound {
			sound[i] = byte(rnd.Uint32())
		}
		if err := w.Write(container.RawFrame(frame), sound); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.Close(); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(whole)
	if err != nil {
		t.Fatal(err)
	}
	r, err := container.NewReader(bytes.NewReader(data), int64(len(data)), container.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	var b container.Beat
	if beats < 42 {
		return whole, ""
	}
	if err := r.Read(41, &b); err != nil {
		t.Fatal(err)
	}
	data[(b.Sector+20)*container.SectorBytes] ^= 1
	if err := os.WriteFile(broken, data, 0o644); err != nil {
		t.Fatal(err)
	}
	return whole, broken
}

func TestADamagedBeatIsNamedAndTheRestPlays(t *testing.T) {
	whole, broken := film(t, 60)
	s := served(t, "round-240", whole, broken)
	good := beatsOf(t, s.Address()+"clips/0", "pixels", 60)
	bad := beatsOf(t, s.Address()+"clips/1", "pixels", 60)
	for n := range good {
		if n == 41 {
			if want := "beat 41 at sector"; bad[n].kind != damaged || !strings.Contains(string(bad[n].body), want) {
				t.Errorf("beat 41: %q %.80s, want %q", bad[n].kind, bad[n].body, want)
			}
			continue
		}
		if good[n].kind != shown || bad[n].kind != shown || !bytes.Equal(good[n].body, bad[n].body) {
			t.Errorf("beat %d of the damaged clip differs", n)
		}
	}
}

func TestAnAnswerIsBounded(t *testing.T) {
	whole, _ := film(t, 60)
	s := served(t, "round-240", whole)
	pixels := get(t, s.Address()+"clips/0/pixels?from=0&count=4000000000", http.StatusOK)
	if got := len(records(t, pixels)); got < 2 || got > mostBeats || len(pixels) > mostBytes+mostBeats*5 {
		t.Errorf("%d beats in %d bytes, want a few in at most %d", got, len(pixels), mostBytes)
	}
	if got := len(records(t, get(t, s.Address()+"clips/0/sound?from=58&count=64", http.StatusOK))); got != 2 {
		t.Errorf("%d beats of sound behind beat 58 of 60, want 2", got)
	}
	for _, bad := range []string{"from=60&count=1", "from=-1&count=1", "from=0&count=0", "from=0", "count=1", "from=0&count=x"} {
		get(t, s.Address()+"clips/0/pixels?"+bad, http.StatusBadRequest)
	}
	get(t, s.Address()+"clips/1", http.StatusNotFound)
	get(t, s.Address()+"clips/-1", http.StatusNotFound)
}

// Any page in the browser may send requests to this machine; none but our own gets
// an answer. Fetch standard: a browser states Origin and, in Sec-Fetch-Site, how the
// page that asks is related.
func TestOnlyThePageItselfGetsAnswers(t *testing.T) {
	whole, _ := film(t, 2)
	s := served(t, "round-240", whole)
	host, _, err := net.SplitHostPort(s.host)
	if err != nil || host != "127.0.0.1" {
		t.Fatalf("listens at %s, %v; want 127.0.0.1", s.host, err)
	}
	if len(s.token) < 26 {
		t.Errorf("a token of %d characters of base 32, want 130 bits", len(s.token))
	}
	own := "http://" + s.host
	wrong := "/" + strings.Repeat("A", len(s.token))
	for _, c := range []struct {
		name, path string
		header     map[string]string
		want       int
	}{
		{"own page", "/" + s.token + "/clips", nil, http.StatusOK},
		{"own origin", "/" + s.token + "/clips", map[string]string{"Origin": own, "Sec-Fetch-Site": "same-origin"}, http.StatusOK},
		{"address typed", "/" + s.token + "/", map[string]string{"Sec-Fetch-Site": "none"}, http.StatusOK},
		{"wrong token", wrong + "/clips", nil, http.StatusNotFound},
		{"no token", "/clips", nil, http.StatusNotFound},
		{"empty token", "//clips", nil, http.StatusNotFound},
		{"token without end", "/" + s.token, nil, http.StatusNotFound},
		{"shorter token", "/" + s.token[1:] + "/clips", nil, http.StatusNotFound},
		{"foreign host", "/" + s.token + "/clips", map[string]string{"Host": "films.example"}, http.StatusForbidden},
		{"other port", "/" + s.token + "/clips", map[string]string{"Host": "127.0.0.1"}, http.StatusForbidden},
		{"foreign origin", "/" + s.token + "/clips", map[string]string{"Origin": "http://films.example"}, http.StatusForbidden},
		{"no origin", "/" + s.token + "/clips", map[string]string{"Origin": "null"}, http.StatusForbidden},
		{"another site", "/" + s.token + "/clips", map[string]string{"Sec-Fetch-Site": "cross-site"}, http.StatusForbidden},
		{"a link followed", "/" + s.token + "/", map[string]string{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}, http.StatusOK},
		{"in a frame", "/" + s.token + "/", map[string]string{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "iframe"}, http.StatusForbidden},
		{"a file beside", "/" + s.token + "/../viewer.go", nil, http.StatusTemporaryRedirect}, // to the path without dots, which has no token
		{"a file of the disk", "/" + s.token + "/%2e%2e/%2e%2e/etc/passwd", nil, http.StatusTemporaryRedirect},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := http.NewRequest("GET", own, nil)
			if err != nil {
				t.Fatal(err)
			}
			r.URL.Opaque = c.path // as it stands, dots and all
			if strings.HasPrefix(c.path, "//") {
				r.URL = &url.URL{Scheme: "http", Host: s.host, Path: c.path}
			}
			for name, value := range c.header {
				r.Header.Set(name, value)
			}
			if host := c.header["Host"]; host != "" {
				r.Host = host
			}
			client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
			transport := &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
				return (&net.Dialer{}).DialContext(ctx, "tcp", s.host)
			}}
			defer transport.CloseIdleConnections()
			client.Transport = transport
			a, err := client.Do(r)
			if err != nil {
				t.Fatal(err)
			}
			a.Body.Close()
			if a.StatusCode != c.want {
				t.Errorf("%s, want %d", a.Status, c.want)
			}
			if csp := a.Header.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") {
				t.Errorf("policy %q", csp)
			}
		})
	}
	r, err := http.Post(s.Address()+"clips", "text/plain", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	if r.StatusCode != http.StatusMethodNotAllowed {
		t.Errorf("POST: %s, want %d", r.Status, http.StatusMethodNotAllowed)
	}
}

// What the page shows of a wiring is what check and wiring say of it, and a slower
// wiring makes more beats late. A raw picture of 240×240 takes 2.88 MB/s at 25 a
// second (115,200 bytes each); 1-bit at 20 MHz carries 20 MHz·512/4114 = 2.49 MB/s
// (SD Physical Layer Specification: 4096 data bits, start, end and 16 check bits a
// block), so that no buffer helps, and 4-bit at 40 MHz has much to spare.
func TestAVerdictIsTheBudgetsAndTheLateBeatsFollowTheWiring(t *testing.T) {
	whole, _ := film(t, 60)
	s := served(t, "round-240", whole)
	address := s.Address() + "clips/0/"
	slow := getJSON[verdict](t, address+"verdict?wiring=1-bit&clock=20000000&buffer=262144&stall=0")
	fast := getJSON[verdict](t, address+"verdict?wiring=4-bit&clock=40000000&buffer=262144&stall=0")
	if slow.Word != budget.Stutters || len(slow.Late) < 20 {
		t.Errorf("1-bit at 20 MHz: %v with %d late pictures, want stutters with most of 60", slow.Word, len(slow.Late))
	}
	for i := 1; i < len(slow.Late); i++ {
		if slow.Late[i].Beat <= slow.Late[i-1].Beat || slow.Late[i].Seconds <= 0 {
			t.Fatalf("late beats %v: want rising numbers", slow.Late)
		}
	}
	// Behind by what 115,200 bytes and the sound of 882 take longer than 40 ms, each beat anew.
	n := len(slow.Late)
	step := slow.Late[n-1].Seconds - slow.Late[n-2].Seconds
	least := 116_224*4114/512/20e6 - 0.040 // 2 + 225 sectors
	if step < least || step > least+0.005 {
		t.Errorf("each beat is %.4f s later than the one before, want %.4f and a request", step, least)
	}
	if fast.Word == budget.Stutters || len(fast.Late) > 0 || len(fast.Gaps) > 0 {
		t.Errorf("4-bit at 40 MHz: %v, %d late, %d gaps; want none", fast.Word, len(fast.Late), len(fast.Gaps))
	}
	// A raw beat is 2 + 225 sectors, and 256 KiB less the sound held hold two of them. With a
	// card fast enough they are full when a beat is due; with one too slow, empty at last.
	for what, v := range map[string]struct {
		verdict
		at   int
		want int64
	}{"fast": {fast, 30, 2 * 227 * 512}, "slow": {slow, 59, 0}, "slow at first": {slow, 0, 2 * 227 * 512}} {
		if len(v.Ahead) != 60 || v.Ahead[v.at] != v.want {
			t.Errorf("%s: %d beats, %d bytes read ahead at beat %d, want %d", what, len(v.Ahead), v.Ahead[v.at], v.at, v.want)
		}
	}
	// A pause longer than the sound lead of 200 ms and a small buffer give gaps.
	paused := getJSON[verdict](t, address+"verdict?wiring=4-bit&clock=40000000&buffer=131072&stall=1")
	if len(paused.Gaps) == 0 || len(paused.Late) == 0 || paused.Sound != budget.Stutters {
		t.Errorf("with pauses of 1 s: %d gaps, %d late, sound %v", len(paused.Gaps), len(paused.Late), paused.Sound)
	}

	rows := getJSON[[]wired](t, address+"wirings?buffer=262144&stall=0")
	own, thin := 0, 0
	for _, row := range rows {
		q := url.Values{"wiring": {row.Wiring}, "clock": {fmt.Sprint(row.Hz)}, "every": {fmt.Sprint(row.Every)}, "buffer": {"262144"}, "stall": {"0"}}
		if row.Shared {
			q.Set("shared", "1")
		}
		if row.Own {
			own++
		}
		v := getJSON[verdict](t, address+"verdict?"+q.Encode())
		if v.Word != row.Word || v.Margin != row.Margin || v.Tightest != row.Tightest {
			t.Errorf("%+v: the verdict is %v %v %v", row, v.Word, v.Margin, v.Tightest)
		}
		if row.Every > 1 {
			thin++
			if len(v.Ahead) != 60 {
				t.Errorf("%+v: %d beats, the clip has 60", row, len(v.Ahead))
			}
			for _, late := range v.Late {
				if late.Beat%row.Every != 0 {
					t.Errorf("%+v: beat %d comes late, whose picture is left out", row, late.Beat)
				}
			}
		}
		// The verdict is safe: what plays has no late beat.
		if v.Word != budget.Stutters && len(v.Late)+len(v.Gaps) > 0 {
			t.Errorf("%+v: %d late and %d gaps", row, len(v.Late), len(v.Gaps))
		}
	}
	if len(rows) < 12 || own != 1 || thin != 2 {
		t.Errorf("%d rows, %d as wired, %d with pictures left out", len(rows), own, thin)
	}
	// Half of the pictures, and at most half as much to read: this card is late with all.
	all := getJSON[verdict](t, address+"verdict?wiring=1-bit&clock=20000000&buffer=262144&stall=0&every=1")
	half := getJSON[verdict](t, address+"verdict?wiring=1-bit&clock=20000000&buffer=262144&stall=0&every=2")
	if len(all.Late) < 20 || len(half.Late) > 0 || half.Word == budget.Stutters || half.Every != 2 {
		t.Errorf("%d of all pictures are late, %d of every second: %v", len(all.Late), len(half.Late), half.Word)
	}
	_, clip, err := fill.Load(context.Background(), whole)
	if err != nil {
		t.Fatal(err)
	}
	judged, err := budget.Judge(clip, s.player)
	if err != nil {
		t.Fatal(err)
	}
	if v := getJSON[verdict](t, address+"verdict"); v.Word != judged.Typical.Word || v.Margin != judged.Typical.Margin || v.First != judged.Typical.Late {
		t.Errorf("as wired: %v %v, check says %v %v", v.Word, v.Margin, judged.Typical.Word, judged.Typical.Margin)
	}
	for _, bad := range []string{"wiring=2-bit", "wiring=4-bit&shared=1", "clock=0", "clock=x", "buffer=0", "buffer=1e9", "stall=-1", "stall=NaN", "stall=9", "every=0", "every=x"} {
		get(t, address+"verdict?"+bad, http.StatusBadRequest)
	}
	get(t, address+"verdict?buffer=100", http.StatusUnprocessableEntity)
}

func TestTheServerEndsSomeTimeAfterThePageIsClosed(t *testing.T) {
	whole, _ := film(t, 2)
	p, err := playerfile.LoadKnown("round-240")
	if err != nil {
		t.Fatal(err)
	}
	s, err := New([]Clip{{Name: "film", Path: whole}}, p, noFlashes)
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(context.Background(), false) }()
	page, err := http.Get(s.Address() + "open")
	if err != nil {
		t.Fatal(err)
	}
	get(t, s.Address()+"clips", http.StatusOK)
	page.Body.Close() // as a browser does with a page that is closed
	select {
	case err := <-ended:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(30 * time.Second):
		t.Error("the server goes on without a page")
	}
	if _, err := http.Get(s.Address() + "clips"); err == nil {
		t.Error("it still answers")
	}
}
