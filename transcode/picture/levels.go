package picture

import "math"

// levelTable is one channel of a panel on a linear scale of 0..65535: code c
// of n shines with linear light decode(c/(n-1)) of the sRGB curve.
type levelTable struct {
	light   []int32      // linear light of each code, rising
	nearest [65536]uint8 // code nearest in light to each linear value; a tie goes up
}

func panelLevels(n int) *levelTable {
	light := make([]int32, n)
	for c := range light {
		light[c] = int32(linear16(float64(c) / float64(n-1)))
	}
	return newLevelTable(light)
}

func newLevelTable(light []int32) *levelTable {
	t := &levelTable{light: light}
	c := 0
	for v := range t.nearest {
		for c+1 < len(light) && 2*int32(v) >= light[c]+light[c+1] {
			c++
		}
		t.nearest[v] = uint8(c)
	}
	return t
}

// stepTable maps linear light to codes for a dither that looks at one pixel at
// a time: (step[v] + threshold) >> shift is the code, with thresholds of
// 0..1<<shift - 1. The bits below shift say how far v lies between its code and
// the next, in light; they fill 16 bits whatever the number of levels.
type stepTable struct {
	shift uint
	step  [65536]uint16
}

// newStepTable tables the light of n levels (a power of two up to 256) behind a
// tone curve.
func newStepTable(n int, curve *[65536]uint16) *stepTable {
	t := &stepTable{shift: stepShift(n)}
	levels := panelLevels(n)
	var steps [65536]uint16
	c := 0
	for v := range steps {
		for c+2 < n && int32(v) >= levels.light[c+1] {
			c++
		}
		low, high := levels.light[c], levels.light[c+1]
		part := float64(int32(v)-low) / float64(high-low)
		steps[v] = uint16(min(int(math.Round((float64(c)+part)*float64(int(1)<<t.shift))), (n-1)<<t.shift))
	}
	for v := range t.step {
		t.step[v] = steps[curve[v]]
	}
	return t
}

// newNearestTable is a stepTable whose codes are the nearest on the sRGB curve,
// that is to the eye, whatever the threshold.
func newNearestTable(n int, curve *[65536]uint16) *stepTable {
	t := &stepTable{shift: stepShift(n)}
	for v := range t.step {
		e := min(1, srgbEncode(float64(curve[v])/65535))
		t.step[v] = uint16(math.Round(e*float64(n-1))) << t.shift
	}
	return t
}

// stepShift leaves as many bits below the code as fit: n<<shift is 65536.
func stepShift(n int) uint {
	shift := uint(16)
	for ; n > 1; n /= 2 {
		shift--
	}
	return shift
}
