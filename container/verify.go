package container

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"

	"example.org/stampreel/container/sample"
)

// Verify reads every byte of a file and checks every rule of FORMAT.md that
// one file can show: checksums, padding, the chain of beats, the seek table,
// totals, peaks, memory bounds and the need curve, which it computes anew. The
// error is the first thing found wrong. visit, which may be nil, gets each beat
// and what the panel shows with it. Memory: two bytes a beat, one beat, two
// frames.
func Verify(ctx context.Context, r io.ReaderAt, size int64, visit func(b *Beat, p *Panel)) (Header, error) {
	rd, err := NewReader(r, size, Limits{})
	if err != nil {
		return Header{}, err
	}
	h := rd.h
	lead, err := rd.LeadIn()
	if err != nil {
		return Header{}, err
	}
	// What the beats give, starting from what only the header says.
	found := h
	found.FrameCodings, found.FirstBeatSectors, found.MaxBeatSectors = 0, 0, 0
	found.MaxFrameBytes, found.MaxPanelBytes, found.MaxSoundBytes, found.PanelBytes = 0, 0, 0, 0
	var adpcm adpcmCheck
	ahead := make([][]byte, h.SoundLead) // the sounds of the lead-in
	for k := range ahead {
		n := h.LeadSamples(k)
		sound := lead[:h.CodedBytes(n)]
		ahead[k], lead = sound, lead[len(sound):]
		found.MaxSoundBytes = max(found.MaxSoundBytes, uint32(len(sound)))
		place := fmt.Sprintf("lead-in, beat %d", h.FirstBeat+uint32(k))
		if err := adpcm.check(&h, sound, n, place); err != nil {
			return Header{}, err
		}
		if h.Loop() && k >= int(h.AllBeats) && !bytes.Equal(sound, ahead[k-int(h.AllBeats)]) {
			return Header{}, damaged(place, "stores other sound than the beat of a short loop that it repeats")
		}
	}
	t := newTally(&found, int64(h.BeatsSector))
	panel := NewPanel(&h)

	var b Beat
	var promised uint32 // the key beat announced by the beats since the last one; 0 none
	var key uint32      // the last key beat
	end := h.FirstBeat + h.Beats
	for number := h.FirstBeat; number < end; number++ {
		if err := ctx.Err(); err != nil {
			return Header{}, err
		}
		if err := rd.Read(number, &b); err != nil {
			return Header{}, err
		}
		place := beatPlace(number, b.Sector)
		next := uint32(0) // key beat that this one names
		if b.KeyAhead > 0 {
			next = number + uint32(b.KeyAhead)
		}
		if b.Key() {
			if promised != number && number != h.FirstBeat {
				return Header{}, damaged(place, "is a key beat, but the beats before name %d as the next (0: none)", promised)
			}
			key, promised = number, next
		}
		switch {
		case next != promised:
			return Header{}, damaged(place, "keyAhead names beat %d, want %d (0: none)", next, promised)
		case promised != 0 && number >= promised && !b.Key():
			return Header{}, damaged(place, "is not the key beat that the beats before name")
		case number-key >= uint32(h.MaxKeyDistance()):
			return Header{}, damaged(place, "is %d beats after the last key beat, want fewer than %d", number-key, h.MaxKeyDistance())
		}
		// A loop that comes round within this file stores sound a second time.
		if k := number - h.FirstBeat + uint32(h.SoundLead); h.Loop() && k >= h.AllBeats && !bytes.Equal(b.Sound, ahead[k-h.AllBeats]) {
			return Header{}, damaged(place, "stores other sound for the loop's start than the lead-in")
		}
		if err := adpcm.check(&h, b.Sound, h.StoredSamples(number), place); err != nil {
			return Header{}, err
		}
		if err := panel.Show(&b); err != nil {
			return Header{}, err
		}
		t.add(&b.BeatHeader)
		if visit != nil {
			visit(&b, panel)
		}
	}
	table := t.finish()
	want := found.fields()
	for i, f := range h.fields() {
		if v, w := f.value(), want[i].value(); v != w && f.name != "seekCRC" {
			return Header{}, damaged(placeOf(f.offset, f.name), "%d, but the beats give %d", v, w)
		}
	}
	have := make([]byte, len(table))
	if err := readAt(r, have, SectorBytes, "seek table at sector 1"); err != nil {
		return Header{}, err
	}
	for i := range table {
		if have[i] != table[i] {
			return Header{}, damaged("seek table at sector 1", "byte %d of entry %d is 0x%02x, but the beats give 0x%02x", i%SeekEntryBytes, i/SeekEntryBytes, have[i], table[i])
		}
	}
	if found.SeekCRC != h.SeekCRC {
		return Header{}, damaged(placeOf(52, "seekCRC"), "0x%08x, but the table gives 0x%08x", h.SeekCRC, found.SeekCRC)
	}
	return h, nil
}

// adpcmCheck decodes sound in IMA ADPCM for the rules that its bytes can break.
type adpcmCheck struct{ samples []int16 }

func (c *adpcmCheck) check(h *Header, sound []byte, samples int, place string) error {
	if h.SoundCoding != IMAADPCM {
		return nil
	}
	n := samples * int(h.Channels)
	if cap(c.samples) < n {
		c.samples = make([]int16, n)
	}
	err := sample.DecodeADPCM(c.samples[:n], sound, samples, int(h.Channels))
	var bad *sample.FormatError
	if errors.As(err, &bad) {
		return damaged(place, "sound: byte %d: %s", bad.Offset, bad.Reason)
	}
	return err
}
