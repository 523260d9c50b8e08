// Command stampreel turns pictures, videos, animations and sound into clips
// for a player the size of a postage stamp, and tells before they are copied
// whether they will play.
//
// Every command is one file of this package: a function that returns a
// *command with its flags, operands, help and run function, listed by commands
// in app.go in the order of the job. What is common to all of them stands in
// args.go (flags before or after operands), errors.go (exit codes and what is
// said), help.go and app.go.
package main

import (
	"context"
	"math"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"example.org/stampreel/cmd/stampreel/internal/console"
	"example.org/stampreel/transcode/source"
	"example.org/stampreel/transcode/source/system"
)

// version is the version of the program; the clip format has its own.
const version = "0.1.0"

// memoryLimit is where the collector stops trading memory for time, in bytes: a
// little more than the largest picture takes. Nothing fails beyond it.
const memoryLimit = source.MaxMemory + 10_000_000

func main() {
	system.Main()                                  // does not return in a process that decodes for another
	if debug.SetMemoryLimit(-1) == math.MaxInt64 { // not set by GOMEMLIMIT
		debug.SetMemoryLimit(memoryLimit)
	}
	// Packing makes little garbage; collecting it early keeps a long source from
	// taking more memory than a short one, at no cost that could be measured.
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(20)
	}
	os.Exit(start(commands()))
}

// start runs the command line of this process on the given commands and
// returns the exit code.
func start(commands []*command) int {
	ctx, stop := interruptible(context.Background())
	defer stop()

	// Without a receiver for it, writing results to a closed pipe would end
	// the process inside that write, with files half done. With one, the write
	// fails and the program ends in order.
	signal.Notify(make(chan os.Signal, 1), syscall.SIGPIPE)

	return run(ctx, newRoot(commands), os.Args[1:], os.Stdin, console.Standard())
}

// interruptible returns a context that the first SIGINT, SIGTERM or SIGHUP (the
// terminal was closed) cancels. The second ends the process at once.
func interruptible(parent context.Context) (context.Context, func()) {
	ctx, cancel := context.WithCancel(parent)
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	go func() {
		select {
		case <-signals:
		case <-ctx.Done():
			return
		}
		cancel()
		<-signals
		os.Exit(exitInterrupted)
	}()
	return ctx, func() {
		signal.Stop(signals)
		cancel()
	}
}
