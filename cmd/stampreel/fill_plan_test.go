package main

import (
	"strings"
	"testing"

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
