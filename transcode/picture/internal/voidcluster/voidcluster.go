// Package voidcluster makes blue-noise threshold patterns.
//
// A threshold pattern orders the cells of a square that repeats in all
// directions: at a light of k/n, the first k cells of the order are lit. Blue
// noise is an order in which the lit cells lie as evenly as they can without
// forming a lattice, at every k. The method is void and cluster (R. Ulichney,
// "The void-and-cluster method for dither array generation", Proc. SPIE 1913,
// 1993): the tightest cluster is the lit cell with most other lit cells around
// it, the largest void the dark cell with fewest, nearness being weighed by a
// Gaussian that wraps around. Cells are taken from clusters and put into voids.
package voidcluster

import (
	"math"
	"math/rand/v2"
)

// sigma is the width of the Gaussian in cells; 1.5 is the paper's advice, quoted
// from memory.
const sigma = 1.5

// square is a pattern being made. Weights are integers, so that the result does
// not depend on how a machine rounds.
type square struct {
	side   int
	lit    []bool
	energy []int64 // Gaussian-weighed number of lit cells around each cell
	weight []int64 // 2^24 * exp(-d^2/(2 sigma^2)) by wrapped distance
}

// Ranks returns the order of the side*side cells of a pattern, 0 first, in rows.
// The same side (a few to a few hundred) and seed give the same pattern.
func Ranks(side int, seed uint64) []uint16 {
	s := newSquare(side)
	n := side * side
	random := rand.New(rand.NewPCG(seed, uint64(side)))
	for _, cell := range random.Perm(n)[:n/10] {
		s.flip(cell)
	}
	// Move cells from clusters to voids until the move would undo itself.
	for {
		cluster := s.tightestCluster()
		s.flip(cluster)
		void := s.largestVoid()
		s.flip(void)
		if void == cluster {
			break
		}
	}

	rank := make([]uint16, n)
	start := n / 10
	prototype := append([]bool(nil), s.lit...)
	for k := start - 1; k >= 0; k-- {
		cell := s.tightestCluster()
		rank[cell] = uint16(k)
		s.flip(cell)
	}
	for cell, lit := range prototype {
		if lit {
			s.flip(cell)
		}
	}
	// Up to the end the darkest neighbourhood is filled next. The paper turns
	// to the dark cells as the minority above one half; as the weights of lit
	// and dark cells add up to the same sum everywhere, the tightest cluster of
	// dark cells is the largest void among them, and the rule stays.
	for k := start; k < n; k++ {
		cell := s.largestVoid()
		rank[cell] = uint16(k)
		s.flip(cell)
	}
	return rank
}

func newSquare(side int) *square {
	s := &square{side: side, lit: make([]bool, side*side), energy: make([]int64, side*side), weight: make([]int64, side*side)}
	for y := range side {
		for x := range side {
			dx, dy := float64(min(x, side-x)), float64(min(y, side-y))
			s.weight[y*side+x] = int64(math.Round(math.Exp(-(dx*dx+dy*dy)/(2*sigma*sigma)) * (1 << 24)))
		}
	}
	return s
}

// flip lights a dark cell or darkens a lit one.
func (s *square) flip(cell int) {
	s.lit[cell] = !s.lit[cell]
	sign := int64(-1)
	if s.lit[cell] {
		sign = 1
	}
	cx, cy := cell%s.side, cell/s.side
	for y := range s.side {
		from := s.weight[(y-cy+s.side)%s.side*s.side:]
		for x := range s.side {
			s.energy[y*s.side+x] += sign * from[(x-cx+s.side)%s.side]
		}
	}
}

func (s *square) tightestCluster() int {
	best, most := -1, int64(math.MinInt64)
	for cell, e := range s.energy {
		if s.lit[cell] && e > most {
			best, most = cell, e
		}
	}
	return best
}

func (s *square) largestVoid() int {
	best, least := -1, int64(math.MaxInt64)
	for cell, e := range s.energy {
		if !s.lit[cell] && e < least {
			best, least = cell, e
		}
	}
	return best
}
