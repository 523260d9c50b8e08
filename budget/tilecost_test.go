package budget

import (
	"testing"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container/frame/tiles"
)

// By hand: at 40 MHz a byte on the panel's bus takes 200 ns, 11 bytes of a window 2.2 µs;
// a card that was measured at 2 MB/s takes 500 ns for a byte.
func TestTheCostOfATileIsThatOfItsParts(t *testing.T) {
	const file = `player: {name: test}
panel: {size: 240x240, pixels: rgb565, bus-clock: 40 MHz, set-up-time: 10 us, window-bytes: 11}
card: {wiring: 1-bit, clock: 40 MHz, stall: 10 ms, measured: {rate: 2 MB/s, request-time: 0 us, stall: 10 ms}}
memory: {read-ahead: 64 KiB}
`
	p, err := playerfile.Parse("player.yaml", []byte(file+"decode: {tiles: {per-tile: 15 us, per-byte: 60 ns}}\n"))
	if err != nil {
		t.Fatal(err)
	}
	tile, raw := TileCost(p)
	if want := (tiles.Cost{Tile: 27_200_000, PanelByte: 260_000, CardByte: 500_000}); tile != want {
		t.Errorf("tiles: %+v, want %+v", tile, want)
	}
	if want := (tiles.Cost{Tile: 12_200_000, PanelByte: 200_000, CardByte: 500_000}); raw != want {
		t.Errorf("raw frames: %+v, want %+v", raw, want)
	}
	without, err := playerfile.Parse("player.yaml", []byte(file))
	if err != nil {
		t.Fatal(err)
	}
	if !DecodesTiles(p) || DecodesTiles(without) {
		t.Error("a player decodes tiles exactly if its file says how fast")
	}
}
