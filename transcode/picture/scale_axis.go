package picture

import "math"

const (
	// Weights of a box are fractions of one in this many bits.
	boxBits = 38
	// Weights of a kernel likewise.
	kernelBits = 30
	// Samples scaled along one axis carry this many bits behind the point.
	extraBits = 8
)

// An axis maps the samples of one source axis to those of one destination
// axis. Just one of boxes and windows is filled.
type axis struct {
	first, end int      // source samples read: first to before end
	ratio      float64  // source samples for one destination sample
	boxes      []box    // ratio at least 1: the area each destination sample covers
	windows    []window // ratio below 1: the kernel around each
}

// A box averages source samples by how much of each it covers. Sample numbers
// are relative to axis.first.
type box struct {
	a, b        int // samples wholly covered: a to before b
	left, right int // samples partly covered; any sample when the weight is 0
	wl, w, wr   uint64
}

// A window is a destination sample read through a kernel four samples wide.
type window struct {
	at     [4]int // sample numbers relative to axis.first
	weight [4]int64
}

// newAxis covers from..to, which lies in 0..size, by n destination samples.
// Shrinking averages exactly what each destination sample covers; enlarging
// reads through the Catmull-Rom kernel, kept within the range of the samples it
// reads.
//
// In light, unlike in codes, dark is delicate: 11 % of white is sRGB code 94.
// That is what the Mitchell-Netravali kernel, which blurs a little, leaves of a
// black line one pixel wide, and a lobe of -3 % next to white blackens a mid
// grey. A kernel that passes through the samples keeps the line black, the
// range keeps the lobes away, and four samples do it where Lanczos 3 takes six.
func newAxis(from, to float64, size, n int) axis {
	from, to = snap(from), snap(to)
	x := axis{
		first: max(int(math.Floor(from)), 0),
		end:   min(int(math.Ceil(to)), size),
		ratio: snap((to - from) / float64(n)),
	}
	if x.ratio >= 1 {
		x.boxes = make([]box, n)
		for i := range x.boxes {
			x.boxes[i] = x.boxOf(
				snap(from+float64(i)*x.ratio),
				snap(from+float64(i+1)*x.ratio))
		}
		return x
	}
	x.windows = make([]window, n)
	for i := range x.windows {
		x.windows[i] = x.windowOf(from + (float64(i)+0.5)*x.ratio - 0.5)
	}
	return x
}

// snap removes the rounding error of an edge meant to lie on a sample's.
func snap(v float64) float64 {
	if r := math.Round(v); math.Abs(v-r) < 1e-7 {
		return r
	}
	return v
}

func (x *axis) boxOf(from, to float64) box {
	one := float64(uint64(1)<<boxBits) / (to - from)
	weight := func(part float64) uint64 { return uint64(math.Round(part * one)) }
	a := math.Ceil(from)
	b := max(math.Floor(to), a)
	last := x.end - x.first - 1
	return box{
		a:     int(a) - x.first,
		b:     min(int(b)-x.first, last+1),
		left:  min(max(int(a)-1-x.first, 0), last),
		right: min(int(b)-x.first, last),
		wl:    weight(a - from),
		w:     weight(1),
		wr:    weight(max(to-b, 0)),
	}
}

func (x *axis) windowOf(centre float64) window {
	base := math.Floor(centre)
	part := centre - base
	last := x.end - x.first - 1
	var t window
	rest := int64(1) << kernelBits
	for k := range t.at {
		t.at[k] = min(max(int(base)+k-1-x.first, 0), last)
		t.weight[k] = int64(math.Round(catmullRom(part+1-float64(k)) * (1 << kernelBits)))
		rest -= t.weight[k]
	}
	t.weight[1] += rest // the weights of a flat picture sum to one
	return t
}

// catmullRom is the cubic kernel of Catmull and Rom: the one with B = 0 and
// C = 1/2 of the family of Mitchell and Netravali, "Reconstruction filters in
// computer graphics" (SIGGRAPH 1988).
func catmullRom(x float64) float64 {
	x = math.Abs(x)
	switch {
	case x < 1:
		return 1.5*x*x*x - 2.5*x*x + 1
	case x < 2:
		return -0.5*x*x*x + 2.5*x*x - 4*x + 2
	}
	return 0
}

// through reads four samples through the kernel. The result stays within their
// range: a kernel's lobes sharpen, but must not draw halos.
func (t *window) through(v [4]int64) uint32 {
	sum := v[0]*t.weight[0] + v[1]*t.weight[1] + v[2]*t.weight[2] + v[3]*t.weight[3]
	sum = (sum + 1<<(kernelBits-1)) >> kernelBits
	low := min(v[0], v[1], v[2], v[3])
	high := max(v[0], v[1], v[2], v[3])
	return uint32(min(max(sum, low), high))
}
