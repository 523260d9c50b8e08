//go:build !nosystem && (linux || darwin || windows) && (amd64 || arm64)

package system

import (
	"errors"
	"slices"
	"strings"
	"time"
	"unsafe"

	"example.org/stampreel/transcode/picture"
)

// describe answers with a Description.
func (w *worker) describe() error {
	uri, err := uriOf(string(w.Path))
	if err != nil {
		return err
	}
	var gerr unsafe.Pointer
	// The parent looks after the time.
	discoverer := discovererNew(uint64(time.Hour), &gerr)
	if gerr != nil {
		return &MissingError{Lacks: "the system's codec plugins", Why: takeError(gerr).text}
	}
	info := discovererDiscover(discoverer, uri, &gerr)
	var trouble error
	if gerr != nil {
		trouble = asError(takeError(gerr))
	}
	if info == 0 {
		return trouble
	}
	var d Description
	whole := infoStream(info)
	if whole != 0 {
		caps := streamCaps(whole)
		var contained bool
		if d.Container, contained = find(containers, caps); !contained {
			// A bare stream states no duration.
			d.Container, d.Guessed = nameOf(nil, caps), true
		}
		miniUnref(caps)
	}
	if n := infoDuration(info); n != noTime {
		d.Duration = time.Duration(n)
	}
	d.Seekable = infoSeekable(info)
	decoders := decoderFactories()
	for s := infoVideos(info); s != nil; s = s.next {
		d.Videos = append(d.Videos, describeVideo(s.data, decoders))
	}
	for s := infoTracks(info); s != nil; s = s.next {
		d.Tracks = append(d.Tracks, describeTrack(s.data, decoders))
	}
	if len(d.Videos)+len(d.Tracks) == 0 {
		d.addMissing(texts(infoMissing(info)))
	}
	if len(d.Videos)+len(d.Tracks) == 0 {
		if m := (*MissingError)(nil); d.Container != "" && errors.As(trouble, &m) {
			m.Holds, m.Lacks, m.Why = d.Container, "what reads "+d.Container, ""
		}
		if trouble != nil {
			return trouble
		}
		return &UnknownError{Why: "holds neither video nor sound"}
	}
	// The order in which they are exposed.
	sortByID(d.Videos, func(v *Video) string { return v.ID })
	sortByID(d.Tracks, func(t *Track) string { return t.ID })
	w.json(msgInfo, d)
	return nil
}

// sortByID sorts what has an ID among the places of those that have one; others, which
// nothing decodes, stay where the file has them.
func sortByID[T any](all []T, id func(*T) string) {
	var places []int
	var named []T
	for i := range all {
		if id(&all[i]) != "" {
			places, named = append(places, i), append(named, all[i])
		}
	}
	slices.SortStableFunc(named, func(a, b T) int { return strings.Compare(id(&a), id(&b)) })
	for k, i := range places {
		all[i] = named[k]
	}
}

// addMissing adds what is only known from what is missing for it: lines whose
// last field of those that "|" divides is such as "decoder-video/x-h264, …"
// (GStreamer, gst_missing_plugin_message_get_installer_detail).
func (d *Description) addMissing(details []string) {
	for _, detail := range details {
		fields := strings.Split(detail, "|")
		what, ok := strings.CutPrefix(fields[len(fields)-1], "decoder-")
		if !ok {
			continue
		}
		caps := capsFromString(what)
		if caps == nil {
			continue
		}
		if name, ok := find(containers, caps); ok {
			d.Container = name
		} else if name, ok := find(videoCodecs, caps); ok {
			d.Videos = append(d.Videos, Video{Codec: name, Missing: true})
		} else if name, ok := find(soundCodecs, caps); ok {
			d.Tracks = append(d.Tracks, Track{Codec: name, Missing: true})
		} else if strings.HasPrefix(what, "video/") {
			d.Videos = append(d.Videos, Video{Codec: nameOf(nil, caps), Missing: true})
		} else if strings.HasPrefix(what, "audio/") {
			d.Tracks = append(d.Tracks, Track{Codec: nameOf(nil, caps), Missing: true})
		}
		miniUnref(caps)
	}
}

func describeVideo(s object, decoders unsafe.Pointer) Video {
	caps := streamCaps(s)
	defer miniUnref(caps)
	v := Video{
		ID: streamID(s), Codec: nameOf(videoCodecs, caps), Missing: !decodes(decoders, caps),
		Width: int(videoWidth(s)), Height: int(videoHeight(s)),
		AspectNum: int(videoParNum(s)), AspectDen: int(videoParDen(s)),
		RateNum: int(videoRateNum(s)), RateDen: int(videoRateDen(s)),
		Interlaced: videoInterlaced(s), Still: videoIsImage(s),
	}
	if tags := streamTags(s); tags != nil {
		var value unsafe.Pointer
		if tagListString(tags, "image-orientation", &value) {
			v.Orientation = orientations[take(value)]
		}
	}
	switch c := structureString(capsStructure(caps, 0), "colorimetry"); {
	case c == "bt2100-pq" || strings.Contains(c, ":14:"):
		v.HDR = "PQ"
	case c == "bt2100-hlg" || strings.Contains(c, ":15:"):
		v.HDR = "HLG"
	}
	return v
}

// orientations by the names that the libraries have for them.
var orientations = map[string]picture.Orientation{
	"rotate-0": 1, "flip-rotate-0": 2, "rotate-180": 3, "flip-rotate-180": 4,
	"flip-rotate-270": 5, "rotate-90": 6, "flip-rotate-90": 7, "rotate-270": 8,
}

func describeTrack(s object, decoders unsafe.Pointer) Track {
	caps := streamCaps(s)
	defer miniUnref(caps)
	t := Track{
		ID: streamID(s), Codec: nameOf(soundCodecs, caps), Missing: !decodes(decoders, caps),
		Rate: int(audioRate(s)), Channels: int(audioChannels(s)), Language: printable(audioLanguage(s)),
	}
	if tags := streamTags(s); tags != nil {
		var value unsafe.Pointer
		if tagListString(tags, "title", &value) {
			t.Title = printable(take(value))
		}
	}
	return t
}

// find finds the name of caps in a table.
func find(table []codec, caps unsafe.Pointer) (name string, ok bool) {
	for _, c := range table {
		super := capsFromString(c.caps)
		ok = capsIsSubset(caps, super)
		miniUnref(super)
		if ok {
			return c.name, true
		}
	}
	return "", false
}

// nameOf is the name of caps in a table, else what the libraries say.
func nameOf(table []codec, caps unsafe.Pointer) string {
	if name, ok := find(table, caps); ok {
		return name
	}
	if name := take(codecDescription(caps)); name != "" {
		return name
	}
	return structureName(capsStructure(caps, 0))
}

// decoderFactories lists all decoders that are chosen by themselves.
func decoderFactories() unsafe.Pointer {
	const decoder, marginal = 1, 64 // GST_ELEMENT_FACTORY_TYPE_DECODER, GST_RANK_MARGINAL
	return factoriesOfType(decoder, marginal)
}

// decodes tells whether one of them takes the caps.
func decodes(decoders, caps unsafe.Pointer) bool {
	if name := structureName(capsStructure(caps, 0)); name == "video/x-raw" || name == "audio/x-raw" {
		return true
	}
	const sink = 2 // GST_PAD_SINK
	found := factoriesFilter(decoders, caps, sink, false)
	defer featuresFree(found)
	return found != nil
}
