package reel

import "encoding/json"

// JSONSchema is a JSON Schema (draft 2020-12, json-schema.org) of the file, for editors that
// check YAML by one. It knows names and words; values are up to whoever reads the flags.
func JSONSchema(settings []Setting) []byte {
	all := schemaOf(settings)
	all["description"] = "For all clips."
	one := schemaOf(append(ofOne[:len(ofOne):len(ofOne)], settings...))
	one["description"] = "For one, under the path of its source in this folder."
	text, err := json.MarshalIndent(map[string]any{
		"$schema": "https://json-schema.org/draft/2020-12/schema",
		"title":   "How the clips of a folder are packed by Stampreel",
		"type":    "object",
		"properties": map[string]any{
			"defaults": all,
			"clips":    map[string]any{"type": "object", "additionalProperties": one},
		},
		"additionalProperties": false,
	}, "", "  ")
	if err != nil {
		panic(err) // of maps, texts and truths
	}
	return append(text, '\n')
}

func schemaOf(settings []Setting) map[string]any {
	keys := map[string]any{}
	for _, s := range settings {
		value := map[string]any{"description": s.Doc}
		switch {
		case s.YesNo:
			value["enum"] = []any{"yes", "no", true, false}
		case s.Words != nil:
			value["enum"] = s.Words
		default:
			value["type"] = []string{"string", "number"}
		}
		keys[s.Name] = value
	}
	return map[string]any{"type": "object", "properties": keys, "additionalProperties": false}
}
