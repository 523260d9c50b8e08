package source

import (
	"context"
	"fmt"
	"os"
	"strings"

	"example.org/stampreel/transcode/source/system"
)

// A Holding is what a file holds, found without decoding more than its beginning.
type Holding struct {
	Kind    string // as Sniff names it; empty where only the system's codecs know it
	Seconds float64
	Known   bool     // Seconds is no guess
	Rate    float64  // pictures a second; 0 without, or where it does not say
	Still   bool     // one picture alone
	Videos  []string // "H.264, 1920×1080, 30 pictures/s"
	Sounds  []string // in the order of Options.SoundTrack: "AAC, 48000 Hz, 2 channels, en"
	Note    string   // of what Open leaves out
}

// Look tells what a file or folder holds. Errors are those of Open.
func Look(ctx context.Context, path string, o Options) (*Holding, error) {
	kind, _, err := Sniff(path)
	if err != nil {
		return nil, err
	}
	if askSystem && !isFolder(path) {
		if head, err := readHead(path); err != nil {
			return nil, err
		} else if s := recognise(head); len(head) > 0 && (s == nil || s.by == bySystem || s.kind == KindAVI) {
			if h, err := lookInside(ctx, path, kind); err == nil || s != nil && s.by == bySystem {
				return h, err
			}
		}
	}
	m, err := Open(ctx, path, o)
	if err != nil {
		return nil, err
	}
	defer m.Close()
	h := &Holding{Kind: m.Kind}
	if m.Pictures != nil {
		info := m.Pictures.Info()
		text := ""
		if info.Width > 0 {
			text = fmt.Sprintf("%d×%d", info.Width, info.Height)
		}
		h.Rate, h.Still = info.Rate.Float(), info.Still
		h.Seconds = info.Duration.Float()
		h.Known = h.Seconds > 0
		switch {
		case h.Still:
			text += ", a still"
		case h.Rate > 0:
			text += fmt.Sprintf(", %.4g pictures/s", h.Rate)
		}
		h.Videos = append(h.Videos, strings.TrimPrefix(text, ", "))
	}
	if m.Sound != nil {
		f := m.Sound.Info()
		h.Sounds = append(h.Sounds, soundText("", f.Rate, f.Channels, "", ""))
		if f.Frames > 0 && f.Rate > 0 && h.Seconds == 0 {
			h.Seconds, h.Known = float64(f.Frames)/float64(f.Rate), true
		}
	}
	if m.mute {
		h.Note = "its sound is not read here"
	}
	return h, nil
}

func isFolder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

// lookInside asks the system's codecs.
func lookInside(ctx context.Context, path, kind string) (*Holding, error) {
	about, err := system.Describe(ctx, path)
	if err != nil {
		return nil, systemError(path, err)
	}
	if kind == "" {
		kind = about.Container
	}
	if len(about.Videos) == 0 {
		kind = strings.TrimSuffix(strings.TrimSuffix(kind, " video"), " sound") + " sound"
	}
	h := &Holding{Kind: kind, Seconds: about.Duration.Seconds(), Known: about.Duration > 0 && !about.Guessed}
	lacks := func(missing bool) string {
		if missing {
			return " (no decoder for it here)"
		}
		return ""
	}
	for _, v := range about.Videos {
		text := v.Codec
		if v.Width > 0 {
			text += fmt.Sprintf(", %d×%d", v.Width, v.Height)
		}
		if v.RateNum > 0 && v.RateDen > 0 {
			h.Rate = float64(v.RateNum) / float64(v.RateDen)
			text += fmt.Sprintf(", %.4g pictures/s", h.Rate)
		}
		for _, more := range []struct {
			is   bool
			text string
		}{{v.HDR != "", v.HDR}, {v.Interlaced, "interlaced"}, {v.Still, "a still"}} {
			if more.is {
				text += ", " + more.text
			}
		}
		h.Videos = append(h.Videos, text+lacks(v.Missing))
	}
	for _, t := range about.Tracks {
		h.Sounds = append(h.Sounds, soundText(t.Codec, t.Rate, t.Channels, t.Language, t.Title)+lacks(t.Missing))
	}
	return h, nil
}

func soundText(codec string, rate, channels int, more ...string) string {
	parts := []string{}
	if codec != "" {
		parts = append(parts, codec)
	}
	if rate > 0 {
		parts = append(parts, fmt.Sprintf("%d Hz", rate))
	}
	if channels > 0 {
		parts = append(parts, counted(channels, "channel", "channels"))
	}
	for _, m := range more {
		if m != "" {
			parts = append(parts, m)
		}
	}
	return strings.Join(parts, ", ")
}

// A NothingWantedError says that a file holds nothing of what is asked for: sound where
// pictures alone are wanted, or the other way round.
type NothingWantedError struct {
	Path, Holds string
}

func (e *NothingWantedError) Error() string {
	return fmt.Sprintf("source: %s: holds %s and nothing that is asked for", e.Path, e.Holds)
}

// Unwrap makes it one of the files that are not opened.
func (e *NothingWantedError) Unwrap() error {
	return &UnsupportedError{e.Path, "holds " + e.Holds + " and nothing that is asked for", ""}
}
