//go:build !nosystem && (linux || darwin) && (amd64 || arm64)

package system

import (
	"fmt"
	"runtime"

	"github.com/ebitengine/purego"
)

// openLibrary loads a library by its name without what systems put around it.
func openLibrary(name string) (handle uintptr, err error) {
	files := []string{"lib" + name + ".so.0"}
	if runtime.GOOS == "darwin" { // from memory, not tried
		file := "lib" + name + ".0.dylib"
		files = []string{file, "/opt/homebrew/lib/" + file, "/usr/local/lib/" + file,
			"/Library/Frameworks/GStreamer.framework/Versions/1.0/lib/" + file}
	}
	for _, file := range files {
		var e error
		if handle, e = purego.Dlopen(file, purego.RTLD_NOW|purego.RTLD_GLOBAL); e == nil {
			return handle, nil
		} else if err == nil {
			err = e
		}
	}
	return 0, fmt.Errorf("%w", err)
}
