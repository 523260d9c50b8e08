//go:build !nosystem && (linux || darwin || windows) && (amd64 || arm64)

package system

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
	"unsafe"
)

// pipeline is a source, what decodes one stream of it, and a sink that hands
// its samples over.
type pipeline struct {
	all, sink, bus object
}

// openPipeline builds a pipeline from the elements behind the source and starts
// it. The source decodes only streams of the given kind, of which it exposes
// all; one of them is taken, and its identity is checked.
func openPipeline(w *worker, kind, behind string) (*pipeline, error) {
	// A stream that is not decoded is not even queued, so that the other one, in
	// a process of its own, cannot hold this one up.
	text := fmt.Sprintf("uridecodebin name=src force-sw-decoders=true expose-all-streams=false caps=%s(ANY) "+
		"src.src_%d ! %s ! appsink name=sink sync=false enable-last-sample=false max-buffers=4", kind, w.Index, behind)
	var gerr unsafe.Pointer
	p := &pipeline{all: parseLaunch(text, &gerr)}
	if gerr != nil {
		return nil, asError(takeError(gerr))
	}
	p.sink, p.bus = binGetByName(p.all, "sink"), elementGetBus(p.all)
	uri, err := uriOf(w.Path)
	if err != nil {
		return nil, err
	}
	src := binGetByName(p.all, "src")
	setObjectArg(src, "uri", uri)
	objectUnref(src)
	if err := p.state(statePaused); err != nil {
		return nil, err
	}
	pad := elementGetPad(p.sink, "sink")
	defer objectUnref(pad)
	if id := take(padGetStreamID(pad)); w.Stream != "" && id != w.Stream {
		return nil, fmt.Errorf("stream %d is %q, want %q", w.Index, id, w.Stream)
	}
	if w.From > 0 {
		if err := p.seek(w.From); err != nil {
			return nil, err
		}
	}
	return p, p.state(statePlaying)
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
	for result == stateAsync && want == statePaused {
		var now, pending int32
		result = elementGetState(p.all, &now, &pending, uint64(100*time.Millisecond))
		if err := p.trouble(0); err != nil {
			return err
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

// trouble returns the error that the pipeline has reported, if any.
func (p *pipeline) trouble(wait time.Duration) error {
	msg := busPop(p.bus, uint64(wait), messageError)
	if msg == nil {
		return nil
	}
	defer miniUnref(msg)
	var gerr, debug unsafe.Pointer
	messageParseError(msg, &gerr, &debug)
	take(debug)
	if gerr == nil {
		return errors.New("unknown error")
	}
	return asError(takeError(gerr))
}

// next waits for a sample, which is to be released with miniUnref; io.EOF after
// the last.
func (p *pipeline) next() (unsafe.Pointer, error) {
	for {
		sample := appSinkPull(p.sink, uint64(100*time.Millisecond))
		if sample != nil {
			return sample, nil
		}
		if err := p.trouble(0); err != nil {
			return nil, err
		}
		if appSinkEnded(p.sink) {
			return nil, io.EOF
		}
	}
}

func (p *pipeline) seek(at int64) error {
	const flush, accurate = 1, 2
	if !elementSeek(p.all, formatTime, flush|accurate, at) {
		return errors.New("the file cannot be read from a later place")
	}
	return p.state(statePaused)
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
	return &DamagedError{Why: text}
}
