package system

import (
	"os"
	"runtime"
	"strings"
)

// Install returns the one line that installs all codecs on this computer.
func Install() []string {
	release, _ := os.ReadFile("/etc/os-release")
	return []string{installLine(runtime.GOOS, string(release))}
}

// installLine chooses by the operating system and the text of /etc/os-release
// (os-release(5)). Only the line for Debian was tried; the others are from
// memory.
func installLine(system, release string) string {
	switch system {
	case "darwin":
		return "install the codecs with: brew install gstreamer"
	case "windows":
		return "install the GStreamer 1.x runtime for MSVC, 64 bits, complete, from https://gstreamer.freedesktop.org/download/"
	}
	ids := ""
	for line := range strings.Lines(release) {
		for _, key := range []string{"ID=", "ID_LIKE="} {
			if value, ok := strings.CutPrefix(strings.TrimSpace(line), key); ok {
				ids += " " + strings.Trim(value, `"'`)
			}
		}
	}
	for _, id := range strings.Fields(ids) {
		switch id {
		case "debian", "ubuntu":
			return "install the codecs with: sudo apt install gstreamer1.0-plugins-base gstreamer1.0-plugins-good gstreamer1.0-plugins-bad gstreamer1.0-libav"
		case "fedora", "rhel", "centos":
			return "install the codecs with: sudo dnf install gstreamer1-plugins-good gstreamer1-plugins-bad-free gstreamer1-plugin-libav"
		case "arch":
			return "install the codecs with: sudo pacman -S gst-plugins-good gst-plugins-bad gst-libav"
		case "suse", "opensuse":
			return "install the codecs with: sudo zypper install gstreamer-plugins-good gstreamer-plugins-bad gstreamer-plugins-libav"
		}
	}
	return "install GStreamer 1.x with its base, good, bad and libav plugins"
}
