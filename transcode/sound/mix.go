package sound

import "fmt"

// shared is 1/√2, the gain ITU-R BS.775 (from memory) gives a centre or surround
// channel that two loudspeakers share: half the power to each.
const shared = 0.7071

// downToStereo holds the gains to left and right of each source channel, by
// count of channels, in the order WAVE files use: left, right, centre, low
// frequency effects, surrounds. The 3/0, 2/2 and 3/2 rows are the two-channel
// equations of ITU-R BS.775, from memory; low frequency effects are left out. A
// single rear channel is first shared by both surrounds; side and rear
// surrounds count alike.
var downToStereo = map[int][][2]float32{
	2: {{1, 0}, {0, 1}},
	3: {{1, 0}, {0, 1}, {shared, shared}},
	4: {{1, 0}, {0, 1}, {shared, 0}, {0, shared}},
	5: {{1, 0}, {0, 1}, {shared, shared}, {shared, 0}, {0, shared}},
	6: {{1, 0}, {0, 1}, {shared, shared}, {0, 0}, {shared, 0}, {0, shared}},
	7: {{1, 0}, {0, 1}, {shared, shared}, {0, 0}, {shared * shared, shared * shared}, {shared, 0}, {0, shared}},
	8: {{1, 0}, {0, 1}, {shared, shared}, {0, 0}, {shared, 0}, {0, shared}, {shared, 0}, {0, shared}},
}

// Gains returns the gain of each source channel in each output channel,
// Gains(in, out)[output][source], for 1 or 2 outputs.
//
// One rule for the level: the gains of an output add up to at most 1, so
// mixing never clips what was not clipped, and all outputs are scaled by the
// same factor, so nothing moves sideways. Mono into stereo is a copy. Stereo
// into mono is the mean: BS.775 gives 0.7071 to each side, and the rule makes
// that a half. A voice in the middle keeps its level, which on one small
// loudspeaker matters more than keeping the power of a wide recording.
//
// Counts without a usual meaning (above eight) go to every output alike.
func Gains(in, out int) ([][]float32, error) {
	if in < 1 || in > MaxChannels {
		return nil, fmt.Errorf("sound: %d source channels, want 1 to %d", in, MaxChannels)
	}
	if out < 1 || out > 2 {
		return nil, fmt.Errorf("sound: %d output channels, want 1 or 2", out)
	}
	gains := make([][]float32, out)
	for o := range gains {
		gains[o] = make([]float32, in)
	}
	layout, known := downToStereo[in]
	for i := range in {
		switch {
		case !known:
			for o := range out {
				gains[o][i] = 1
			}
		case out == 1:
			gains[0][i] = float32(shared*layout[i][0]) + float32(shared*layout[i][1])
		default:
			gains[0][i], gains[1][i] = layout[i][0], layout[i][1]
		}
	}
	loudest := float32(0)
	for _, row := range gains {
		sum := float32(0)
		for _, g := range row {
			sum += g
		}
		loudest = max(loudest, sum)
	}
	for _, row := range gains {
		for i := range row {
			row[i] /= loudest
		}
	}
	return gains, nil
}

// mix puts the frames of src, one column of gains per source channel, into
// dst, one row of gains per output channel.
func mix(dst, src []float32, gains [][]float32) {
	out, in := len(gains), len(gains[0])
	switch {
	case in == 1 && out == 1:
		copy(dst, src)
	case in == 1:
		for i, x := range src {
			dst[2*i], dst[2*i+1] = x, x
		}
	case in == 2 && out == 2:
		copy(dst, src)
	default:
		for ; len(src) >= in; dst, src = dst[out:], src[in:] {
			for o, row := range gains {
				sum := float32(0)
				for i, g := range row {
					sum += float32(g * src[i])
				}
				dst[o] = sum
			}
		}
	}
}
