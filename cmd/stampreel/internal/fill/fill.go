// Package fill takes sources to a card: it finds them in a folder, packs each
// for a player into a clip, verifies it, judges it, and puts it under its final
// name only then. It is the one place where transcoding, the budget and the
// card meet.
package fill

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"sort"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"example.org/stampreel/budget"
	"example.org/stampreel/container/cardfs"
	"example.org/stampreel/transcode/source"
)

// ClipExtension ends the name of every clip.
const ClipExtension = ".srq"

// Item is one source of a folder and the clip it becomes. Paths are relative,
// with slashes.
type Item struct {
	Source string
	Sound  string // sound of the same name beside the pictures; "" for none
	Kind   string // what the content is
	Clip   string
	Err    error // why its kind could not be told; nil
	// In the card's guide: a title in place of the name of its file, and a place on its shelf
	// before all that have none; "" and 0.
	Title string
	Order int
	// When its source was taken, for a guide that is sorted by that; zero for one by name.
	Captured time.Time
	// How it is packed, where not as the others are; nil. Its player is theirs.
	Settings *Settings
}

// SettingsOr are the item's own settings, or those of all.
func (it *Item) SettingsOr(all *Settings) *Settings {
	if it.Settings != nil {
		return it.Settings
	}
	return all
}

// Skipped is a file that is no source.
type Skipped struct {
	Path string
	Why  string
}

// Find lists the sources of a folder and its sub-folders, in order of name.
// Hidden files, clips and YAML files are passed over; so is the folder except
// (the card, when it lies inside). A folder of numbered frames is one source. A
// sound that has the name of pictures beside it belongs to them.
func Find(ctx context.Context, folder, except string) (items []Item, skipped []Skipped, err error) {
	except = clean(except)
	root := os.DirFS(folder)
	err = fs.WalkDir(root, ".", func(path string, d fs.DirEntry, err error) error {
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil && path == ".":
			return fmt.Errorf("fill: %w", whole(err, folder))
		case err != nil:
			items = append(items, Item{Source: path, Kind: "folder", Err: fmt.Errorf("fill: %w", whole(err, filepath.Join(folder, path)))})
			return nil
		case path == ".":
			return nil
		}
		full := filepath.Join(folder, filepath.FromSlash(path))
		if strings.HasPrefix(d.Name(), ".") || IsLitter(d.Name()) || clean(full) == except {
			if d.IsDir() {
				return fs.SkipDir
			}
			return nil
		}
		if ext := strings.ToLower(filepath.Ext(path)); !d.IsDir() && (ext == ClipExtension || ext == ".yaml" || ext == ".yml") {
			return nil
		}
		kind, ok, err := source.Sniff(full)
		switch {
		case d.IsDir() && ok:
			items = append(items, Item{Source: path, Kind: kind})
			return fs.SkipDir
		case d.IsDir():
			return nil // an error here shows again for the files inside
		case err != nil || ok || kind != "" || looksLikeMedia(path) && !isText(full):
			items = append(items, Item{Source: path, Kind: kind})
		default:
			skipped = append(skipped, Skipped{path, "no picture, animation, video or sound"})
		}
		return nil
	})
	if err != nil {
		return nil, nil, err
	}
	items = joinSound(items)
	nameClips(items)
	return items, skipped, nil
}

// whole puts the whole path into an error that names it from the folder on.
func whole(err error, path string) error {
	var e *fs.PathError
	if errors.As(err, &e) {
		return &fs.PathError{Op: e.Op, Path: path, Err: e.Err}
	}
	return err
}

func clean(path string) string {
	if path == "" {
		return ""
	}
	if abs, err := filepath.Abs(path); err == nil {
		path = abs
	}
	return filepath.Clean(path)
}

// looksLikeMedia tells files that claim to be what they are not, which deserve
// an error, from files that claim nothing.
func looksLikeMedia(path string) bool {
	switch strings.ToLower(filepath.Ext(path)) {
	case ".gif", ".png", ".apng", ".jpg", ".jpeg", ".webp", ".bmp", ".y4m",
		".wav", ".mp3", ".flac", ".ogg", ".oga", ".opus", ".m4a", ".aac", ".ac3", ".aif", ".aiff", ".wma",
		".mp4", ".m4v", ".mov", ".3gp", ".mkv", ".webm", ".avi", ".ogv", ".ts", ".m2ts", ".mts", ".mpg", ".mpeg", ".vob", ".wmv", ".asf", ".flv", ".h264", ".264", ".h265", ".265":
		return true
	}
	return false
}

// isText tells a file that shares its extension with a kind of video but is text, as the
// translations of user interfaces (XML in .ts) and programs in .ts are.
func isText(path string) bool {
	if strings.ToLower(filepath.Ext(path)) != ".ts" {
		return false
	}
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	head := make([]byte, 512)
	n, _ := io.ReadFull(f, head)
	for _, b := range head[:n] {
		if b < ' ' && b != '\t' && b != '\n' && b != '\r' && b != '\f' {
			return false
		}
	}
	return n > 0
}

func stem(path string) string { return strings.TrimSuffix(path, filepath.Ext(path)) }

// joinSound gives pictures the sound of the same name, in the same folder. What
// is not opened takes no sound with it.
func joinSound(items []Item) []Item {
	pictures := make(map[string][]int)
	for i, it := range items {
		if source.Opens(it.Kind) && !source.IsSound(it.Kind) {
			pictures[nameOf(it)] = append(pictures[nameOf(it)], i)
		}
	}
	kept := items[:0:0]
	for _, it := range items {
		if at := pictures[stem(it.Source)]; source.IsSound(it.Kind) && len(at) == 1 && items[at[0]].Sound == "" {
			items[at[0]].Sound = it.Source
		}
	}
	taken := make(map[string]bool)
	for _, it := range items {
		if it.Sound != "" {
			taken[it.Sound] = true
		}
	}
	for _, it := range items {
		if !taken[it.Source] {
			kept = append(kept, it)
		}
	}
	return kept
}

// nameOf is the path of a source without its extension; folders have none.
func nameOf(it Item) string {
	if it.Kind == source.KindFrames {
		return it.Source
	}
	return stem(it.Source)
}

// partEnd matches names that look like a further part of a clip.
var partEnd = regexp.MustCompile(`(?i)\.(part[0-9]+)$`)

// nameClips gives each item its clip. Two sources that would become one clip,
// on a card that ignores case too, keep their extension in the name, then get
// numbers. No clip takes the name of a folder of clips, or one that the parts
// of another may need.
func nameClips(items []Item) {
	sort.SliceStable(items, func(i, k int) bool { return items[i].Source < items[k].Source })
	wish := func(it Item) string { return partEnd.ReplaceAllString(cardPath(nameOf(it)), "-$1") }
	count := make(map[string]int)
	used := make(map[string]bool)
	for _, it := range items {
		name := strings.ToLower(wish(it))
		count[name]++
		for dir := path.Dir(name); dir != "."; dir = path.Dir(dir) {
			used[dir] = true
		}
	}
	for i, it := range items {
		name := wish(it)
		if count[strings.ToLower(name)] > 1 {
			if ext := strings.TrimPrefix(path.Ext(it.Source), "."); ext != "" && it.Kind != source.KindFrames {
				name = cardPath(name + "-" + strings.ToLower(ext))
			}
		}
		clip := name + ClipExtension
		for n := 2; used[strings.ToLower(clip)]; n++ {
			clip = fmt.Sprintf("%s-%d%s", name, n, ClipExtension)
		}
		used[strings.ToLower(clip)] = true
		items[i].Clip = clip
	}
}

// cardPath makes each part of a path a name that FAT takes.
func cardPath(path string) string {
	parts := strings.Split(path, "/")
	for i, p := range parts {
		parts[i] = cardfs.Name(p)
	}
	return strings.Join(parts, "/")
}

// NoteCaptured notes of each item when its source was taken: as the file says, or, where it
// does not, when it was written last.
func NoteCaptured(folder string, items []Item) {
	for i := range items {
		path := joined(folder, items[i].Source)
		at, ok := source.Captured(path)
		if !ok {
			if info, err := os.Stat(path); err == nil {
				at = info.ModTime()
			}
		}
		items[i].Captured = at
	}
}

// namedAsSound tells of a file in a container that may hold videos too that it is named as
// a sound.
func namedAsSound(path string) bool {
	switch strings.ToLower(filepath.Ext(path)) {
	case ".m4a", ".m4b", ".oga", ".opus", ".wma", ".mka":
		return true
	}
	return false
}

// ForPlayer leaves out the sounds that a player without a speaker has no use for.
func ForPlayer(items []Item, skipped []Skipped, hasSound bool) ([]Item, []Skipped) {
	if hasSound {
		return items, skipped
	}
	kept := items[:0:0]
	for _, it := range items {
		if (source.IsSound(it.Kind) || namedAsSound(it.Source)) && it.Err == nil {
			skipped = append(skipped, Skipped{it.Source, "sound alone, and the player has no speaker"})
			continue
		}
		kept = append(kept, it)
	}
	return kept, skipped
}

// Outcome is what became of one item.
type Outcome struct {
	Item
	Packed  *Packed
	Verdict *budget.Verdict
	Err     error
}

// Events tell how far a fill is; all may be nil. They may come from several
// goroutines at once.
type Events struct {
	Begin func(Item)
	Beats func(n int64)
	Wrote func(bytes int64) // to the card, of clips that were packed elsewhere
	End   func(Outcome)
	// Reading back has come so much further; Read tells at the end how much that was, and
	// whether the system promised that all came from the card.
	Reading func(bytes int64)
	Read    func(bytes int64, past bool)
}

// Options say how a card is filled.
type Options struct {
	Workers int  // clips that are packed at a time
	Repack  bool // clips that are on the card already are packed all the same
	// Sources and clips are read, even where size and times say that they have not
	// changed.
	Rehash bool
	// Nothing is remembered on the card for the next fill.
	NoLedger bool
	// What is read once more when all is written.
	ReadBack ReadBack
	// A folder in which clips are packed, to be copied to the card one after the other
	// while the next are packed; "" packs them on the card.
	Stage string
}

// A filling is a fill under way.
type filling struct {
	folder, card string
	s            Settings
	o            Options
	ledger       *ledger
	asked        string // sum of what is asked for of items without settings of their own
	player       string // sum of the player
	former       formerClips
	writing      sync.Mutex // held by who copies to the card
}

// Run packs every item from folder onto the card, several at a time; a clip that is
// there already, of the same bytes and settings, stays, also where its source has another
// name now. One that fails does not stop the others; Run itself fails when the card cannot
// be written at all, when another run is filling it, or when the context is cancelled.
// Outcomes are in the order of the items.
func Run(ctx context.Context, folder, card string, items []Item, s Settings, o Options, events Events) ([]Outcome, error) {
	if err := os.MkdirAll(card, 0o755); err != nil {
		return nil, fmt.Errorf("fill: %w", err)
	}
	// The sweep below would take the files of another run from under it.
	lock, err := cardfs.TakeLock(card)
	if err != nil {
		return nil, err
	}
	defer lock.Release()
	swept := make(map[string]bool)
	for _, it := range items {
		dir := filepath.Dir(filepath.Join(card, filepath.FromSlash(it.Clip)))
		if swept[dir] {
			continue
		}
		swept[dir] = true
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return nil, fmt.Errorf("fill: %w", err)
		}
		if _, err := cardfs.RemoveLeftovers(dir); err != nil {
			return nil, err
		}
	}
	if o.Stage != "" {
		if _, err := cardfs.RemoveLeftovers(o.Stage); err != nil {
			return nil, err
		}
	}
	s.Workers = 1 // the cores are busy with one clip each
	f, err := newFilling(ctx, folder, card, items, s, o)
	if err != nil {
		return nil, err
	}
	outcomes := make([]Outcome, len(items))
	all := ctx
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(max(o.Workers, 1))
	var mu sync.Mutex
	for i, it := range items {
		g.Go(func() error {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if events.Begin != nil {
				events.Begin(it)
			}
			o := Outcome{Item: it, Err: it.Err}
			if o.Err == nil {
				o.Packed, o.Err = f.clip(ctx, it, events)
			}
			if o.Packed != nil {
				o.Verdict = &o.Packed.Verdict
			}
			mu.Lock()
			outcomes[i] = o
			mu.Unlock()
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if events.End != nil {
				events.End(o)
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	if o.ReadBack != ReadNothing {
		n, past, err := f.readBack(all, outcomes, events.Reading)
		if err != nil {
			return nil, err
		}
		if events.Read != nil && n > 0 {
			events.Read(n, past)
		}
	}
	if f.ledger != nil {
		f.ledger.forget(card)
		f.ledger.write() // a card without room for it is filled all the same
	}
	return outcomes, nil
}

func newFilling(ctx context.Context, folder, card string, items []Item, s Settings, o Options) (*filling, error) {
	f := &filling{folder: folder, card: card, s: s, o: o, asked: s.askedSum()}
	var err error
	if f.player, err = playerSum(s.Player); err != nil {
		return nil, err
	}
	if !o.NoLedger {
		f.ledger = openLedger(card)
	}
	if info, statErr := os.Stat(card); !o.Repack && statErr == nil && info.IsDir() {
		f.former.at, err = formerOf(ctx, card, items)
	}
	return f, err
}

// settings are those of an item, and the sum of what they ask for.
func (f *filling) settings(it Item) (s *Settings, asked string) {
	if it.Settings == nil {
		return &f.s, f.asked
	}
	own := *it.Settings
	own.Player, own.Workers = f.s.Player, f.s.Workers
	return &own, own.askedSum()
}

// clip brings one item onto the card.
func (f *filling) clip(ctx context.Context, it Item, events Events) (*Packed, error) {
	s, asked := f.settings(it)
	job := f.job(it)
	job.Beats, job.Wrote, job.Take = events.Beats, events.Wrote, f.former.take
	if f.o.Stage != "" {
		job.Stage, job.Writing = f.o.Stage, &f.writing
	}
	stamp, rests, err := stampOf(job.files()...)
	if err != nil {
		return nil, fmt.Errorf("fill: %w", err)
	}
	if !rests {
		stamp = ""
	}
	if f.ledger != nil && !f.o.Rehash && !f.o.Repack {
		if p := f.ledger.unchanged(it, stamp, job.Clip, s, asked, f.player); p != nil {
			return p, nil
		}
	}
	p, err := s.Pack(ctx, job)
	if err == nil && f.ledger != nil {
		f.ledger.add(it, job.Source, stamp, asked, f.player, p)
	}
	return p, err
}

func joined(folder, path string) string {
	if path == "" {
		return ""
	}
	return filepath.Join(folder, filepath.FromSlash(path))
}
