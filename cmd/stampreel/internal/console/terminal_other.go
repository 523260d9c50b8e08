//go:build !windows

package console

func escapesWork() bool { return true }
