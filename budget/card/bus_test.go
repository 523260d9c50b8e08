package card

import (
	"bytes"
	"fmt"
	"math/big"
	"testing"
)

// A card and a host that exchange every bit of a read over the lines, clock after
// clock. They know the protocol and not the formulas of this package: who reads n
// blocks here and counts the clocks must get what Reading says.
//
// Frames, responses and tokens are those of the SD Physical Layer Specification as
// sources beside the figures quote them; the waits are the longest that its timing
// allows for commands (N_CR) and the shortest before a block (N_AC): over SPI in bytes,
// by a card maker's manual (rev 2.2, table 5-5), on the card's own bus from memory.
const (
	waitResponseSPI = 8  // bytes
	waitBlockSPI    = 1  // bytes
	waitResponse    = 64 // clocks
	waitBlock       = 2  // clocks
)

// crc7 and crc16 go bit by bit: x^7+x^3+1 and x^16+x^12+x^5+1, both from 0.
type crc7 byte

func (c *crc7) bit(b byte) {
	top := byte(*c)>>6&1 ^ b
	*c = *c << 1 & 0x7F
	if top == 1 {
		*c ^= 0x09
	}
}

type crc16 uint16

func (c *crc16) bit(b byte) {
	top := byte(*c>>15) ^ b
	*c <<= 1
	if top == 1 {
		*c ^= 0x1021
	}
}

// bitsOf lists the bits of bytes, the highest first.
func bitsOf(data ...byte) (bits []byte) {
	for _, b := range data {
		for i := 7; i >= 0; i-- {
			bits = append(bits, b>>i&1)
		}
	}
	return bits
}

func pack(bits []byte) (data []byte) {
	for i := 0; i+8 <= len(bits); i += 8 {
		var b byte
		for _, v := range bits[i : i+8] {
			b = b<<1 | v
		}
		data = append(data, b)
	}
	return data
}

// frame is a command or a response of 48 bits: a start bit, who sends, six bits of
// index, 32 of argument, CRC7, an end bit.
func frame(fromHost byte, index byte, arg uint32) []byte {
	bits := append([]byte{0, fromHost}, bitsOf(index << 2)[:6]...)
	bits = append(bits, bitsOf(byte(arg>>24), byte(arg>>16), byte(arg>>8), byte(arg))...)
	var c crc7
	for _, b := range bits {
		c.bit(b)
	}
	return append(append(bits, bitsOf(byte(c) << 1)[:7]...), 1)
}

// The published values of the check sums, so that what follows stands on them: CRC7 as
// the byte sent (QEMU's qtest "SD protocol", which cites chapter 4.5 of the simplified
// specification, for CMD0 and CMD17), CRC16 of 512 bytes of 0xFF (the same).
func TestBusFramesHaveThePublishedCheckSums(t *testing.T) {
	for index, want := range map[byte]byte{0: 0x95, 17: 0x55, 12: 0x61, 18: 0xE1} {
		if got := pack(frame(1, index, 0)); got[5] != want || got[0] != 0x40|index {
			t.Errorf("CMD%d is sent as % x, want %02x at its end", index, got, want)
		}
	}
	if got := pack(frame(0, 17, 0x900)); got[5] != 0x67 {
		t.Errorf("response 17 ends with %02x, want 67", got[5])
	}
	var c crc16
	for _, b := range bitsOf(bytes.Repeat([]byte{0xFF}, 512)...) {
		c.bit(b)
	}
	if c != 0x7FA1 {
		t.Errorf("CRC16 of 512 times 0xFF is %04x, want 7fa1", uint16(c))
	}
}

// wires are the levels of one clock that the card sets: its answer, and up to four
// lines of data.
type wires struct{ reply, data byte }

// busCard is a card: given what the host's line says, it says what its own say. It
// works off two queues of levels, one clock each; idle lines are high.
type busCard struct {
	lines   int // 1 or 4; 0 over SPI
	stored  func(block uint32) []byte
	heard   []byte // bits of the command that arrives
	replies []byte
	data    []byte
	reading bool
	block   uint32
	flip    int64 // clock, counted from 1, at which what the card says is inverted; 0 for none
	clocks  int64
	bad     error
}

func (c *busCard) clock(host byte) wires {
	out := wires{reply: 1, data: 0xF}
	if len(c.replies) > 0 {
		out.reply, c.replies = c.replies[0], c.replies[1:]
	} else if c.lines > 0 && c.reading && len(c.data) == 0 {
		c.data = append(bytes.Repeat([]byte{0xF}, waitBlock), c.onLines()...)
	} else if c.lines == 0 && c.reading {
		// Over SPI one line carries all: wait, token, data, check.
		data := c.stored(c.block)
		c.block++
		var sum crc16
		for _, b := range bitsOf(data...) {
			sum.bit(b)
		}
		block := append(append([]byte{0xFE}, data...), byte(sum>>8), byte(sum))
		c.replies = bitsOf(append(bytes.Repeat([]byte{0xFF}, waitBlockSPI), block...)...)
		out.reply, c.replies = c.replies[0], c.replies[1:]
	}
	if len(c.data) > 0 {
		out.data, c.data = c.data[0], c.data[1:]
	}
	if len(c.heard) > 0 || host == 0 {
		c.heard = append(c.heard, host)
	}
	if len(c.heard) == 48 {
		c.obey()
	}
	if c.clocks++; c.clocks == c.flip {
		out.reply ^= 1
		out.data ^= 0xF
	}
	return out
}

// onLines is a block as levels: a start bit on each line, the data (the high bits of a
// byte first, the highest of four on the last line), a CRC16 of each line, an end bit.
func (c *busCard) onLines() (levels []byte) {
	mask := byte(1<<c.lines - 1)
	var sums [4]crc16
	levels = append(levels, 0xF&^mask)
	bits := bitsOf(c.stored(c.block)...)
	c.block++
	for i := 0; i < len(bits); i += c.lines {
		level := 0xF &^ mask
		for l := range c.lines {
			b := bits[i+c.lines-1-l]
			sums[l].bit(b)
			level |= b << l
		}
		levels = append(levels, level)
	}
	for i := 15; i >= 0; i-- {
		level := 0xF &^ mask
		for l := range c.lines {
			level |= byte(sums[l]>>i&1) << l
		}
		levels = append(levels, level)
	}
	return append(levels, 0xF)
}

func (c *busCard) obey() {
	sent := pack(c.heard)
	index := sent[0] & 0x3F
	arg := uint32(sent[1])<<24 | uint32(sent[2])<<16 | uint32(sent[3])<<8 | uint32(sent[4])
	if !bytes.Equal(c.heard, frame(1, index, arg)) {
		c.bad = fmt.Errorf("command % x is damaged", sent)
	}
	c.heard, c.data = nil, nil
	switch index {
	case 18:
		c.reading, c.block = true, arg
	case 12:
		if !c.reading {
			c.bad = fmt.Errorf("stopped without reading")
		}
		c.reading = false
	default:
		c.bad = fmt.Errorf("CMD%d is not part of a read", index)
	}
	if c.lines == 0 {
		wait := waitResponseSPI
		if index == 12 {
			wait++ // one byte after a stop is not yet the answer
		}
		c.replies = bitsOf(append(bytes.Repeat([]byte{0xFF}, wait), 0)...)
		return
	}
	c.replies = append(bytes.Repeat([]byte{1}, waitResponse), frame(0, index, 0x900)...)
}

// readOver reads n blocks from the first on and counts clocks: in all, and of one
// block from its token or start bit to its last bit.
func readOver(lines int, first uint32, n int, stored func(uint32) []byte, flip int64) (data []byte, clocks, block int64, err error) {
	card := &busCard{lines: lines, stored: stored, flip: flip}
	tick := func(host byte) wires {
		clocks++
		return card.clock(host)
	}
	command := func(index byte, arg uint32) error {
		for _, b := range frame(1, index, arg) {
			tick(b)
		}
		if lines == 0 {
			if index == 12 {
				for range 8 {
					tick(1)
				}
			}
			for range waitResponseSPI + 1 {
				var got []byte
				for range 8 {
					got = append(got, tick(1).reply)
				}
				if pack(got)[0] == 0 {
					return nil
				}
			}
			return fmt.Errorf("CMD%d is not answered", index)
		}
		for range waitResponse + 1 {
			if w := tick(1); w.reply == 0 {
				got := []byte{0}
				for len(got) < 48 {
					got = append(got, tick(1).reply)
				}
				if !bytes.Equal(got, frame(0, index, 0x900)) {
					return fmt.Errorf("CMD%d is answered by % x", index, pack(got))
				}
				return nil
			}
		}
		return fmt.Errorf("CMD%d is not answered", index)
	}
	if err := command(18, first); err != nil {
		return nil, 0, 0, err
	}
	for range n {
		if lines == 0 {
			next := func() byte {
				var got []byte
				for range 8 {
					got = append(got, tick(1).reply)
				}
				return pack(got)[0]
			}
			for next() != 0xFE {
			}
			from := clocks - 8
			var sum crc16
			at := len(data)
			for range 512 {
				data = append(data, next())
			}
			for _, b := range bitsOf(data[at:]...) {
				sum.bit(b)
			}
			if got := uint16(next())<<8 | uint16(next()); got != uint16(sum) {
				return nil, 0, 0, fmt.Errorf("check sum %04x, want %04x", got, uint16(sum))
			}
			block = clocks - from
			continue
		}
		mask := byte(1<<lines - 1)
		for tick(1).data&mask != 0 {
		}
		from := clocks - 1
		var sums [4]crc16
		var bits []byte
		for range 4096 / lines {
			level := tick(1).data
			for l := lines - 1; l >= 0; l-- {
				sums[l].bit(level >> l & 1)
				bits = append(bits, level>>l&1)
			}
		}
		for range 16 { // a sum followed by itself leaves nothing
			level := tick(1).data
			for l := range lines {
				sums[l].bit(level >> l & 1)
			}
		}
		if end := tick(1).data; sums != [4]crc16{} || end&mask != mask {
			return nil, 0, 0, fmt.Errorf("check sums leave %x, end bits %x", sums, end)
		}
		block = clocks - from
		data = append(data, pack(bits)...)
	}
	if err := command(12, 0); err != nil {
		return nil, 0, 0, err
	}
	return data, clocks, block, card.bad
}

var busLines = map[Wiring]int{SPI: 0, OneBit: 1, FourBit: 4}

// pattern is a block that no other is like, with zeros and ones in a row too.
func pattern(block uint32) []byte {
	data := make([]byte, 512)
	for i := range data {
		data[i] = byte(uint32(i)*(block+3) ^ block>>3)
	}
	copy(data[100:200], bytes.Repeat([]byte{0}, 50))
	copy(data[300:400], bytes.Repeat([]byte{0xFF}, 100))
	return data
}

// Every bit of a read, counted: 1042, 4114 and 4120 clocks a block, and of whole
// requests exactly what Reading computes.
func TestReadingCountsTheClocksOfTheBus(t *testing.T) {
	published := map[Wiring]int64{FourBit: 1042, OneBit: 4114, SPI: 4120}
	for w, lines := range busLines {
		for _, n := range []int{1, 2, 3, 8, 64} {
			data, clocks, block, err := readOver(lines, 77, n, pattern, 0)
			if err != nil {
				t.Fatalf("%v, %d blocks: %v", w, n, err)
			}
			var want []byte
			for i := range n {
				want = append(want, pattern(77+uint32(i))...)
			}
			if !bytes.Equal(data, want) {
				t.Fatalf("%v, %d blocks: the wrong bytes came over", w, n)
			}
			if block != published[w] || block != w.BlockClocks() {
				t.Errorf("%v: a block takes %d clocks, want %d and BlockClocks %d", w, block, published[w], w.BlockClocks())
			}
			r := Reading{Wiring: w, ClockNum: 80_000_000, ClockDen: 3}
			if said := new(big.Rat).Mul(r.Time(int64(n)), r.Clock()); said.Cmp(big.NewRat(clocks, 1)) != 0 {
				t.Errorf("%v, %d blocks: %d clocks on the bus, Reading says %v", w, n, clocks, said)
			}
		}
	}
}

// The lines of a block of bytes 0, 1, …, 255, 0, …: the check sums that such a block has
// on DAT0 to DAT3 (computed apart, with another program).
func TestFourLinesHaveACheckSumEach(t *testing.T) {
	count := func(uint32) []byte {
		data := make([]byte, 512)
		for i := range data {
			data[i] = byte(i)
		}
		return data
	}
	levels := (&busCard{lines: 4, stored: count}).onLines()
	var got [4]uint16
	for _, level := range levels[1+1024 : 1+1024+16] {
		for l := range got {
			got[l] = got[l]<<1 | uint16(level>>l&1)
		}
	}
	if want := [4]uint16{0x6AA3, 0xA97D, 0x10B5, 0x7357}; got != want {
		t.Errorf("check sums %04x, want %04x", got, want)
	}
}

// A bit that flips on the way, of data or check sum, is found out: or the bus would
// prove nothing.
func TestBusFindsAFlippedBit(t *testing.T) {
	for w, lines := range busLines {
		if _, _, _, err := readOver(lines, 0, 1, pattern, 0); err != nil {
			t.Fatalf("%v: %v", w, err)
		}
		_, clocks, block, _ := readOver(lines, 0, 1, pattern, 0)
		stop := w.CommandClocks() - 160 // of the stop command and its answer
		if w == SPI {
			stop = 8 * (6 + 1 + waitResponseSPI + 1)
		}
		start := int64(1)
		if w == SPI {
			start = 8
		}
		for at := clocks - stop - block + start; at < clocks-stop-1; at += 37 {
			if _, _, _, err := readOver(lines, 0, 1, pattern, at+1); err == nil {
				t.Fatalf("%v: clock %d of %d flipped, and nobody noticed", w, at, clocks)
			}
		}
	}
}
