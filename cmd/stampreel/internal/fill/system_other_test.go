//go:build !linux

package fill

import "testing"

func asNobody(t *testing.T, f func()) { f() }

func smallDisk(t *testing.T, bytes string) string {
	missing(t, "a way to make a small disk")
	return ""
}
