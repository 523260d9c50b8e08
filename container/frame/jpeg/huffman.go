package jpeg

// A code is a Huffman table for writing: the best one for some counts.
type code struct {
	count  [256]int32
	length [256]uint8 // 0: the value does not occur
	bits   [256]uint16
	// For DHT: how many codes have each length, and the values, shortest codes first.
	lengths [16]uint8
	values  []uint8 // of store
	store   [256]uint8
}

// build makes the table. Lengths are those of T.81, K.2: Huffman's, with a value of count 1 that
// takes the code of all ones and is left out, cut down to 16 bits.
func (c *code) build() {
	// Trees, by weight. A leaf is a value, or 256 for the one left out.
	const nodes = 2 * 257
	var weight [nodes]int64
	var parent [nodes]int16
	var queue [257]int16 // leaves, lightest first
	n := 0
	for v, k := range c.count {
		if k > 0 {
			weight[v] = int64(k)
			at := n
			for at > 0 && weight[queue[at-1]] > int64(k) {
				queue[at] = queue[at-1]
				at--
			}
			queue[at] = int16(v)
			n++
		}
	}
	weight[256] = 0 // lighter than all: it is among the longest
	copy(queue[1:n+1], queue[:n])
	queue[0] = 256
	n++
	// Two queues: leaves, and trees in the order in which they were made.
	leaf, tree, made := 0, 257, 257
	least := func() int16 {
		if tree < made && (leaf >= n || weight[tree] < weight[queue[leaf]]) {
			tree++
			return int16(tree - 1)
		}
		leaf++
		return queue[leaf-1]
	}
	for range n - 1 {
		a, b := least(), least()
		weight[made] = weight[a] + weight[b]
		parent[a], parent[b] = int16(made), int16(made)
		made++
	}
	var depths [258]int // how many leaves lie how deep
	var depth [nodes]int16
	for i := made - 2; i >= 257; i-- {
		depth[i] = depth[parent[i]] + 1
	}
	for _, v := range queue[:n] {
		if n == 1 {
			continue
		}
		depths[depth[parent[v]]+1]++
	}
	if n == 1 {
		depths[1] = 1
	}
	for i := 257; i > 16; i-- {
		for depths[i] > 0 {
			j := i - 2
			for depths[j] == 0 {
				j--
			}
			depths[i] -= 2
			depths[i-1]++
			depths[j+1] += 2
			depths[j]--
		}
	}
	last := 16
	for depths[last] == 0 {
		last--
	}
	depths[last]-- // the one left out
	clear(c.length[:])
	c.values = c.store[:0]
	next, v := uint16(0), n-1
	for l := 1; l <= 16; l++ {
		c.lengths[l-1] = uint8(depths[l])
		for range depths[l] {
			value := uint8(queue[v])
			v--
			c.length[value], c.bits[value] = uint8(l), next
			c.values = append(c.values, value)
			next++
		}
		next <<= 1
	}
}

// writer appends a scan.
type writer struct {
	dst  []byte
	word uint64
	n    uint
}

func (w *writer) put(v uint32, n uint) {
	w.word = w.word<<n | uint64(v)
	for w.n += n; w.n >= 8; w.n -= 8 {
		b := byte(w.word >> (w.n - 8))
		if w.dst = append(w.dst, b); b == 0xff {
			w.dst = append(w.dst, 0)
		}
	}
}

// end fills the last byte up with ones.
func (w *writer) end() {
	if w.n > 0 {
		w.put(1<<(8-w.n)-1, 8-w.n)
	}
}
