package jpeg

// trellis is scratch of the search for levels.
type trellis struct {
	rate [256]int64 // cost of each code of the table in hand, with the bits behind it
	node [blockSize]node
	zero [blockSize]int64 // what leaving out all up to here costs
	dc   []dcNode
}

// A node is a coefficient of a block that may be stored.
type node struct {
	at    int   // in zig-zag order
	level int32 // stored, without its sign
	from  int   // the node before
	cost  int64 // of all up to here
	least int64 // of cost − zero[at], of this one and all before
}

type dcNode struct {
	level [3]int32
	cost  [3]int64
	from  [3]uint8
}

// rates fills in what codes cost at lambda a bit, and some tenths of a bit more where a
// coefficient that is not zero comes with them.
func (t *trellis) rates(c *code, lambda, coefficient int64) {
	for v, n := range c.length {
		if n == 0 {
			n = 16 // it does not occur yet
		}
		t.rate[v] = lambda * int64(int(n)+v&15)
		if v&15 != 0 {
			t.rate[v] += lambda * coefficient / 10
		}
	}
}

// block finds the levels of coefficients 1 … 63 for which error and bits cost least.
func (t *trellis) block(levels []int16, coefs []int32, step int32, weight int64) {
	step *= fraction
	n := 1
	t.node[0] = node{}
	t.zero[0] = 0
	for k := 1; k < blockSize; k++ {
		c := coefs[k]
		c = max(c, -c)
		lost := weight * int64(c) * int64(c)
		t.zero[k] = t.zero[k-1] + lost
		levels[k] = 0
		if 2*c < step {
			continue
		}
		most := min((c+step/2)/step, 1023)
		best := node{at: k, cost: 1 << 62}
		for v := most; v > 0 && v >= most-1; v-- {
			left := int64(c - v*step)
			left = weight * left * left
			s := size(v)
			for m := n - 1; m >= 0; m-- {
				from := &t.node[m]
				if t.zero[k-1]+from.least+left >= best.cost {
					break
				}
				run := k - from.at - 1
				cost := from.cost + t.zero[k-1] - t.zero[from.at] + left + t.rate[run&15<<4|s]
				if run > 15 {
					cost += int64(run>>4) * t.rate[0xf0]
				}
				if cost < best.cost {
					best.cost, best.from, best.level = cost, m, v
				}
			}
		}
		best.least = min(t.node[n-1].least, best.cost-t.zero[k])
		t.node[n] = best
		n++
	}
	last, least := 0, int64(1)<<62
	for m := range n {
		cost := t.node[m].cost + t.zero[63] - t.zero[t.node[m].at]
		if t.node[m].at < 63 {
			cost += t.rate[0]
		}
		if cost < least {
			last, least = m, cost
		}
	}
	for m := last; m > 0; m = t.node[m].from {
		v := t.node[m].level
		if coefs[t.node[m].at] < 0 {
			v = -v
		}
		levels[t.node[m].at] = int16(v)
	}
}

// first finds the levels of DC of a whole part, each of which is stored as the difference from
// the one before.
func (t *trellis) first(p *part, step int32) {
	step *= fraction
	before := &dcNode{cost: [3]int64{0, 1 << 60, 1 << 60}}
	for i, hidden := range p.hidden {
		d := &t.dc[i]
		if hidden {
			*d = *before
			d.from = [3]uint8{0, 1, 2}
			for k := range d.cost {
				d.cost[k] += t.rate[0]
			}
			before = d
			continue
		}
		c := p.coefs[i*blockSize]
		near := (max(c, -c) + step/2) / step
		if c < 0 {
			near = -near
		}
		for k := range d.level {
			v := min(max(near+int32(k)-1, -1023), 1023)
			left := int64(c - v*step)
			least, from := int64(1)<<61, 0
			for j, b := range before.level {
				if cost := before.cost[j] + t.rate[size(v-b)]; cost < least {
					least, from = cost, j
				}
			}
			d.level[k], d.from[k], d.cost[k] = v, uint8(from), least+one*left*left
		}
		before = d
	}
	k := uint8(0)
	for j, cost := range before.cost {
		if cost < before.cost[k] {
			k = uint8(j)
		}
	}
	for i := len(p.hidden) - 1; i >= 0; i-- {
		p.levels[i*blockSize] = int16(t.dc[i].level[k])
		k = t.dc[i].from[k]
	}
}
