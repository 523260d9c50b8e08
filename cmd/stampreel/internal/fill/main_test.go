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
