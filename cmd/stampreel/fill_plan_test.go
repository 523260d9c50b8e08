package main

import (
	"strings"
	"testing"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/container/cardfs"
)

func TestAdviceOnFileSystems(t *testing.T) {
	for _, c := range []struct {
		system cardfs.System
		say    string // "" for nothing
	}{
		{cardfs.System{Name: "exFAT", Bytes: 64 << 30}, "FAT32"},
		{cardfs.System{Name: "NTFS"}, "FAT32"},
		{cardfs.System{Name: "ext4"}, "FAT32"},
		{cardfs.System{Name: "FAT", Cluster: 4 << 10, Bytes: 8 << 30}, "4.10 kB"},
		{cardfs.System{Name: "FAT", Cluster: 32 << 10, Bytes: 8 << 30}, ""},
		{cardfs.System{Name: "FAT", Cluster: 4 << 10, Bytes: 256 << 20}, ""},
		{cardfs.System{Name: "tmpfs"}, ""},
		{cardfs.System{}, ""},
	} {
		got := strings.Join(adviceOn(c.system), "; ")
		if c.say == "" && got != "" || !strings.Contains(got, c.say) {
			t.Errorf("%+v: %q, want something with %q", c.system, got, c.say)
		}
	}
}

// The request of a card in SPI mode at 20 MHz: worked out from the formula of budget/card.
func TestPiecesAreToldWithWhatTheyCost(t *testing.T) {
	r := card.Reading{Wiring: card.SPI, ClockNum: 20_000_000, ClockDen: 1, RequestTime: 1_500_000}
	text := piecesText(2, 7, "film.srq", r)
	for _, want := range []string{"2 clips lie not in one piece", "film.srq in 7", "a request of 1.5 ms", "does not count"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q lacks %q", text, want)
		}
	}
	r.Cluster = 64
	if text := piecesText(1, 2, "a.srq", r); !strings.Contains(text, "1 clip lies") || !strings.Contains(text, "counts for every cluster anyway") {
		t.Errorf("%q", text)
	}
}
