package console

import "golang.org/x/sys/windows"

// escapesWork tells whether the console window understands escape sequences,
// which older ones do only after being asked.
func escapesWork() bool {
	for _, id := range []uint32{windows.STD_OUTPUT_HANDLE, windows.STD_ERROR_HANDLE} {
		h, err := windows.GetStdHandle(id)
		if err != nil {
			return false
		}
		var mode uint32
		if windows.GetConsoleMode(h, &mode) != nil {
			continue // a file or pipe: no colour goes there
		}
		if windows.SetConsoleMode(h, mode|windows.ENABLE_VIRTUAL_TERMINAL_PROCESSING) != nil {
			return false
		}
	}
	return true
}
