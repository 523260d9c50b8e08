package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"example.org/stampreel/transcode/source"
)

func sourcesCommand() *command {
	return &command{
		name:  "sources",
		short: "what can be packed, and what to do with the rest",
		about: "Lists the kinds of files that pack and fill open, what to know of each, and what " +
			"to do with those that they recognise but do not open. What a file is, its first " +
			"bytes say, whatever its name.",
		examples: []example{
			{"stampreel sources", "everything, in a list"},
			{"stampreel sources --json", "the same for a program"},
		},
		results: true,
		run:     runSources,
	}
}

// sourceKind is what sources says of a kind of file.
type sourceKind struct {
	Kind  string `json:"kind"`
	Opens bool   `json:"opens"`
	Note  string `json:"note,omitempty"`
	Try   string `json:"try,omitempty"`
}

func runSources(ctx context.Context, c *call) error {
	var opened, rest strings.Builder
	all := []sourceKind{}
	var tries []string
	byTry := map[string][]string{}
	for _, k := range source.Kinds() {
		all = append(all, sourceKind{k.Name, k.Opens, k.Note, k.Try})
		switch {
		case k.Opens:
			opened.WriteString(entry(k.Name, k.Note))
			continue
		case !slices.Contains(tries, k.Try):
			tries = append(tries, k.Try)
		}
		byTry[k.Try] = append(byTry[k.Try], k.Name)
	}
	for _, try := range tries {
		rest.WriteString(indent(strings.Join(byTry[try], ", "), "  ", "  ") + indent("try: "+try, "      ", "           "))
	}
	side := int(math.Sqrt(source.DefaultMaxPixels))
	largest := fmt.Sprintf("The largest picture is one of %d by %[1]d pixels, or as many in another shape, and takes "+
		"at most %d MB of memory to open: a photograph of 60 megapixels as JPEG, of 24 as progressive "+
		"JPEG, of 45 as PNG, of 22 as PNG with 16 bits.", side, source.MaxMemory/1_000_000)
	c.console.Text("Opened\n" + opened.String() + "\nRecognised, but not opened\n" + rest.String() +
		"\n" + paragraphs(largest))
	return c.console.JSON(map[string]any{"kinds": all, "largest_picture_pixels": source.DefaultMaxPixels, "largest_picture_memory_bytes": source.MaxMemory})
}
