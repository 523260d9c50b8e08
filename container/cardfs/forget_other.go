//go:build !linux && !darwin

package cardfs

import "os"

// forget is not to be had here: what is read may come out of the computer's memory.
func forget(*os.File) (bool, error) { return false, nil }
