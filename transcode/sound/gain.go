package sound

// A gain is a factor.
type gain float32

func (g gain) run(dst, src []float32) []float32 {
	for _, v := range src {
		dst = append(dst, float32(v*float32(g)))
	}
	return dst
}

func (gain) flush(dst []float32) []float32 { return dst }
