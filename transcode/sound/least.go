package sound

// A least finds the least of the last numbers of a row, one more each time.
type least struct {
	ring []float64
	at   int64
	held []int64 // numbers less than all behind them, rising
}

// newLeast looks at so many numbers; those before the first are first.
func newLeast(numbers int, first float64) *least {
	l := &least{ring: make([]float64, numbers), held: make([]int64, 0, 2*numbers)}
	for i := range l.ring {
		l.ring[i] = first
	}
	return l
}

func (l *least) next(v float64) float64 {
	size := int64(len(l.ring))
	l.ring[l.at%size] = v
	for len(l.held) > 0 && l.ring[l.held[len(l.held)-1]%size] >= v {
		l.held = l.held[:len(l.held)-1]
	}
	l.held = append(l.held, l.at)
	if l.held[0] <= l.at-size {
		l.held = append(l.held[:0], l.held[1:]...)
	}
	l.at++
	return l.ring[l.held[0]%size]
}
