package fill

import (
	"os"
	"testing"

	"example.org/stampreel/transcode/source/system"
)

func TestMain(m *testing.M) {
	system.Main() // the decoders of videos are processes of this same program
	os.Exit(m.Run())
}

// notShort leaves a test out of short runs, which the race detector makes ten times slower:
// one about what stands in clips, whose goroutines other tests run as well.
func notShort(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("not in short runs: about what stands in clips")
	}
}
