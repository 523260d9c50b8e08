//go:build nosystem || !(linux || darwin || windows) || !(amd64 || arm64)

package system

import "os"

// Built says whether this program has the part that loads the libraries.
const Built = false

func work(string) { os.Exit(2) }
