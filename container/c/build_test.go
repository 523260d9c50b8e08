package c_test

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// missing skips the test by the name of what it lacks, or fails it where
// everything has to be there.
func missing(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
		t.Fatalf("missing: %s", what)
	}
	t.Skipf("missing: %s", what)
}

// strict is how all C of the project compiles.
var strict = []string{"-std=c99", "-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror"}

// m0 is the smallest processor that the reader is for.
var m0 = []string{"-mcpu=cortex-m0", "-mthumb", "-ffreestanding"}

// have skips the test when a program is not installed. It reads the C sources,
// so that go test knows what its cached results depend on.
func have(t testing.TB, program string) string {
	t.Helper()
	if testing.Short() {
		t.Skip("not in short runs: programs in C, which have no race detector")
	}
	for _, source := range []string{"stampreel.h", "stampreel_guide.h", "testdata/guide.c", "testdata/conform.c", "testdata/m0.c", "testdata/m0.ld", "testdata/fuzz.c"} {
		if _, err := os.ReadFile(source); err != nil {
			t.Fatal(err)
		}
	}
	path, err := exec.LookPath(program)
	if err != nil {
		missing(t, program)
	}
	return path
}

// run runs a program and fails the test with what it says when it fails.
func run(t testing.TB, program string, args ...string) []byte {
	t.Helper()
	var out, stderr bytes.Buffer
	cmd := exec.Command(have(t, program), args...)
	cmd.Stdout, cmd.Stderr = &out, &stderr
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s %s: %v\n%s%s", program, strings.Join(args, " "), err, out.Bytes(), stderr.Bytes())
	}
	return out.Bytes()
}

// runIn runs a program in a folder and returns all that it says.
func runIn(dir, program string, args ...string) ([]byte, error) {
	cmd := exec.Command(program, args...)
	cmd.Dir = dir
	return cmd.CombinedOutput()
}

// built holds the programs that tests share.
var (
	built     = map[string]string{}
	builtInto string
)

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "stampreel-c-*")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	builtInto = dir
	code := m.Run()
	os.RemoveAll(dir)
	os.Exit(code)
}

// sanitized builds a program of testdata with the sanitizers of gcc and
// returns the command that runs it.
func sanitized(t testing.TB, source string) []string {
	t.Helper()
	have(t, "gcc")
	if built[source] == "" {
		out := filepath.Join(builtInto, source+".out")
		args := append([]string{}, strict...)
		args = append(args, "-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-o", out, filepath.Join("testdata", source))
		run(t, "gcc", args...)
		built[source] = out
	}
	return []string{built[source]}
}

// implementation compiles the reader alone.
func implementation(t testing.TB, compiler, out string, args ...string) {
	t.Helper()
	args = append(args, "-DSTAMPREEL_IMPLEMENTATION", "-c", "-o", out, "-x", "c", "stampreel.h")
	run(t, compiler, args...)
}

var variants = [][]string{nil, {"-DSTAMPREEL_NO_ADPCM"}, {"-DSTAMPREEL_CRC32_TABLE"}}

func TestCompilesWithoutAWarning(t *testing.T) {
	for _, target := range []struct {
		compiler string
		args     []string
	}{{"gcc", nil}, {"clang", nil}, {"arm-none-eabi-gcc", m0}} {
		t.Run(target.compiler, func(t *testing.T) {
			for _, variant := range variants {
				for _, level := range []string{"-Os", "-O3"} {
					args := append(append(append([]string{level}, strict...), target.args...), variant...)
					implementation(t, target.compiler, filepath.Join(t.TempDir(), "reader.o"), args...)
				}
			}
		})
	}
	t.Run("in C++", func(t *testing.T) {
		source := filepath.Join(t.TempDir(), "main.cpp")
		text := "#include \"stampreel.h\"\nint main() { stampreel_reader r; stampreel_open(&r, 0, nullptr); return r.error; }\n"
		if err := os.WriteFile(source, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		run(t, "g++", "-std=c++11", "-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror", "-I.", "-fsyntax-only", source)
		run(t, "g++", "-std=c++11", "-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror", "-DSTAMPREEL_IMPLEMENTATION", "-I.", "-fsyntax-only", source)
	})
}

// TestNeedsNothingButItself links the reader for a machine without a C library:
// whatever it called but the compiler's own helpers would be missing.
func TestNeedsNothingButItself(t *testing.T) {
	object := filepath.Join(t.TempDir(), "reader.o")
	for _, level := range []string{"-Os", "-O2", "-O3"} {
		implementation(t, "arm-none-eabi-gcc", object, append(append([]string{level}, strict...), m0...)...)
		for line := range strings.Lines(string(run(t, "arm-none-eabi-nm", "-u", object))) {
			name := strings.Fields(line)[1]
			if !strings.HasPrefix(name, "__gnu_thumb1_case_") { // a switch by a table
				t.Errorf("%s: the reader calls %s", level, name)
			}
		}
	}
	text, err := os.ReadFile("stampreel.h")
	if err != nil {
		t.Fatal(err)
	}
	code := regexp.MustCompile(`(?s)/\*.*?\*/`).ReplaceAllString(string(text), "")
	for _, include := range regexp.MustCompile(`#include .*`).FindAllString(code, -1) {
		if include != "#include <stddef.h>" && include != "#include <stdint.h>" {
			t.Errorf("stampreel.h has %s", include)
		}
	}
	if word := regexp.MustCompile(`\b(float|double|malloc|u?int64_t|long|memcpy|memset)\b`).FindString(code); word != "" {
		t.Errorf("stampreel.h has %s", word)
	}
}
