//go:build !nosystem && (amd64 || arm64)

package system

import (
	"os"
	"path/filepath"

	"golang.org/x/sys/windows"
)

// openLibrary loads a library by its name without what systems put around it;
// names and folders are from memory, not tried.
func openLibrary(name string) (handle uintptr, err error) {
	file := name + "-0.dll"
	for _, root := range []string{"GSTREAMER_1_0_ROOT_MSVC_X86_64", "GSTREAMER_1_0_ROOT_MSVC_ARM64", "GSTREAMER_1_0_ROOT_MINGW_X86_64"} {
		if dir := os.Getenv(root); dir != "" {
			// The libraries find each other in the folder of the one asked for.
			h, err := windows.LoadLibraryEx(filepath.Join(dir, "bin", file), 0, windows.LOAD_WITH_ALTERED_SEARCH_PATH)
			if err == nil {
				return uintptr(h), nil
			}
		}
	}
	h, err := windows.LoadLibrary(file)
	return uintptr(h), err
}
