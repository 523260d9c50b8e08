package source

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strconv"
	"strings"
)

// numbered is a file of a folder of frames.
type numbered struct {
	name   string
	number int64
}

// order sorts names that differ only in one number by that number. An error
// says which names do not.
func order(names []string) ([]numbered, error) {
	sort.Strings(names)
	if len(names) == 0 {
		return nil, errors.New("holds no pictures")
	}
	text, first := splitNumbers(names[0])
	varies := -1
	for _, name := range names[1:] {
		other, numbers := splitNumbers(name)
		if other != text {
			return nil, fmt.Errorf("%q and %q differ in more than a number", names[0], name)
		}
		for i := range numbers {
			if numbers[i] == first[i] || i == varies {
				continue
			}
			if varies >= 0 {
				return nil, fmt.Errorf("%q and %q differ in more than one number", names[0], name)
			}
			varies = i
		}
	}
	if varies < 0 { // one file: its last number is the number
		varies = len(first) - 1
	}
	list := make([]numbered, len(names))
	for i, name := range names {
		_, numbers := splitNumbers(name)
		if len(numbers) == 0 {
			return nil, fmt.Errorf("%q holds no number", name)
		}
		n, err := strconv.ParseInt(numbers[varies], 10, 64)
		if err != nil {
			return nil, fmt.Errorf("%q holds too large a number", name)
		}
		list[i] = numbered{name, n}
	}
	sort.SliceStable(list, func(i, j int) bool { return list[i].number < list[j].number })
	for i := range list[1:] {
		if list[i].number == list[i+1].number {
			return nil, fmt.Errorf("%q and %q have the same number", list[i].name, list[i+1].name)
		}
	}
	return list, nil
}

// splitNumbers takes a name apart: its text with every run of digits replaced
// by a zero byte, and the runs.
func splitNumbers(name string) (text string, numbers []string) {
	var b strings.Builder
	for i := 0; i < len(name); {
		j := i
		for j < len(name) && name[j] >= '0' && name[j] <= '9' {
			j++
		}
		if j > i {
			numbers = append(numbers, name[i:j])
			b.WriteByte(0)
			i = j
			continue
		}
		b.WriteByte(name[i])
		i++
	}
	return b.String(), numbers
}

func isStill(kind string) bool {
	switch kind {
	case KindPNG, KindJPEG, KindWebP, KindBMP, KindGIF, KindAnimation:
		return true
	}
	return false
}

// kindOf is Sniff for an ordinary file, without looking into GIFs.
func kindOf(path string) (string, error) {
	head, err := readHead(path)
	if err != nil {
		return "", err
	}
	if s := recognise(head); s != nil {
		return s.kind, nil
	}
	return "", nil
}

// IsFrameFolder reports whether a folder, met by the way, is one video as
// numbered pictures and not a collection of photographs: nothing but three or
// more stills of one kind and one size, whose names differ only in a number
// that starts at 0 or 1 and leaves none out, and at most one sound. Hidden files
// do not count. Open asks for less, because whoever names a folder means it.
func IsFrameFolder(dir string) (bool, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return false, fmt.Errorf("source: %w", err)
	}
	var names []string
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), ".") {
			continue
		}
		if !e.Type().IsRegular() {
			return false, nil
		}
		names = append(names, e.Name())
	}
	if odd := oddOne(names); odd >= 0 {
		kind, err := kindOf(filepath.Join(dir, names[odd]))
		if err != nil || !IsSound(kind) {
			return false, err
		}
		names = slices.Delete(names, odd, odd+1)
	}
	if len(names) < 3 {
		return false, nil
	}
	list, err := order(names)
	if err != nil || list[0].number > 1 || list[len(list)-1].number-list[0].number != int64(len(list)-1) {
		return false, nil
	}
	var first *stillFile
	for _, item := range list {
		path := filepath.Join(dir, item.name)
		kind, err := kindOf(path)
		if err != nil {
			return false, err
		}
		if !isStill(kind) {
			return false, nil
		}
		p, err := inspect(path, kind, DefaultMaxPixels)
		if err != nil {
			return false, nil
		}
		if first == nil {
			first = p
		}
		if p.kind != first.kind || p.w != first.w || p.h != first.h {
			return false, nil
		}
	}
	return true, nil
}

// oddOne returns the place of the one name that differs from all others in more
// than numbers, or -1.
func oddOne(names []string) int {
	places := map[string][]int{}
	for i, name := range names {
		text, _ := splitNumbers(name)
		places[text] = append(places[text], i)
		if len(places) > 2 {
			return -1
		}
	}
	odd := -1
	for _, list := range places {
		if len(places) == 2 && len(list) == 1 && len(names) > 2 {
			odd = list[0]
		}
	}
	return odd
}

// frames reads one still after another.
type frames struct {
	paths []string
	kind  string
	limit int64
	share *share
	info  PicturesInfo
	next  int
}

func openFrames(ctx context.Context, dir string, o Options) (*Media, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("source: %w", err)
	}
	const try = "keep in the folder only pictures named like frame0001.png, frame0002.png"
	log := &warnings{}
	f := &frames{limit: o.maxPixels(), share: newShare()}
	var names, others, sounds []string
	for _, e := range entries {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		info, err := os.Stat(filepath.Join(dir, e.Name()))
		if strings.HasPrefix(e.Name(), ".") || err != nil || !info.Mode().IsRegular() {
			continue
		}
		kind, err := kindOf(filepath.Join(dir, e.Name()))
		switch {
		case err != nil:
			return nil, err
		case IsSound(kind):
			sounds = append(sounds, e.Name())
			continue
		case !isStill(kind):
			others = append(others, e.Name())
			continue
		case f.kind == "":
			f.kind = kind
		case f.kind != kind:
			return nil, &UnsupportedError{dir, fmt.Sprintf("folder of pictures of more than one kind: %q is a %s, %q a %s",
				names[0], f.kind, e.Name(), kind), try}
		}
		names = append(names, e.Name())
	}
	if len(names) < 2 {
		return nil, &UnsupportedError{dir, fmt.Sprintf("folder with %s, want at least 2 that are numbered", counted(len(names), "picture", "pictures")), try}
	}
	list, err := order(names)
	if err != nil {
		return nil, &UnsupportedError{dir, fmt.Sprintf("folder of pictures whose order is not clear: %v", err), try}
	}
	if len(sounds) > 1 {
		log.add("left out %d sounds, the first being %q: one alone would be that of the pictures", len(sounds), sounds[0])
	}
	if len(others) > 0 {
		log.add("left out %d files that are not pictures, the first being %q", len(others), others[0])
	}
	if missing := list[len(list)-1].number - list[0].number + 1 - int64(len(list)); missing > 0 {
		log.add("%d numbers are missing, the first being %d; the pictures around a gap follow each other directly", missing, firstGap(list))
	}
	for _, item := range list {
		f.paths = append(f.paths, filepath.Join(dir, item.name))
	}
	first, err := inspect(f.paths[0], f.kind, f.limit)
	if err != nil {
		return nil, err
	}
	rate := o.rate()
	f.info = PicturesInfo{
		Frames: int64(len(list)),
		Tick:   Ratio{rate.Den, rate.Num}, Rate: rate,
		Duration: times(int64(len(list)), Ratio{rate.Den, rate.Num}),
	}
	f.info.Width, f.info.Height = first.upright()
	m := &Media{
		Kind: KindFrames, Pictures: f, Warnings: log.all, log: log,
		sum: func() ([32]byte, error) { return sumFiles(f.paths) },
	}
	if len(sounds) == 1 {
		path := filepath.Join(dir, sounds[0])
		sound, err := Open(ctx, path, Options{})
		if err != nil {
			return nil, err
		}
		m.Sound, m.beside = sound.Sound, sound
		m.Warnings = func() []string { return append(log.all(), sound.Warnings()...) }
		m.sum = func() ([32]byte, error) { return sumFiles(append(slices.Clone(f.paths), path)) }
	}
	return m, nil
}

func firstGap(list []numbered) int64 {
	for i := range list[1:] {
		if n := list[i].number + 1; list[i+1].number != n {
			return n
		}
	}
	return 0
}

// times returns n*r, or 0/1 where it does not fit.
func times(n int64, r Ratio) Ratio {
	if g := gcd(n, r.Den); g > 1 {
		n, r.Den = n/g, r.Den/g
	}
	if n <= 0 || satMul(n, r.Num) != n*r.Num {
		return Ratio{0, 1}
	}
	return Ratio{n * r.Num, r.Den}.lowest()
}

func (f *frames) Info() PicturesInfo { return f.info }

func (f *frames) Close() error {
	f.share.close()
	return nil
}

func (f *frames) Next(ctx context.Context) (*Timed, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if f.next == len(f.paths) {
		return nil, io.EOF
	}
	p, err := inspect(f.paths[f.next], f.kind, f.limit)
	if err != nil {
		return nil, err
	}
	t, err := f.share.picture(ctx, p.memory(), p.open)
	if err != nil {
		return nil, err
	}
	t.At, t.Until = int64(f.next), int64(f.next)+1
	f.next++
	return t, nil
}
