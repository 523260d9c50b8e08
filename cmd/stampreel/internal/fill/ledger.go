package fill

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"example.org/stampreel/budget"
	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
	"example.org/stampreel/container/cardfs"
	"example.org/stampreel/transcode"
	"example.org/stampreel/transcode/source"
)

// ledgerName is a file on a card that remembers what its clips were packed from, so that
// the next fill need not read sources and clips that have not changed. It saves time and
// nothing else: without it all is read once more.
const ledgerName = ".stampreel-ledger.json"

// ledgerVersion is raised when an entry comes to mean something else.
const ledgerVersion = 1

// A ledger remembers the clips of a card, by their path in lower case.
type ledger struct {
	Version int              `json:"version"`
	Clips   map[string]entry `json:"clips"`

	path    string
	mu      sync.Mutex
	changed bool
}

// entry is one clip: what it was made from, what it is, and how it was judged.
type entry struct {
	Clip   string         `json:"clip"`   // path on the card
	Source string         `json:"source"` // absolute
	Stamp  string         `json:"stamp"`  // of the source's files, see stampOf
	Asked  string         `json:"asked"`  // sum of what was asked for
	Player string         `json:"player"` // sum of the player that it was judged for
	Parts  []string       `json:"parts"`  // what stands in the header of each
	Kind   string         `json:"kind"`
	Rate   source.Ratio   `json:"source_rate"`
	Cut    bool           `json:"incomplete"`
	Flash  Flashes        `json:"flashes"`
	Judged budget.Verdict `json:"verdict"`
}

// openLedger reads the ledger of a card. One that is missing, or makes no sense, is an
// empty one.
func openLedger(card string) *ledger {
	l := &ledger{Version: ledgerVersion, Clips: map[string]entry{}, path: filepath.Join(card, ledgerName)}
	data, err := readUpTo(l.path, 64<<20)
	if err != nil {
		return l
	}
	var read ledger
	if json.Unmarshal(data, &read) == nil && read.Version == ledgerVersion && read.Clips != nil {
		l.Clips = read.Clips
	}
	return l
}

func readUpTo(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, most))
}

// unchanged returns the clip of an item, if neither its source nor what is asked for, nor
// the clip itself has changed since it was packed; nil if one may have.
func (l *ledger) unchanged(it Item, stamp, clip string, s *Settings, asked, player string) *Packed {
	l.mu.Lock()
	e, ok := l.Clips[strings.ToLower(it.Clip)]
	l.mu.Unlock()
	if !ok || stamp == "" || e.Stamp != stamp || e.Asked != asked || e.Player != player || e.Cut && s.Strict {
		return nil
	}
	p := &Packed{Kept: true, Kind: e.Kind, SourceRate: e.Rate, Flashes: e.Flash, Verdict: e.Judged}
	for part := range e.Parts {
		name := PartName(clip, part)
		r, f, err := Open(name)
		if err != nil {
			return nil
		}
		f.Close()
		h := r.Header()
		if mark(&h) != e.Parts[part] {
			return nil
		}
		p.Files, p.Headers, p.Bytes = append(p.Files, name), append(p.Headers, h), p.Bytes+int64(h.FileSectors)*container.SectorBytes
	}
	if len(p.Headers) == 0 {
		return nil
	}
	p.Result = &transcode.Result{Beats: int64(p.Headers[0].AllBeats), Incomplete: e.Cut}
	return p
}

// add remembers a clip; an empty stamp, of a source that may still be changing, forgets it.
func (l *ledger) add(it Item, source, stamp, asked, player string, p *Packed) {
	l.mu.Lock()
	defer l.mu.Unlock()
	key := strings.ToLower(it.Clip)
	l.changed = true
	if stamp == "" {
		delete(l.Clips, key)
		return
	}
	e := entry{Clip: it.Clip, Source: clean(source), Stamp: stamp, Asked: asked, Player: player, Kind: p.Kind, Rate: p.SourceRate, Cut: p.Result.Incomplete, Flash: p.Flashes, Judged: p.Verdict}
	for i := range p.Headers {
		e.Parts = append(e.Parts, mark(&p.Headers[i]))
	}
	l.Clips[key] = e
}

// forget drops what is not on the card any more.
func (l *ledger) forget(card string) {
	for key, e := range l.Clips {
		if _, err := os.Stat(filepath.Join(card, filepath.FromSlash(e.Clip))); errors.Is(err, fs.ErrNotExist) {
			delete(l.Clips, key)
			l.changed = true
		}
	}
}

// write puts the ledger onto the card, if there is something new in it.
func (l *ledger) write() error {
	if !l.changed {
		return nil
	}
	return cardfs.Write(l.path, func(w io.Writer) error {
		e := json.NewEncoder(w)
		e.SetIndent("", " ")
		return e.Encode(l)
	})
}

// mark is what tells a part of a clip from another one that stands under its name.
func mark(h *container.Header) string {
	sum := sha256.New()
	fmt.Fprintf(sum, "%+v", *h)
	return hex.EncodeToString(sum.Sum(nil)[:12])
}

// stillChanging is how long a file has to rest before its times are trusted: FAT keeps
// them to two seconds.
var stillChanging = 2500 * time.Millisecond

// stampOf joins size, times and identity of files, and of those in a folder of frames: all
// that changes when one is written, as far as the file system tells. A file does not rest
// that has changed so lately that it could change once more and look the same.
func stampOf(paths ...string) (stamp string, rests bool, err error) {
	sum := sha256.New()
	before := time.Now().Add(-stillChanging)
	rests = true
	add := func(name string, info fs.FileInfo) {
		id, changed := fileID(info)
		if info.ModTime().After(before) || changed.After(before) {
			rests = false
		}
		fmt.Fprintf(sum, "%q %d %d %d %s\n", name, info.Size(), info.ModTime().UnixNano(), changed.UnixNano(), id)
	}
	for _, path := range paths {
		info, err := os.Stat(path)
		if err != nil {
			return "", false, err
		}
		if !info.IsDir() {
			add(filepath.Base(path), info)
			continue
		}
		entries, err := os.ReadDir(path)
		if err != nil {
			return "", false, err
		}
		for _, e := range entries {
			if strings.HasPrefix(e.Name(), ".") || strings.EqualFold(filepath.Ext(e.Name()), ClipExtension) {
				continue // no frame, and perhaps what is being written
			}
			info, err := os.Stat(filepath.Join(path, e.Name()))
			if err != nil {
				return "", false, err
			}
			add(e.Name(), info)
		}
	}
	return hex.EncodeToString(sum.Sum(nil)[:16]), rests, nil
}

// askedSum sums what is asked for, of whatever source: the settings of a source that has
// all there is.
func (s *Settings) askedSum() string {
	all := source.Made("", everything{}, everySound{}, nil)
	o := s.options(all, false)
	sum := s.sumOf(&o)
	more := fmt.Sprint(s.From, s.To, s.Bars, s.TrackOrFirst, s.NoSound, s.Loop != nil && *s.Loop, s.Loop == nil, s.Crop)
	both := sha256.Sum256(append(sum[:], more...))
	return hex.EncodeToString(both[:16])
}

type everything struct{ source.Pictures }

func (everything) Info() source.PicturesInfo { return source.PicturesInfo{LoopsForever: true} }

type everySound struct{ source.Sound }

func (everySound) Info() source.SoundInfo { return source.SoundInfo{Rate: 48000, Channels: 2} }

// playerSum sums all that a player file tells.
func playerSum(p *playerfile.Player) (string, error) {
	text, err := json.Marshal(p)
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:16]), nil
}
