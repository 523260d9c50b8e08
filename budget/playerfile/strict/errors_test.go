package strict

import "testing"

func TestNearestNameIsTheOneWithTheFewestSlips(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"", "", 0}, {"card", "card", 0}, {"crad", "card", 1}, {"kitten", "sitting", 3}, {"", "bus", 3}, {"stall", "stal", 1}} {
		if got := distance(c.a, c.b); got != c.want {
			t.Errorf("%q to %q: %d slips, want %d", c.a, c.b, got, c.want)
		}
	}
	if got := Nearest("zzzzzz", []string{"size", "shape"}); got != "" {
		t.Errorf("nearest to nonsense is %q, want nothing", got)
	}
}
