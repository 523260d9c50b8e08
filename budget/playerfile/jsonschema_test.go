package playerfile

import (
	"bytes"
	"regexp"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"
)

// judge compiles the schema with a library that was written for JSON Schema.
func judge(t *testing.T) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(JSONSchema()))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	if err := c.AddResource("player.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("player.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func decoded(t *testing.T, text []byte) any {
	t.Helper()
	var v any
	if err := yaml.Unmarshal(text, &v); err != nil {
		t.Fatalf("%v:\n%s", err, text)
	}
	return v
}

// Player files that are read are right by the schema, with every key that there is.
func TestSchemaTakesPlayerFiles(t *testing.T) {
	s := judge(t)
	whole := regexp.MustCompile(`(?m)^( *)#([a-z-]+:)`).ReplaceAll(Template(), []byte("$1$2"))
	files := map[string][]byte{"template": Template(), "whole template": whole}
	for _, name := range Known() {
		file, err := KnownFile(name)
		if err != nil {
			t.Fatal(err)
		}
		files[name] = file
	}
	for name, file := range files {
		if _, err := Parse(name, file); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if err := s.Validate(decoded(t, file)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if len(files) < 5 {
		t.Errorf("%d files only", len(files))
	}
}

// What the schema refuses Parse refuses; and the schema refuses what is no key, no word and no
// unit, or leaves out what is needed.
func TestSchemaRefuses(t *testing.T) {
	s := judge(t)
	file, err := KnownFile(Known()[0])
	if err != nil {
		t.Fatal(err)
	}
	refused := 0
	for i := range schema {
		for _, f := range schema[i].fields {
			line := regexp.MustCompile(`(?m)^( +)` + f.key + `: .*$`)
			at := line.FindSubmatchIndex(file)
			if at == nil || f.list {
				continue
			}
			for _, text := range []string{"", "fast", "40", "-1 MHz", "40 mhz", "1.5", "[1]", "{}", "240x", "90 degree", "2026-1-2", "rgb", "spi", "1 MHz", "10 ms", "20 KiB", "2", "maybe"} {
				changed := append(append(bytes.Clone(file[:at[3]]), f.key+": "+text...), file[at[1]:]...)
				var v any
				if yaml.Unmarshal(changed, &v) != nil {
					continue
				}
				bad := s.Validate(v) != nil
				if _, err := Parse("changed", changed); bad && err == nil {
					t.Errorf("%s.%s: %q is refused by the schema alone", schema[i].name, f.key, text)
				}
				if bad {
					refused++
				}
			}
		}
	}
	if refused < 100 {
		t.Errorf("%d values refused", refused)
	}
	for what, change := range map[string][2]string{
		"a key that is none":     {"(?m)^  name:", "  nmae: x\n  name:"},
		"a section that is none": {"(?m)^panel:", "pannel: {}\npanel:"},
		"a needed key left out":  {"(?m)^  name:.*\n", "  {}\n"},
		"a word that is none":    {"(?m)^  wiring: .*$", "  wiring: 2-bit"},
		"no unit":                {"(?m)^  clock: .*$", "  clock: 40"},
		"a unit of other things": {"(?m)^  clock: .*$", "  clock: 40 ms"},
		"a part of pins":         {`(?m)^    speaker: .*$`, "    speaker: some"},
	} {
		changed := regexp.MustCompile(change[0]).ReplaceAll(file, []byte(change[1]))
		if bytes.Equal(changed, file) {
			t.Errorf("%s: nothing changed", what)
		}
		if s.Validate(decoded(t, changed)) == nil {
			t.Errorf("%s: not refused", what)
		}
	}
}
