package fat

import (
	"strconv"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
)

// maxNameUnits is the length of the longest name, in units of UTF-16.
const maxNameUnits = 255

// longUnits is how much of a long name one entry holds.
const longUnits = 13

// longAt are the places of those units in the entry.
var longAt = [longUnits]int{1, 3, 5, 7, 9, 14, 16, 18, 20, 22, 24, 28, 30}

// shortName is the name that every file has: eight characters and three, filled
// with spaces.
type shortName [11]byte

// checkName says what keeps a name from being one on a card; "" for nothing.
func checkName(name string) string {
	switch {
	case !utf8.ValidString(name):
		return "its name is not UTF-8"
	case strings.ContainsAny(name, `"*/:<>?\|`):
		return `its name has one of " * / : < > ? \ |, which FAT does not take`
	case strings.ContainsFunc(name, func(r rune) bool { return r < 0x20 }):
		return "its name has a control character, which FAT does not take"
	case strings.HasSuffix(name, " "), strings.HasSuffix(name, "."):
		return "its name ends in a space or a dot, which systems that read FAT drop"
	case len(utf16.Encode([]rune(name))) > maxNameUnits:
		return "its name has more than 255 characters"
	case isDevice(name):
		return "its name is that of a device for some systems, which cannot open it"
	}
	return ""
}

// isDevice tells the names that Windows takes for devices, whatever stands after
// a dot (Microsoft, "Naming Files, Paths, and Namespaces").
func isDevice(name string) bool {
	stem, _, _ := strings.Cut(name, ".")
	stem = strings.ToUpper(strings.TrimRight(stem, " "))
	switch stem {
	case "CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$":
		return true
	}
	if number, ok := strings.CutPrefix(stem, "COM"); ok || strings.HasPrefix(stem, "LPT") {
		if !ok {
			number = stem[len("LPT"):]
		}
		return utf8.RuneCountInString(number) == 1 && strings.Contains("123456789¹²³", number)
	}
	return false
}

// foldKey is the same for names that differ in case alone, by any system's idea
// of it: each letter stands for all that it may be folded to.
func foldKey(name string) string {
	return strings.Map(func(r rune) rune {
		r = unicode.ToUpper(r)
		least := r
		for f := unicode.SimpleFold(r); f != r; f = unicode.SimpleFold(f) {
			least = min(least, f)
		}
		return least
	}, name)
}

// shorten makes the basis of a name's short one, as the specification says: upper
// case, no spaces, no dots before it, what is not allowed replaced. It is whole
// where nothing but case was lost.
func shorten(name string) (stem, ext string, whole bool) {
	whole = true
	clean := func(s string, most int) string {
		var b strings.Builder
		for _, r := range s {
			switch {
			case r == ' ' || r == '.':
				whole = false
				continue
			case 'a' <= r && r <= 'z':
				r -= 'a' - 'A'
			case 'A' <= r && r <= 'Z', '0' <= r && r <= '9', strings.ContainsRune("$%'-_@~`!(){}^#&", r):
			default:
				r, whole = '_', false
			}
			if b.Len() == most {
				whole = false
				break
			}
			b.WriteRune(r)
		}
		return b.String()
	}
	trimmed := strings.TrimLeft(name, ". ")
	whole = trimmed == name
	stem = trimmed
	if dot := strings.LastIndexByte(trimmed, '.'); dot > 0 {
		stem, ext = trimmed[:dot], trimmed[dot+1:]
	}
	stem, ext = clean(stem, 8), clean(ext, 3)
	if stem == "" {
		stem, whole = "_", false
	}
	return stem, ext, whole
}

func joinShort(stem, ext string) (s shortName) {
	copy(s[:], "           ")
	copy(s[:8], stem)
	copy(s[8:], ext)
	return s
}

// String is the short name with its dot.
func (s shortName) String() string {
	stem, ext := strings.TrimRight(string(s[:8]), " "), strings.TrimRight(string(s[8:]), " ")
	if ext == "" {
		return stem
	}
	return stem + "." + ext
}

// checksum ties the entries of a long name to the short one that follows.
func (s shortName) checksum() (sum byte) {
	for _, c := range s {
		sum = sum<<7 | sum>>1
		sum += c
	}
	return sum
}

// aliases gives the names of a folder their short ones. A name that is a short
// one itself, but for case, has that; every other gets a number after ~, the least
// that is free.
func aliases(names []string) []shortName {
	all := make([]shortName, len(names))
	used := make(map[shortName]bool, len(names))
	var rest []int
	for i, name := range names {
		stem, ext, whole := shorten(name)
		if s := joinShort(stem, ext); whole && !used[s] {
			all[i], used[s] = s, true
			continue
		}
		rest = append(rest, i)
	}
	// What is tried next for a beginning of as many characters as fit before the number.
	next := make(map[shortName]int)
	for _, i := range rest {
		stem, ext, _ := shorten(names[i])
	digits:
		for digits, least := 1, 1; ; digits, least = digits+1, least*10 {
			begin := stem[:min(len(stem), 8-1-digits)]
			key := joinShort(begin+"~"+strings.Repeat("9", digits), ext)
			for n := max(least, next[key]); n < least*10; n++ {
				next[key] = n + 1
				if s := joinShort(begin+"~"+strconv.Itoa(n), ext); !used[s] {
					all[i], used[s] = s, true
					break digits
				}
			}
		}
	}
	return all
}

// longEntries are the entries of a long name, in the order they stand in: its
// last piece first.
func longEntries(name string, alias shortName) []byte {
	units := utf16.Encode([]rune(name))
	n := (len(units) + longUnits - 1) / longUnits
	entries := make([]byte, n*entryBytes)
	for piece := range n {
		e := entries[(n-1-piece)*entryBytes:][:entryBytes]
		e[0] = byte(piece + 1)
		if piece == n-1 {
			e[0] |= 0x40
		}
		e[11] = attrLong
		e[13] = alias.checksum()
		for i, at := range longAt {
			u := uint16(0xFFFF)
			switch k := piece*longUnits + i; {
			case k < len(units):
				u = units[k]
			case k == len(units):
				u = 0
			}
			e[at], e[at+1] = byte(u), byte(u>>8)
		}
	}
	return entries
}

// needsLong says whether a name is lost in its short one.
func needsLong(name string, alias shortName) bool { return alias.String() != name }
