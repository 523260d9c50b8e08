package main

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"example.org/stampreel/cmd/stampreel/internal/reel"
)

// The schema takes what reel.yaml may hold, and refuses what it may not, by a library that was
// written for JSON Schema.
func TestReelSchema(t *testing.T) {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(reel.JSONSchema(reelSettings())))
	if err != nil {
		t.Fatal(err)
	}
	compiler := jsonschema.NewCompiler()
	if err := compiler.AddResource("reel.json", doc); err != nil {
		t.Fatal(err)
	}
	schema, err := compiler.Compile("reel.json")
	if err != nil {
		t.Fatal(err)
	}
	var all strings.Builder
	for _, s := range reelSettings() {
		value := "1"
		switch {
		case s.YesNo:
			value = "no"
		case s.Words != nil:
			value = s.Words[len(s.Words)-1]
		}
		fmt.Fprintf(&all, "    %s: %s\n", s.Name, value)
	}
	if n := strings.Count(all.String(), "\n"); n < 20 {
		t.Fatalf("%d settings", n)
	}
	for _, c := range []struct {
		text string
		ok   bool
	}{
		{"defaults:\n" + all.String(), true},
		{"clips:\n  a/b.gif:\n    skip: yes\n    title: The yard\n    order: 2\n" + all.String(), true},
		{"defaults:\n  loudness: off\n  rate: 30000/1001\n", true},
		{"defaults:\n  skip: yes\n", false},
		{"defaults:\n  dither: noise\n", false},
		{"defaults:\n  bars: perhaps\n", false},
		{"defaults:\n  colour: red\n", false},
		{"clips:\n  a.gif: 12\n", false},
		{"settings:\n  rate: 12\n", false},
	} {
		var v any
		if err := yaml.Unmarshal([]byte(c.text), &v); err != nil {
			t.Fatal(err)
		}
		if err := schema.Validate(v); (err == nil) != c.ok {
			t.Errorf("right: %t, but: %v\n%s", c.ok, err, c.text)
		}
		if _, err := reel.Parse("reel.yaml", []byte(c.text), reelSettings()); (err == nil) != c.ok && !strings.Contains(c.text, "noise") { // which the flag's reader refuses
			t.Errorf("right: %t, but read: %v\n%s", c.ok, err, c.text)
		}
	}
}
