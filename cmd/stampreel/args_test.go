package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/urfave/cli/v2"

	"example.org/stampreel/cmd/stampreel/internal/console"
)

func TestFlagsStandAnywhereOnTheLine(t *testing.T) {
	const none = `output="" rate=25 width=0 keep=[] hold=0s loop=false player=""`
	cases := []struct{ line, want string }{
		{"echo a", `["a"] ` + none},
		{"echo a b", `["a" "b"] ` + none},
		{"echo --rate 3 a", `["a"] output="" rate=3 width=0 keep=[] hold=0s loop=false player=""`},
		{"echo a --rate 3", `["a"] output="" rate=3 width=0 keep=[] hold=0s loop=false player=""`},
		{"echo a --rate 3 b", `["a" "b"] output="" rate=3 width=0 keep=[] hold=0s loop=false player=""`},
		{"echo a --rate=3 b", `["a" "b"] output="" rate=3 width=0 keep=[] hold=0s loop=false player=""`},
		{"echo a -rate 3", `["a"] output="" rate=3 width=0 keep=[] hold=0s loop=false player=""`},
		{"--rate 3 echo a", `["a"] output="" rate=3 width=0 keep=[] hold=0s loop=false player=""`},
		{"--loop echo a", `["a"] output="" rate=25 width=0 keep=[] hold=0s loop=true player=""`},
		{"echo a --rate 3 --rate 4", `["a"] output="" rate=4 width=0 keep=[] hold=0s loop=false player=""`},
		{"echo a --rate -3", `["a"] output="" rate=-3 width=0 keep=[] hold=0s loop=false player=""`},
		{"echo a --rate -.5", `["a"] output="" rate=-0.5 width=0 keep=[] hold=0s loop=false player=""`},
		{"echo a --hold -3s", `["a"] output="" rate=25 width=0 keep=[] hold=-3s loop=false player=""`},
		{"echo a -o b.srq", `["a"] output="b.srq" rate=25 width=0 keep=[] hold=0s loop=false player=""`},
		{"echo -o b.srq a", `["a"] output="b.srq" rate=25 width=0 keep=[] hold=0s loop=false player=""`},
		{"echo a -o=b.srq", `["a"] output="b.srq" rate=25 width=0 keep=[] hold=0s loop=false player=""`},
		{"echo a -o x --output y", `["a"] output="y" rate=25 width=0 keep=[] hold=0s loop=false player=""`},
		{"echo a -o -", `["a"] output="-" rate=25 width=0 keep=[] hold=0s loop=false player=""`},
		{"echo a --output=--odd", `["a"] output="--odd" rate=25 width=0 keep=[] hold=0s loop=false player=""`},
		{"echo a --output=k=v", `["a"] output="k=v" rate=25 width=0 keep=[] hold=0s loop=false player=""`},
		{"echo a --output=", `["a"] ` + none},
		{"echo a --loop b", `["a" "b"] output="" rate=25 width=0 keep=[] hold=0s loop=true player=""`},
		{"echo -l a b", `["a" "b"] output="" rate=25 width=0 keep=[] hold=0s loop=true player=""`},
		{"echo a --loop=false", `["a"] ` + none},
		{"echo a --loop false", `["a" "false"] output="" rate=25 width=0 keep=[] hold=0s loop=true player=""`},
		{"echo a --keep x,y --keep z", `["a"] output="" rate=25 width=0 keep=["x,y" "z"] hold=0s loop=false player=""`},
		{"echo a --player p.yaml", `["a"] output="" rate=25 width=0 keep=[] hold=0s loop=false player="p.yaml"`},
		{"echo - b", `["-" "b"] ` + none},
		{"echo -5 b", `["-5" "b"] ` + none},
		{"echo -0.5", `["-0.5"] ` + none},
		{"echo -- --rate", `["--rate"] ` + none},
		{"echo a -- --loop", `["a" "--loop"] ` + none},
		{"echo --rate 3 -- -o b", `["-o" "b"] output="" rate=3 width=0 keep=[] hold=0s loop=false player=""`},
		{"echo -- --", `["--"] ` + none},
		{"echo help", `["help"] ` + none},
		{"echo rate --rate 3", `["rate"] output="" rate=3 width=0 keep=[] hold=0s loop=false player=""`},
		{"echo echo", `["echo"] ` + none},
		{"group show f --form round", `show ["f"] form "round"`},
		{"group --form round show f g", `show ["f" "g"] form "round"`},
		{"--form round group show f", `show ["f"] form "round"`},
		{"group show --form=round -- show list", `show ["show" "list"] form "round"`},
		{"group list", `list []`},
	}
	for _, c := range cases {
		code, stdout, stderr := try(t, trialCommands(), strings.Fields(c.line)...)
		if code != exitDone || strings.TrimSpace(stdout) != c.want {
			t.Errorf("%s: exit %d\n got %s\nwant %s\n%s", c.line, code, strings.TrimSpace(stdout), c.want, stderr)
		}
	}
}

func TestWrongLinesSayWhatToTry(t *testing.T) {
	cases := []struct{ line, want string }{
		{"ehco a", "stampreel has no command \"ehco\"\ntry: stampreel echo FIRST [SECOND] [flags]"},
		{"ech a", "stampreel has no command \"ech\"\ntry: stampreel echo FIRST [SECOND] [flags]"},
		{"xyzzy", "stampreel has no command \"xyzzy\"\ntry: stampreel --help"},
		{"floodd", "stampreel has no command \"floodd\"\ntry: stampreel --help"}, // flood is hidden
		{"-- xyzzy", "stampreel has no command \"xyzzy\"\ntry: stampreel --help"},
		{"--bogus", "stampreel has no flag --bogus\ntry: stampreel --help"},
		{"echo a --raet 3", "stampreel echo has no flag --raet\ntry: --rate NUMBER"},
		{"echo a --raet=3", "stampreel echo has no flag --raet\ntry: --rate NUMBER"},
		{"echo a --outptu b", "stampreel echo has no flag --outptu\ntry: -o, --output CLIP"},
		{"echo a --bogus", "stampreel echo has no flag --bogus\ntry: stampreel echo --help"},
		{"echo a -ofilm.srq", "stampreel echo has no flag -ofilm.srq\ntry: -o film.srq"},
		{"echo a -=x", "stampreel echo has no flag -\ntry: stampreel echo --help"},
		{"echo a --=x", "stampreel echo has no flag --\ntry: stampreel echo --help"},
		{"echo a ---rate=x", "stampreel echo has no flag ---rate\ntry: --rate NUMBER"},
		{"echo a --form x", "stampreel echo has no flag --form\ntry: stampreel echo --help"},
		{"--form x echo a", "stampreel echo has no flag --form\ntry: stampreel echo --help"},
		{"echo", "stampreel echo needs FIRST\ntry: stampreel echo FIRST [SECOND] [flags]"},
		{"echo a b c", "stampreel echo: \"c\" is one operand too many\ntry: stampreel echo FIRST [SECOND] [flags]"},
		{"echo a b rate", "stampreel echo: \"rate\" is one operand too many\ntry: --rate NUMBER\ntry: stampreel echo FIRST [SECOND] [flags]"},
		{"echo a --rate", "--rate needs a value\ntry: --rate NUMBER, pictures a second"},
		{"echo a --output --loop", "--output needs a value\ntry: -o, --output CLIP, write to CLIP"},
		{"echo a -o -- b", "--output needs a value\ntry: -o, --output CLIP, write to CLIP"},
		{"echo a --rate fast", "--rate: \"fast\" is not a number\ntry: --rate NUMBER, pictures a second"},
		{"echo a --rate=", "--rate: \"\" is not a number\ntry: --rate NUMBER, pictures a second"},
		{"echo a --width 1.5", "--width: \"1.5\" is not a whole number\ntry: --width N, columns of the panel"},
		{"echo a --width 99999999999999999999", "--width: 99999999999999999999 is too large\ntry: --width N, columns of the panel"},
		{"echo a --hold 5", "--hold: \"5\" is not a time such as 1m20s or 300ms\ntry: --hold TIME, how long a still is shown"},
		{"echo a -l=maybe", "--loop: \"maybe\" is not true or false\ntry: -l, --loop, start again at the end"},
		{"group", "stampreel group needs a command"},
		{"group shwo f", "stampreel group has no command \"shwo\"\ntry: stampreel group show FILE... --form SHAPE"},
		{"group show --form x", "stampreel group show needs FILE\ntry: stampreel group show FILE... --form SHAPE"},
		{"group show f", "stampreel group show needs --form\ntry: stampreel group show FILE... --form SHAPE"},
		{"fail plian", "--how: \"plian\" is none of plain, unfit, tries, usage, note or lines\ntry: --how plain"},
		{"help xyzzy", "stampreel has no command \"xyzzy\"\ntry: stampreel --help"},
	}
	for _, c := range cases {
		code, stdout, stderr := try(t, trialCommands(), strings.Fields(c.line)...)
		if _, after, ok := strings.Cut(stderr, "stampreel: error: "); ok {
			stderr = after // without the help before it
		}
		got := strings.TrimSpace(strings.ReplaceAll(stderr, "stampreel: try: ", "try: "))
		if code != exitUsage || stdout != "" || got != c.want {
			t.Errorf("%s: exit %d, stdout %q\n got %s\nwant %s", c.line, code, stdout, got, c.want)
		}
	}
}

// loud is a flag value of our own type, which refuses one text.
type loud struct{ text string }

func (l *loud) Set(s string) error {
	if s == "quiet" {
		return errors.New("too soft")
	}
	l.text = s
	return nil
}
func (l *loud) String() string { return l.text }

func TestEveryKindOfFlagKeepsItsValueBehindAnOperand(t *testing.T) {
	kinds := []struct {
		flag  cli.Flag
		value string // "" for a flag without value
	}{
		{&cli.BoolFlag{Name: "x"}, ""},
		{&cli.StringFlag{Name: "x"}, "v"},
		{&cli.PathFlag{Name: "x"}, "v"},
		{&cli.IntFlag{Name: "x"}, "-7"},
		{&cli.Int64Flag{Name: "x"}, "7"},
		{&cli.UintFlag{Name: "x"}, "7"},
		{&cli.Uint64Flag{Name: "x"}, "7"},
		{&cli.Float64Flag{Name: "x"}, "7.5"},
		{&cli.DurationFlag{Name: "x"}, "7s"},
		{&cli.TimestampFlag{Name: "x", Layout: time.DateOnly}, "2020-01-02"},
		{&cli.GenericFlag{Name: "x", Value: &loud{}}, "v"},
		{&cli.StringSliceFlag{Name: "x"}, "v"},
		{&cli.IntSliceFlag{Name: "x"}, "7"},
		{&cli.Int64SliceFlag{Name: "x"}, "7"},
		{&cli.UintSliceFlag{Name: "x"}, "7"},
		{&cli.Uint64SliceFlag{Name: "x"}, "7"},
		{&cli.Float64SliceFlag{Name: "x"}, "7"},
	}
	for _, k := range kinds {
		args := []string{"probe", "a", "--x"}
		if k.value != "" {
			args = append(args, k.value)
		}
		args = append(args, "b")
		ran := false
		code, _, stderr := try(t, []*command{{
			name: "probe", operands: []operand{{"A", ""}, {"B", ""}}, flags: []cli.Flag{k.flag},
			run: func(ctx context.Context, c *call) error {
				ran = true
				if !slices.Equal(c.operands, []string{"a", "b"}) || !c.IsSet("x") {
					t.Errorf("%T: operands %q, set %t", k.flag, c.operands, c.IsSet("x"))
				}
				return nil
			},
		}}, args...)
		if code != exitDone || !ran {
			t.Errorf("%T: exit %d, ran %t: %s", k.flag, code, ran, stderr)
		}
	}
}

// TestTheLibraryAgreesOnWhichFlagsTakeAValue reads each flag with package flag,
// which is what the library parses with, and compares.
func TestTheLibraryAgreesOnWhichFlagsTakeAValue(t *testing.T) {
	checked := 0
	walk(newRoot(append(commands(), trialCommands()...)), func(c *command) {
		for _, f := range c.flags {
			set := flag.NewFlagSet("", flag.ContinueOnError)
			if err := f.Apply(set); err != nil {
				t.Fatal(err)
			}
			for _, name := range f.Names() {
				b, ok := set.Lookup(name).Value.(interface{ IsBoolFlag() bool })
				if parsedAlone := ok && b.IsBoolFlag(); parsedAlone == takesValue(f) {
					t.Errorf("%s %s: parsed without value %t, takes a value %t", c.full(), name, parsedAlone, takesValue(f))
				}
				checked++
			}
		}
	})
	if checked == 0 {
		t.Fatal("no flags found")
	}
}

// A flag before the command's name is read before the command is known, so its
// name has to mean the same everywhere.
func TestAFlagTakesAValueInEveryCommandOrInNone(t *testing.T) {
	for _, set := range [][]*command{commands(), trialCommands()} {
		takes := map[string]bool{}
		walk(newRoot(set), func(c *command) {
			for _, f := range c.flags {
				for _, name := range f.Names() {
					if before, known := takes[name]; known && before != takesValue(f) {
						t.Errorf("%s: %s takes a value here but not elsewhere, or the other way round", c.full(), name)
					}
					takes[name] = takesValue(f)
				}
			}
		})
	}
}

func TestCommandsAreWellFormed(t *testing.T) {
	walk(newRoot(append(commands(), trialCommands()...)), func(c *command) {
		if (c.run == nil) == (len(c.commands) == 0) {
			t.Errorf("%s: needs either a run function or commands", c.full())
		}
		if c.parent != nil && c.short == "" {
			t.Errorf("%s: no short text", c.full())
		}
		seen := map[string]bool{}
		for _, f := range c.flags {
			for _, name := range f.Names() {
				if seen[name] {
					t.Errorf("%s: two flags named %s", c.full(), name)
				}
				seen[name] = true
			}
			if len(f.Names()[0]) < 2 {
				t.Errorf("%s: flag %s needs a long name first", c.full(), f.Names()[0])
			}
		}
		for i, o := range c.operands {
			last := i == len(c.operands)-1
			if strings.Contains(o.name, "...") && !last {
				t.Errorf("%s: only the last operand may repeat, not %s", c.full(), o.name)
			}
			if i > 0 && strings.HasPrefix(c.operands[i-1].name, "[") && !strings.HasPrefix(o.name, "[") {
				t.Errorf("%s: %s is needed but stands behind one that is not", c.full(), o.name)
			}
		}
	})
}

func TestDistanceCountsEdits(t *testing.T) {
	// Worked by hand: one letter dropped, added, changed, swapped; the classic
	// kitten to sitting takes three.
	cases := []struct {
		a, b string
		want int
	}{
		{"", "", 0}, {"pack", "pack", 0}, {"", "abc", 3}, {"abc", "", 3},
		{"pck", "pack", 1}, {"paack", "pack", 1}, {"pick", "pack", 1}, {"pakc", "pack", 1},
		{"kitten", "sitting", 3}, {"ca", "abc", 3}, {"größe", "grösse", 2},
	}
	for _, c := range cases {
		if got := distance(c.a, c.b); got != c.want {
			t.Errorf("distance(%q, %q) = %d, want %d", c.a, c.b, got, c.want)
		}
	}
}

func FuzzNoCommandLineIsTooStrange(f *testing.F) {
	for _, seed := range []string{"echo a --rate 3", "--=", "- -- -", "-=x", "group show", "echo\n-é", "---", "help help", "--form=--"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		args := strings.Fields(text)
		if slices.Contains(args, "signal") || slices.Contains(args, "flood") {
			return
		}
		code, stdout, stderr := try(t, trialCommands(), args...)
		switch {
		case code == exitUsage && (stdout != "" || !strings.Contains(stderr, "stampreel: error: ")):
			t.Errorf("%q: stdout %q, stderr %q", args, stdout, stderr)
		case code == exitInterrupted:
			t.Errorf("%q: exit %d", args, code)
		}
	})
}

// try runs a command line in this process.
func try(t *testing.T, commands []*command, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	con := console.New(console.Options{Stdout: &out, Stderr: &err})
	code = run(context.Background(), newRoot(commands), args, strings.NewReader(""), con)
	return code, out.String(), strings.Replace(err.String(), "stampreel: about to answer\n", "", 1)
}

func walk(c *command, visit func(*command)) {
	visit(c)
	for _, sub := range c.commands {
		walk(sub, visit)
	}
}
