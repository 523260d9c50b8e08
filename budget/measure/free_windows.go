package measure

import "golang.org/x/sys/windows"

// Free is how many bytes a user can still write in the file system of a folder.
func Free(path string) (int64, error) {
	name, err := windows.UTF16PtrFromString(path)
	if err != nil {
		return 0, err
	}
	var n uint64
	err = windows.GetDiskFreeSpaceEx(name, &n, nil, nil)
	return int64(n), err
}
