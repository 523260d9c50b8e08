package main

import (
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
	"example.org/stampreel/transcode/picture"
)

// choices are the words that a flag, or an operand, takes; none where it takes any.
func choices(name string) []string {
	switch name {
	case "player", "like", "[NAME]": // --player takes a file too
		return playerfile.Known()
	case "SHELL":
		return shells()
	}
	return flagChoices()[name]
}

// flagChoices are the words that flags take which take no others.
func flagChoices() map[string][]string {
	return map[string][]string{
		"fit":          {"whole", "cover", "stretch"},
		"dither":       namesOf(picture.Dithers()),
		"coding":       {"auto", "raw", "tiles", "jpeg"},
		"sound-dither": {"triangular", "shaped", "round"},
		"sound-coding": {"pcm", container.IMAADPCM.String()},
		"matrix":       {"bt601", "bt709", "bt2020"},
		"range":        {"limited", "full"},
		"verify":       {"new", "all", "off"},
		"sort":         {"name", "date"},
		"over":         linkNames,
	}
}
