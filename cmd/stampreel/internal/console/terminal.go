package console

import (
	"os"

	"golang.org/x/term"
)

// Standard returns the console of this process. A NO_COLOR that is set and not
// empty forbids colour; a TERM of "dumb" forbids colour and progress.
func Standard() *Console {
	dumb := os.Getenv("TERM") == "dumb"
	stdout, stderr := int(os.Stdout.Fd()), int(os.Stderr.Fd())
	return New(Options{
		Stdout:         os.Stdout,
		Stderr:         os.Stderr,
		StdoutTerminal: term.IsTerminal(stdout),
		StderrTerminal: term.IsTerminal(stderr),
		Colour:         os.Getenv("NO_COLOR") == "" && !dumb && escapesWork(),
		Still:          dumb,
		Width: func() int {
			for _, fd := range []int{stderr, stdout} {
				if w, _, err := term.GetSize(fd); err == nil {
					return w
				}
			}
			return 0
		},
		Height: func() int {
			_, h, err := term.GetSize(stdout)
			if err != nil {
				return 0
			}
			return h
		},
	})
}
