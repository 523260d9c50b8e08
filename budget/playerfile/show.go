package playerfile

import (
	"encoding/json"
	"fmt"
	"strings"
)

// Row is one figure of a player, ready to be shown.
type Row struct {
	Section string `json:"-"`
	Key     string `json:"-"`
	Text    string `json:"-"`                // in the units of the file; "" when unknown
	Value   any    `json:"value"`            // in SI units; nil when unknown
	Unit    string `json:"unit,omitempty"`   // SI unit of Value
	Exact   string `json:"exact,omitempty"`  // the ratio behind a rounded Value
	Origin  Origin `json:"origin"`           //
	Why     string `json:"reason,omitempty"` // of an assumed value
}

// MarshalText writes the origin as a word.
func (o Origin) MarshalText() ([]byte, error) { return []byte(o.String()), nil }

// UnmarshalText reads what MarshalText writes.
func (o *Origin) UnmarshalText(text []byte) error {
	for origin := Unknown; origin <= Measured; origin++ {
		if origin.String() == string(text) {
			*o = origin
			return nil
		}
	}
	return fmt.Errorf("playerfile: %q is no origin", text)
}

// Show lists every figure of the player in the order of the file, each with its
// origin. Optional figures that nobody gave are left out.
func (p *Player) Show() []Row {
	var rows []Row
	for i := range schema {
		s := &schema[i]
		if s.free != nil {
			keys, texts, counts := s.free.list(p)
			for j := range keys {
				rows = append(rows, Row{Section: s.name, Key: keys[j], Text: texts[j], Value: counts[j], Origin: Declared})
			}
			continue
		}
		for j := range s.fields {
			f := &s.fields[j]
			row := f.show(p)
			if row.Origin == Unknown {
				continue
			}
			row.Section, row.Key = s.name, f.key
			if _, rounded := row.Value.(float64); rounded && strings.Contains(row.Text, "/") {
				row.Exact = row.Text
			}
			if row.Origin == Assumed {
				row.Why = f.why
			}
			rows = append(rows, row)
		}
	}
	return rows
}

// MarshalJSON gives the rows of Show as one object for each section of the file,
// in SI units: {"panel": {"bus-clock": {"value": 40000000, "unit": "Hz",
// "origin": "declared"}, …}, …}.
func (p *Player) MarshalJSON() ([]byte, error) {
	top := map[string]any{}
	for _, r := range p.Show() {
		at := top
		for _, name := range strings.Split(r.Section, ".") {
			next, ok := at[name].(map[string]any)
			if !ok {
				next = map[string]any{}
				at[name] = next
			}
			at = next
		}
		at[r.Key] = r
	}
	return json.Marshal(top)
}
