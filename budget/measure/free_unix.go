//go:build linux || darwin

package measure

import "golang.org/x/sys/unix"

// Free is how many bytes a user can still write in the file system of a folder.
func Free(path string) (int64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(path, &s); err != nil {
		return 0, err
	}
	return int64(s.Bavail) * int64(s.Bsize), nil
}
