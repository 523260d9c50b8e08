package fill

import (
	"bytes"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
)

// What the budget is told of a clip of tiles is the same from its headers alone as from
// every byte of it; auto takes tiles only for a player that says how fast it decodes them;
// and what they are is less on the card and on the panel's bus than raw frames.
func TestTilesAreToldToTheBudget(t *testing.T) {
	dir := t.TempDir()
	src := put(t, dir, "a.gif", madeGIF(t, 20))
	pack := func(name string, s Settings) (container.Header, budget.Clip, []budget.Beat) {
		t.Helper()
		path := filepath.Join(dir, name)
		if _, err := s.Pack(background, Job{Source: src, Clip: path}); err != nil {
			t.Fatal(err)
		}
		h, c, err := Load(background, path)
		if err != nil {
			t.Fatal(err)
		}
		f, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		info, err := f.Stat()
		if err != nil {
			t.Fatal(err)
		}
		verified, err := Verify(background, f, info.Size())
		if err != nil {
			t.Fatal(err)
		}
		beats := slices.Collect(c.Beats)
		if all := slices.Collect(verified.Beats); !reflect.DeepEqual(beats, all) {
			t.Errorf("%s: by its headers %+v, by its bytes %+v", name, beats, all)
		}
		return h, c, beats
	}
	decoding, plain := sign(t), sign(t)
	player := *plain.Player
	player.Decode.TileSetUp.Value, player.Decode.TileByte.Value = 0, 0
	player.Decode.TileSetUp.Origin, player.Decode.TileByte.Origin = 0, 0
	if budget.DecodesTiles(&player) {
		t.Fatal("a player without figures decodes tiles")
	}
	plain.Player = &player
	raw := decoding
	raw.Coding = Raw
	h, c, tiles := pack("tiles.srq", decoding)
	if h.FrameCodings>>container.Tiles&1 == 0 || c.Alone {
		t.Errorf("codings %#x, pictures alone: %v", h.FrameCodings, c.Alone)
	}
	var card, panel, windows int64
	for _, b := range tiles {
		card, panel, windows = card+b.FrameBytes, panel+b.PanelBytes, windows+int64(b.Windows)
	}
	for name, s := range map[string]Settings{"plain.srq": plain, "raw.srq": raw} {
		h, c, beats := pack(name, s)
		var most int64
		for _, b := range beats {
			most += b.FrameBytes
		}
		if h.FrameCodings&^3 != 0 || !c.Alone || card >= most || panel >= most || windows < int64(len(beats))/2 {
			t.Errorf("%s: codings %#x, %d bytes of pictures; tiles have %d, bring the panel %d in %d windows", name, h.FrameCodings, most, card, panel, windows)
		}
	}
}

// Tiles of a film that is half noise take longer to decode and draw than raw frames to
// draw, and with a small memory that makes the clip late. Then raw frames are packed, and a
// later fill takes that for what it is.
func TestTilesGiveWayWhereRawFramesPlay(t *testing.T) {
	notShort(t)
	dir := t.TempDir()
	const side = 240
	film := []byte("YUV4MPEG2 W240 H240 F20:1 Cmono\n")
	rnd := rand.New(rand.NewPCG(3, 4))
	for range 30 {
		film = append(film, "FRAME\n"...)
		for i := range side * side {
			if i%side < side/2 {
				film = append(film, 90)
			} else {
				film = append(film, byte(16+rnd.IntN(220)))
			}
		}
	}
	src := put(t, dir, "noise.y4m", film)
	p, err := playerfile.Parse("small.yaml", []byte(`
player:
  name: Small memory
panel:
  size: 240x240
  pixels: rgb565
  bus-clock: 40 MHz
card:
  wiring: 1-bit
  clock: 40 MHz
  stall: 5 ms
memory:
  read-ahead: 128 KiB
decode:
  tiles:
    per-tile: 30 us
    per-byte: 150 ns
`))
	if err != nil {
		t.Fatal(err)
	}
	s := Settings{Player: p, Workers: 1}
	in, closeAll, err := s.open(background, Job{Source: src})
	if err != nil {
		t.Fatal(err)
	}
	defer closeAll()
	once, err := s.PackInput(background, in, Job{Source: src, Clip: filepath.Join(dir, "once.srq")})
	if err != nil {
		t.Fatal(err)
	}
	if once.Result.Tiled < 20 || once.Verdict.Typical.Word != budget.Stutters {
		t.Fatalf("%d beats of tiles, %v: the test means nothing", once.Result.Tiled, once.Verdict.Typical.Word)
	}
	job := Job{Source: src, Clip: filepath.Join(dir, "a.srq"), Refill: true}
	for _, kept := range []bool{false, true} {
		got, err := s.Pack(background, job)
		if err != nil {
			t.Fatal(err)
		}
		if got.Headers[0].FrameCodings&^3 != 0 || got.Verdict.Typical.Word != budget.Plays || got.Kept != kept {
			t.Errorf("codings %#x, %v, kept %v, want raw frames that play, kept %v", got.Headers[0].FrameCodings, got.Verdict.Typical.Word, got.Kept, kept)
		}
	}
}

// With a quality that is enough, exact pictures are kept where they play; where they do not,
// JPEG takes their place if it comes nearer, and else they stay.
func TestAQualityIsForWhatDoesNotPlay(t *testing.T) {
	notShort(t)
	dir := t.TempDir()
	film := put(t, dir, "film.y4m", madeY4M(96, 96, 30, 25))
	noise, rnd := madeY4M(96, 96, 30, 25), rand.New(rand.NewPCG(6, 7))
	for at := bytes.Index(noise, []byte("FRAME\n")); at >= 0 && at < len(noise); at += 6 + 96*96*3/2 {
		for i := range 96 * 96 {
			noise[at+6+i] = byte(16 + rnd.IntN(220))
		}
	}
	snow := put(t, dir, "snow.y4m", noise)
	player := func(clock, block string) *playerfile.Player {
		p, err := playerfile.Parse("p.yaml", []byte("player: {name: P}\npanel: {size: 96x96, pixels: rgb565, bus-clock: 40 MHz}\n"+
			"card: {wiring: spi, clock: "+clock+", stall: 2 ms}\nmemory: {read-ahead: 64 KiB}\n"+
			"decode: {tiles: {per-tile: 10 us, per-byte: 50 ns}, jpeg: {per-block: "+block+", per-coefficient: 100 ns, per-byte: 20 ns}}\n"))
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	for _, c := range []struct {
		name, src    string
		clock, block string
		jpeg         bool
		word         budget.Word
	}{
		{"exact ones play", film, "20 MHz", "5 us", false, budget.Plays},
		{"JPEG plays", film, "2 MHz", "5 us", true, budget.Plays},
		{"neither, and JPEG is worse", snow, "2 MHz", "5 ms", false, budget.Stutters},
	} {
		s := Settings{Player: player(c.clock, c.block), Quality: 70, Workers: 1}
		job := Job{Source: c.src, Clip: filepath.Join(dir, "a.srq"), Refill: true}
		for _, kept := range []bool{false, true} {
			p, err := s.Pack(background, job)
			if err != nil {
				t.Fatal(c.name, err)
			}
			got := p.Headers[0].FrameCodings>>container.JPEG&1 == 1
			if got != c.jpeg || p.Verdict.Typical.Word != c.word || p.Kept != kept {
				t.Errorf("%s: JPEG %v, %v (%.2f), kept %v; want %v, %v, kept %v", c.name, got, p.Verdict.Typical.Word, p.Verdict.Typical.Margin, p.Kept, c.jpeg, c.word, kept)
			}
		}
	}
}
