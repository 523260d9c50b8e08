package source

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math/bits"
)

// flacFrame is one block of FLAC sound and the room to decode it.
type flacFrame struct {
	bits     flacBits
	size     int // sample frames
	channels int // their number, or one of the values below
	samples  [8][]int64
}

// Channel numbers of RFC 9639, section 9.1.3, of pairs of which one is stored as
// the difference of both.
const (
	flacLeftSide = 8 + iota
	flacSideRight
	flacMidSide
)

// read decodes the next block. It returns io.ErrUnexpectedEOF when the file ends
// inside it.
func (f *flacFrame) read(s *flacStream) error {
	b := &f.bits
	b.begin()
	err := f.header(s)
	for c := 0; err == nil && c < s.channels; c++ {
		width := s.bits
		if c == 1 && (f.channels == flacLeftSide || f.channels == flacMidSide) || c == 0 && f.channels == flacSideRight {
			width++ // a difference needs a bit more
		}
		if len(f.samples[c]) < f.size {
			f.samples[c] = make([]int64, f.size)
		}
		err = b.subframe(f.samples[c][:f.size], width)
	}
	if b.err != nil {
		return b.err
	}
	if err != nil {
		return err
	}
	f.join()
	b.align()
	sum := b.crc16
	if want := uint16(b.read(16)); b.err != nil {
		return b.err
	} else if sum != want {
		return fmt.Errorf("check sum 0x%04x, want 0x%04x", sum, want)
	}
	for c := range s.channels {
		for _, v := range f.samples[c][:f.size] {
			if v>>(s.bits-1) != v>>63 {
				return fmt.Errorf("sample %d is beyond %d bits", v, s.bits)
			}
		}
	}
	return nil
}

// header reads the header of a block, section 9.1.
func (f *flacFrame) header(s *flacStream) error {
	b := &f.bits
	if sync := b.read(15); b.err == nil && sync != 0x7ffc {
		return fmt.Errorf("bits %015b, want 111111111111100", sync)
	}
	b.read(1) // blocks of one size or of several
	size, rate := b.read(4), b.read(4)
	f.channels = int(b.read(4))
	width, reserved := b.read(3), b.read(1)
	if err := b.codedNumber(); err != nil {
		return err
	}
	switch {
	case size == 0:
		return errors.New("block of a reserved size")
	case size == 1:
		f.size = 192
	case size <= 5:
		f.size = 144 << size
	case size <= 7:
		f.size = int(b.read(8*(uint(size)-5))) + 1
	default:
		f.size = 1 << size
	}
	hz := [...]int{s.rate, 88200, 176400, 192000, 8000, 16000, 22050, 24000, 32000, 44100, 48000, 96000, 0, 0, 0, 0}[rate]
	switch rate {
	case 12:
		hz = 1000 * int(b.read(8))
	case 13:
		hz = int(b.read(16))
	case 14:
		hz = 10 * int(b.read(16))
	}
	sum := b.crc8
	if want := byte(b.read(8)); b.err == nil && sum != want {
		return fmt.Errorf("check sum 0x%02x of the header, want 0x%02x", sum, want)
	}
	stated := [...]int{s.bits, 8, 12, 0, 16, 20, 24, 32}[width]
	channels := f.channels + 1
	if f.channels >= flacLeftSide {
		channels = 2
	}
	switch {
	case b.err != nil:
		return b.err
	case rate == 15, stated == 0, f.channels > flacMidSide, reserved != 0, f.size > 1<<16-1:
		return errors.New("reserved value in the header")
	case hz != s.rate, stated != s.bits, channels != s.channels:
		return &UnsupportedError{
			Holds: fmt.Sprintf("FLAC sound that changes from %d channels of %d bits at %d Hz to %d of %d bits at %d Hz",
				s.channels, s.bits, s.rate, channels, stated, hz),
			Try: trySnd,
		}
	}
	return nil
}

// join undoes the differences between two channels, section 4.2.
func (f *flacFrame) join() {
	x, y := f.samples[0], f.samples[1]
	switch f.channels {
	case flacLeftSide:
		for i := range f.size {
			y[i] = x[i] - y[i]
		}
	case flacSideRight:
		for i := range f.size {
			x[i] += y[i]
		}
	case flacMidSide:
		for i := range f.size {
			sum := x[i]<<1 | y[i]&1
			x[i], y[i] = (sum+y[i])>>1, (sum-y[i])>>1
		}
	}
}

// subframe decodes one channel of a block, section 9.2.
func (b *flacBits) subframe(dst []int64, width int) error {
	if b.read(1) != 0 {
		return errors.New("no zero bit before a channel")
	}
	kind, wasted := b.read(6), 0
	if b.read(1) == 1 {
		wasted = int(min(b.unary(), 64)) + 1
	}
	if width -= wasted; width <= 0 {
		return fmt.Errorf("%d unused bits a sample of %d", wasted, width+wasted)
	}
	var err error
	switch {
	case kind == 0:
		v := b.signed(width)
		for i := range dst {
			dst[i] = v
		}
	case kind == 1:
		for i := range dst {
			dst[i] = b.signed(width)
		}
	case kind >= 8 && kind <= 12:
		err = b.fixed(dst, int(kind-8), width)
	case kind >= 32:
		err = b.linear(dst, int(kind-31), width)
	default:
		return fmt.Errorf("reserved coding %06b", kind)
	}
	if wasted > 0 {
		for i := range dst {
			dst[i] <<= wasted
		}
	}
	return err
}

// fixed predicts each sample by the polynomial through the ones before it,
// section 9.2.5.
func (b *flacBits) fixed(dst []int64, order, width int) error {
	if err := b.residual(dst, order, width); err != nil {
		return err
	}
	switch order {
	case 1:
		for i := 1; i < len(dst); i++ {
			dst[i] += dst[i-1]
		}
	case 2:
		for i := 2; i < len(dst); i++ {
			dst[i] += 2*dst[i-1] - dst[i-2]
		}
	case 3:
		for i := 3; i < len(dst); i++ {
			dst[i] += 3*dst[i-1] - 3*dst[i-2] + dst[i-3]
		}
	case 4:
		for i := 4; i < len(dst); i++ {
			dst[i] += 4*dst[i-1] - 6*dst[i-2] + 4*dst[i-3] - dst[i-4]
		}
	}
	return nil
}

// linear predicts each sample by a weighted sum of the ones before it, section
// 9.2.6. The weights stand between the first samples and the residual.
func (b *flacBits) linear(dst []int64, order, width int) error {
	if order > len(dst) {
		return fmt.Errorf("%d samples to predict from in a block of %d", order, len(dst))
	}
	b.warmUp(dst[:order], width)
	precision := int(b.read(4)) + 1
	shift := b.signed(5)
	if precision == 16 || shift < 0 {
		return fmt.Errorf("weights of %d bits, shifted by %d", precision, shift)
	}
	var weights [32]int64
	for i := range order {
		weights[i] = b.signed(precision)
	}
	if err := b.partitions(dst, order); err != nil {
		return err
	}
	w := weights[:order]
	for i := order; i < len(dst); i++ {
		before, sum := dst[i-order:i], int64(0)
		for k, weight := range w {
			sum += weight * before[order-1-k]
		}
		dst[i] += sum >> uint(shift)
	}
	return nil
}

func (b *flacBits) warmUp(dst []int64, width int) {
	for i := range dst {
		dst[i] = b.signed(width)
	}
}

// residual reads the first samples, and for the others how much they differ from
// what is predicted.
func (b *flacBits) residual(dst []int64, order, width int) error {
	if order > len(dst) {
		return fmt.Errorf("%d samples to predict from in a block of %d", order, len(dst))
	}
	b.warmUp(dst[:order], width)
	return b.partitions(dst, order)
}

// partitions reads Rice-coded numbers into all of dst but the first, section
// 9.2.7.
func (b *flacBits) partitions(dst []int64, order int) error {
	method := b.read(2)
	if method > 1 {
		return errors.New("reserved coding of the residual")
	}
	paramBits := 4 + uint(method)
	escape := uint64(1)<<paramBits - 1
	splits := int(b.read(4))
	each := len(dst) >> splits
	if each<<splits != len(dst) || each < order {
		return fmt.Errorf("block of %d samples in %d parts", len(dst), 1<<splits)
	}
	for part, i := 0, order; part < 1<<splits && b.err == nil; part++ {
		end := (part + 1) * each
		k := b.read(paramBits)
		if k == escape {
			width := int(b.read(5))
			for ; i < end; i++ {
				dst[i] = b.signed(width)
			}
			continue
		}
		for ; i < end; i++ {
			v := b.unary()<<k | b.read(uint(k))
			dst[i] = int64(v>>1) ^ -int64(v&1)
		}
	}
	return b.err
}

// flacBits reads bits, most significant first, and sums up the bytes they lie
// in. It never takes a byte before a bit of it is asked for. Behind the first
// error all bits are 0.
type flacBits struct {
	in    *bufio.Reader
	acc   uint64
	n     uint // low bits of acc that have not been read
	crc8  byte
	crc16 uint16
	err   error
}

func (b *flacBits) begin() { b.n, b.crc8, b.crc16, b.err = 0, 0, 0, nil }

func (b *flacBits) align() { b.n -= b.n % 8 }

func (b *flacBits) fill() {
	v, err := b.in.ReadByte()
	if err != nil {
		if err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		b.err = err
		return
	}
	b.acc = b.acc<<8 | uint64(v)
	b.n += 8
	b.crc8 = flacCRC8[b.crc8^v]
	b.crc16 = b.crc16<<8 ^ flacCRC16[byte(b.crc16>>8)^v]
}

// read reads up to 56 bits.
func (b *flacBits) read(n uint) uint64 {
	for b.n < n {
		if b.fill(); b.err != nil {
			return 0
		}
	}
	b.n -= n
	return b.acc >> b.n & (1<<n - 1)
}

// signed reads a number in two's complement.
func (b *flacBits) signed(n int) int64 {
	if n == 0 {
		return 0
	}
	return int64(b.read(uint(n))<<(64-n)) >> (64 - n)
}

// unary reads the number of zeros before a one.
func (b *flacBits) unary() (zeros uint64) {
	for {
		if b.n == 0 {
			if b.fill(); b.err != nil {
				return 0
			}
		}
		z := uint(bits.LeadingZeros64(b.acc << (64 - b.n)))
		if z < b.n {
			b.n -= z + 1
			return zeros + uint64(z)
		}
		zeros += uint64(b.n)
		b.n = 0
	}
}

// codedNumber passes over the number of the block, coded like a character of
// UTF-8 but up to 7 bytes long, section 9.1.5.
func (b *flacBits) codedNumber() error {
	first := byte(b.read(8))
	more := bits.LeadingZeros8(^first)
	if more == 1 || more == 8 {
		return fmt.Errorf("byte 0x%02x begins no number of a block", first)
	}
	for i := 1; i < more; i++ {
		if next := b.read(8); b.err == nil && next>>6 != 2 {
			return fmt.Errorf("byte 0x%02x inside the number of a block", next)
		}
	}
	return nil
}

// The check sums of section 9.1.8 and 9.3, a byte at a time: x^8+x^2+x+1 and
// x^16+x^15+x^2+1, both starting at 0.
var (
	flacCRC8  [256]byte
	flacCRC16 [256]uint16
)

func init() {
	for i := range 256 {
		a, b := byte(i), uint16(i)<<8
		for range 8 {
			a = a<<1 ^ a>>7*0x07
			b = b<<1 ^ b>>15*0x8005
		}
		flacCRC8[i], flacCRC16[i] = a, b
	}
}
