package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/urfave/cli/v2"

	"example.org/stampreel/transcode/source/system"
)

func TestMain(m *testing.M) {
	system.Main()
	testscript.Main(m, map[string]func(){
		"stampreel": main,
		// The same program with commands made for the tests.
		"trial": func() { os.Exit(start(trialCommands())) },
	})
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exits": exits,
			"json":  isJSON,
		},
		Setup: func(env *testscript.Env) error {
			vectors, err := filepath.Abs("../../testdata/vectors")
			env.Setenv("VECTORS", vectors) // clips, right and wrong ones
			return err
		},
	})
}

// exits is the script command "exits CODE PROGRAM ARGS...", which asserts the
// exit code exactly; stdout and stderr can be matched afterwards.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE PROGRAM ARGS...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		var exit *exec.ExitError
		if !errors.As(err, &exit) {
			ts.Fatalf("%s: %v", args[1], err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("exit code %d, want %d", got, want)
	}
}

// isJSON is the script command "json FILE", which asserts that a file, or
// stdout, is one JSON document.
func isJSON(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: json FILE")
	}
	if text := ts.ReadFile(args[0]); !json.Valid([]byte(text)) {
		ts.Fatalf("no JSON document: %s", text)
	}
}

// trialCommands are commands for the tests of what all commands share.
func trialCommands() []*command {
	return []*command{
		{
			name: "echo", group: "Trials",
			short: "say what was understood",
			about: "Writes the operands and the flags as the command sees them, so that the " +
				"order in which they were typed can be varied.",
			operands: []operand{
				{"FIRST", "something to say"},
				{"[SECOND]", "something more to say"},
			},
			flags: []cli.Flag{
				&cli.StringFlag{Name: "output", Aliases: []string{"o"}, Usage: "write to `CLIP`"},
				&cli.Float64Flag{Name: "rate", Value: 25, Usage: "pictures a second", Category: "Picture"},
				&cli.IntFlag{Name: "width", Usage: "columns of the panel", Category: "Picture"},
				&cli.StringSliceFlag{Name: "keep", Usage: "keep `WHAT`; may be given several times"},
				&cli.DurationFlag{Name: "hold", Usage: "how long a still is shown"},
				&cli.BoolFlag{Name: "loop", Aliases: []string{"l"}, Usage: "start again at the end"},
			},
			examples: []example{
				{"stampreel echo film.gif -o film.srq", "one operand and a flag after it"},
				{"stampreel echo --rate 20 film.gif sound.wav --json", "flags on both sides"},
			},
			results: true, player: true,
			run: runEcho,
		},
		{
			name:  "signal",
			short: "interrupt this process and see what comes of it",
			flags: []cli.Flag{
				&cli.BoolFlag{Name: "twice", Usage: "interrupt again and ignore the first"},
				&cli.BoolFlag{Name: "rude", Usage: "fail with an error of its own when interrupted"},
			},
			run: runSignal,
		},
		{
			name:     "fail",
			short:    "fail in a given way",
			operands: []operand{{"HOW", "plain, unfit, tries, usage, note or lines"}},
			run:      runFail,
		},
		{
			name:    "flood",
			hidden:  true,
			short:   "write more lines than anyone reads",
			results: true,
			run: func(ctx context.Context, c *call) error {
				for i := range 200_000 {
					c.console.Result("line %d", i)
				}
				return nil
			},
		},
		{
			name: "group", group: "Nested",
			short: "commands inside a command",
			commands: []*command{
				{
					name: "show", short: "show a file",
					operands: []operand{{"FILE...", "what to show"}},
					flags:    []cli.Flag{&cli.StringFlag{Name: "form", Required: true, Usage: "`SHAPE` of it"}},
					run: func(ctx context.Context, c *call) error {
						c.console.Result("show %q form %q", c.operands, c.String("form"))
						return nil
					},
				},
				{
					name: "list", short: "list all",
					run: func(ctx context.Context, c *call) error {
						c.console.Result("list %q", c.operands)
						return nil
					},
				},
			},
		},
	}
}

func runEcho(ctx context.Context, c *call) error {
	said := fmt.Sprintf("%q output=%q rate=%g width=%d keep=%q hold=%v loop=%t player=%q",
		c.operands, c.String("output"), c.Float64("rate"), c.Int("width"),
		c.StringSlice("keep"), c.Duration("hold"), c.Bool("loop"), c.String("player"))
	c.console.Note("about to answer")
	c.console.Result("%s", said)
	return c.console.JSON(map[string]any{"operands": c.operands, "rate_hz": c.Float64("rate")})
}

func runSignal(ctx context.Context, c *call) error {
	self, err := os.FindProcess(os.Getpid())
	if err != nil {
		return err
	}
	if err := self.Signal(os.Interrupt); err != nil {
		return err
	}
	select {
	case <-ctx.Done():
	case <-time.After(20 * time.Second):
		return errors.New("no interrupt arrived")
	}
	if c.Bool("rude") {
		return errors.New("cannot tidy up")
	}
	if c.Bool("twice") {
		if err := self.Signal(os.Interrupt); err != nil {
			return err
		}
		time.Sleep(20 * time.Second)
		return errors.New("the second interrupt was ignored")
	}
	return fmt.Errorf("packing film.gif: %w", ctx.Err())
}

// wise is an error of another package that knows what to try.
type wise struct{}

func (wise) Error() string   { return "card is full" }
func (wise) Tries() []string { return []string{"a larger card", "--rate 20"} }

func runFail(ctx context.Context, c *call) error {
	switch how := c.operand(0); how {
	case "plain":
		return errors.New("container: frame 41 at sector 1313: checksum 0x1c291ca3, want 0x9d0f5b77")
	case "unfit":
		return &NotFitError{
			Text: `clip needs 1.26 MB/s but card "spi-10mhz" sustains 1.02 MB/s`,
			Try:  []string{"--rate 20 needs 0.85 MB/s and leaves 16 % to spare"},
		}
	case "tries":
		return fmt.Errorf("filling: %w", wise{})
	case "lines":
		return errors.New("player.yaml:3: clock needs a unit\nclock: 40\nstampreel: error: forged")
	case "note":
		c.console.Note("first a note")
		c.console.Warn("then a warning")
		return nil
	default:
		return badWord("--how", how, []string{"plain", "unfit", "tries", "usage", "note", "lines"}, "--how")
	}
}
