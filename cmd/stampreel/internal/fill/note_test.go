package fill

import (
	"image/color"
	"math"
	"reflect"
	"testing"
	"time"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/container"
	"example.org/stampreel/transcode/picture"
	"example.org/stampreel/transcode/sound"
	"example.org/stampreel/transcode/source"
)

// Every setting that can change a clip changes the sum of the settings. A field
// added to Settings has to be added here.
func TestEachSettingIsInTheNote(t *testing.T) {
	player := func(name string) *playerfile.Player {
		p, err := playerfile.LoadKnown(name)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	changes := map[string]func(*Settings){
		"Player":        func(s *Settings) { s.Player = player("round-240") },
		"Fit":           func(s *Settings) { s.Fit = picture.Cover },
		"Crop":          func(s *Settings) { s.Crop = picture.Crop{X: 1, Y: 1, W: 2, H: 2} },
		"Background":    func(s *Settings) { s.Background = color.White },
		"Tone":          func(s *Settings) { s.Tone = picture.Tone{Contrast: 1.1, Gamma: 1, Saturation: 1} },
		"Dither":        func(s *Settings) { d := picture.Atkinson; s.Dither = &d },
		"Rate":          func(s *Settings) { s.Rate = source.Ratio{Num: 5, Den: 1} },
		"Coding":        func(s *Settings) { s.Coding = Tiles },
		"Ignore":        func(s *Settings) { s.Ignore = 2 },
		"Quality":       func(s *Settings) { s.Coding, s.Quality = JPEG, 50 },
		"Hold":          func(s *Settings) { s.Hold = source.Ratio{Num: 9, Den: 1} },
		"Loop":          func(s *Settings) { yes := true; s.Loop = &yes },
		"NoSound":       func(s *Settings) { s.NoSound = true },
		"SoundTrack":    func(s *Settings) { s.SoundTrack = 2 },
		"Meter":         func(s *Settings) { s.Meter = true },
		"Margin":        func(s *Settings) { m := 0.1; s.Margin = &m },
		"SoundDither":   func(s *Settings) { s.SoundDither = sound.Shaped },
		"Loudness":      func(s *Settings) { s.Loudness = -16 },
		"Compress":      func(s *Settings) { s.Compress = true },
		"LiftLows":      func(s *Settings) { s.LiftLows = true },
		"PlainSound":    func(s *Settings) { s.PlainSound = true },
		"ADPCM":         func(s *Settings) { s.ADPCM = true },
		"SoftenFlashes": func(s *Settings) { s.SoftenFlashes = true },
		"Matrix":        func(s *Settings) { m := picture.BT2020; s.Matrix = &m },
		"FullRange":     func(s *Settings) { yes := true; s.FullRange = &yes },
		"PartSectors":   func(s *Settings) { s.PartSectors = 4096 },
	}
	// The part that is taken is in the identity; the others change no byte.
	// Bars that are found become the Crop.
	// A sound that is not there fails, or the first one is taken, which SoundTrack tells.
	elsewhere := []string{"Bars", "From", "To", "Strict", "Workers", "TrackOrFirst"}
	media, err := source.Open(background, put(t, t.TempDir(), "a.gif", madeGIF(t, 2)), source.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer media.Close()
	sum := func(change func(*Settings)) string {
		s := Settings{Player: player("rect-240x135")}
		if change != nil {
			change(&s)
		}
		o := s.options(media, true)
		id := s.sumOf(&o)
		return string(id[:])
	}
	none := sum(nil)
	seen := map[string]string{none: "nothing"}
	if sum(nil) != none {
		t.Error("the same settings give another sum")
	}
	for name, change := range changes {
		got := sum(change)
		if other, ok := seen[got]; ok {
			t.Errorf("%s changed gives the sum of %s changed", name, other)
		}
		seen[got] = name
	}
	for _, name := range elsewhere {
		changes[name] = nil
	}
	fields := reflect.TypeFor[Settings]()
	for i := range fields.NumField() {
		if _, ok := changes[fields.Field(i).Name]; !ok {
			t.Errorf("Settings.%s is not tried", fields.Field(i).Name)
		}
	}
}

func TestNoteIsReadOnlyFromItsOwnWriting(t *testing.T) {
	sounds := []*Sound{nil, {-16.02, -1.35, 11.99}, {math.Inf(-1), -80.5, 0}, {math.Inf(-1), math.Inf(-1), -3.5}}
	for _, s := range sounds {
		n := note{settings: [32]byte{9}, sound: s}
		if got, ok := parseNote(n.extension()); !ok || !reflect.DeepEqual(got, n) {
			t.Errorf("%+v with %+v, %v", got, got.sound, ok)
		}
	}
	n := note{incomplete: true, settings: [32]byte{1, 2, 3}, flashes: Flashes{General: Flashing{Rate: 9, First: time.Second}, LongAt: time.Minute, Length: 7 * time.Second}, sound: sounds[1]}
	e := n.extension()
	if got, ok := parseNote(e); !ok || !reflect.DeepEqual(got, n) {
		t.Errorf("%+v, %v", got, ok)
	}
	for i := range e {
		if i >= noteSettingsAt && i < noteSoundAt+soundBytes || i == 4 { // free to be anything
			continue
		}
		other := e
		other[i] ^= 0x20
		if _, ok := parseNote(other); ok {
			t.Errorf("byte %d changed: still a note", i)
		}
	}
	// A note without figures of the sound has none where they would stand.
	n.sound = nil
	e = n.extension()
	for i := noteSoundAt; i < noteSoundAt+soundBytes; i++ {
		other := e
		other[i] = 1
		if _, ok := parseNote(other); ok {
			t.Errorf("byte %d without the flag: still a note", i)
		}
	}
	if _, ok := parseNote([container.ExtensionBytes]byte{}); ok {
		t.Error("an empty area is a note")
	}
}
