package tiles

// A cover is a choice of rectangles that hold all cells of a panel that have
// changed. More of them carry fewer bytes, but each costs a set-up: the choice
// is the cheapest that a search by cuts finds.
//
// A rectangle, drawn tight around what changed in it, is cut in two along a row
// or a column, each half drawn tight again, for as long as there is something
// to be saved; going back, two halves stay apart only if they are cheaper so.
// At last any two rectangles are joined that are cheaper as one.
type cover struct {
	w, h   int
	mask   []bool   // cells that changed, w*h
	sums   []uint32 // (w+1)*(h+1): how many changed left of and above a corner
	tile   int64    // cost of a rectangle besides its cells
	cell   int64    // cost of a cell
	work   int      // cells that may still be looked at
	out    []Rect
	rows   []extent // first and last changed cell of a row of the rectangle in hand
	cols   []extent
	before []Rect // tight rectangles before and behind each cut
	behind []Rect
}

type extent struct{ from, to int } // from > to: none

// patience is how many cuts in a row may save nothing by themselves. A frame's
// outline takes four.
const patience = 6

func newCover(w, h int) *cover {
	most := max(w, h) + 1
	return &cover{
		w: w, h: h, mask: make([]bool, w*h), sums: make([]uint32, (w+1)*(h+1)),
		rows: make([]extent, h), cols: make([]extent, w), before: make([]Rect, most), behind: make([]Rect, most),
	}
}

// find returns rectangles that hold all cells of the mask, none if it is empty,
// from top to bottom. They stay valid until the next call.
func (c *cover) find(tile, cell int64) []Rect {
	c.tile, c.cell = max(tile, 1), max(cell, 1)
	c.work = 64 * c.w * c.h
	c.out = c.out[:0]
	for y := range c.h {
		row, above, below := c.mask[y*c.w:(y+1)*c.w], c.sums[y*(c.w+1):], c.sums[(y+1)*(c.w+1):]
		sum := uint32(0)
		for x, changed := range row {
			if changed {
				sum++
			}
			below[x+1] = above[x+1] + sum
		}
	}
	all := c.tight(Rect{0, 0, c.w, c.h})
	if all.W == 0 {
		return nil
	}
	c.split(all, patience)
	c.join()
	// Insertion sort: there are few, and most are in order.
	for i := 1; i < len(c.out); i++ {
		for k := i; k > 0 && (c.out[k].Y < c.out[k-1].Y || c.out[k].Y == c.out[k-1].Y && c.out[k].X < c.out[k-1].X); k-- {
			c.out[k], c.out[k-1] = c.out[k-1], c.out[k]
		}
	}
	return c.out
}

func (c *cover) cost(r Rect) int64 { return c.tile + int64(r.W)*int64(r.H)*c.cell }

// changed counts the changed cells of a rectangle.
func (c *cover) changed(r Rect) int {
	s := c.w + 1
	a, b := r.Y*s+r.X, (r.Y+r.H)*s+r.X
	return int(c.sums[b+r.W] - c.sums[b] - c.sums[a+r.W] + c.sums[a])
}

// extents fills rows and cols for a rectangle.
func (c *cover) extents(r Rect) {
	for x := range r.W {
		c.cols[x] = extent{r.H, -1}
	}
	for y := range r.H {
		e := extent{r.W, -1}
		at := (r.Y+y)*c.w + r.X
		for x, changed := range c.mask[at : at+r.W] {
			if changed {
				e.from, e.to = min(e.from, x), x
				col := &c.cols[x]
				col.from, col.to = min(col.from, y), y
			}
		}
		c.rows[y] = e
	}
	c.work -= r.W * r.H
}

// tight returns the smallest rectangle around what changed in r; W is 0 when
// nothing did.
func (c *cover) tight(r Rect) Rect {
	c.extents(r)
	x, y := extent{r.W, -1}, extent{r.H, -1}
	for i, e := range c.rows[:r.H] {
		if e.to >= 0 {
			x.from, x.to = min(x.from, e.from), max(x.to, e.to)
			y.from, y.to = min(y.from, i), i
		}
	}
	if x.to < 0 {
		return Rect{}
	}
	return Rect{r.X + x.from, r.Y + y.from, x.to - x.from + 1, y.to - y.from + 1}
}

// halves fills before and behind: the tight rectangles of lines 0…i−1 and i…n−1
// for each cut i of 1…n−1, where lines are the rows of r, or its columns.
func (c *cover) halves(r Rect, lines []extent, columns bool) {
	n := len(lines)
	one := func(first, last, from, to int) Rect {
		if columns {
			return Rect{r.X + first, r.Y + from, last - first + 1, to - from + 1}
		}
		return Rect{r.X + from, r.Y + first, to - from + 1, last - first + 1}
	}
	first, last, e := -1, -1, extent{1 << 30, -1}
	for i := 1; i < n; i++ {
		if l := lines[i-1]; l.to >= 0 {
			if first < 0 {
				first = i - 1
			}
			last = i - 1
			e.from, e.to = min(e.from, l.from), max(e.to, l.to)
		}
		c.before[i] = one(first, last, e.from, e.to)
	}
	first, last, e = -1, -1, extent{1 << 30, -1}
	for i := n - 1; i > 0; i-- {
		if l := lines[i]; l.to >= 0 {
			first = i
			if last < 0 {
				last = i
			}
			e.from, e.to = min(e.from, l.from), max(e.to, l.to)
		}
		c.behind[i] = one(first, last, e.from, e.to)
	}
}

// split covers a tight rectangle, appends the result and returns its cost.
func (c *cover) split(r Rect, patience int) int64 {
	self := c.cost(r)
	area, n := r.W*r.H, c.changed(r)
	if int64(area-n)*c.cell <= c.tile || patience == 0 || c.work < 0 {
		c.out = append(c.out, r)
		return self
	}
	c.extents(r)
	// The cut that saves most cells; if none does, the one that parts dense from
	// sparse best, by the sum of squares that a regression tree goes by.
	saved, purest := 0, -1.0
	var a, b, pureA, pureB Rect
	for _, columns := range []bool{false, true} {
		lines := c.rows[:r.H]
		if columns {
			lines = c.cols[:r.W]
		}
		c.halves(r, lines, columns)
		for i := 1; i < len(lines); i++ {
			p, q := c.before[i], c.behind[i]
			areaP, areaQ := p.W*p.H, q.W*q.H
			if s := area - areaP - areaQ; s > saved {
				saved, a, b = s, p, q
			}
			np := c.changed(p)
			nq := n - np
			if pure := float64(np*np)/float64(areaP) + float64(nq*nq)/float64(areaQ); pure > purest {
				purest, pureA, pureB = pure, p, q
			}
		}
	}
	left := c.patienceAfter(saved, patience)
	if left < patience {
		a, b = pureA, pureB
	}
	mark := len(c.out)
	apart := c.split(a, left)
	apart += c.split(b, left)
	if apart >= self {
		c.out = append(c.out[:mark], r)
		return self
	}
	return apart
}

func (c *cover) patienceAfter(saved, left int) int {
	if int64(saved)*c.cell > c.tile {
		return patience
	}
	return left - 1
}

// join makes one of any two rectangles that are cheaper so.
func (c *cover) join() {
	const most = 256 // rectangles that are compared with each other
	for i := 0; i < min(len(c.out), most); i++ {
		for k := 0; k < min(len(c.out), most); k++ {
			if k == i {
				continue
			}
			u := union(c.out[i], c.out[k])
			if c.cost(u) > c.cost(c.out[i])+c.cost(c.out[k]) {
				continue
			}
			c.out[i] = u
			c.out = append(c.out[:k], c.out[k+1:]...)
			if k < i {
				i--
			}
			k = -1
		}
	}
}

func union(a, b Rect) Rect {
	x, y := min(a.X, b.X), min(a.Y, b.Y)
	return Rect{x, y, max(a.X+a.W, b.X+b.W) - x, max(a.Y+a.H, b.Y+b.H) - y}
}
