package playerfile

import (
	"embed"
	"fmt"
	"io/fs"
	"strings"
)

//go:embed known/*.yaml
var knownFiles embed.FS

// Known lists the names of the built-in players.
func Known() []string {
	entries, err := fs.ReadDir(knownFiles, "known")
	if err != nil {
		panic(err) // the files are part of the program
	}
	var names []string
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".yaml"))
	}
	return names
}

// KnownFile is the player file of a built-in player, as it could stand on a disk.
func KnownFile(name string) ([]byte, error) {
	data, err := knownFiles.ReadFile("known/" + name + ".yaml")
	if err != nil {
		return nil, fmt.Errorf("playerfile: no built-in player is called %q; there are %s", name, strings.Join(Known(), ", "))
	}
	return data, nil
}

// LoadKnown reads a built-in player.
func LoadKnown(name string) (*Player, error) {
	data, err := KnownFile(name)
	if err != nil {
		return nil, err
	}
	return Parse(name+".yaml", data)
}
