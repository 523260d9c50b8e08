package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

const module = "example.org/stampreel"

func goList(t *testing.T, args ...string) []string {
	t.Helper()
	var stderr bytes.Buffer
	cmd := exec.Command("go", append([]string{"list"}, args...)...)
	cmd.Dir, cmd.Stderr = filepath.Join("..", ".."), &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list %v: %v\n%s", args, err, stderr.Bytes())
	}
	return strings.Split(strings.TrimSpace(string(out)), "\n")
}

// TestArrowsPointDown holds the imports against the house: cmd above transcode,
// budget and the examples, those above container, and container's leaves on the
// standard library alone.
func TestArrowsPointDown(t *testing.T) {
	allowed := map[string][]string{
		"cmd":                {"cmd", "transcode", "budget", "container", "examples"},
		"transcode":          {"transcode", "container"},
		"budget":             {"budget", "container"},
		"examples":           {"examples"},
		"container":          {"container"},
		"container/pixel":    {},
		"container/playback": {},
		"container/sample":   {},
		"container/cardfs":   {},
		"container/fat":      {},
		"container/guide":    {"container/pixel"},
	}
	packages, arrows := 0, 0
	for _, line := range goList(t, "-f", "{{.ImportPath}} {{join .Imports \" \"}}", "./...") {
		fields := strings.Fields(line)
		from := strings.TrimPrefix(fields[0], module+"/")
		room := from
		rooms, ok := allowed[room]
		for !ok {
			parent := filepath.Dir(room)
			if parent == "." {
				t.Fatalf("%s lies in no room of the house", from)
			}
			room = parent
			rooms, ok = allowed[room]
		}
		packages++
		for _, to := range fields[1:] {
			if !strings.HasPrefix(to, module+"/") {
				asksTheSystem := from == "container/cardfs" && strings.HasPrefix(to, "golang.org/x/sys/")
				if len(rooms) == 0 && strings.Contains(strings.Split(to, "/")[0], ".") && !asksTheSystem {
					t.Errorf("%s imports %s, want the standard library alone", from, to)
				}
				continue
			}
			arrows++
			to = strings.TrimPrefix(to, module+"/")
			down := false
			for _, r := range rooms {
				down = down || to == r || strings.HasPrefix(to, r+"/")
			}
			if !down {
				t.Errorf("%s imports %s, want only %v", from, to, rooms)
			}
		}
	}
	if packages < 12 || arrows < 20 {
		t.Errorf("%d packages and %d arrows read, want the whole house", packages, arrows)
	}
}

// TestOnlyTheConsoleWrites keeps libraries from printing.
func TestOnlyTheConsoleWrites(t *testing.T) {
	printing := regexp.MustCompile(`\bos\.Std(out|err)\b|\bfmt\.Print|\blog\.(Print|Fatal|Panic)|\bprintln\(`)
	files := 0
	for _, line := range goList(t, "-f", "{{$d := .Dir}}{{range .GoFiles}}{{$d}}/{{.}}\n{{end}}", "./...") {
		path := strings.TrimSpace(line)
		if path == "" {
			continue
		}
		files++
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		slash := filepath.ToSlash(path)
		if strings.Contains(slash, "/internal/console/") || strings.Contains(slash, "/internal/voidcluster/") {
			continue
		}
		if m := printing.Find(text); m != nil && !strings.HasPrefix(string(text), "//go:build ignore") {
			t.Errorf("%s has %s: only the console writes", slash, m)
		}
	}
	if files < 60 {
		t.Errorf("%d files read, want the whole house", files)
	}
}

// TestTopLevelIsTheDesignCard keeps the first folder as short as it was meant.
func TestTopLevelIsTheDesignCard(t *testing.T) {
	want := map[string]bool{"cmd": true, "transcode": true, "budget": true, "container": true, "testdata": true, "examples": true, "README.md": true, "DEVELOPERS.md": true, "go.mod": true, "go.sum": true, "LICENSE": true}
	out, err := exec.Command("git", "-C", filepath.Join("..", ".."), "ls-files").Output()
	if err != nil {
		if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
			t.Fatalf("git: %v", err)
		}
		t.Skip("needs git and a checkout")
	}
	seen := 0
	for _, path := range strings.Fields(string(out)) {
		top, _, _ := strings.Cut(path, "/")
		if !want[top] && !strings.HasPrefix(top, ".") {
			t.Errorf("%s lies outside of the design card", path)
		}
		seen++
	}
	if seen < 100 {
		t.Errorf("git lists %d files", seen)
	}
}
