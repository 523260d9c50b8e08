package main

import (
	"bytes"
	"context"
	"io"
	"strings"
	"testing"

	"example.org/stampreel/cmd/stampreel/internal/console"
)

// A clip is played to its end, and a damaged beat of it told in its place.
func TestAClipPlaysInTheTerminal(t *testing.T) {
	for name, says := range map[string]string{"ok-turned": "beat ", "beat-checksum": " at sector "} {
		var out bytes.Buffer
		con := console.New(console.Options{Stdout: &out, Stderr: io.Discard, StdoutTerminal: true, Colour: true})
		code := run(context.Background(), newRoot(commands()), []string{"preview", vector(name), "--terminal"}, strings.NewReader(""), con)
		if code != exitDone || !strings.Contains(out.String(), "▀") || !strings.Contains(out.String(), says) {
			t.Errorf("%s: exit code %d, %.300q; want %q", name, code, out.String(), says)
		}
	}
	if _, says, code := runs("preview", vector("ok-turned"), "--terminal"); code != exitFailed || !strings.Contains(says, "needs a terminal") {
		t.Errorf("into a pipe: exit code %d, %q", code, says)
	}
}
