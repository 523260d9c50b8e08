package measure

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"
)

const us = time.Microsecond

func TestALogIsReadAsItWasWritten(t *testing.T) {
	want := []Request{
		{0, 2100 * us, 1024, NoBeat},
		{4000 * us, 30_000 * us, 57856, 0},
		{40_000 * us, 84_000 * us, 57856, 1},
	}
	plain := "start_us,bytes,took_us,beat\n1000,1024,2100,\n5000,57856,30000,0\n41000,57856,84000,1\n"
	for name, text := range map[string]string{
		"as documented":       plain,
		"CR LF":               strings.ReplaceAll(plain, "\n", "\r\n"),
		"byte order mark":     "\ufeff" + plain,
		"remarks":             "# a player\n\n" + strings.ReplaceAll(plain, "\n", "\n# x, y\n  \n"),
		"spaces":              strings.ReplaceAll(plain, ",", " , "),
		"another order":       "beat,took_us,start_us,bytes\n,2100,1000,1024\n0,30000,5000,57856\n1,84000,41000,57856\n",
		"sectors":             "start_us,sectors,took_us,beat\n1000,2,2100,\n5000,113,30000,0\n41000,113,84000,1\n",
		"a counter that ends": "start_us,bytes,took_us,beat\n4294966296,1024,2100,\n3000,57856,30000,0\n39000,57856,84000,1\n",
		"64 bits":             "start_us,bytes,took_us,beat\n4294968296,1024,2100,\n4294972296,57856,30000,0\n4295008296,57856,84000,1\n",
	} {
		got, err := ReadLog("p.csv", strings.NewReader(text))
		if err != nil || !got.Beats || got.Cut || !reflect.DeepEqual(got.Requests, want) {
			t.Errorf("%s: %v, %+v", name, err, got)
		}
	}
	// A last line without an end may lack digits.
	got, err := ReadLog("p.csv", strings.NewReader(plain+"50000,57856,300"))
	if err != nil || !got.Cut || !reflect.DeepEqual(got.Requests, want) {
		t.Errorf("cut: %v, %+v", err, got)
	}
	got, err = ReadLog("p.csv", strings.NewReader("took_us,start_us,sectors\n5,0,1\n"))
	if err != nil || got.Beats || len(got.Requests) != 1 || got.Requests[0] != (Request{0, 5 * us, 512, NoBeat}) {
		t.Errorf("without beats: %v, %+v", err, got)
	}
}

// The counter begins again twice within three hours.
func TestACounterOf32BitsBeginsAgain(t *testing.T) {
	var b strings.Builder
	b.WriteString("start_us,bytes,took_us\n")
	at := uint64(4_000_000_000)
	for range 300 {
		fmt.Fprintf(&b, "%d,512,100\n", uint32(at))
		at += 40_000_000
	}
	got, err := ReadLog("p.csv", strings.NewReader(b.String()))
	if err != nil || len(got.Requests) != 300 || got.Requests[299].Start != 299*40*time.Second {
		t.Errorf("%v, last start %v, want %v", err, got.Requests[len(got.Requests)-1].Start, 299*40*time.Second)
	}
}

func TestWhatCannotBeALogHasALineAndAdvice(t *testing.T) {
	const head = "start_us,bytes,took_us,beat\n"
	for _, c := range []struct {
		text string
		line int
		want string
	}{
		{"", 1, "no line with the names"},
		{"# only remarks\n", 1, "no line with the names"},
		{head, 2, "no request"},
		{head + "10,512,5,0", 2, "no request"}, // cut
		{"1,2,3\n", 1, `no column is called "1"`},
		{"start,bytes,took_us\n", 1, `no column is called "start"; there are start_us, bytes, sectors, took_us, beat`},
		{"start_us,bytes,bytes,took_us\n", 1, "twice"},
		{"start_us,bytes,sectors,took_us\n", 1, "one of bytes and sectors"},
		{"start_us,took_us\n", 1, "one of bytes and sectors"},
		{"bytes,took_us\n", 1, "want the columns"},
		{"start_us;bytes;took_us\n", 1, "no column is called"},
		{head + "1,2,3\n", 2, "3 fields, want 4"},
		{head + "1,512,3,0,5\n", 2, "5 fields"},
		{head + "0,512,3,0\n\n# x\n1,0,3,0\n", 5, `bytes is "0", want a whole number from 1 to 67108864`},
		{head + "1,-5,3,0\n", 2, "bytes is"},
		{head + "1,+5,3,0\n", 2, "bytes is"},
		{head + "1,5e3,3,0\n", 2, "bytes is"},
		{head + "1,512.5,3,0\n", 2, "bytes is"},
		{head + "1,99999999999999999999999,3,0\n", 2, "bytes is"},
		{head + "1,67108865,3,0\n", 2, "bytes is"},
		{head + "x,512,3,0\n", 2, `start_us is "x"`},
		{head + ",512,3,0\n", 2, `start_us is ""`},
		{head + "1,512,4294967296,0\n", 2, "took_us is"},
		{head + "1,512,3,4294967296\n", 2, "beat is"},
		{head + "9000,512,3,0\n8999,512,3,0\n", 3, "start_us goes back from 9000 to 8999"},
		{head + "4294967300,512,3,0\n1,512,3,0\n", 3, "goes back"},
		{head + "\x00,512,3,0\n", 2, `start_us is "\x00"`},
		{head + "1,512,3,\xff\n", 2, "no text"},
		{head + strings.Repeat("1", 300) + "\n", 2, "more than 200 bytes"},
		{strings.Repeat("#", 1000), 1, "more than 200 bytes"},
	} {
		got, err := ReadLog("p.csv", strings.NewReader(c.text))
		var e *LogError
		if !errors.As(err, &e) || e.Line != c.line || !strings.Contains(err.Error(), c.want) || len(e.Tries()) != 1 || e.Try == "" || got.Requests != nil {
			t.Errorf("%.60q: %v, want line %d: %s", c.text, err, c.line, c.want)
		}
	}
}

// endless is a log without an end.
type endless struct{ head bool }

func (e *endless) Read(p []byte) (int, error) {
	if !e.head {
		e.head = true
		return copy(p, "start_us,bytes,took_us\n"), nil
	}
	n := 0
	for n+8 <= len(p) {
		n += copy(p[n:], "0,512,1\n")
	}
	if n == 0 {
		return copy(p, "0,512,1\n"), nil
	}
	return n, nil
}

func TestALogWithoutEndIsRefused(t *testing.T) {
	_, err := readLog("p.csv", &endless{}, 5000)
	var e *LogError
	if !errors.As(err, &e) || e.Line != 5002 || !strings.Contains(err.Error(), "more than 5000 requests") {
		t.Errorf("%v", err)
	}
}

func TestAReaderThatFailsIsNoLog(t *testing.T) {
	broken := errors.New("input/output error")
	r := &failing{text: "start_us,bytes,took_us\n1,512,3\n", err: broken}
	if _, err := ReadLog("p.csv", r); !errors.Is(err, broken) || !strings.Contains(err.Error(), "p.csv") {
		t.Errorf("%v", err)
	}
}

type failing struct {
	text string
	err  error
}

func (f *failing) Read(p []byte) (int, error) {
	n := copy(p, f.text)
	f.text = f.text[n:]
	if n == 0 {
		return 0, f.err
	}
	return n, nil
}

func FuzzReadLog(f *testing.F) {
	for _, s := range []string{
		"start_us,bytes,took_us,beat\n1000,1024,2100,\n5000,57856,30000,0\n",
		"took_us,sectors,start_us\r\n5,1,4294967295\r\n6,2,7\r\n",
		"\ufeff# x\n\nbeat,start_us,took_us,bytes\n4294967295,1000000000000000,4294967295,67108864\n",
		"start_us,bytes,took_us\n0,512,1\n0,512",
		"start_us,bytes,took_us\n" + strings.Repeat("0,512,1\n", 25),
		"",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		log, err := ReadLog("p.csv", strings.NewReader(string(data)))
		if err != nil {
			var e *LogError
			if !errors.As(err, &e) || e.Line < 1 || e.Try == "" || log.Requests != nil {
				t.Fatalf("%#v", err)
			}
			return
		}
		if len(log.Requests) == 0 {
			t.Fatal("a log without requests was accepted")
		}
		last := time.Duration(0)
		for _, r := range log.Requests {
			if r.Start < last || r.Took < 0 || r.Bytes < 1 || r.Beat < NoBeat {
				t.Fatalf("%+v", r)
			}
			last = r.Start
		}
		if fit, err := NewFit(log.Requests); err == nil && !(fit.Rate > 0 && fit.Safe.Rate > 0 && fit.Safe.Stall >= 0) {
			t.Fatalf("%+v", fit)
		}
	})
}

func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("STAMPREEL_REQUIRE_ALL") == "1" {
		t.Fatalf("missing: %s", what)
	}
	t.Skipf("missing: %s", what)
}

// The firmware's own code writes what is read here, through a full ring and a
// counter that begins again.
func TestTheFirmwareWritesThisLog(t *testing.T) {
	source, err := os.ReadFile(filepath.Join("..", "..", "examples", "firmware", "player", "log.c"))
	if err != nil {
		t.Fatal(err)
	}
	cc, err := exec.LookPath("cc")
	if err != nil {
		missing(t, "cc")
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "log.c"), source, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "main.c"), []byte(`#include "log.c"
#include <stdio.h>
static void put(const char *text) { fputs(text, stdout); }
int main(void) {
	uint32_t i;
	log_read(4294967000u, 3u, 1u, LOG_NO_BEAT);   /* overwritten: the ring holds fewer */
	for (i = 0; i < LOG_ENTRIES; i++) {
		uint32_t start = 4294967000u + i * 40000u;  /* begins again */
		log_read(start, start + 30000u + i, 113u, i);
	}
	log_write(put);
	log_read(40000u * LOG_ENTRIES, 40000u * LOG_ENTRIES + 1u, 3u, LOG_NO_BEAT);
	log_read(40000u * LOG_ENTRIES, 40000u * LOG_ENTRIES + 1u, 3u, 4294967294u);
	log_write(put); /* what is new */
	log_write(put); /* nothing */
	return 0;
}
`), 0o644); err != nil {
		t.Fatal(err)
	}
	program := filepath.Join(dir, "log")
	strict := []string{"-std=c99", "-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror"}
	for _, args := range [][]string{{"-c", "-o", program + ".o", filepath.Join(dir, "log.c")}, {"-o", program, filepath.Join(dir, "main.c")}} {
		if out, err := exec.Command(cc, append(strict, args...)...).CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
	}
	out, err := exec.Command(program).Output()
	if err != nil {
		t.Fatal(err)
	}
	got, err := ReadLog("p.csv", strings.NewReader(string(out)))
	if err != nil || len(got.Requests) != 514 || !got.Beats || got.Cut {
		t.Fatalf("%v, %d requests\n%.300s", err, len(got.Requests), out)
	}
	for i, r := range got.Requests {
		want := Request{time.Duration(i) * 40 * time.Millisecond, time.Duration(30_000+i) * us, 113 * 512, int64(i)}
		if i >= 512 {
			want = Request{512*40*time.Millisecond + (1<<32-4294967000)*us, us, 3 * 512, []int64{NoBeat, 4294967294}[i-512]}
		}
		if r != want {
			t.Fatalf("request %d: %+v, want %+v", i, r, want)
		}
	}
	if !strings.Contains(string(out), "# lost 1\n") {
		t.Errorf("the log does not say that an entry was overwritten:\n%.200s", out)
	}
}

// The page and the code say the same.
func TestLOGmdIsWhatIsRead(t *testing.T) {
	page, err := os.ReadFile(filepath.Join("..", "..", "examples", "firmware", "LOG.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(page), "```csv\n")
	example, _, ok := strings.Cut(rest, "```")
	got, err := ReadLog("LOG.md", strings.NewReader(example))
	if !ok || err != nil || len(got.Requests) != 5 || !got.Beats || got.Requests[3] != (Request{56_000 * us, 109_310 * us, 57856, 2}) {
		t.Errorf("the example: %v, %+v", err, got)
	}
	for _, column := range columns {
		if !strings.Contains(string(page), "`"+column+"`") {
			t.Errorf("column %s is not explained", column)
		}
	}
	for what, said := range map[int]string{maxLine: "at most 200 bytes", maxRead >> 20: "at most 64 MiB", maxRequests: "at most 2,097,152 reads", minRequests: "20 are the fewest", rare: "slowest of each\nthousand"} {
		digits := strings.ReplaceAll(said, ",", "")
		if what != rare && !strings.Contains(digits, fmt.Sprint(what)) || !strings.Contains(string(page), said) {
			t.Errorf("the page does not say %q for %d", said, what)
		}
	}
}
