package console

import "strings"

// Strip draws values as a row of blocks, each an eighth to eight eighths of a line
// high: the largest is full, and only what is nothing is blank.
func Strip(values []int64) string {
	const blocks = "▁▂▃▄▅▆▇█"
	var most int64
	for _, v := range values {
		most = max(most, v)
	}
	var b strings.Builder
	for _, v := range values {
		if v <= 0 {
			b.WriteByte(' ')
			continue
		}
		eighths := int((8*v + most - 1) / most)
		b.WriteString(blocks[3*(eighths-1):][:3])
	}
	return b.String()
}
