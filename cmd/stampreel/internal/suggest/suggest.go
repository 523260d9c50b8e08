// Package suggest searches for settings with which a source plays on a player, and looks as
// well as it can. It packs stretches of the source for real, spread over its length, and judges
// and looks at what comes out.
//
// Tried are the source's rate divided by whole numbers, exact pictures (raw, tiles), tiles that
// leave small changes out, JPEG of rising compression, and sound as PCM or, where that does not
// play, as IMA ADPCM. Of JPEG at one rate only the best quality that plays is kept.
//
// How good pictures are is the mean SSIM (package transcode/quality) of what the panel shows
// against the source's own pictures, scaled as for a panel with endless levels, in the middle
// of the time in which the source shows each. Where a lower rate leaves a picture out, the one
// that stays in its place is held against it, so that a lost picture counts as wrong as it is.
//
// Of a source that is not looked at as a whole, a clip is taken to need what the worst stretch
// does, going on for ever, and as much more as the standard deviation between stretches. That
// misses a scene that lies between stretches. So the best setting is packed as a whole, where
// the clip is not too long; if it does not play, the place where it fails becomes one more
// stretch, and the search begins anew.
package suggest

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"

	"golang.org/x/sync/errgroup"

	"example.org/stampreel/budget"
	"example.org/stampreel/cmd/stampreel/internal/fill"
	"example.org/stampreel/transcode/quality"
	"example.org/stampreel/transcode/source"
)

// How much of a source is looked at.
const (
	Stretches    = 6   // of Seconds each, one in each sixth of the source, at a place that is drawn by lot
	Seconds      = 1   // of a stretch
	WholeSeconds = 8   // a source no longer than that is looked at as a whole
	Pictures     = 180 // at most, of all stretches, held in memory at the size of the panel
	Compared     = 48  // pictures at most that are held against what the panel shows of them
	Tries        = 48  // settings at most that are tried
	seed         = 8   // of the lot

	ConfirmSeconds = 300       // of a clip at most that is packed as a whole,
	ConfirmBytes   = 256 << 20 // and what it may take on this computer's disk
	rounds         = 4         // of searching and packing as a whole
)

// Wanted says what is asked of the settings.
type Wanted struct {
	Margin  float64         // to spare on each wiring, as a share of what the player brings
	Wirings []budget.Choice // of the card, on all of which a clip has to play
	Others  []budget.Choice // that are judged too, for those that take fewer pins
	Bytes   int64           // of the clip at most; 0 for any number
	Curve   bool            // smaller clips are wanted too, to choose from
	// What is given, and not searched for.
	Rate, Coding, Quality, Ignore, SoundCoding bool
}

// Setting is one choice of all that is searched for.
type Setting struct {
	Rate    source.Ratio // 0/1: what pack takes by itself, for stills and sounds
	Coding  fill.Coding
	Quality int // of JPEG; 0 without
	Ignore  int
	ADPCM   bool
}

// On are some settings with these in them.
func (k Setting) On(s fill.Settings) fill.Settings {
	s.Rate, s.Coding, s.Quality, s.Ignore, s.ADPCM = k.Rate, k.Coding, k.Quality, k.Ignore, k.ADPCM
	return s
}

// Tried is a setting and what came of it.
type Tried struct {
	Setting
	SSIM, Worst float64         // mean and least
	PSNR        float64         // dB, of the mean error
	Bytes       int64           // of the clip, about; of the stretches where nobody knows how long it is
	Most        int64           // the same, with twice the standard error of the mean added
	Margins     []budget.Margin // on each of Wanted.Wirings, then of Others
	Margin      budget.Margin   // the least on Wanted.Wirings
	Need        float64         // bytes a second, with the card as it is wired
	Confirmed   bool            // the figures but for quality are those of the whole clip
}

// Plays says whether there is enough to spare.
func (t *Tried) Plays(w *Wanted) bool { return float64(t.Margin) >= w.Margin }

// Found is what a search came to.
type Found struct {
	Length    float64 // of the clip in seconds; 0 where nobody knows
	Stretches []*fill.Stretch
	Whole     bool
	Tries     int     // of settings, in all rounds
	Rounds    int     // in which a setting was found wanting that had been found
	Best      []Tried // that play and are within Wanted.Bytes, best first
	Nearest   *Tried  // where there is none: the one that comes nearest

	s   fill.Settings
	job fill.Job
	w   Wanted
}

// search is one source under way.
type search struct {
	s       fill.Settings
	w       Wanted
	found   *Found
	which   [][]int // pictures of each stretch that are compared
	lots    int     // stretches that were drawn by lot; those behind were added
	folder  string
	all     []Tried
	done    func()
	workers int
}

// Search looks for settings for one source. The settings given hold for all that is not
// searched for. Progress is told of each that was tried; it may be nil.
func Search(ctx context.Context, s fill.Settings, job fill.Job, w Wanted, progress func()) (*Found, error) {
	folder, err := os.MkdirTemp("", "stampreel-suggest-")
	if err != nil {
		return nil, fmt.Errorf("suggest: %w", err)
	}
	defer os.RemoveAll(folder)
	x := &search{s: s.WithoutBars(ctx, job), w: w, found: &Found{}, folder: folder, done: progress, workers: max(1, s.Workers)}
	f := x.found
	f.s, f.job, f.w = x.s, job, w
	if err := x.take(ctx, job); err != nil {
		return nil, err
	}
	for round := 1; ; round++ {
		if round == 1 {
			x.lots = len(f.Stretches)
		}
		x.draw()
		if err := x.run(ctx); err != nil {
			return nil, err
		}
		x.rank()
		if len(f.Best) == 0 || w.Curve {
			return f, nil
		}
		ok, at, err := f.Confirm(ctx, 0)
		if err != nil || ok {
			return f, err
		}
		if failed := f.Best[0]; f.Whole || round == rounds || failed.Plays(&w) { // nothing new would be found
			f.Drop(0)
			if f.Nearest == nil && len(f.Best) == 0 {
				f.Nearest = &failed
			}
			for len(f.Best) > 0 {
				if ok, _, err := f.Confirm(ctx, 0); err != nil || ok {
					return f, err
				}
				f.Drop(0)
			}
			return f, nil
		}
		st, err := x.stretch(ctx, job, max(x.s.From.Float(), at-0.5*Seconds), Seconds, Pictures/Stretches)
		if err != nil {
			return nil, err
		}
		f.Stretches = append(f.Stretches, st)
		x.which, x.all, f.Best, f.Nearest = nil, nil, nil, nil
		f.Rounds = round
	}
}

// Drop takes one of the best away.
func (f *Found) Drop(n int) { f.Best = slices.Delete(f.Best, n, n+1) }

// Confirm packs a source as a whole with one of the best settings, and puts what comes out in
// place of what was foreseen. Clips that are too long are taken to be as foreseen. It is not ok
// where the clip does not play after all, or is too large; at is then the second of the source
// in which it takes most.
func (f *Found) Confirm(ctx context.Context, n int) (ok bool, at float64, err error) {
	t := &f.Best[n]
	if t.Confirmed || !f.confirms(t) {
		return true, 0, nil
	}
	folder, err := os.MkdirTemp("", "stampreel-suggest-")
	if err != nil {
		return false, 0, fmt.Errorf("suggest: %w", err)
	}
	defer os.RemoveAll(folder)
	s, job := t.On(f.s), f.job
	job.Clip = filepath.Join(folder, "whole"+fill.ClipExtension)
	packed, err := s.Pack(ctx, job)
	if err != nil {
		return false, 0, err
	}
	h, clip, err := fill.Load(ctx, packed.Files[0])
	if err != nil {
		return false, 0, err
	}
	table := budget.NewWirings(s.Player, slices.Concat(f.w.Wirings, f.w.Others))
	if err := table.Add(clip); err != nil {
		return false, 0, err
	}
	for i, row := range table.Rows {
		t.Margins[i] = row.Margin
	}
	t.Margin = slices.Min(t.Margins[:len(f.w.Wirings)])
	if t.Need, err = budget.Need(clip, s.Player); err != nil {
		return false, 0, err
	}
	exact := t.Coding != fill.Auto || t.Quality > 0 || packed.Result.JPEG == 0 // else others took their place
	t.Bytes, t.Most, t.Confirmed = packed.Bytes, packed.Bytes, true
	if exact && t.Plays(&f.w) && (f.w.Bytes == 0 || t.Bytes <= f.w.Bytes) {
		return true, 0, nil
	}
	return false, f.s.From.Float() + busiest(&clip, h.Rate().Float()), nil
}

// busiest is the middle of the second of a clip in which the card and the panel's bus together
// carry most.
func busiest(c *budget.Clip, rate float64) float64 {
	n := max(1, int(math.Round(rate*Seconds)))
	last := make([]int64, n) // of so many beats what they carry
	sum, most, end, beat := int64(0), int64(-1), 0, 0
	for b := range c.Beats {
		carried := b.FrameBytes + b.PanelBytes
		sum += carried - last[beat%n]
		last[beat%n] = carried
		if beat++; sum > most {
			most, end = sum, beat
		}
	}
	return max(0, float64(end)/rate-0.5*Seconds)
}

// take reads the stretches.
func (x *search) take(ctx context.Context, job fill.Job) error {
	held, err := source.Look(ctx, job.Source, source.Options{Rate: x.s.Rate})
	if err != nil {
		return err
	}
	from, end := x.s.From.Float(), held.Seconds
	if to := x.s.To.Float(); to > 0 && (end == 0 || to < end) {
		end = to
	}
	f := x.found
	f.Length = max(0, end-from)
	if held.Still && held.Seconds == 0 {
		f.Length = x.s.Hold.Float()
		if f.Length == 0 && job.Sound == "" {
			f.Length = fill.DefaultHold
		}
	}
	still := held.Still || len(held.Videos) == 0
	if held.Rate*f.Length <= Pictures && f.Length <= WholeSeconds && f.Length > 0 || still && f.Length <= WholeSeconds {
		st, err := x.s.Stretch(ctx, job, Pictures)
		if err != nil {
			return err
		}
		st.Whole = st.To == x.s.To
		f.Stretches, f.Whole = []*fill.Stretch{st}, st.Whole
		return nil
	}
	n, long := Stretches, float64(Seconds)
	if f.Length == 0 { // nobody knows: its beginning
		n, long = 1, Stretches*Seconds
	} else if f.Length < Stretches*Seconds {
		n, long = 1, f.Length
	}
	lot := rand.New(rand.NewPCG(seed, uint64(f.Length*1000)))
	for i := range n {
		at := from + f.Length*float64(i)/float64(n) + lot.Float64()*max(0, f.Length/float64(n)-long)
		st, err := x.stretch(ctx, job, at, long, Pictures/n)
		if err != nil {
			return err
		}
		if st.Pictures() > 0 || st.Still() {
			f.Stretches = append(f.Stretches, st)
		}
	}
	if len(f.Stretches) == 0 {
		return fmt.Errorf("suggest: %s: no picture where one was looked for", job.Source)
	}
	return nil
}

// stretch reads so many seconds.
func (x *search) stretch(ctx context.Context, job fill.Job, at, long float64, most int) (*fill.Stretch, error) {
	own := x.s
	own.From = source.Ratio{Num: int64(1000 * at), Den: 1000}
	own.To = source.Ratio{Num: own.From.Num + int64(1000*long), Den: 1000}
	return own.Stretch(ctx, job, most)
}

// draw chooses the pictures that are compared: by lot, so that no rate is favoured.
func (x *search) draw() {
	all := 0
	for _, st := range x.found.Stretches {
		all += st.Pictures()
	}
	lot := rand.New(rand.NewPCG(seed, uint64(all)))
	for _, st := range x.found.Stretches {
		n := st.Pictures()
		which := lot.Perm(n)
		if all > Compared {
			which = which[:min(n, max(1, Compared*n/all))]
		}
		slices.Sort(which)
		x.which = append(x.which, which)
	}
}

// The steps in which JPEG's quality is searched, best first.
var qualities = []int{95, 90, 85, 80, 75, 70, 60, 50, 40, 30, 20}

// Of 255, below which changes are left out: what hardly anybody sees, and what many do
// (common practice, no source).
var ignored = []int{8, 20}

var errEnough = errors.New("enough")

// run tries what is worth trying.
func (x *search) run(ctx context.Context) error {
	before := len(x.all)
	for i, rate := range x.rates() {
		err := x.atRate(ctx, rate)
		if errors.Is(err, errEnough) {
			return nil
		}
		if err != nil {
			return err
		}
		// With exact pictures that play at a rate, lower ones serve only to save bytes.
		exact := slices.ContainsFunc(x.all[before:], func(t Tried) bool { return t.Quality == 0 && t.Ignore == 0 && x.good(&t) })
		if exact && i > 0 && !x.w.Curve {
			return nil
		}
		if !exact {
			before = len(x.all)
		}
	}
	return nil
}

func (x *search) good(t *Tried) bool {
	bytes := t.Most
	if x.found.confirms(t) { // which shows
		bytes = t.Bytes
	}
	return t.Plays(&x.w) && (x.w.Bytes == 0 || bytes <= x.w.Bytes)
}

// confirms says whether a clip is short and small enough to be packed as a whole.
func (f *Found) confirms(t *Tried) bool {
	return f.Length > 0 && f.Length <= ConfirmSeconds && t.Most <= ConfirmBytes
}

// atRate tries the codings at one rate.
func (x *search) atRate(ctx context.Context, rate source.Ratio) error {
	w, p := &x.w, x.s.Player
	base := Setting{Rate: rate, Coding: x.s.Coding, Quality: x.s.Quality, Ignore: x.s.Ignore, ADPCM: x.s.ADPCM}
	if w.Coding || w.Quality {
		if w.Quality || x.s.Coding != fill.JPEG {
			_, err := x.try(ctx, base)
			return err
		}
		return x.jpeg(ctx, base)
	}
	base.Coding = fill.Auto
	exact, err := x.try(ctx, base)
	if err != nil {
		return err
	}
	if budget.DecodesTiles(p) && !x.good(&exact) || w.Curve && budget.DecodesTiles(p) {
		raw := base
		raw.Coding, raw.Ignore = fill.Raw, 0
		if _, err := x.try(ctx, raw); err != nil {
			return err
		}
		for _, n := range ignored {
			less := base
			less.Coding, less.Ignore = fill.Tiles, n
			if w.Ignore {
				continue
			}
			t, err := x.try(ctx, less)
			if err != nil {
				return err
			}
			if x.good(&t) && !w.Curve {
				break
			}
		}
	}
	if budget.DecodesJPEG(p) && (!x.good(&exact) || w.Curve) {
		base.Coding, base.Ignore = fill.JPEG, 0
		return x.jpeg(ctx, base)
	}
	return nil
}

// jpeg finds the best quality that is good enough, by halving.
func (x *search) jpeg(ctx context.Context, base Setting) error {
	if base.Quality = 0; !x.w.Curve && x.w.Bytes == 0 { // chosen for each picture, by package rate
		if _, err := x.try(ctx, base); err != nil {
			return err
		}
	}
	lo, hi := 0, len(qualities) // all before lo fail, hi and what follows is good
	for lo < hi {
		mid := (lo + hi) / 2
		base.Quality = qualities[mid]
		t, err := x.try(ctx, base)
		if err != nil {
			return err
		}
		if x.good(&t) {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	if x.w.Curve {
		for i := hi + 2; i < len(qualities); i += 3 {
			base.Quality = qualities[i]
			if _, err := x.try(ctx, base); err != nil {
				return err
			}
		}
	}
	return nil
}

// rates are those that are tried, the highest first: the source's divided by whole numbers,
// within twice what the panel's bus takes of raw pictures.
func (x *search) rates() (rates []source.Ratio) {
	own := x.found.Stretches[0].Rate()
	if x.w.Rate || own.Num == 0 || x.found.Stretches[0].Still() {
		return []source.Ratio{x.s.Rate}
	}
	const most, least = 4, 6
	num, den := budget.PictureRate(x.s.Player)
	limit := 2 * float64(num) / float64(den)
	for k := int64(1); len(rates) < most; k++ {
		r := new(big.Rat).SetFrac64(own.Num, own.Den)
		r.Quo(r, new(big.Rat).SetInt64(k))
		f, _ := r.Float64()
		if f < least && (len(rates) > 0 || f < 1) {
			break
		}
		if f <= limit && f <= 60 {
			rates = append(rates, source.Ratio{Num: r.Num().Int64(), Den: r.Denom().Int64()})
		}
	}
	if len(rates) == 0 {
		rates = []source.Ratio{x.s.Rate}
	}
	return rates
}

// try packs and judges one setting; where sound takes what pictures lack, once more with IMA
// ADPCM.
func (x *search) try(ctx context.Context, k Setting) (Tried, error) {
	t, err := x.once(ctx, k)
	const near = 0.1 // of what the player brings: more than sound ever takes
	if err != nil || x.good(&t) || k.ADPCM || x.w.SoundCoding || !x.found.Stretches[0].HasSound() {
		return t, err
	}
	if x.w.Bytes == 0 && float64(t.Margin) < x.w.Margin-near || x.w.Bytes > 0 && (float64(t.Margin) < x.w.Margin-near || float64(t.Most) > 1.1*float64(x.w.Bytes)) {
		return t, nil
	}
	k.ADPCM = true
	return x.once(ctx, k)
}

func (x *search) once(ctx context.Context, k Setting) (Tried, error) {
	t := Tried{Setting: k, Worst: 1}
	if len(x.all) == Tries {
		return t, errEnough
	}
	number := x.found.Tries
	x.found.Tries++
	own := k.On(x.s)
	choices := slices.Concat(x.w.Wirings, x.w.Others)
	n := len(x.found.Stretches)
	type part struct {
		used   []float64 // share of what each wiring brings
		rate   float64   // bytes a second
		need   float64
		scores []quality.Score
		packed *fill.PackedStretch
	}
	parts := make([]part, n)
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(x.workers)
	for i, st := range x.found.Stretches {
		g.Go(func() error {
			q := &parts[i]
			var err error
			if q.packed, err = own.PackStretch(ctx, st, x.folder, fmt.Sprintf("%d-%d", number, i)); err != nil {
				return err
			}
			defer func() { os.Remove(filepath.Join(x.folder, fmt.Sprintf("%d-%d%s", number, i, fill.ClipExtension))) }()
			q.rate = float64(q.packed.Bytes) / q.packed.Seconds
			table := budget.NewWirings(x.s.Player, choices)
			if err := table.Add(q.packed.Clip); err != nil {
				return err
			}
			for _, row := range table.Rows {
				q.used = append(q.used, 1-float64(row.Margin))
			}
			if q.need, err = budget.Need(q.packed.Clip, x.s.Player); err != nil {
				return err
			}
			return own.CompareStretch(ctx, st, q.packed, x.which[i], func(s quality.Score) { q.scores = append(q.scores, s) })
		})
	}
	if err := g.Wait(); err != nil {
		return t, err
	}
	var rates, needs []float64
	seconds, count, wrong := 0.0, 0, 0.0
	for i := range parts {
		q := &parts[i]
		rates, needs, seconds = append(rates, q.rate), append(needs, q.need), seconds+q.packed.Seconds
		for _, s := range q.scores {
			t.SSIM, wrong, count, t.Worst = t.SSIM+s.SSIM, wrong+s.MSE, count+1, min(t.Worst, s.SSIM)
		}
	}
	if count > 0 {
		t.SSIM, t.PSNR = t.SSIM/float64(count), min(quality.Score{MSE: wrong / float64(count)}.PSNR(), 99)
	}
	for c := range choices {
		used := make([]float64, n)
		for i := range parts {
			used[i] = parts[i].used[c]
		}
		t.Margins = append(t.Margins, budget.Margin(1-atWorst(used)))
	}
	t.Margin = slices.Min(t.Margins[:len(x.w.Wirings)])
	t.Need = atWorst(needs)
	rates = rates[:x.lots] // those added for what they take say nothing of the others
	mean, deviation := spread(rates)
	length := x.found.Length
	if length == 0 || x.found.Whole {
		length = seconds
	}
	// The header, and a seek table of an entry each two seconds.
	const sector = 512
	overhead := sector * (2 + math.Ceil(length/2/32))
	t.Bytes = int64(length*mean + overhead)
	t.Most = t.Bytes + int64(length*2*deviation/math.Sqrt(float64(len(rates))))
	x.all = append(x.all, t)
	if x.done != nil {
		x.done()
	}
	return t, nil
}

// atWorst is what all of a source is taken to need, from what its stretches do.
func atWorst(v []float64) float64 {
	_, deviation := spread(v)
	worst := slices.Max(v)
	if math.IsInf(worst, 1) {
		return worst
	}
	return worst + deviation
}

// spread is the mean, and the standard deviation of a sample.
func spread(v []float64) (mean, deviation float64) {
	for _, a := range v {
		mean += a / float64(len(v))
	}
	if len(v) < 2 {
		return mean, 0
	}
	for _, a := range v {
		deviation += float64((a - mean) * (a - mean))
	}
	return mean, math.Sqrt(deviation / float64(len(v)-1))
}

// rank puts the settings in order, and leaves out those that another one beats in all.
func (x *search) rank() {
	f := x.found
	better := func(a, b *Tried) int {
		return cmp.Or(cmp.Compare(math.Round(1e4*b.SSIM), math.Round(1e4*a.SSIM)), cmp.Compare(a.Bytes, b.Bytes), cmp.Compare(a.Coding, b.Coding), cmp.Compare(b.Rate.Float(), a.Rate.Float()))
	}
	var good []Tried
	for i := range x.all {
		if t := &x.all[i]; x.good(t) {
			good = append(good, *t)
		} else if f.Nearest == nil || t.Margin > f.Nearest.Margin || t.Margin == f.Nearest.Margin && t.Bytes < f.Nearest.Bytes {
			f.Nearest = t
		}
	}
	slices.SortStableFunc(good, func(a, b Tried) int { return better(&a, &b) })
	for i := range good {
		if !slices.ContainsFunc(f.Best, func(b Tried) bool { return b.Bytes <= good[i].Bytes }) {
			f.Best = append(f.Best, good[i])
		}
	}
	if len(f.Best) > 0 {
		f.Nearest = nil
	}
}

// Fit chooses one setting for each of several sources, so that all together take no more than
// so many bytes and as little quality is lost as can be: it begins with the best of each, and
// goes on to smaller ones where a byte costs least of what is seen, each second of each clip
// counting the same. Size is what a clip of so many bytes takes. ok is false where even the
// smallest are too large; then those are chosen.
func Fit(all []*Found, most int64, size func(bytes int64) int64) (chosen []int, total int64, ok bool) {
	chosen = make([]int, len(all))
	for _, f := range all {
		total += size(f.Best[0].Most)
	}
	for total > most {
		which, to, least := -1, 0, math.Inf(1)
		for i, f := range all {
			now := &f.Best[chosen[i]]
			for j := chosen[i] + 1; j < len(f.Best); j++ {
				saved := size(now.Most) - size(f.Best[j].Most)
				if saved <= 0 {
					continue
				}
				if cost := (now.SSIM - f.Best[j].SSIM) * f.Length / float64(saved); cost < least {
					which, to, least = i, j, cost
				}
			}
		}
		if which < 0 {
			return chosen, total, false
		}
		total -= size(all[which].Best[chosen[which]].Most) - size(all[which].Best[to].Most)
		chosen[which] = to
	}
	return chosen, total, true
}
