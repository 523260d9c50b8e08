package c_test

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"
)

// TestFuzzingFindsNothing runs testdata/fuzz.c, whose seeds are all vectors, for
// STAMPREEL_FUZZ_SECONDS.
func TestFuzzingFindsNothing(t *testing.T) {
	seconds := envNumber(t, "STAMPREEL_FUZZ_SECONDS", 10)
	if testing.Short() {
		seconds = 1
	}
	have(t, "clang")
	if runtimes, _ := filepath.Glob("/usr/lib/llvm-*/lib/clang/*/lib/linux/libclang_rt.fuzzer-*"); len(runtimes) == 0 {
		missing(t, "libFuzzer (Debian: libclang-rt-14-dev)")
	}
	dir := t.TempDir()
	program, corpus := filepath.Join(dir, "fuzz"), filepath.Join(dir, "corpus")
	args := append([]string{}, strict...)
	run(t, "clang", append(args, "-g", "-O2", "-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all", "-o", program, filepath.Join("testdata", "fuzz.c"))...)
	if err := os.Mkdir(corpus, 0o755); err != nil {
		t.Fatal(err)
	}
	for i, v := range vectors(t) {
		how := make([]byte, 32)
		for k := range how {
			how[k] = byte(k*37 + i)
		}
		how[0] = byte(9 + i*16) // checksums mended, no limits, the rest in turn
		if err := os.WriteFile(filepath.Join(corpus, strconv.Itoa(i)), append(how, v.data...), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	start := time.Now()
	out, err := runIn(dir, program, fmt.Sprintf("-max_total_time=%d", seconds), "-max_len=8224", "-print_final_stats=1", corpus)
	m := regexp.MustCompile(`number_of_executed_units: (\d+)`).FindSubmatch(out)
	if err != nil || m == nil {
		t.Fatalf("fuzzing: %v\n%s", err, out)
	}
	runs, _ := strconv.Atoi(string(m[1]))
	t.Logf("%d clips in %v", runs, time.Since(start).Round(time.Second))
	if runs <= vectorCount {
		t.Errorf("%d clips: no more than the seeds", runs)
	}
}
