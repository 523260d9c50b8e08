package source

import "fmt"

// KindInfo tells of a kind of file what is done with it here.
type KindInfo struct {
	Name  string // as Sniff names it
	Opens bool   // whether Open opens it
	// Whether that takes the codecs of the system, which may lack the one for a
	// given file.
	System bool
	Note   string // what to know of it when it is opened
	Try    string // what to do when it is not
}

// notes say what to know of the kinds that are opened.
var notes = map[string]string{
	KindAnimation: "frame by frame with its own times",
	KindPNG:       "turned upright by its Exif data; animated ones frame by frame, like GIF",
	KindJPEG:      "turned upright by its Exif data",
	KindWebP:      "still ones, turned upright by their Exif data",
	KindBMP:       "as it is",
	KindY4M:       "8 bits a sample: 4:2:0, 4:2:2, 4:1:1, 4:4:4 and grey; also from standard input, named -",
	KindWAV:       fmt.Sprintf("PCM and float, up to %d channels; also beside pictures, as their sound", maxWAVChannels),
	KindAVI:       "Motion JPEG, with PCM and float sound",
	KindFLAC:      "all of it; also beside pictures, as their sound",
	KindMP3:       "without the silence the encoder added, where the file states it; also beside pictures, as their sound",
	KindFrames:    fmt.Sprintf("pictures of one kind whose names differ in a number; %d a second unless told otherwise; one sound among them is theirs", DefaultFrameRate),
}

// Opens reports whether a kind, as Sniff names it, is opened here.
func Opens(kind string) bool {
	for _, s := range signatures {
		if s.kind == kind {
			return s.by.opens()
		}
	}
	return kind == KindGIF || kind == KindAPNG || kind == KindFrames
}

// Kinds lists the kinds of file that are recognised by their content: first
// those that are opened, then those that are not.
func Kinds() []KindInfo {
	kinds := make([]KindInfo, 0, len(signatures)+1)
	for _, s := range signatures {
		if s.by == byGo {
			kinds = append(kinds, KindInfo{Name: s.kind, Opens: true, Note: notes[s.kind]})
		}
	}
	kinds = append(kinds, KindInfo{Name: KindFrames, Opens: true, Note: notes[KindFrames]})
	for _, s := range signatures {
		if s.by == bySystem && askSystem {
			kinds = append(kinds, KindInfo{Name: s.kind, Opens: true, System: true, Note: "with the system's codecs"})
		}
	}
	for _, s := range signatures {
		if !s.by.opens() {
			kinds = append(kinds, KindInfo{Name: s.kind, Try: s.try})
		}
	}
	return kinds
}
