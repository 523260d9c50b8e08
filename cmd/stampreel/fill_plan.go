package main

import (
	"bufio"
	"context"
	"fmt"
	"hash/crc32"
	"os"
	"path/filepath"
	"strings"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/budget/measure"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/container/cardfs"
)

// planned is what --dry-run --json says of a fill.
type planned struct {
	Card    string         `json:"card"`
	Clips   []plannedClip  `json:"clips"`
	Failed  []failedSource `json:"failed"`
	Gone    []string       `json:"gone"` // clips whose source is not in the folder
	Skipped []string       `json:"skipped"`
	Bytes   int64          `json:"bytes_at_most"` // of the clips to pack
	Seconds float64        `json:"length_s"`      // the same
	Free    *int64         `json:"free_bytes"`    // nil where nobody knows
	Copy    []copying      `json:"copying"`

	beats int64 // about, of the clips to pack
}

type plannedClip struct {
	Source  string  `json:"source"`
	Clip    string  `json:"clip"`
	Does    string  `json:"does"` // packs, stays or renames
	Was     string  `json:"was,omitempty"`
	Seconds float64 `json:"length_s"`
	Bytes   int64   `json:"bytes_at_most"`
}

// survey looks at what a fill would do. In an image every clip is written anew.
func (c *call) survey(ctx context.Context, folder, onto string, items []fill.Item, s fill.Settings, o fill.Options, thorough bool) (planned, error) {
	all, err := fill.Survey(ctx, folder, onto, items, s, o, thorough)
	if err != nil {
		return planned{}, err
	}
	doc := planned{Card: onto, Clips: []plannedClip{}, Failed: []failedSource{}, Gone: []string{}, Skipped: []string{}, Copy: []copying{}}
	var old int64
	for _, f := range all {
		does := "packs"
		switch {
		case f.Err != nil:
			doc.Failed = append(doc.Failed, failedSource{f.Source, f.Err.Error()})
			if thorough {
				c.tellError(f.Err)
			}
			continue
		case f.Was != "":
			does = "renames"
		case f.Stays:
			does = "stays"
		default:
			doc.Bytes, doc.Seconds, doc.beats, old = doc.Bytes+f.Bytes, doc.Seconds+f.Seconds, doc.beats+f.Beats, old+f.Old
		}
		was := ""
		if f.Was != "" {
			was = within(onto, f.Was)
		}
		doc.Clips = append(doc.Clips, plannedClip{f.Source, f.Clip, does, was, f.Seconds, f.Bytes})
	}
	if free, err := measure.Free(folderThere(onto)); err == nil && !o.NoLedger { // an image has the size of its card
		free += old
		doc.Free = &free
	}
	for _, l := range card.Links() {
		usual, least := l.Writing(doc.Bytes)
		doc.Copy = append(doc.Copy, copying{l.Name, usual.Seconds(), least.Seconds(), l.Reading(doc.Bytes).Seconds()})
	}
	return doc, nil
}

// folderThere is the folder itself, or the one that it will be made in.
func folderThere(folder string) string {
	for at := folder; ; at = folderOf(at) {
		if isFolder(at) || at == folderOf(at) {
			return at
		}
	}
}

// packs counts the clips to be packed.
func (p *planned) packs() (n int64) {
	for _, k := range p.Clips {
		if k.Does == "packs" {
			n++
		}
	}
	return n
}

// announce tells before the work how much there is of it, and whether there may be too
// little room.
func (c *call) announce(doc *planned) {
	n := doc.packs()
	if n == 0 || len(doc.Clips) == 1 {
		return
	}
	text := fmt.Sprintf("%d of %s to pack, %s of source, at most %s", n, console.Count(int64(len(doc.Clips)), "clip", "clips"), console.Duration(seconds(doc.Seconds)), console.Size(doc.Bytes))
	if doc.Free != nil {
		text += fmt.Sprintf("; %s free", console.Size(*doc.Free))
	}
	c.console.Note("%s", text)
	if doc.Free != nil && *doc.Free < doc.Bytes {
		c.console.Warn("%s may have too little room, by %s at the most", console.Name(doc.Card), console.Size(doc.Bytes-*doc.Free))
	}
}

// dryRun shows what a fill would do.
func (c *call) dryRun(ctx context.Context, folder, onto string, items []fill.Item, skipped []fill.Skipped, s fill.Settings, o fill.Options) error {
	doc, err := c.survey(ctx, folder, onto, items, s, o, true)
	if err != nil {
		return err
	}
	for _, k := range skipped {
		doc.Skipped = append(doc.Skipped, k.Path)
	}
	if isFolder(onto) {
		gone, err := fill.Gone(ctx, onto, items)
		if err != nil {
			return err
		}
		taken := make(map[string]bool)
		for _, k := range doc.Clips {
			taken[k.Was] = true
		}
		for _, g := range gone {
			if !taken[g] {
				doc.Gone = append(doc.Gone, g)
			}
		}
	}
	t := console.NewTable(console.Words("clip"), console.Words("would be"), console.Numbers("length", "m:ss"), console.Numbers("at most", "MB"))
	for _, k := range doc.Clips {
		does := map[string]string{"packs": "packed", "stays": "left as it is", "renames": "renamed, from " + console.Name(k.Was)}[k.Does]
		length, size := "", ""
		if k.Seconds > 0 {
			length = console.Duration(seconds(k.Seconds))
		}
		if k.Bytes > 0 {
			size = console.MB(float64(k.Bytes))
		}
		t.Row(console.Name(k.Clip), does, length, size)
	}
	goes := "left, though its source is gone"
	if c.Bool("remove-gone") {
		goes = "removed"
	}
	for _, g := range doc.Gone {
		t.Row(console.Name(g), goes, "", "")
	}
	t.Total(fmt.Sprintf("%d to pack", doc.packs()), "", console.Duration(seconds(doc.Seconds)), console.MB(float64(doc.Bytes)))
	c.console.Table(t)
	if doc.Bytes > 0 {
		t = console.NewTable(console.Words("writing that"), console.Numbers("usually", "m:ss"))
		for _, l := range card.Links() {
			usual, _ := l.Writing(doc.Bytes)
			t.Row("over "+l.Name, console.TimeLeft(usual))
		}
		c.console.Result("")
		c.console.Table(t)
	}
	if doc.Free != nil {
		fits := "all of it fits"
		if *doc.Free < doc.Bytes {
			fits = fmt.Sprintf("up to %s too little", console.Size(doc.Bytes-*doc.Free))
		}
		c.console.Result("")
		c.console.Result("%s free on %s: %s", console.Size(*doc.Free), console.Name(onto), fits)
	}
	if err := c.console.JSON(doc); err != nil {
		return err
	}
	if n := len(doc.Failed); n > 0 {
		return fmt.Errorf("%d of %s cannot be opened", n, console.Count(int64(len(items)), "source", "sources"))
	}
	return nil
}

// strangeCardError asks whether a folder is meant to be a card.
func strangeCardError(path string, files int) error {
	return usagef("%s holds %s and no clip: it does not look like a card, and nothing is written", console.Name(path), console.Count(int64(files), "other file", "other files")).
		try("--sure, if it is the right one (asked once for each card)").try("an empty folder, or one that is not there yet")
}

// looksLikeACard refuses a folder that holds something else and was never filled, unless
// the person is sure: a mistyped name must not strew clips over a home folder.
func (c *call) looksLikeACard(ctx context.Context, path string) error {
	if c.Bool("sure") || !isFolder(path) {
		return nil
	}
	others, clips, err := fill.LooksLike(ctx, path)
	if err != nil || clips || others == 0 {
		return err
	}
	if mounted(path) {
		return nil
	}
	strange := strangeCardError(path, others)
	if !isTerminal(c.stdin) {
		return strange
	}
	c.console.Aside(fmt.Sprintf("%s holds %s and no clip: is it a card? [y/N] ", console.Name(path), console.Count(int64(others), "other file", "other files")))
	answer, err := bufio.NewReader(c.stdin).ReadString('\n')
	if err == nil && strings.EqualFold(strings.TrimSpace(answer), "y") {
		return nil
	}
	return strange
}

// mounted tells whether a folder is where another file system begins, as a card is.
func mounted(path string) bool {
	a, err := os.Stat(path)
	if err != nil {
		return false
	}
	b, err := os.Stat(path + string(os.PathSeparator) + "..")
	return err == nil && fill.OtherDevice(a, b)
}

// noteSystem tells what to know of a card's file system before it is filled.
func (c *call) noteSystem(path string) {
	if !mounted(path) {
		return
	}
	system, ok := cardfs.SystemOf(path)
	if !ok {
		return
	}
	for _, text := range adviceOn(system) {
		c.console.Note("%s: %s", console.Name(path), text)
	}
}

// adviceOn says what a file system means for a small player. That small FAT drivers read
// FAT alone, and that few clusters are quicker to follow, is common practice, no source;
// cards above 32 GB are sold with exFAT (SD Association, the SDXC standard).
func adviceOn(s cardfs.System) (advice []string) {
	const tiny, large = 16 << 10, 2 << 30
	switch s.Name {
	case "exFAT", "NTFS":
		advice = append(advice, "it has "+s.Name+", which small FAT drivers do not read; FAT32 is the usual one, also above 32 GB, and the image of a card (fill FOLDER card.img) has it")
	case "ext4", "Btrfs", "XFS", "F2FS":
		advice = append(advice, "it has "+s.Name+", which players do not read; cards for them have FAT32")
	case "FAT":
		if s.Cluster < tiny && s.Bytes > large {
			advice = append(advice, fmt.Sprintf("its clusters are of %s, so that a player follows many links of the table; 32 KiB are usual for cards of that size", console.Size(s.Cluster)))
		}
	}
	return advice
}

// notePieces tells of clips that a mounted card has not taken in one piece, and what that
// costs at most: a request for each jump, which the verdict has counted already where it asks
// anew for each cluster.
func (c *call) notePieces(path string, outcomes []fill.Outcome, player *playerfile.Player) {
	if !mounted(path) {
		return
	}
	clips, most, worst := 0, 0, ""
	for _, o := range outcomes {
		if o.Packed == nil {
			continue
		}
		broken := false
		for _, file := range o.Packed.Files {
			n := cardfs.Pieces(file)
			broken = broken || n > 1
			if n > most {
				most, worst = n, file
			}
		}
		if broken {
			clips++
		}
	}
	if clips > 0 {
		reading, _ := player.Reading()
		c.console.Note("%s", piecesText(clips, most, console.Name(within(path, worst)), reading))
	}
}

func piecesText(clips, most int, worst string, r card.Reading) string {
	request, _ := r.Overhead().Float64()
	cost := fmt.Sprintf("each jump costs a request of %.2g ms", 1000*request)
	if r.Cluster > 0 {
		cost += ", which the verdict counts for every cluster anyway"
	} else {
		cost += ", which the verdict does not count as the player file has cluster: 0 KiB"
	}
	return fmt.Sprintf("%s not in one piece on the card, %s in %d: %s; an empty card takes each in one", console.Count(int64(clips), "clip lies", "clips lie"), worst, most, cost)
}

// noteDone tells that a mounted card can be taken out, once the system lets go of it.
func (c *call) noteDone(path string) {
	if mounted(path) {
		c.console.Note("all of it is flushed to %s: unmount it (eject) before you take it out", console.Name(path))
	}
}

// stage is where the clips of a card are packed before they are copied to it: a folder of
// that card's own among what programs may keep, if that lies on another device than the
// card and has room for as many clips as are packed at a time; else "".
func stage(onto string, doc *planned, workers int) (folder string, end func()) {
	end = func() {}
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", end
	}
	full, err := filepath.Abs(onto)
	if err != nil {
		return "", end
	}
	a, err := os.Stat(folderThere(onto))
	if err != nil {
		return "", end
	}
	b, err := os.Stat(folderThere(cache))
	if err != nil || !fill.OtherDevice(a, b) {
		return "", end
	}
	var largest int64
	for _, k := range doc.Clips {
		if k.Does == "packs" {
			largest = max(largest, k.Bytes)
		}
	}
	free, err := measure.Free(folderThere(cache))
	if err != nil || largest == 0 || free < int64(workers+1)*largest {
		return "", end
	}
	folder = filepath.Join(cache, console.Program, fmt.Sprintf("packing-%08x", crc32.ChecksumIEEE([]byte(full))))
	if os.MkdirAll(folder, 0o700) != nil {
		return "", end
	}
	return folder, func() {
		if os.Remove(folder) == nil { // it is empty, unless another run is at work in it
			os.Remove(filepath.Dir(folder))
		}
	}
}
