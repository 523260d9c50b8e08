//go:build !nosystem && (linux || darwin || windows) && (amd64 || arm64)

package system

import (
	"testing"
	"unsafe"
)

// Offsets and sizes in bytes as gcc has them on a 64-bit system with the headers
// of GStreamer 1.22.0 (offsetof and sizeof).
func TestStructuresLieAsInTheHeaders(t *testing.T) {
	var (
		buffer  gstBuffer
		segment gstSegment
		mapped  gstMap
		info    videoInfo
		frame   videoFrame
		probe   gstProbe
		query   gstQuery
		message gstMessage
		list    gstList
		problem gError
	)
	for _, c := range []struct {
		name      string
		got, want uintptr
	}{
		{"GstMiniObject.flags", unsafe.Offsetof(buffer.flags), 16},
		{"GstBuffer.pts", unsafe.Offsetof(buffer.pts), 72},
		{"GstBuffer.duration", unsafe.Offsetof(buffer.duration), 88},
		{"GstSegment.base", unsafe.Offsetof(segment.base), 32},
		{"GstSegment.time", unsafe.Offsetof(segment.time), 64},
		{"GstSegment", unsafe.Sizeof(segment), 120},
		{"GstMapInfo.data", unsafe.Offsetof(mapped.data), 16},
		{"GstMapInfo.size", unsafe.Offsetof(mapped.size), 24},
		{"GstMapInfo", unsafe.Sizeof(mapped), 104},
		{"GstVideoInfo.width", unsafe.Offsetof(info.width), 16},
		{"GstVideoInfo.height", unsafe.Offsetof(info.height), 20},
		{"GstVideoInfo.colorimetry", unsafe.Offsetof(info.colour), 40},
		{"GstVideoInfo.par_n", unsafe.Offsetof(info.parN), 56},
		{"GstVideoInfo.stride", unsafe.Offsetof(info.stride), 104},
		{"GstVideoInfo", unsafe.Sizeof(info), 152},
		{"GstVideoFrame.data", unsafe.Offsetof(frame.data), 184},
		{"GstVideoFrame", unsafe.Sizeof(frame), 664},
		{"GstPadProbeInfo.data", unsafe.Offsetof(probe.query), 16},
		{"GstQuery.type", unsafe.Offsetof(query.kind), 64},
		{"GstMessage.type", unsafe.Offsetof(message.kind), 64},
		{"GList.next", unsafe.Offsetof(list.next), 8},
		{"GError.message", unsafe.Offsetof(problem.message), 8},
	} {
		if c.got != c.want {
			t.Errorf("%s: %d, want %d", c.name, c.got, c.want)
		}
	}
}
