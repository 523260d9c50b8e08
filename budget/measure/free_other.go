//go:build !linux && !darwin && !windows

package measure

import "errors"

// Free is not known on this system.
func Free(string) (int64, error) { return 0, errors.ErrUnsupported }
