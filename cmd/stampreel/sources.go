package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
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
			"to get the others. What a file is, its first bytes say, whatever its name.\n\n" +
			"With FILE (or a folder of them) it tells what that one holds: its pictures, and its sounds with their " +
			"numbers, of which pack takes one.",
		operands: []operand{{"[FILE...]", "what to look into instead"}},
		examples: []example{
			{"stampreel sources", "everything, in a list"},
			{"stampreel sources film.mkv", "what a video holds, and which sounds"},
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

// holding is what sources says of a file.
type holding struct {
	File    string   `json:"file"`
	Kind    string   `json:"kind"`
	Seconds float64  `json:"length_s,omitempty"`
	Videos  []string `json:"pictures"`
	Sounds  []string `json:"sounds"`
	Note    string   `json:"note,omitempty"`
}

// lookInto tells what files hold.
func (c *call) lookInto(ctx context.Context, files []string) error {
	found := []holding{}
	t := console.NewTable(console.Words("file"), console.Numbers("length", "m:ss"), console.Words("holds"))
	var all []string
	for _, f := range files {
		inside, err := c.sourcesIn(ctx, f)
		if err != nil {
			return err
		}
		all = append(all, inside...)
	}
	failed := 0
	for _, f := range all {
		h, err := source.Look(ctx, f, source.Options{})
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			failed++
			c.tellError(err)
			continue
		}
		found = append(found, holding{f, h.Kind, h.Seconds, append([]string{}, h.Videos...), append([]string{}, h.Sounds...), h.Note})
		length := ""
		if h.Known {
			length = console.Duration(seconds(h.Seconds))
		}
		t.Row(console.Name(f), length, h.Kind)
		for _, v := range h.Videos {
			t.Row("", "", "pictures: "+v)
		}
		for i, s := range h.Sounds {
			t.Row("", "", fmt.Sprintf("sound %d: %s", i+1, s))
		}
		if h.Note != "" {
			t.Row("", "", h.Note)
		}
	}
	if len(found) > 0 {
		c.console.Table(t)
	}
	if err := c.console.JSON(map[string]any{"files": found}); err != nil {
		return err
	}
	if failed > 0 {
		return fmt.Errorf("%d of %s cannot be opened", failed, console.Count(int64(len(all)), "file", "files"))
	}
	return nil
}

// sourcesIn lists what fill would take of a folder; a folder of frames, and a file, is
// itself.
func (c *call) sourcesIn(ctx context.Context, path string) ([]string, error) {
	if frames, err := source.IsFrameFolder(path); !isFolder(path) || err == nil && frames {
		return []string{path}, nil
	}
	items, skipped, err := fill.Find(ctx, path, "")
	if err != nil {
		return nil, err
	}
	c.noteSkipped(skipped)
	var files []string
	for _, it := range items {
		for _, name := range []string{it.Source, it.Sound} {
			if name != "" {
				files = append(files, filepath.Join(path, filepath.FromSlash(name)))
			}
		}
	}
	if len(files) == 0 {
		return nil, fmt.Errorf("%s: no source in this folder", path)
	}
	return files, nil
}

func runSources(ctx context.Context, c *call) error {
	if len(c.operands) > 0 {
		return c.lookInto(ctx, c.operands)
	}
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
