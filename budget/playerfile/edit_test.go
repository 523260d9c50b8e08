package playerfile

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
)

func taken(rate int64, request, stall time.Duration) CardMeasured {
	m := CardMeasured{
		Rate:  Figure[int64]{rate, Measured},
		Stall: Figure[time.Duration]{stall, Measured},
		Date:  Figure[string]{"2026-11-20", Measured},
		By:    Figure[string]{"the log of the player", Measured},
	}
	if request >= 0 {
		m.RequestTime = Figure[time.Duration]{request, Measured}
	}
	return m
}

const fresh = "    rate: 2.41 MB/s\n    request-time: 1.25 ms\n    stall: 84.3 ms\n    date: 2026-11-20\n    by: the log of the player\n"

func TestMeasuredFiguresGoIntoTheTextAndNothingElseChanges(t *testing.T) {
	const head = "# mine\nplayer: {name: A} # a\npanel: {size: 128x64, pixels: mono-pages, bus-clock: 8 MHz}\n"
	const flow = "{rate: 2.41 MB/s, request-time: 1.25 ms, stall: 84.3 ms, date: 2026-11-20, by: the log of the player}"
	for name, c := range map[string]struct{ old, want string }{
		"no section yet": {
			"card: # the card\n  wiring: 1-bit # hand-soldered\n  clock: 40 MHz\n  # a remark\n\n# RAM\nmemory:\n  read-ahead: 64 KiB # all there is\n",
			"card: # the card\n  wiring: 1-bit # hand-soldered\n  clock: 40 MHz\n  # a remark\n  measured:\n" + fresh + "\n# RAM\nmemory:\n  read-ahead: 64 KiB # all there is\n",
		},
		"last section, no line end": {
			"memory: {read-ahead: 64 KiB}\ncard:\n    wiring: 1-bit\n    clock: 40 MHz",
			"memory: {read-ahead: 64 KiB}\ncard:\n    wiring: 1-bit\n    clock: 40 MHz\n    measured:\n" + strings.ReplaceAll(fresh, "    ", "      "),
		},
		"an older timing": {
			"card:\n  wiring: 1-bit\n  measured: # once a year\n    by: 'a # b' # who\n    rate:   3 MB/s   # in the shed\n    # pauses\n    stall: 1 ms\n  clock: 40 MHz\nmemory: {read-ahead: 64 KiB}\n",
			"card:\n  wiring: 1-bit\n  measured: # once a year\n    by: the log of the player # who\n    rate:   2.41 MB/s   # in the shed\n    # pauses\n    stall: 84.3 ms\n    request-time: 1.25 ms\n    date: 2026-11-20\n  clock: 40 MHz\nmemory: {read-ahead: 64 KiB}\n",
		},
		"an older timing in braces": {
			"card:\n  wiring: 1-bit\n  measured: {rate: 3 MB/s} # old\n  clock: 40 MHz\nmemory: {read-ahead: 64 KiB}\n",
			"card:\n  wiring: 1-bit\n  measured: " + flow + " # old\n  clock: 40 MHz\nmemory: {read-ahead: 64 KiB}\n",
		},
		"an older timing in braces over two lines": {
			"card:\n  measured: {stall: 4 ms,\n    rate: 3 MB/s} # ü\n  wiring: 1-bit\n  clock: 40 MHz\nmemory: {read-ahead: 64 KiB}\n",
			"card:\n  measured: " + flow + " # ü\n  wiring: 1-bit\n  clock: 40 MHz\nmemory: {read-ahead: 64 KiB}\n",
		},
	} {
		for _, crlf := range []bool{false, true} {
			for _, mark := range []string{"", "\ufeff"} {
				old, want := mark+head+c.old, mark+head+c.want
				if crlf {
					old, want = strings.ReplaceAll(old, "\n", "\r\n"), strings.ReplaceAll(want, "\n", "\r\n")
				}
				got, err := WithMeasured("p.yaml", []byte(old), taken(2_410_000, 1250*time.Microsecond, 84300*time.Microsecond))
				if err != nil || string(got) != want {
					t.Errorf("%s (CR LF %v): %v, got\n%s\nwant\n%s", name, crlf, err, got, want)
				}
			}
		}
	}
}

// A figure that the new timing lacks belonged to the old one; the remark beside it
// is the user's.
func TestAnOlderFigureGoesAndItsRemarkStays(t *testing.T) {
	old := small + "  # end\n"
	old = strings.Replace(old, "clock: 25 MHz", "clock: 25 MHz\n  measured:\n    rate: 1 MB/s\n    request-time: 3 ms # slow driver\n    stall: 1 ms", 1)
	got, err := WithMeasured("p.yaml", []byte(old), taken(2_000_000, -1, time.Millisecond))
	if err != nil || !strings.Contains(string(got), "    rate: 2 MB/s\n    # slow driver\n    stall: 1 ms\n    date: 2026-11-20\n") || strings.Contains(string(got), "3 ms") {
		t.Errorf("%v\n%s", err, got)
	}
}

func TestWhatCannotBeRightIsNotSaved(t *testing.T) {
	for _, c := range []struct {
		m    CardMeasured
		want string
	}{
		{taken(3_200_000, 0, 0), "at most 3.11 MB/s"}, // 1-bit at 25 MHz
		{taken(2_000_000, 2*time.Second, 0), "between 0 ns and 1 s"},
		{taken(2_000_000, 0, 6*time.Second), "between 0 ns and 5 s"},
		{taken(100, 0, 0), "between 1000 bytes/s"},
	} {
		got, err := WithMeasured("p.yaml", []byte(small), c.m)
		var e *Error
		if !errors.As(err, &e) || got != nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.m, err, c.want)
		}
	}
	if _, err := WithMeasured("p.yaml", []byte("player: {name: A}\n"), taken(1000, 0, 0)); err == nil {
		t.Error("a file that is no player was changed")
	}
	before, _, _ := strings.Cut(small, "card:")
	for _, odd := range []string{
		before + "card: {wiring: 1-bit, clock: 25 MHz}\nmemory: {read-ahead: 64 KiB}\n",
		strings.Replace(small, "clock: 25 MHz", "clock: 25 MHz\n  measured:\n    rate:\n      1 MB/s", 1),              // value on a line of its own
		strings.Replace(small, "clock: 25 MHz", "clock: 25 MHz\n  measured: {rate: 1 MB/s, # why\n   stall: 1 ms}", 1), // a comment would be lost
	} {
		got, err := WithMeasured("p.yaml", []byte(odd), taken(1_000_000, 0, 0))
		var e *Error
		if !errors.As(err, &e) || got != nil || !strings.Contains(e.Try, "one key on a line") {
			t.Errorf("%v\n%s\nof\n%s", err, got, odd)
		}
	}
}

func comments(text []byte) (all []string) {
	for _, line := range strings.Split(string(text), "\n") {
		if _, c, ok := strings.Cut(line, "#"); ok {
			all = append(all, strings.TrimSpace(c))
		}
	}
	return all
}

// Whatever the layout, with remarks strewn in: all remarks stay in order, all
// other figures stay, and a second saving with the same figures changes nothing.
func TestSavingKeepsEveryRemarkAndEveryOtherFigure(t *testing.T) {
	rnd := rand.New(rand.NewPCG(6, 7))
	pick := func(s ...string) string { return s[rnd.IntN(len(s))] }
	saved := 0
	sources := []string{small, string(Template())}
	for _, name := range Known() {
		data, err := KnownFile(name)
		if err != nil {
			t.Fatal(err)
		}
		sources = append(sources, string(data))
	}
	for round := range 500 {
		var b strings.Builder
		for _, line := range strings.SplitAfter(sources[round%len(sources)], "\n") {
			text := strings.TrimRight(line, "\n")
			if text != "" && rnd.IntN(5) == 0 {
				fmt.Fprintf(&b, "%s# r%d: {x}, \"y\n", pick("", " ", "  ", "    "), rnd.IntN(100))
			}
			if rnd.IntN(8) == 0 {
				b.WriteString("\n")
			}
			if strings.HasPrefix(text, "  clock:") && strings.Contains(b.String(), "card:") && rnd.IntN(2) == 0 {
				text += pick("", " # r", "   #r") + "\n  measured:" + pick("", " # m") + "\n    rate: 1 MB/s" + pick("", " # r2", "   ") + pick("", "\n    stall: 2 ms", "\n    # in between\n    by: \"it's: me\" #who", "\n\n    request-time: 1 ms # q")
			} else if text != "" && !strings.Contains(text, "#") && rnd.IntN(5) == 0 {
				text += pick(" # t", "    #t: 1", " ")
			}
			b.WriteString(text)
			if strings.HasSuffix(line, "\n") {
				b.WriteString("\n")
			}
		}
		old := []byte(b.String())
		before, err := Parse("p.yaml", old)
		if err != nil {
			t.Fatalf("%v\n%s", err, old)
		}
		m := taken(1000*(1+rnd.Int64N(900)), time.Duration(rnd.IntN(3)-1)*333*time.Microsecond, time.Duration(rnd.IntN(1e8)))
		got, err := WithMeasured("p.yaml", old, m)
		if err != nil {
			t.Fatalf("%v\n%s", err, old)
		}
		saved++
		after, err := Parse("p.yaml", got)
		if err != nil {
			t.Fatal(err)
		}
		if after.Card.Measured != m {
			t.Fatalf("measured %+v, want %+v", after.Card.Measured, m)
		}
		after.Card.Measured = before.Card.Measured
		if !reflect.DeepEqual(before, after) || !slices.Equal(comments(old), comments(got)) {
			t.Fatalf("of\n%s\nbecame\n%s", old, got)
		}
		again, err := WithMeasured("p.yaml", got, m)
		if err != nil || string(again) != string(got) {
			t.Fatalf("a second time: %v\n%s\nwas\n%s", err, again, got)
		}
	}
	if saved != 500 {
		t.Errorf("%d saved, want 500", saved)
	}
}

func FuzzWithMeasured(f *testing.F) {
	for _, name := range Known() {
		data, err := KnownFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte(small))
	f.Add(Template())
	f.Add([]byte(strings.Replace(small, "clock: 25 MHz", "clock: 25 MHz\n  measured: {rate: 1 MB/s}", 1)))
	f.Add([]byte(strings.Replace(small, "clock: 25 MHz", "clock: 25 MHz\n  measured:\n    rate: 1 MB/s # r", 1)))
	f.Fuzz(func(t *testing.T, data []byte) {
		before, err := Parse("p.yaml", data)
		got, saveErr := WithMeasured("p.yaml", data, taken(2000, time.Millisecond, 0))
		if saveErr != nil {
			var e *Error
			if !errors.As(saveErr, &e) || got != nil {
				t.Fatalf("error %#v", saveErr)
			}
			return
		}
		if err != nil {
			t.Fatalf("saved into what does not read: %v", err)
		}
		after, err := Parse("p.yaml", got)
		if err != nil || after.Card.Measured != taken(2000, time.Millisecond, 0) {
			t.Fatalf("%v\n%s", err, got)
		}
		after.Card.Measured = before.Card.Measured
		if !reflect.DeepEqual(before, after) {
			t.Fatalf("of\n%s\nbecame\n%s", data, got)
		}
	})
}
