package picture

// bayerPattern builds the 8x8 pattern of Bayer, "An optimum method for
// two-level rendition of continuous-tone pictures", 1973: from the square M of
// one side to that of the double side by
//
//	4M    4M+2
//	4M+3  4M+1
func bayerPattern() pattern {
	return pattern{mask: 7, rank: bayerRanks(8)}
}

func bayerRanks(side int) []uint16 {
	if side == 1 {
		return []uint16{0}
	}
	half := side / 2
	small := bayerRanks(half)
	rank := make([]uint16, side*side)
	for y := range half {
		for x := range half {
			m := 4 * small[y*half+x]
			rank[y*side+x] = m
			rank[y*side+x+half] = m + 2
			rank[(y+half)*side+x] = m + 3
			rank[(y+half)*side+x+half] = m + 1
		}
	}
	return rank
}
