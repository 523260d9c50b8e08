package fill

import (
	"path/filepath"
	"testing"

	"example.org/stampreel/transcode/picture"
)

// An item's own settings are what it is packed with; when they change, the ledger keeps the
// other clips and packs that one, and it is the same as if all had been packed so.
func TestOnlyTheClipWhoseOwnSettingsChangeIsPackedAnew(t *testing.T) {
	trusting(t)
	folder, card := t.TempDir(), t.TempDir()
	put(t, folder, "a.gif", madeGIF(t, 5))
	put(t, folder, "b.gif", madeGIF(t, 6))
	fillWith := func(contrast float64) (a, b *Packed) {
		items, _, err := Find(background, folder, card)
		if err != nil || len(items) != 2 {
			t.Fatal(items, err)
		}
		own := sign(t)
		own.Tone = picture.Tone{Contrast: contrast, Gamma: 1, Saturation: 1}
		own.Player = nil // its player is that of the others
		items[1].Settings = &own
		outcomes, err := Run(background, folder, card, items, sign(t), Options{Workers: 2}, Events{})
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range outcomes {
			if o.Err != nil {
				t.Fatal(o.Source, o.Err)
			}
		}
		return outcomes[0].Packed, outcomes[1].Packed
	}
	fillWith(1.5)
	if a, b := fillWith(1.5); !a.Kept || !b.Kept {
		t.Errorf("nothing has changed: a kept %v, b kept %v", a.Kept, b.Kept)
	}
	if a, b := fillWith(0.5); !a.Kept || b.Kept {
		t.Errorf("b's settings have changed: a kept %v, b kept %v", a.Kept, b.Kept)
	}
	all, other := sign(t), t.TempDir()
	all.Tone = picture.Tone{Contrast: 0.5, Gamma: 1, Saturation: 1}
	filled(t, folder, other, all, Options{})
	if string(read(t, filepath.Join(card, "b.srq"))) != string(read(t, filepath.Join(other, "b.srq"))) {
		t.Error("b.srq is not what its settings give")
	}
}
