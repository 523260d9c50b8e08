package console

import "testing"

func TestAStripIsAsHighAsItsValues(t *testing.T) {
	for _, c := range []struct {
		values []int64
		want   string
	}{
		{[]int64{1, 2, 3, 4, 5, 6, 7, 8}, "▁▂▃▄▅▆▇█"},
		{[]int64{0, 1, 1000, 126, 125}, " ▁█▂▁"},
		{[]int64{5, 5}, "██"},
		{[]int64{0, 0}, "  "},
		{nil, ""},
	} {
		if got := Strip(c.values); got != c.want {
			t.Errorf("%v: %q, want %q", c.values, got, c.want)
		}
	}
}
