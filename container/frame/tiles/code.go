package tiles

// The operations of a tile's pixels, see the package comment. The count of an
// operation is stored less one.
const (
	opLiteral = 0x00 // 0000nnnn nnnnnnnn: that many units follow
	opColours = 0x10 // 0001nnnn:          that many colours follow
	opIndices = 0x40 // 01bbnnnn nnnnnnnn: that many indices of b+1 bits follow
	opRun     = 0x80 // 1jjjjnnn nnnnnnnn: colour j that many times

	listSize    = 16
	mostRun     = 1 << 11
	mostIndices = 1 << 12
	mostLiteral = 1 << 12
)

// A coder turns the units of tiles into operations. The colours that its
// decoder knows go on from tile to tile.
//
// It works on stretches of up to 4096 units. Within one it looks for the
// cheapest row of operations by dynamic programming over the places where one
// may end: every eighth unit, and both ends of longer runs. Which colours are
// known at a place depends on the way there; only those of the cheapest way are
// kept, so the result is good rather than the best.
type coder struct {
	unit  int              // bytes of one
	list  [listSize]uint32 // colours known, the newest first
	known int

	values []uint32 // of an id
	hash   []uint16 // id+1 by the hash of its value; 0 none
	ids    [stretch]uint16
	runs   [stretch + 1]uint16 // how many equal ids begin here
	place  [stretch + 1]bool   // operations may end here
	nodes  [stretch + 1]node
	marks  []mark // of an id
	serial uint32 // of the place in hand
	path   []int
}

const (
	stretch   = 4096
	lookahead = 256 // units of one row of indices
	runLeast  = 6   // units of a run that is worth looking at
	hashBits  = 13
	never     = 1 << 30
)

// node is the cheapest way to a place.
type node struct {
	cost    int32
	from    int32
	kind    uint8 // opLiteral, opIndices, opRun
	renew   bool  // all colours of the indices are sent anew, also known ones
	literal int32 // cost of the cheapest way here within a literal, and its start
	start   int32
	known   uint8
	list    [listSize]uint16 // ids
}

type mark struct {
	listed, seen uint32 // serial of the place that wrote it
	at           uint8  // in the list
}

func newCoder(unit int) *coder {
	return &coder{
		unit: unit, hash: make([]uint16, 1<<hashBits),
		values: make([]uint32, 0, stretch+listSize), marks: make([]mark, stretch+listSize), path: make([]int, 0, stretch),
	}
}

// reset forgets all colours, as a decoder does at the start of a beat.
func (c *coder) reset() { c.known = 0 }

// append appends the operations for the units of a tile, whose last one may
// lack bytes; those count as zero.
func (c *coder) append(dst, tile []byte) []byte {
	for len(tile) > 0 {
		n := min(len(tile), stretch*c.unit)
		dst = c.stretch(dst, tile[:n])
		tile = tile[n:]
	}
	return dst
}

func (c *coder) stretch(dst, tile []byte) []byte {
	n := (len(tile) + c.unit - 1) / c.unit
	c.name(tile, n)
	c.measure(n)

	first := &c.nodes[0]
	*first = node{known: uint8(c.known)}
	for i, v := range c.list[:c.known] {
		first.list[i] = c.id(v)
	}
	for i := 1; i <= n; i++ {
		c.nodes[i].cost, c.nodes[i].literal = never, never
	}
	first.literal = never
	for i := 0; i < n; i++ {
		at := &c.nodes[i]
		if c.place[i] {
			if at.literal < at.cost {
				at.cost, at.from, at.kind = at.literal, at.start, opLiteral
			}
			if i > 0 {
				c.arrive(i)
			}
			c.runFrom(i, n)
			c.indicesFrom(i, n)
			if open := at.cost + 2; open < at.literal {
				at.literal, at.start = open, int32(i)
			}
		}
		c.nodes[i+1].literal, c.nodes[i+1].start = at.literal+int32(c.unit), at.start
	}
	if last := &c.nodes[n]; last.literal < last.cost {
		last.from, last.kind = last.start, opLiteral
	}

	c.path = c.path[:0]
	for i := n; i > 0; i = int(c.nodes[i].from) {
		c.path = append(c.path, i)
	}
	from := 0
	for k := len(c.path) - 1; k >= 0; k-- {
		dst = c.emit(dst, tile, from, c.path[k])
		from = c.path[k]
	}
	return dst
}

// name gives each unit of a stretch the id of its value.
func (c *coder) name(tile []byte, n int) {
	clear(c.hash)
	c.values = c.values[:0]
	for i := range n {
		var v uint32
		for k := range c.unit {
			v <<= 8
			if i*c.unit+k < len(tile) {
				v |= uint32(tile[i*c.unit+k])
			}
		}
		if i > 0 && v == c.values[c.ids[i-1]] {
			c.ids[i] = c.ids[i-1]
			continue
		}
		c.ids[i] = c.id(v)
	}
}

// id returns the id of a value, a new one if need be.
func (c *coder) id(v uint32) uint16 {
	for at := v * 0x9e3779b1 >> (32 - hashBits); ; at = (at + 1) & (1<<hashBits - 1) {
		switch k := c.hash[at]; {
		case k == 0:
			c.values = append(c.values, v)
			c.hash[at] = uint16(len(c.values))
			return uint16(len(c.values) - 1)
		case c.values[k-1] == v:
			return k - 1
		}
	}
}

// measure finds runs and the places where operations may end.
func (c *coder) measure(n int) {
	c.runs[n] = 0
	for i := n - 1; i >= 0; i-- {
		c.runs[i] = 1
		if i+1 < n && c.ids[i] == c.ids[i+1] {
			c.runs[i] += c.runs[i+1]
		}
		c.place[i] = i%8 == 0
	}
	c.place[n] = true
	for i := 0; i < n; i += int(c.runs[i]) {
		if c.runs[i] >= runLeast {
			c.place[i], c.place[i+int(c.runs[i])] = true, true
		}
	}
}

// arrive works out which colours are known at a place.
func (c *coder) arrive(i int) {
	at := &c.nodes[i]
	from := &c.nodes[at.from]
	at.list, at.known = from.list, from.known
	switch at.kind {
	case opRun:
		if id := c.ids[at.from]; at.find(id) < 0 {
			at.insert(id)
		}
	case opIndices:
		c.insertNew(at, int(at.from), i, nil)
	}
}

func (at *node) find(id uint16) int {
	for k, v := range at.list[:at.known] {
		if v == id {
			return k
		}
	}
	return -1
}

func (at *node) insert(id uint16) {
	copy(at.list[1:], at.list[:])
	at.list[0] = id
	at.known = min(at.known+1, listSize)
}

// insertNew puts the colours that indices from…to−1 need and the list lacks (or
// all of them) into the list of a node, and calls add for each.
func (c *coder) insertNew(at *node, from, to int, add func(id uint16)) {
	renew, old, oldKnown := at.renew, at.list, at.known
	c.serial++
	if !renew {
		for _, id := range old[:oldKnown] {
			c.marks[id].seen = c.serial
		}
	}
	for _, id := range c.ids[from:to] {
		if c.marks[id].seen != c.serial {
			c.marks[id].seen = c.serial
			at.insert(id)
			if add != nil {
				add(id)
			}
		}
	}
}

// reach offers a way to a place.
func (c *coder) reach(to int, cost int32, from int, kind uint8, renew bool) {
	if at := &c.nodes[to]; cost < at.cost {
		at.cost, at.from, at.kind, at.renew = cost, int32(from), kind, renew
	}
}

func (c *coder) runFrom(i, n int) {
	r := min(int(c.runs[i]), mostRun)
	for r > 1 && !c.place[i+r] {
		r--
	}
	if r < 2 {
		return
	}
	at := &c.nodes[i]
	cost := at.cost + 2
	if at.find(c.ids[i]) < 0 {
		cost += int32(1 + c.unit)
	}
	c.reach(i+r, cost, i, opRun, false)
}

func (c *coder) indicesFrom(i, n int) {
	at := &c.nodes[i]
	c.serial++
	for k := int(at.known) - 1; k >= 0; k-- { // the newest of equal ones counts
		m := &c.marks[at.list[k]]
		m.listed, m.at = c.serial, uint8(k)
	}
	all, lacking, deepest := 0, 0, -1 // colours, those not known, place of the oldest known one
	for k := i; k < min(n, i+lookahead); k++ {
		if m := &c.marks[c.ids[k]]; m.seen != c.serial {
			m.seen = c.serial
			all++
			if m.listed == c.serial {
				deepest = max(deepest, int(m.at))
			} else {
				lacking++
			}
			if all > listSize {
				return // any list is too short
			}
		}
		if !c.place[k+1] {
			continue
		}
		count := k + 1 - i
		last := lacking - 1 // the highest index that occurs
		if deepest >= 0 {
			last = deepest + lacking
		}
		if last < listSize {
			cost := at.cost + 2 + int32((count*bitsFor(last)+7)/8)
			if lacking > 0 {
				cost += int32(1 + lacking*c.unit)
			}
			c.reach(k+1, cost, i, opIndices, false)
		}
		if bits := bitsFor(all - 1); last >= listSize || lacking < all && bits < bitsFor(last) {
			c.reach(k+1, at.cost+3+int32(all*c.unit+(count*bits+7)/8), i, opIndices, true)
		}
		if c.runs[k+1] >= 64 {
			return // a run will be cheaper
		}
	}
}

// bitsFor returns the bits of an index that goes up to last.
func bitsFor(last int) int {
	switch {
	case last < 2:
		return 1
	case last < 4:
		return 2
	case last < 8:
		return 3
	}
	return 4
}

// emit appends the operation that leads to a place, and the colours it lacks.
func (c *coder) emit(dst, tile []byte, from, to int) []byte {
	at := c.nodes[to]
	at.list, at.known = c.nodes[from].list, c.nodes[from].known
	n := to - from
	if at.kind == opLiteral {
		dst = append(dst, opLiteral|byte((n-1)>>8), byte(n-1))
		dst = append(dst, tile[from*c.unit:min(to*c.unit, len(tile))]...)
		for range max(to*c.unit-len(tile), 0) {
			dst = append(dst, 0)
		}
		return dst
	}
	head := len(dst)
	dst = append(dst, 0)
	colours := 0
	add := func(id uint16) {
		colours++
		dst = c.appendUnit(dst, c.values[id])
	}
	if at.kind == opRun {
		if id := c.ids[from]; at.find(id) < 0 {
			at.insert(id)
			add(id)
		}
	} else {
		c.insertNew(&at, from, to, add)
	}
	if colours > 0 {
		dst[head] = opColours | byte(colours-1)
	} else {
		dst = dst[:head]
	}
	c.known = int(at.known)
	for i, id := range at.list[:at.known] {
		c.list[i] = c.values[id]
	}
	if at.kind == opRun {
		return append(dst, opRun|byte(at.find(c.ids[from]))<<3|byte((n-1)>>8), byte(n-1))
	}
	last := 0
	for _, id := range c.ids[from:to] {
		last = max(last, at.find(id))
	}
	bits := bitsFor(last)
	dst = append(dst, opIndices|byte(bits-1)<<4|byte((n-1)>>8), byte(n-1))
	word, filled := uint32(0), 0
	for _, id := range c.ids[from:to] {
		word = word<<bits | uint32(at.find(id))
		if filled += bits; filled >= 8 {
			filled -= 8
			dst = append(dst, byte(word>>filled))
		}
	}
	if filled > 0 {
		dst = append(dst, byte(word<<(8-filled)))
	}
	return dst
}

func (c *coder) appendUnit(dst []byte, v uint32) []byte {
	for k := c.unit - 1; k >= 0; k-- {
		dst = append(dst, byte(v>>(8*k)))
	}
	return dst
}
