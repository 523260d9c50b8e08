package playerfile

import (
	"fmt"
	"math/big"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"

	"example.org/stampreel/budget/playerfile/strict"
)

// MaxBytes is the longest player file that is read.
const MaxBytes = strict.MaxBytes

// Error is something in a player file that cannot be right.
type Error = strict.Error

// Load reads a player file from the disk.
func Load(path string) (*Player, error) {
	data, err := strict.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("playerfile: %w", err)
	}
	return Parse(path, data)
}

// Parse reads a player file; name stands in its errors, all of which are *Error.
func Parse(name string, data []byte) (*Player, error) {
	w := newWalker(name, data)
	root, err := w.Tree()
	if err != nil {
		return nil, err
	}
	p := &Player{}
	if err := w.mapping(p, "", root); err != nil {
		return nil, err
	}
	if err := w.complete(p); err != nil {
		return nil, err
	}
	if err := w.consistent(p); err != nil {
		return nil, err
	}
	return p, nil
}

// walker goes through the tree of one file.
type walker struct {
	strict.Document
	at map[string]*token.Token // where each section or key was found
}

func newWalker(name string, data []byte) walker {
	return walker{strict.Document{Package: "playerfile", File: name, Noun: "player", Template: tryTemplate, Src: strict.Text(data)}, map[string]*token.Token{}}
}

const tryTemplate = "start from the template that `player new` writes"

// mapping reads one section and those inside it.
func (w *walker) mapping(p *Player, path string, n ast.Node) error {
	m, ok := n.(*ast.MappingNode)
	if !ok {
		if path == "" {
			return w.ErrAt(n.GetToken(), "a player file is made of sections such as panel: and card:", tryTemplate)
		}
		return w.ErrAt(n.GetToken(), fmt.Sprintf("%s holds keys of its own, not one value", path), "write its keys below it, indented")
	}
	// Inside pins, what is optional names what is used.
	for _, late := range []bool{false, true} {
		for _, pair := range m.Values {
			key, err := w.Key(pair.Key)
			if err != nil {
				return err
			}
			if (key == "optional") == late {
				if err := w.entry(p, path, key, pair); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

func (w *walker) entry(p *Player, path, key string, pair *ast.MappingValueNode) error {
	t, full := pair.Key.GetToken(), join(path, key)
	if w.at[full] != nil {
		return w.ErrAt(t, fmt.Sprintf("%s stands here a second time", full), "keep one of the two lines")
	}
	if s := sectionOf(full); s != nil {
		w.at[full] = t
		if _, empty := pair.Value.(*ast.NullNode); empty || pair.Value == nil {
			return w.ErrAt(t, fmt.Sprintf("section %s is empty", full), "give its keys, indented below it, or delete the line")
		}
		return w.mapping(p, full, pair.Value)
	}
	s := sectionOf(path)
	if s == nil {
		return w.unknown(t, path, key)
	}
	if s.free != nil {
		w.at[full] = t
		if _, err := texts.parse(key); err != nil {
			return w.ErrAt(t, err.Error(), "name the part in a word")
		}
		text, at, err := w.Scalar(w.at[full], full, pair.Value, "5")
		if err != nil {
			return err
		}
		if err := s.free.set(p, key, text); err != nil {
			return w.ErrAt(at, fmt.Sprintf("%s: %v", full, err), "write "+s.free.example[0])
		}
		return nil
	}
	for i := range s.fields {
		if f := &s.fields[i]; f.key == key {
			w.at[full] = t
			return w.field(p, s, f, full, pair.Value)
		}
	}
	return w.unknown(t, path, key)
}

func (w *walker) field(p *Player, s *section, f *field, full string, n ast.Node) error {
	origin := s.origin
	if origin == Unknown {
		origin = Declared
	}
	items := []ast.Node{n}
	if f.list {
		list, ok := n.(*ast.SequenceNode)
		if !ok {
			return w.ErrAt(w.at[full], fmt.Sprintf("%s wants a list", full), fmt.Sprintf("write %s: %s", f.key, f.hint))
		}
		items = list.Values
	}
	for _, item := range items {
		text, at, err := w.Scalar(w.at[full], full, item, f.hint)
		if err != nil {
			return err
		}
		if err := f.set(p, text, origin); err != nil {
			return w.ErrAt(at, fmt.Sprintf("%s: %v", full, err), f.advice(text))
		}
	}
	return nil
}

// advice is what to write in place of a value that was refused: the same value
// in small letters or with a unit where that is all it lacks, else an example.
func (f *field) advice(text string) string {
	candidates := []string{strings.ToLower(text), strings.ReplaceAll(text, "×", "x")}
	if _, unit, ok := strings.Cut(f.example, " "); ok {
		candidates = append(candidates, text+" "+unit)
	}
	for _, c := range candidates {
		if c != text && !f.list && f.set(new(Player), c, Declared) == nil {
			return fmt.Sprintf("write %s: %s", f.key, c)
		}
	}
	hint := f.hint
	if f.example != "" && !f.list {
		hint = f.example
	}
	return fmt.Sprintf("for example %s: %s", f.key, hint)
}

// unknown names the key that was probably meant, here or in another section.
func (w *walker) unknown(t *token.Token, path, key string) error {
	what, place := fmt.Sprintf("unknown key %q in %s", key, path), path
	if path == "" {
		what, place = fmt.Sprintf("unknown section %q", key), "a player file"
	}
	names := keysIn(path)
	if n := strict.Nearest(key, names); n != "" {
		return w.ErrAt(t, what, fmt.Sprintf("did you mean %s?", n))
	}
	for _, s := range schema {
		for _, f := range s.fields {
			if f.key == key {
				return w.ErrAt(t, what, fmt.Sprintf("%s belongs to section %s", key, s.name))
			}
		}
	}
	return w.ErrAt(t, what, fmt.Sprintf("%s has %s", place, strings.Join(names, ", ")))
}

// complete asks for what is missing and assumes what may be assumed.
func (w *walker) complete(p *Player) error {
	for i := range schema {
		s := &schema[i]
		t := w.at[s.name]
		if t == nil {
			if s.need {
				return w.Err(1, 1, fmt.Sprintf("section %s is missing", s.name), fmt.Sprintf("add %s: and below it %s: %s", s.name, s.fields[0].key, s.fields[0].example))
			}
			continue
		}
		for j := range s.fields {
			f := &s.fields[j]
			if w.at[join(s.name, f.key)] != nil {
				continue
			}
			if f.need {
				return w.ErrAt(t, fmt.Sprintf("section %s has no %s", s.name, f.key), fmt.Sprintf("add %s: %s", f.key, f.example))
			}
			if f.assume == nil {
				continue
			}
			if text := f.assume(p); text != "" {
				if err := f.set(p, text, Assumed); err != nil {
					return w.ErrAt(t, fmt.Sprintf("%s cannot be assumed: %v", join(s.name, f.key), err), fmt.Sprintf("add %s: %s", f.key, f.example))
				}
			}
		}
	}
	return nil
}

// consistent looks for figures that are possible alone and not together.
func (w *walker) consistent(p *Player) error {
	wiring := p.Card.Wiring.Value
	if p.Card.Bus.Value == Shared && wiring.String() != "spi" {
		return w.ErrAt(w.at["card.bus"], fmt.Sprintf("card.bus: a %s card cannot share the panel's bus", wiring), "write bus: private, or wiring: spi")
	}
	top := Ratio{wiring.TopClock(), 1}
	for _, c := range []struct {
		key   string
		clock Figure[Ratio]
	}{{"card.clock", p.Card.Clock}, {"card.real-clock", p.Card.RealClock}} {
		if c.clock.Origin == Declared && c.clock.Value.Rat().Cmp(top.Rat()) > 0 {
			return w.ErrAt(w.at[c.key], fmt.Sprintf("%s: %s is more than the %s a card takes over %s", c.key, frequencies.text(c.clock.Value), frequencies.text(top), wiring), "write the clock that is really on the wire")
		}
	}
	reading, _ := p.Reading()
	if m := p.Card.Measured.Rate; m.Known() && reading.Ceiling().Cmp(Ratio{m.Value, 1}.Rat()) < 0 {
		ceiling, _ := reading.Ceiling().Float64()
		return w.ErrAt(w.at["card.measured.rate"], fmt.Sprintf("card.measured.rate: %s at %s carries at most %.2f MB/s", wiring, frequencies.text(p.Card.RealClock.Value), ceiling/1e6), "correct the clock or measure again")
	}
	for _, c := range []struct {
		key         string
		asked, real Figure[Ratio]
		least, most Ratio // of real/asked
	}{
		{"panel.real-clock", p.Panel.BusClock, p.Panel.RealClock, Ratio{1, 16}, Ratio{21, 20}},
		{"card.real-clock", p.Card.Clock, p.Card.RealClock, Ratio{1, 16}, Ratio{21, 20}},
		{"sound.real-rate", p.Sound.Rate, p.Sound.RealRate, Ratio{3, 4}, Ratio{4, 3}},
	} {
		if c.real.Origin != Declared || !c.asked.Known() {
			continue
		}
		q := new(big.Rat).Quo(c.real.Value.Rat(), c.asked.Value.Rat())
		if q.Cmp(c.least.Rat()) < 0 || q.Cmp(c.most.Rat()) > 0 {
			return w.ErrAt(w.at[c.key], fmt.Sprintf("%s: %s is not what a divider makes of %s", c.key, frequencies.text(c.real.Value), frequencies.text(c.asked.Value)), "correct one of the two, or delete the line: the real one is then assumed as asked for")
		}
	}
	if p.Panel.Pixels.Value.Channels() == 1 && p.Panel.ColourOrder.Known() {
		return w.ErrAt(w.at["panel.colour-order"], fmt.Sprintf("panel.colour-order: %s has no colours", p.Panel.Pixels.Value), "delete the line")
	}
	if chip := p.Pins.Chip; chip.Known() && p.PinsUsed() > chip.Value {
		return w.ErrAt(w.at["pins.chip"], fmt.Sprintf("pins.chip: %d pins are used (%d of them by the %s card), the chip has %d", p.PinsUsed(), p.CardPins(), wiring, chip.Value), "take a part out, or a wiring with fewer pins")
	}
	return nil
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func sectionOf(path string) *section {
	for i := range schema {
		if schema[i].name == path {
			return &schema[i]
		}
	}
	return nil
}

// place is the section that holds this one ("" for the file), and its name there.
func (s *section) place() (parent, name string) {
	if i := strings.LastIndexByte(s.name, '.'); i >= 0 {
		return s.name[:i], s.name[i+1:]
	}
	return "", s.name
}

// keysIn lists the keys and sections that may stand in a section.
func keysIn(path string) []string {
	var names []string
	if s := sectionOf(path); s != nil {
		for _, f := range s.fields {
			names = append(names, f.key)
		}
	}
	for _, s := range schema {
		if parent, name := s.place(); parent == path {
			names = append(names, name)
		}
	}
	return names
}
