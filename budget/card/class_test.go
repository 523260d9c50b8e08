package card

import (
	"testing"
	"time"
)

// 1 s over 1500 and 4000 reads; the specification's own limit for one read is 150 and
// 400 times that, so a class says nothing of a pause.
func TestClassesAreFloorsOfTheirOwnKind(t *testing.T) {
	for mark, want := range map[string]time.Duration{"A1": 666_667, "A2": 250_000, "C10": 0, "V30": 0} {
		c, ok := ParseClass(mark)
		if !ok || c.Access() != want {
			t.Errorf("%s: %v, %v, want %v", mark, c.Access(), ok, want)
		}
		if c.Access() > ReadLimit/100 {
			t.Errorf("%s: a mean of %v is no floor", mark, c.Access())
		}
	}
	if _, ok := ParseClass("A3"); ok {
		t.Error("A3 is known")
	}
	for _, mark := range [][]string{{"C2", "C4", "C6", "C10"}, {"U1", "U3"}, {"V6", "V10", "V30", "V60", "V90"}} {
		last := int64(0)
		for _, m := range mark {
			if c, ok := ParseClass(m); !ok || c.Write <= last {
				t.Errorf("%s: writes %d bytes/s, want more than %d", m, c.Write, last)
			} else {
				last = c.Write
			}
		}
	}
	if n := len(Classes()); n != 13 {
		t.Errorf("%d classes, want 13", n)
	}
}
