package fill

import (
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.org/stampreel/transcode/source/system"
)

// launch makes a file in a folder with the elements of a gst-launch-1.0 line, in
// which OUT stands for the file.
func launch(t testing.TB, dir, name, line string) string {
	t.Helper()
	if !system.Built {
		missing(t, "the part that loads the system's codecs")
	}
	path := filepath.Join(dir, name)
	launchLine(t, strings.ReplaceAll(line, "OUT", path))
	return path
}

func launchLine(t testing.TB, line string) {
	t.Helper()
	tool, err := exec.LookPath("gst-launch-1.0")
	if err != nil {
		missing(t, "gst-launch-1.0")
	}
	if out, err := exec.Command(tool, append([]string{"-q"}, strings.Fields(line)...)...).CombinedOutput(); err != nil {
		t.Fatalf("gst-launch-1.0 %s: %v\n%s", line, err, out)
	}
}
