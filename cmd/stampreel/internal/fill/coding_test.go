package fill

import (
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"example.org/stampreel/budget"
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
