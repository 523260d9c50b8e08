//go:build !nosystem && (linux || darwin || windows) && (amd64 || arm64)

package system

import (
	"sort"
	"strings"
	"sync"
	"sync/atomic"
	"time"
	"unsafe"

	"github.com/ebitengine/purego"
)

// A picture may well be shown for long: nothing moves, or somebody has made a slide show.
// It is damage where the file has pictures for that time of which the decoder made nothing,
// and likely to be where the sound is missing too. So what comes to the parser or the
// decoder is noted, and held against what comes out.

// longGap is from when on nothing is a gap, in nanoseconds. A stream of fewer pictures has
// none of less than a few of them.
const (
	longGap   = 500_000_000
	fewOfThem = 8
	mostGaps  = 16 // that are told
	mostFed   = 1 << 14
	lostFrom  = 3 // pieces of the file in a gap, from which on it is no chance
)

// fed are the times of what has come to the decoder lately, as the file counts them.
var fed struct {
	sync.Mutex
	times []uint64
}

var onBuffer = purego.NewCallback(noteBuffer)

const probeBuffer = 1 << 4 // GST_PAD_PROBE_TYPE_BUFFER

// noteBuffer is called with each piece of the file that comes to a parser or a decoder.
func noteBuffer(_ uintptr, info *gstProbe, _ uintptr) uintptr {
	const ok = 1
	b := (*gstBuffer)(unsafe.Pointer(info.query)) // which is what the probe carries here
	if b == nil || b.pts == noTime {
		return ok
	}
	fed.Lock()
	defer fed.Unlock()
	if len(fed.times) == mostFed {
		fed.times = append(fed.times[:0], fed.times[mostFed/2:]...)
	}
	fed.times = append(fed.times, b.pts)
	return ok
}

// noted tells that what comes to an element is being noted: to the first parser or decoder
// of a worker's one stream, as each call from the libraries' threads costs something.
var noted atomic.Bool

// noteFed has what comes to an element noted, if it is a parser or a decoder of the kind of
// stream that is wanted.
func noteFed(element object, kind string) {
	if kind == "" || noted.Load() {
		return
	}
	class := elementMetadata(element, "klass")
	if !strings.Contains(class, kind) || !strings.Contains(class, "Parser") && !strings.Contains(class, "Decoder") {
		return
	}
	if pad := elementGetPad(element, "sink"); pad != 0 && noted.CompareAndSwap(false, true) {
		padAddProbe(pad, probeBuffer, onBuffer, 0, 0)
		objectUnref(pad)
	}
}

// fedWithin counts the pieces whose time lies between two others, each time but once.
func fedWithin(from, to int64) (n int) {
	fed.Lock()
	defer fed.Unlock()
	var inside []uint64
	for _, t := range fed.times {
		if t > uint64(max(from, 0)) && t < uint64(max(to, 0)) {
			inside = append(inside, t)
		}
	}
	sort.Slice(inside, func(i, k int) bool { return inside[i] < inside[k] })
	for i, t := range inside {
		if i == 0 || t != inside[i-1] {
			n++
		}
	}
	return n
}

// gapFinder finds where a row of pictures has gaps.
type gapFinder struct {
	p     *pipeline
	every int64 // nanoseconds that a picture is shown as a rule; 0 unknown
	found []Gap
}

// every is how long a picture is shown as a rule, in nanoseconds; 0 when unknown.
func (v *Video) every() int64 {
	if v.RateNum <= 0 || v.RateDen <= 0 {
		return 0
	}
	return int64(time.Second) * int64(v.RateDen) / int64(v.RateNum)
}

// shown notes how long a picture is shown.
func (g *gapFinder) shown(t *timed, until int64) {
	long := max(longGap, fewOfThem*g.every)
	if until-t.at < long || len(g.found) == mostGaps {
		return
	}
	// Not the picture itself, nor the one behind the gap.
	margin := max(g.every, longGap/50) * 3 / 2
	lost := fedWithin(t.pts+margin, t.pts+until-t.at-margin) >= lostFrom
	g.found = append(g.found, Gap{time.Duration(t.at), time.Duration(until), lost})
}
