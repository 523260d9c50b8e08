//go:build !nosystem && (linux || darwin || windows) && (amd64 || arm64)

package system

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unsafe"

	"github.com/ebitengine/purego"
)

// pipeline is a source, what decodes one stream of it, and a sink that hands
// its samples over.
type pipeline struct {
	all, sink, bus object

	failed  error  // what it has reported
	dropped uint64 // pictures that the decoder could not make anything of

	seeking seekingWork // what tells the parent that the way to a later place is long

	sought bool  // reading began at a later place
	origin int64 // time of the stream, in nanoseconds, that is the file's time zero
}

// openPipeline builds a pipeline from the elements behind the source and starts
// it. The source decodes only streams of the given kind, of which it exposes
// all; one of them is taken, and its identity is checked.
func openPipeline(w *worker, kind, behind string) (*pipeline, error) {
	// A stream that is not decoded is not even queued, so that the other one, in
	// a process of its own, cannot hold this one up.
	decodedKind = map[bool]string{true: "Video", false: "Audio"}[kind == "video/x-raw"]
	text := fmt.Sprintf("uridecodebin name=src force-sw-decoders=true expose-all-streams=false caps=%s(ANY) "+
		"src.src_%d ! %s ! appsink name=sink sync=false enable-last-sample=false max-buffers=4", kind, w.Index, behind)
	var gerr unsafe.Pointer
	p := &pipeline{all: parseLaunch(text, &gerr), seeking: seekingWork{w: w}}
	if gerr != nil {
		return nil, asError(takeError(gerr))
	}
	p.sink, p.bus = binGetByName(p.all, "sink"), elementGetBus(p.all)
	signalConnect(p.all, "deep-element-added", onElement, 0, 0, 0)
	pad := elementGetPad(p.sink, "sink")
	defer objectUnref(pad)
	padAddProbe(pad, probeQuery, onQuery, 0, 0)
	uri, err := uriOf(string(w.Path))
	if err != nil {
		return nil, err
	}
	src := binGetByName(p.all, "src")
	setObjectArg(src, "uri", uri)
	objectUnref(src)
	if err := p.state(statePaused); err != nil {
		return nil, err
	}
	if id := take(padGetStreamID(pad)); w.Stream != "" && id != w.Stream {
		return nil, fmt.Errorf("stream %d is %q, want %q", w.Index, id, w.Stream)
	}
	return p, nil
}

// The libraries call these from threads of their own.
var (
	onElement = purego.NewCallback(prepareElement)
	onQuery   = purego.NewCallback(takeRows)
)

// decodedKind is what the one pipeline of a worker decodes, as the libraries class elements.
var decodedKind string

// maxThreads is how many threads a decoder of libav gets. They wait for each
// other, so that two cores want more than two; but each holds pictures of its own:
// with 16, as it takes on as many cores, 1080p takes 308 MB, with 4 about 130.
const maxThreads = 4

// prepareElement is called with each element that a pipeline gets
// ("deep-element-added"). One that has no such property takes no notice.
func prepareElement(_, _, element, _ uintptr) uintptr {
	noteFed(element, decodedKind)
	setObjectArg(element, "max-errors", "-1") // a decoder goes on behind what is damaged
	if strings.HasPrefix(take(objectName(element)), "avdec_") {
		setObjectArg(element, "max-threads", strconv.Itoa(maxThreads))
	}
	return 0
}

const (
	probeQuery      = 1 << 9         // GST_PAD_PROBE_TYPE_QUERY_DOWNSTREAM
	queryAllocation = 140<<8 | 2 | 4 // GST_QUERY_ALLOCATION: downstream, serialized
)

// takeRows answers what a decoder asks before it allocates pictures: rows may be
// any distance apart. Else it copies each picture to have them packed.
func takeRows(_ uintptr, info *gstProbe, _ uintptr) uintptr {
	const ok, handled = 1, 4 // GstPadProbeReturn
	if info.query.kind != queryAllocation {
		return ok
	}
	queryAddMeta(info.query, videoMetaType(), 0)
	return handled
}

// uriOf is the address of a file.
func uriOf(path string) (string, error) {
	var gerr unsafe.Pointer
	uri := take(filenameToURI(path, &gerr))
	if gerr != nil {
		return "", errors.New(takeError(gerr).text)
	}
	return uri, nil
}

// state changes the state of the pipeline and waits until it is paused.
func (p *pipeline) state(want int32) error {
	result := elementSetState(p.all, want)
	// Waiting ends as failed, too, when another thread of the pipeline changes
	// its state meanwhile; what has really failed says so on the bus.
	for failed := 0; want == statePaused && failed < 50 && (result == stateAsync || failed > 0); {
		var now, pending int32
		result = elementGetState(p.all, &now, &pending, uint64(100*time.Millisecond))
		p.seeking.tell()
		if err := p.trouble(0); err != nil {
			return err
		}
		if result == stateFailure {
			failed++
			time.Sleep(10 * time.Millisecond)
		} else {
			failed = 0
		}
	}
	if result != stateFailure {
		return nil
	}
	if err := p.trouble(time.Second); err != nil { // which may come a little later
		return err
	}
	return errors.New("the decoder does not start")
}

// trouble returns the error that the pipeline has reported, if any. It is to be
// called now and then, since messages wait until somebody looks at them.
func (p *pipeline) trouble(wait time.Duration) error {
	for p.failed == nil {
		// All others are thrown away.
		msg := busPop(p.bus, uint64(wait), messageError|messageQoS)
		if msg == nil {
			break
		}
		if msg.kind == messageQoS {
			var format int32
			var processed, dropped uint64
			messageParseQoS(msg, &format, &processed, &dropped)
			if dropped != noTime {
				p.dropped = max(p.dropped, dropped)
			}
		} else {
			p.failed = errorOf(msg)
		}
		miniUnref(unsafe.Pointer(msg))
	}
	return p.failed
}

func errorOf(msg *gstMessage) error {
	var gerr, debug unsafe.Pointer
	messageParseError(msg, &gerr, &debug)
	take(debug)
	if gerr == nil {
		return errors.New("unknown error")
	}
	return asError(takeError(gerr))
}

// next waits for a sample, which is to be released with miniUnref; io.EOF after
// the last. What was decoded before an error comes before the error.
func (p *pipeline) next() (unsafe.Pointer, error) {
	for {
		sample := appSinkPull(p.sink, uint64(100*time.Millisecond))
		if sample != nil {
			if p.before(sample) {
				miniUnref(sample)
				continue
			}
			p.seeking.done()
			return sample, nil
		}
		p.seeking.tell()
		if err := p.trouble(0); err != nil {
			return nil, err
		}
		if appSinkEnded(p.sink) {
			return nil, io.EOF
		}
	}
}

// before tells whether a sample lies before the place that reading was sent to.
// Decoders drop such; what is raw in the file comes all the same.
func (p *pipeline) before(sample unsafe.Pointer) bool {
	if !p.sought {
		return false
	}
	buffer := sampleBuffer(sample)
	if buffer == nil || buffer.pts == noTime {
		return false
	}
	_, known := p.at(sample, buffer.pts)
	return !known
}

// play starts reading at a time of the file, in nanoseconds, or a little before
// it; at the start where that is not to be had.
func (p *pipeline) play(w *worker, from int64) error {
	if from > 0 && w.Seek {
		if err := p.seek(from, exactly); err != nil {
			return err
		}
	}
	return p.state(statePlaying)
}

// seeking says where reading begins when it is sent to a time (gst/gstsegment.h,
// GstSeekFlags).
type seeking int

const (
	exactly   seeking = 1 << 1
	atTheKeys seeking = 1 << 2 // at the key picture before, which is all that is decoded
)

// seek is called while the pipeline is paused with its first sample.
func (p *pipeline) seek(to int64, how seeking) error {
	if !p.sought {
		sample := appSinkPreroll(p.sink, uint64(time.Second))
		if sample == nil {
			return nil
		}
		// Files may start at any time of their own, and a stream later than others.
		s := sampleSegment(sample)
		p.origin = int64(s.time - s.base)
		miniUnref(sample)
	}
	const flush = 1
	p.seeking.begin()
	if elementSeek(p.all, formatTime, flush|int32(how), p.origin+to) {
		p.sought = true
	}
	return p.state(statePaused)
}

// preroll waits for the first sample at the place that reading was sent to, while the
// pipeline is paused; io.EOF where nothing comes.
func (p *pipeline) preroll() (unsafe.Pointer, error) {
	for n := 0; n < 100 || p.seeking.working(); n++ {
		if sample := appSinkPreroll(p.sink, uint64(100*time.Millisecond)); sample != nil {
			p.seeking.done()
			return sample, nil
		}
		p.seeking.tell()
		if err := p.trouble(0); err != nil {
			return nil, err
		}
		if appSinkEnded(p.sink) {
			break
		}
	}
	return nil, io.EOF
}

// seekingWork tells the parent of work that brings nothing yet: to show a place, a decoder
// goes through all since the key picture before it, which may be minutes of video. Work
// is what keeps the processor busy; a decoder that hangs does not, or does so for too long.
type seekingWork struct {
	w         *worker
	since, at time.Time     // when it began, and when it was looked at last
	used      time.Duration // processor time then
	underWay  bool
	busy      bool
}

// longestSeek is how long the way to a place may be.
const longestSeek = 10 * time.Minute

func (s *seekingWork) begin() {
	s.since, s.used, s.underWay = time.Now(), processorTime(), true
	s.at = s.since
}

func (s *seekingWork) done() { s.underWay = false }

// working says whether the processor was busy when that was looked at last.
func (s *seekingWork) working() bool {
	return s.underWay && s.busy && time.Since(s.since) < longestSeek
}

func (s *seekingWork) tell() {
	now := time.Now()
	if !s.underWay || now.Sub(s.at) < time.Second {
		return
	}
	used := processorTime()
	s.busy = used-s.used > now.Sub(s.at)/10
	s.at, s.used = now, used
	if s.working() {
		s.w.send(msgBusy)
	}
}

// at is the time of a sample in the file, in nanoseconds. From beginning to end
// running time is what all streams have in common; it starts anew when reading
// begins at a later place, where the streams' own time goes on.
func (p *pipeline) at(sample unsafe.Pointer, pts uint64) (int64, bool) {
	if pts == noTime {
		return 0, false
	}
	if p.sought {
		t := toStreamTime(sampleSegment(sample), formatTime, pts)
		return int64(t) - p.origin, t != noTime
	}
	t := toRunningTime(sampleSegment(sample), formatTime, pts)
	return int64(t), t != noTime
}

// The domains and codes of errors that tell what kind of trouble it is
// (GStreamer 1.0 API reference, GstCoreError, GstStreamError).
const (
	coreDomain    = "gst-core-error-quark"
	streamDomain  = "gst-stream-error-quark"
	missingPlugin = 12
	typeNotFound  = 4
	wrongType     = 5
	codecNotFound = 6
)

// asError gives a problem the type that it has for the user.
func asError(p problem) error {
	text := strings.TrimSuffix(p.text, ".")
	switch {
	case p.domain == coreDomain && p.code == missingPlugin, p.domain == streamDomain && p.code == codecNotFound:
		return &MissingError{Lacks: "a decoder that it needs", Why: text}
	case p.domain == streamDomain && (p.code == typeNotFound || p.code == wrongType):
		return &UnknownError{Why: "holds neither video nor sound that the system's codecs know"}
	case p.domain == "gst_parse_error":
		return &MissingError{Lacks: "the system's codec plugins", Why: text}
	}
	switch text { // which say nothing to anybody
	case "Internal data stream error", "GStreamer encountered a general stream error", "This file contains no playable streams":
		text = nothingDecoded
	}
	return &DamagedError{Why: text}
}

const nothingDecoded = "nothing in it can be decoded"

// whyNoMore says why a stream cannot be read on, behind what was read of it.
func whyNoMore(err error) string {
	var d *DamagedError
	switch {
	case !errors.As(err, &d):
		return err.Error()
	case d.Why == nothingDecoded:
		return "what follows is damaged, or another recording"
	}
	return d.Why
}
