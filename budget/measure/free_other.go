//go:build !linux && !darwin && !windows

package measure

import "errors"

// free is not known on this system.
func free(string) (int64, error) { return 0, errors.ErrUnsupported }
