package playerfile

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"example.org/stampreel/budget/card"
	"example.org/stampreel/container"
	"example.org/stampreel/container/pixel"
)

// kind is how one sort of value is written, read and given to programs.
type kind[T any] struct {
	hint  string // an example for the try line
	form  form   // what an editor may know of it
	unit  string // SI unit in JSON; "" for what has none
	parse func(string) (T, error)
	text  func(T) string
	si    func(T) any
}

// unitTable maps the way a unit is written to what it multiplies by.
type unitTable struct {
	what  string
	names []string
	scale map[string]Ratio
}

var (
	hertz = unitTable{"clock or rate", []string{"Hz", "kHz", "MHz"},
		map[string]Ratio{"Hz": {1, 1}, "kHz": {1000, 1}, "MHz": {1_000_000, 1}}}
	seconds = unitTable{"time", []string{"ns", "us", "µs", "ms", "s"},
		map[string]Ratio{"ns": {1, 1}, "us": {1000, 1}, "µs": {1000, 1}, "μs": {1000, 1},
			"ms": {1_000_000, 1}, "s": {1_000_000_000, 1}}}
	amount = unitTable{"memory size", []string{"bytes", "KiB", "MiB", "KB", "MB"},
		map[string]Ratio{"bytes": {1, 1}, "B": {1, 1}, "KiB": {1 << 10, 1}, "MiB": {1 << 20, 1},
			"kB": {1000, 1}, "KB": {1000, 1}, "MB": {1_000_000, 1}}}
	length = unitTable{"length", []string{"mm", "cm", "in"},
		map[string]Ratio{"mm": {1000, 1}, "cm": {10_000, 1}, "in": {25_400, 1}}}
	speed = unitTable{"data rate", []string{"MB/s", "KB/s", "MiB/s", "KiB/s", "bytes/s"},
		map[string]Ratio{"bytes/s": {1, 1}, "B/s": {1, 1}, "KiB/s": {1 << 10, 1}, "MiB/s": {1 << 20, 1},
			"kB/s": {1000, 1}, "KB/s": {1000, 1}, "MB/s": {1_000_000, 1}}}
)

// read gives the number before the unit times what the unit stands for.
func (u unitTable) read(text string) (*big.Rat, error) {
	cut := len(text)
	for cut > 0 {
		r, n := utf8.DecodeLastRuneInString(text[:cut])
		if unicode.IsDigit(r) || r == '.' || r == ' ' {
			break
		}
		cut -= n
	}
	number, unit := strings.TrimSpace(text[:cut]), text[cut:]
	scale, ok := u.scale[unit]
	if !ok {
		if unit == "" {
			return nil, fmt.Errorf("%q has no unit; a %s is written in %s", text, u.what, strings.Join(u.names, ", "))
		}
		for name := range u.scale {
			if strings.EqualFold(name, unit) {
				return nil, fmt.Errorf("unit %q is not known; units tell small letters from capitals: %s", unit, strings.Join(u.names, ", "))
			}
		}
		return nil, fmt.Errorf("unit %q is not known; a %s is written in %s", unit, u.what, strings.Join(u.names, ", "))
	}
	v, err := readNumber(number)
	if err != nil {
		return nil, err
	}
	return v.Mul(v, scale.Rat()), nil
}

// readNumber reads 40, 26.7 or 375000/17: plain digits, no sign, no exponent.
func readNumber(text string) (*big.Rat, error) {
	bad := fmt.Errorf("%q is not a number such as 40, 26.7 or 375000/17", text)
	over, under, fraction := strings.Cut(text, "/")
	n, ok := decimal(over)
	if !ok {
		return nil, bad
	}
	if !fraction {
		return n, nil
	}
	d, ok := decimal(under)
	if !ok || strings.Contains(text, ".") {
		return nil, bad
	}
	if d.Sign() == 0 {
		return nil, fmt.Errorf("%q divides by zero", text)
	}
	return n.Quo(n, d), nil
}

func decimal(s string) (*big.Rat, bool) {
	if len(s) == 0 || len(s) > 20 || s[0] == '.' || s[len(s)-1] == '.' || strings.Count(s, ".") > 1 {
		return nil, false
	}
	for _, c := range s {
		if c != '.' && (c < '0' || c > '9') {
			return nil, false
		}
	}
	return new(big.Rat).SetString(s)
}

// ratio fits r into two 64-bit numbers small enough to be multiplied by a few
// thousand million without overflow.
func ratio(r *big.Rat) (Ratio, error) {
	const top = 1_000_000_000_000
	if r.Num().CmpAbs(big.NewInt(top)) > 0 || r.Denom().Cmp(big.NewInt(1_000_000_000)) > 0 {
		return Ratio{}, errors.New("the number is too long")
	}
	return Ratio{r.Num().Int64(), r.Denom().Int64()}, nil
}

func whole(r *big.Rat, what string) (int64, error) {
	if !r.IsInt() || !r.Num().IsInt64() {
		return 0, fmt.Errorf("not a whole number of %s", what)
	}
	return r.Num().Int64(), nil
}

var frequencies = kind[Ratio]{
	hint: "40 MHz", unit: "Hz", form: hertz.form(),
	parse: func(s string) (Ratio, error) {
		r, err := hertz.read(s)
		if err != nil {
			return Ratio{}, err
		}
		if r.Sign() == 0 {
			return Ratio{}, errors.New("must be above zero")
		}
		return ratio(r)
	},
	text: func(r Ratio) string {
		switch {
		case r.Den != 1 && r.Num%1_000_000 == 0:
			return fmt.Sprintf("%d/%d MHz", r.Num/1_000_000, r.Den)
		case r.Den != 1:
			return fmt.Sprintf("%d/%d Hz", r.Num, r.Den)
		case r.Num >= 1_000_000 && r.Num%1000 == 0:
			return strconv.FormatFloat(float64(r.Num)/1e6, 'f', -1, 64) + " MHz"
		}
		return fmt.Sprintf("%d Hz", r.Num)
	},
	si: func(r Ratio) any {
		if r.Den == 1 {
			return r.Num
		}
		return r.Float()
	},
}

var times = kind[time.Duration]{
	hint: "30 ms", unit: "s", form: seconds.form(),
	parse: func(s string) (time.Duration, error) {
		r, err := seconds.read(s)
		if err != nil {
			return 0, err
		}
		n, err := whole(r, "nanoseconds")
		return time.Duration(n), err
	},
	text: func(d time.Duration) string {
		for _, u := range []struct {
			name string
			size time.Duration
		}{{"s", time.Second}, {"ms", time.Millisecond}, {"us", time.Microsecond}} {
			if d >= u.size {
				return strconv.FormatFloat(float64(d)/float64(u.size), 'f', -1, 64) + " " + u.name
			}
		}
		return fmt.Sprintf("%d ns", d)
	},
	si: func(d time.Duration) any { return d.Seconds() },
}

var amounts = kind[int64]{
	hint: "64 KiB", unit: "bytes", form: amount.form(),
	parse: func(s string) (int64, error) {
		r, err := amount.read(s)
		if err != nil {
			return 0, err
		}
		return whole(r, "bytes")
	},
	text: func(n int64) string {
		switch {
		case n >= 1<<20 && n%(1<<20) == 0:
			return fmt.Sprintf("%d MiB", n>>20)
		case n >= 1<<10 && n%(1<<10) == 0:
			return fmt.Sprintf("%d KiB", n>>10)
		}
		return fmt.Sprintf("%d bytes", n)
	},
	si: func(n int64) any { return n },
}

// lengths are in micrometres.
var lengths = kind[int64]{
	hint: "24.9 mm", unit: "m", form: length.form(),
	parse: func(s string) (int64, error) {
		r, err := length.read(s)
		if err != nil {
			return 0, err
		}
		micro, _ := r.Float64() // an inch has no whole number of them in many decimals
		return int64(math.Round(min(micro, math.MaxInt32))), nil
	},
	text: func(n int64) string { return strconv.FormatFloat(float64(n)/1000, 'f', -1, 64) + " mm" },
	si:   func(n int64) any { return float64(n) / 1e6 },
}

var speeds = kind[int64]{
	hint: "2.1 MB/s", unit: "bytes/s", form: speed.form(),
	parse: func(s string) (int64, error) {
		r, err := speed.read(s)
		if err != nil {
			return 0, err
		}
		return whole(r, "bytes a second")
	},
	text: func(n int64) string {
		if n >= 1_000_000 {
			return strconv.FormatFloat(float64(n)/1e6, 'f', -1, 64) + " MB/s"
		}
		return fmt.Sprintf("%d bytes/s", n)
	},
	si: func(n int64) any { return n },
}

// counts are whole numbers without a unit.
func counts(hint string) kind[int64] {
	return kind[int64]{
		hint:  hint,
		form:  form{"type": "integer", "minimum": 0},
		parse: parseCount,
		text:  func(n int64) string { return strconv.FormatInt(n, 10) },
		si:    func(n int64) any { return n },
	}
}

func parseCount(s string) (int64, error) {
	if r, ok := decimal(s); ok && r.IsInt() && r.Num().IsInt64() && !strings.Contains(s, ".") {
		return r.Num().Int64(), nil
	}
	return 0, fmt.Errorf("%q is not a whole number", s)
}

var sizes = kind[Size]{
	hint: "240x135", unit: "pixels", form: like(`[0-9]+ ?x ?[0-9]+`),
	parse: func(s string) (Size, error) {
		w, h, err := pair(s, "x", "a size is written WIDTHxHEIGHT in pixels, as 240x135")
		if err == nil && (w < 1 || h < 1 || w > container.MaxSide || h > container.MaxSide) {
			err = fmt.Errorf("size %s is not between 1x1 and %dx%[2]d, the largest picture of a clip", s, container.MaxSide)
		}
		return Size{w, h}, err
	},
	text: func(s Size) string { return fmt.Sprintf("%dx%d", s.W, s.H) },
	si:   func(s Size) any { return []int{s.W, s.H} },
}

var points = kind[Point]{
	hint: "52,40", unit: "pixels", form: like(`[0-9]+ ?, ?[0-9]+`),
	parse: func(s string) (Point, error) {
		x, y, err := pair(s, ",", "an offset is written COLUMNS,ROWS, as 52,40")
		return Point{x, y}, err
	},
	text: func(p Point) string { return fmt.Sprintf("%d,%d", p.X, p.Y) },
	si:   func(p Point) any { return []int{p.X, p.Y} },
}

func pair(s, mark, form string) (a, b int, err error) {
	left, right, ok := strings.Cut(s, mark)
	x, errX := parseCount(strings.TrimSpace(left))
	y, errY := parseCount(strings.TrimSpace(right))
	if !ok || errX != nil || errY != nil || x > math.MaxInt16 || y > math.MaxInt16 {
		return 0, 0, fmt.Errorf("%q does not read as a pair: %s", s, form)
	}
	return int(x), int(y), nil
}

// turns are quarter turns, written in degrees.
var turns = kind[int]{
	hint: "90 degrees", unit: "degrees", form: oneOfWords("0 degrees", "90 degrees", "180 degrees", "270 degrees"),
	parse: func(s string) (int, error) {
		number, unit, _ := strings.Cut(s, " ")
		if unit != "degrees" {
			return 0, fmt.Errorf("%q is not written in degrees", s)
		}
		n, err := parseCount(number)
		if err != nil || n%90 != 0 || n > 270 {
			return 0, fmt.Errorf("%s is none of 0, 90, 180 and 270 degrees", s)
		}
		return int(n / 90), nil
	},
	text: func(n int) string { return fmt.Sprintf("%d degrees", 90*n) },
	si:   func(n int) any { return 90 * n },
}

// words chooses among names; the value is the place in the list.
func words[T ~uint8](names ...string) kind[T] {
	return kind[T]{
		hint: names[0],
		form: oneOfWords(names...),
		parse: func(s string) (T, error) {
			for i, n := range names {
				if n == s {
					return T(i), nil
				}
			}
			return 0, notOneOf(s, names)
		},
		text: func(v T) string { return names[v] },
		si:   func(v T) any { return names[v] },
	}
}

func notOneOf(s string, names []string) error {
	return fmt.Errorf("%q is none of %s", s, strings.Join(names, ", "))
}

var booleans = kind[bool]{
	hint: "yes",
	form: form{"enum": []any{"yes", "no", true, false}},
	parse: func(s string) (bool, error) {
		switch s {
		case "yes", "true":
			return true, nil
		case "no", "false":
			return false, nil
		}
		return false, notOneOf(s, []string{"yes", "no"})
	},
	text: func(b bool) string {
		if b {
			return "yes"
		}
		return "no"
	},
	si: func(b bool) any { return b },
}

var wiringNames = []string{"spi", "1-bit", "4-bit"}

var wirings = kind[card.Wiring]{
	hint: "1-bit",
	form: oneOfWords(wiringNames...),
	parse: func(s string) (card.Wiring, error) {
		w, err := card.ParseWiring(s)
		if err != nil {
			return 0, notOneOf(s, wiringNames)
		}
		return w, nil
	},
	text: card.Wiring.String,
	si:   func(w card.Wiring) any { return w.String() },
}

var pixelFormats = kind[pixel.Format]{
	hint: "rgb565",
	form: oneOfWords(pixelNames()...),
	parse: func(s string) (pixel.Format, error) {
		f, err := pixel.Parse(s)
		if err != nil {
			return 0, notOneOf(s, pixelNames())
		}
		return f, nil
	},
	text: pixel.Format.String,
	si:   func(f pixel.Format) any { return f.String() },
}

func pixelNames() (names []string) {
	for _, f := range pixel.Formats() {
		names = append(names, f.String())
	}
	return names
}

// texts are names for people.
var texts = kind[string]{
	hint: "Platform sign",
	form: form{"type": []string{"string", "number"}, "minLength": 1, "maxLength": 80},
	parse: func(s string) (string, error) {
		if strings.TrimSpace(s) == "" || utf8.RuneCountInString(s) > 80 {
			return "", errors.New("want between 1 and 80 characters")
		}
		for _, r := range s {
			if !unicode.IsPrint(r) {
				return "", fmt.Errorf("character %q cannot be printed", r)
			}
		}
		return s, nil
	},
	text: func(s string) string { return s },
	si:   func(s string) any { return s },
}

var dates = kind[string]{
	hint: "2026-11-20",
	form: like(`[0-9]{4}-[0-9]{2}-[0-9]{2}`),
	parse: func(s string) (string, error) {
		if _, err := time.Parse(time.DateOnly, s); err != nil {
			return "", fmt.Errorf("%q is not a date written year-month-day", s)
		}
		return s, nil
	},
	text: func(s string) string { return s },
	si:   func(s string) any { return s },
}

// ParseClock reads the clock of a card's bus as a player file writes it: "40 MHz",
// "80/3 MHz".
func ParseClock(text string) (Ratio, error) {
	r, err := frequencies.parse(text)
	if err == nil {
		err = busClocks(r)
	}
	return r, err
}

// String writes a ratio as a clock or a rate: "40 MHz", "375000/17 Hz".
func (r Ratio) String() string { return frequencies.text(r) }
