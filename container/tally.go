package container

import "example.org/stampreel/container/playback"

// tally gathers, beat by beat, all that the header says about the beats as
// they lie in the file. Writer and [Verify] share it, so that what is written
// is what is checked. It keeps two bytes a beat.
type tally struct {
	h       *Header // size, formats, rates, seekSectors, firstBeat: known from the start
	sectors []uint16
	seek    seekTable
	at      int64 // sector of the next beat

	sound   int   // index and sector of the beat that stores the sound of the next
	soundAt int64 // one: soundLead before it, or the first
}

func newTally(h *Header, beatsSector int64) *tally {
	return &tally{h: h, seek: seekTable{sectors: h.SeekSectors}, at: beatsSector, soundAt: beatsSector}
}

func (t *tally) add(b *BeatHeader) {
	h := t.h
	if len(t.sectors) == 0 {
		h.FirstBeatSectors = b.Sectors
	}
	i := len(t.sectors)
	t.sectors = append(t.sectors, b.Sectors)
	for t.sound < i-int(h.SoundLead) {
		t.soundAt += int64(t.sectors[t.sound])
		t.sound++
	}
	t.seek.add(uint32(i), b.Key(), SeekEntry{b.Number, uint32(t.at), b.Sectors, t.sectors[t.sound], uint32(t.soundAt)})
	t.at += int64(b.Sectors)
	h.FrameCodings |= 1 << b.FrameCoding
	h.MaxBeatSectors = max(h.MaxBeatSectors, b.Sectors)
	h.MaxFrameBytes = max(h.MaxFrameBytes, b.FrameBytes)
	h.MaxPanelBytes = max(h.MaxPanelBytes, b.PanelBytes)
	h.MaxSoundBytes = max(h.MaxSoundBytes, b.SoundBytes)
	h.PanelBytes += uint64(b.PanelBytes)
}

// finish fills in what follows from all beats and returns the seek table.
func (t *tally) finish() []byte {
	h := t.h
	table := t.seek.encode()
	h.SeekCRC = crc32Of(table)
	h.Beats = uint32(len(t.sectors))
	h.SeekShift = seekShift(h.Beats, h.SeekSectors)
	h.FileSectors = uint32(t.at)
	held := h.SoundHeld()
	h.StreamBytes = uint32(held + SectorBytes)
	h.WholeBytes = uint32(held + SectorBytes*int64(h.MaxBeatSectors))
	h.Need = needCurve(h, t.sectors)
	return table
}

// needCurve returns the least sustained rates, in bytes/s rounded up, for
// read-ahead buffers of 4 KiB·2^k. A buffer that holds the largest beat reads
// whole beats, a smaller one reads in strips. A clip in one part that loops is
// judged with its seam.
func needCurve(h *Header, sectors []uint16) (need [NeedPoints]uint32) {
	d := playback.Demand[uint16]{Cost: sectors, Loop: h.Loop() && h.FirstBeat == 0 && !h.Continues()}
	for k := range need {
		d.Buffer = NeedBuffer / SectorBytes << k
		d.Reading = playback.Whole
		if d.Buffer < int64(h.MaxBeatSectors) {
			d.Reading = playback.Strips
		}
		rate, err := d.Need()
		if err != nil { // no legal row of beats comes here
			need[k] = 1<<32 - 1
			continue
		}
		rate.Num *= SectorBytes
		need[k] = uint32(min(rate.PerSecond(int64(h.RateNum), int64(h.RateDen)), 1<<32-1))
	}
	return need
}
