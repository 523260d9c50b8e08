package source

import "testing"

func TestEveryKindSaysWhatToKnowOrWhatToTry(t *testing.T) {
	found := map[bool]int{}
	seen := map[string]bool{}
	for _, k := range Kinds() {
		found[k.Opens]++
		if seen[k.Name] {
			t.Errorf("%s is listed twice", k.Name)
		}
		seen[k.Name] = true
		if k.Opens != Opens(k.Name) {
			t.Errorf("%s: Opens says %v", k.Name, !k.Opens)
		}
		if k.Opens && (k.Note == "" || k.Try != "") || !k.Opens && (k.Try == "" || k.Note != "") {
			t.Errorf("%+v", k)
		}
	}
	alone := 0
	for _, k := range Kinds() {
		if k.Opens && !k.System {
			alone++
		}
	}
	if alone != len(notes) || found[false] == 0 {
		t.Errorf("%d kinds opened without the system's codecs, want %d; %d not opened", alone, len(notes), found[false])
	}
	for _, kind := range []string{KindAnimation, KindPNG, KindJPEG, KindWebP, KindBMP, KindFrames, KindY4M, KindAVI, KindWAV, KindFLAC, KindMP3} {
		if !seen[kind] {
			t.Errorf("%s is not listed", kind)
		}
	}
}

func TestSoundIsToldFromPictures(t *testing.T) {
	sounds := 0
	for _, k := range Kinds() {
		if IsSound(k.Name) {
			sounds++
		}
	}
	if sounds != 7 || IsSound(KindAVI) || IsSound(KindOggVideo) || !IsSound(KindM4A) || !Opens(KindGIF) || Opens("") {
		t.Errorf("%d kinds of sound", sounds)
	}
}
