package fill

import (
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/stampreel/transcode/source"
)

// realMedia is the folder that .ci/fetch-media fills.
func realMedia(t *testing.T) string {
	t.Helper()
	dir := os.Getenv("STAMPREEL_MEDIA")
	if dir == "" {
		cache, err := os.UserCacheDir()
		if err != nil {
			missing(t, "a cache folder")
		}
		dir = filepath.Join(cache, "stampreel-media")
	}
	if _, err := os.Stat(dir); err != nil {
		missing(t, "real media, fetched by .ci/fetch-media")
	}
	return dir
}

// counts are what became of the sources of one kind.
type counts struct{ clips, refused int }

// packReal runs the items and counts what becomes of them. Each is a clip that
// verifies and was judged, or an error of a promised type that names the file.
func packReal(t *testing.T, dir string, items []Item, player string, workers int) map[string]*counts {
	t.Helper()
	s := Settings{Player: known(t, player)}
	if testing.Short() {
		s.Coding = Raw
	}
	card := t.TempDir()
	start := time.Now()
	outcomes, err := Run(background, dir, card, items, s, Options{Workers: workers}, Events{})
	if err != nil {
		t.Fatal(err)
	}
	byKind := map[string]*counts{"all": {}}
	want, bytes, seconds := map[string]bool{}, int64(0), 0.0
	for i, o := range outcomes {
		kind := o.Kind
		if kind == "" {
			kind = "unknown"
		}
		if byKind[kind] == nil {
			byKind[kind] = &counts{}
		}
		if o.Source != items[i].Source {
			t.Fatalf("outcome %d is that of %s, want %s", i, o.Source, items[i].Source)
		}
		if o.Err != nil {
			byKind[kind].refused++
			byKind["all"].refused++
			if !promised(o.Err) || !strings.Contains(o.Err.Error(), filepath.Join(dir, filepath.FromSlash(o.Source))) {
				t.Errorf("%s: %T %v", o.Source, o.Err, o.Err)
			}
			continue
		}
		byKind[kind].clips++
		byKind["all"].clips++
		bytes += o.Packed.Bytes
		seconds += float64(o.Packed.Result.Beats) / o.Packed.Headers[0].Rate().Float()
		if o.Verdict == nil || o.Verdict.Typical.Word.String() == "" || !o.Verdict.Fits() {
			t.Errorf("%s: verdict %+v", o.Source, o.Verdict)
		}
		want[o.Clip] = true
	}
	got := tree(t, card)
	for _, name := range got {
		if !want[name] {
			t.Errorf("%s lies on the card and is no clip of this run", name)
		}
		if !testing.Short() || len(got) < 100 {
			clip(t, filepath.Join(card, filepath.FromSlash(name)))
		}
	}
	if len(got) != len(want) {
		t.Errorf("%d files on the card, want %d", len(got), len(want))
	}
	t.Logf("%s: %d sources in %.1f s: %d clips of %.0f s and %.0f MB, %d clear errors", player, len(items), time.Since(start).Seconds(), byKind["all"].clips, seconds, float64(bytes)/1e6, byKind["all"].refused)
	for kind, c := range byKind {
		t.Logf("%s: %5d clips, %3d clear errors: %s", player, c.clips, c.refused, kind)
	}
	return byKind
}

func some(items []Item, n int, seed uint64) []Item {
	rng := rand.New(rand.NewPCG(seed, 1))
	picked := make([]Item, 0, n)
	for _, i := range rng.Perm(len(items))[:min(n, len(items))] {
		picked = append(picked, items[i])
	}
	return picked
}

func TestRealMediaBecomeClipsOrClearErrors(t *testing.T) {
	dir := realMedia(t)
	items, skipped, err := Find(background, dir, "")
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d sources found, %d files skipped", len(items), len(skipped))
	if len(items) < 1600 || len(skipped) < 1000 {
		t.Fatalf("%d sources and %d other files: too few, is %s complete?", len(items), len(skipped), dir)
	}
	if testing.Short() {
		c := packReal(t, dir, some(items, 20, 7), "rect-240x135", 2)["all"]
		if c.clips < 15 {
			t.Errorf("%d clips of 20 sources, want 15", c.clips)
		}
		return
	}
	byKind := packReal(t, dir, items, "rect-240x135", 2)
	for _, want := range []struct {
		kind           string
		clips, refused int // at least
	}{
		{"all", 1700, 55},
		{source.KindAnimation, 35, 12}, {source.KindGIF, 600, 0}, {source.KindPNG, 550, 5}, {source.KindJPEG, 90, 4},
		{source.KindWAV, 85, 2}, {source.KindBMP, 1, 3}, {source.KindFLAC, 165, 0}, {source.KindMP3, 47, 0},
	} {
		c := byKind[want.kind]
		if c == nil || c.clips < want.clips || c.refused < want.refused {
			t.Errorf("%s: %+v, want at least %d clips and %d errors", want.kind, c, want.clips, want.refused)
		}
	}
	for _, player := range []string{"mono-128x64", "round-240"} {
		subset, _ := ForPlayer(some(items, 400, 11), nil, known(t, player).HasSound())
		if c := packReal(t, dir, subset, player, 2)["all"]; c.clips < len(subset)*8/10 || len(subset) < 300 {
			t.Errorf("%s: %d clips of %d sources", player, c.clips, len(subset))
		}
	}
}

// Every source keeps its identity when it is packed for another player, and two
// different ones never share it.
func TestRealMediaHaveAnIdentityOfTheirOwn(t *testing.T) {
	notShort(t)
	dir := realMedia(t)
	items, _, err := Find(background, dir, "")
	if err != nil {
		t.Fatal(err)
	}
	owner := map[[16]byte]string{}
	packed := 0
	for _, it := range some(items, 40, 3) {
		var ids [2][16]byte
		for i, player := range []string{"rect-240x135", "mono-128x64"} {
			s := Settings{Player: known(t, player), Workers: 2}
			p, err := s.Pack(background, Job{Source: joined(dir, it.Source), Sound: joined(dir, it.Sound), Clip: filepath.Join(t.TempDir(), "clip.srq")})
			var unsupported *source.UnsupportedError
			if errors.As(err, &unsupported) {
				continue
			}
			if err == nil {
				packed++
				ids[i] = p.Headers[0].Identity
			}
		}
		if ids[0] == [16]byte{} {
			continue
		}
		if ids[0] != ids[1] {
			t.Errorf("%s: identities %x and %x", it.Source, ids[0], ids[1])
		}
		if other, ok := owner[ids[0]]; ok && !same(t, joined(dir, other), joined(dir, it.Source)) {
			t.Errorf("%s and %s have one identity", other, it.Source)
		}
		owner[ids[0]] = it.Source
	}
	if packed < 60 {
		t.Errorf("%d clips, want 60", packed)
	}
}

func same(t *testing.T, a, b string) bool {
	t.Helper()
	p, err := os.ReadFile(a)
	if err != nil {
		t.Fatal(err)
	}
	q, err := os.ReadFile(b)
	if err != nil {
		t.Fatal(err)
	}
	return string(p) == string(q)
}
