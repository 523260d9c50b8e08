package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"example.org/stampreel/transcode/source"
	"example.org/stampreel/transcode/source/system"
)

func sourcesCommand() *command {
	return &command{
		name:  "sources",
		short: "what can be packed, and what to do with the rest",
		about: "Lists the kinds of files that pack and fill open, what to know of each, and what " +
			"to do with those that they recognise but do not open. Ordinary videos are opened " +
			"with the codecs that this computer has: which those are stands here too, and how " +
			"to get the others. What a file is, its first bytes say, whatever its name.",
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
	Kind   string `json:"kind"`
	Opens  bool   `json:"opens"`
	System bool   `json:"needs_codecs,omitempty"` // of this computer
	Note   string `json:"note,omitempty"`
	Try    string `json:"try,omitempty"`
}

// codecs is what sources says of the codecs of this computer.
type codecs struct {
	Library string   `json:"library"` // empty when there is none
	Decodes []string `json:"decodes"`
	Lacks   []string `json:"lacks"`
	Why     string   `json:"why_none,omitempty"`
	Try     []string `json:"try,omitempty"`
}

// codecsHere asks for the codecs of this computer.
func codecsHere(ctx context.Context) (codecs, error) {
	c := codecs{Decodes: []string{}, Lacks: []string{}}
	report, err := system.ReportAll(ctx)
	var missing *system.MissingError
	var crashed *system.WorkerError
	switch {
	case errors.As(err, &crashed):
		c.Why = "they crash: " + crashed.Detail
		return c, nil
	case errors.As(err, &missing):
		c.Why, c.Try = missing.What(), missing.Tries()
		return c, nil
	case err != nil:
		return c, err
	}
	c.Library = "GStreamer " + report.Version
	for _, a := range slices.Concat(report.Videos, report.Sounds) {
		if a.Opened {
			c.Decodes = append(c.Decodes, a.Codec)
		} else {
			c.Lacks = append(c.Lacks, a.Codec)
		}
	}
	if len(c.Lacks) > 0 {
		c.Try = system.Install()
	}
	return c, nil
}

func runSources(ctx context.Context, c *call) error {
	here, err := codecsHere(ctx)
	if err != nil {
		return err
	}
	var opened, rest, text strings.Builder
	all := []sourceKind{}
	var videos, tries []string
	byTry := map[string][]string{}
	for _, k := range source.Kinds() {
		all = append(all, sourceKind{k.Name, k.Opens, k.System, k.Note, k.Try})
		switch {
		case k.System:
			videos = append(videos, k.Name)
		case k.Opens:
			opened.WriteString(entry(k.Name, k.Note))
		case !slices.Contains(tries, k.Try):
			tries = append(tries, k.Try)
			fallthrough
		default:
			byTry[k.Try] = append(byTry[k.Try], k.Name)
		}
	}
	text.WriteString("Opened\n" + opened.String())
	listed := func(words []string) string { return indent(strings.Join(words, ", "), "  ", "  ") }
	try := func(lines []string) {
		for _, l := range lines {
			text.WriteString(indent("try: "+l, "      ", "           "))
		}
	}
	if len(videos) > 0 {
		if here.Library != "" {
			text.WriteString("\nOpened with the codecs of this computer (" + here.Library + ")\n" + listed(videos))
		} else {
			text.WriteString("\nTo be opened with the codecs of this computer, which are missing\n" + listed(videos) + indent(here.Why, "    ", "    "))
		}
		if len(here.Decodes) > 0 {
			text.WriteString(entry("what they decode", strings.Join(here.Decodes, ", ")))
		}
		if len(here.Lacks) > 0 {
			text.WriteString(entry("what they lack", strings.Join(here.Lacks, ", ")))
		}
		try(here.Try)
	}
	for _, t := range tries {
		rest.WriteString(listed(byTry[t]) + indent("try: "+t, "      ", "           "))
	}
	side := int(math.Sqrt(source.DefaultMaxPixels))
	largest := fmt.Sprintf("The largest picture is one of %d by %[1]d pixels, or as many in another shape, and takes "+
		"at most %d MB of memory to open: a photograph of 60 megapixels as JPEG, of 24 as progressive "+
		"JPEG, of 45 as PNG, of 22 as PNG with 16 bits.", side, source.MaxMemory/1_000_000)
	c.console.Text(text.String() + "\nRecognised, but not opened\n" + rest.String() + "\n" + paragraphs(largest))
	return c.console.JSON(map[string]any{"kinds": all, "codecs": here, "largest_picture_pixels": source.DefaultMaxPixels, "largest_picture_memory_bytes": source.MaxMemory})
}
