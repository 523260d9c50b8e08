package container

import (
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The clips that version 1 was frozen with, and what they hold, never change;
// and whatever reads them later says the same of them.
func TestVersion1IsReadForEver(t *testing.T) {
	const (
		count  = 42
		frozen = "c25e2a9162bb85aa55419321fad3b140ad091f4ba383f2cf54bdcbca927e99cf"
	)
	files, err := filepath.Glob("../testdata/version-1/*")
	if err != nil || len(files) != 2*count {
		t.Fatalf("%d files, want %d: %v", len(files), 2*count, err)
	}
	all := sha256.New()
	for _, name := range files { // in order of name
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(all, "%s %d\n", filepath.Base(name), len(data))
		all.Write(data)
		if !strings.HasSuffix(name, ".srq") {
			continue
		}
		text, err := os.ReadFile(strings.TrimSuffix(name, ".srq") + ".txt")
		if err != nil {
			t.Fatal(err)
		}
		result, detail := outcome(data, Limits{})
		detail, _, _ = strings.Cut(detail, "panel: ") // which the frozen files do not say
		if result != "ok" || !strings.Contains(string(text), detail) {
			t.Errorf("%s: %s: %s, want\n%s", name, result, detail, text)
		}
	}
	if sum := fmt.Sprintf("%x", all.Sum(nil)); sum != frozen {
		t.Errorf("the files changed: SHA-256 %s, want %s", sum, frozen)
	}
}
