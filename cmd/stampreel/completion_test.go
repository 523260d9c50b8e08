//go:build unix

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

func TestCandidates(t *testing.T) {
	root := newRoot(commands())
	for _, c := range []struct {
		words, begun string
		want         string // all of them if it has no "..."
	}{
		{"", "pa", "pack patterns"},
		{"", "--v", "--version"},
		{"player", "", "new known show header schema check"},
		{"pack", "--di", "--dither"},
		{"pack --dither", "b", "bayer blue-noise"},
		{"pack --dither =", "b", "bayer blue-noise"},
		{"pack", "--dither=b", "--dither=bayer --dither=blue-noise"},
		{"pack --dither bayer", "--sound-c", "--sound-coding"},
		{"pack --dither bayer --sound-coding", "", "pcm ima-adpcm"},
		{"fill --player", "mono", "mono-128x64"},
		{"player known", "mono", "mono-128x64"},
		{"completion", "", "bash fish powershell zsh"},
		{"pack", "", ""},        // a file
		{"pack -o", "", ""},     // a file
		{"pack --", "--di", ""}, // an operand
		{"pack --unknown", "--di", "--dither"},
		{"candid", "", "pack ..."},
		{"", "candid", ""}, // not for people
	} {
		var got []string
		for _, found := range candidates(root, strings.Fields(c.words), c.begun) {
			got = append(got, found.word)
		}
		want := strings.Fields(c.want)
		if n := len(want); n > 0 && want[n-1] == "..." && len(got) > n {
			want, got = want[:n-1], got[:n-1]
		}
		if !slices.Equal(got, want) {
			t.Errorf("after %q, %q: %q, want %q", c.words, c.begun, got, want)
		}
	}
}

// What a flag takes is what its help says, and nothing else.
func TestChoicesAreThoseOfHelp(t *testing.T) {
	left := flagChoices()
	walk(newRoot(commands()), func(c *command) {
		for _, f := range c.flags {
			d := describe(f)
			words := flagChoices()[d.names[0]]
			for _, w := range words {
				if !slices.Contains(strings.FieldsFunc(d.usage+" "+d.byDefault, func(r rune) bool { return strings.ContainsRune(" ,:;()", r) }), w) {
					t.Errorf("%s: the help of %s has no %q", c.full(), d.long(), w)
				}
			}
			delete(left, d.names[0])
		}
	})
	for name := range left {
		t.Errorf("no command has a flag --%s", name)
	}
}

// The scripts are tried in the shells themselves, but for PowerShell's.
func TestShellsComplete(t *testing.T) {
	binary := realBinary(t)
	for _, shell := range []struct{ name, script, want string }{
		{"bash", `source <(stampreel completion bash)
			try() { COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); _stampreel; printf '%s ' "${COMPREPLY[@]}"; }
			try stampreel pa; try stampreel pack --dither = b; try stampreel pack --qu`,
			"pack patterns bayer blue-noise --quality --quiet "},
		{"fish", `stampreel completion fish | source
			for line in 'stampreel pa' 'stampreel pack --dither=b' 'stampreel pack --qu' 'stampreel pack fil'
				complete -C $line | string replace -r '\t.*' ''
			end | string join ' '`,
			"pack patterns --dither=bayer --dither=blue-noise --quality --quiet film.gif\n"},
		{"zsh", `zmodload zsh/zpty
			zpty z zsh -f -i
			zpty -w z 'PS1="> "; source <(stampreel completion zsh) && print rea''dy'
			zpty -r -m z out '*ready*' &&
			zpty -w -n z $'stampreel pack --dither ba\t' &&
			zpty -r -m z out '*bayer*' &&
			zpty -w -n z $'\C-ustampreel pack fi\t' &&
			zpty -r -m z out '*film.gif*' &&
			zpty -w -n z $'\C-ustampreel pa\t' &&
			zpty -r -m z out '*pack  -- pack one source into one clip*patterns*' &&
			print -n completed`,
			"completed"},
	} {
		t.Run(shell.name, func(t *testing.T) {
			if _, err := exec.LookPath(shell.name); err != nil {
				missing(t, shell.name)
			}
			dir := t.TempDir()
			if err := os.WriteFile(filepath.Join(dir, "film.gif"), nil, 0o666); err != nil {
				t.Fatal(err)
			}
			cmd := exec.CommandContext(t.Context(), "timeout", "60", shell.name, "-c", shell.script)
			cmd.Dir = dir
			cmd.Env = append(os.Environ(), "HOME="+dir, "PATH="+filepath.Dir(binary)+":"+os.Getenv("PATH"), "TERM=dumb")
			out, err := cmd.Output()
			if err != nil || string(out) != shell.want {
				t.Errorf("%v: %q, want %q", err, out, shell.want)
			}
		})
	}
}

// overstruck is how a page on paper has bold letters: one, back, and again.
var overstruck = regexp.MustCompile(`.\x08`)

// mandoc judges the pages by man(7).
func TestManualPages(t *testing.T) {
	if _, err := exec.LookPath("mandoc"); err != nil {
		missing(t, "mandoc")
	}
	pages := 0
	walk(newRoot(commands()), func(c *command) {
		if c.hidden {
			return
		}
		pages++
		cmd := exec.CommandContext(t.Context(), "mandoc", "-T", "lint", "-W", "warning")
		cmd.Stdin = strings.NewReader(manualPage(c))
		out, _ := cmd.CombinedOutput() // its exit code is that of the worst
		for line := range strings.Lines(string(out)) {
			if !strings.Contains(line, "missing date") { // a page made from the program has none
				t.Errorf("%s: %s", c.full(), line)
			}
		}
		cmd = exec.CommandContext(t.Context(), "mandoc", "-T", "ascii", "-O", "width=200")
		cmd.Stdin = strings.NewReader(manualPage(c))
		shown, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range c.flags {
			if d := describe(f); !d.hidden && !strings.Contains(overstruck.ReplaceAllString(string(shown), ""), d.long()) {
				t.Errorf("%s: %s is not on its page", c.full(), d.long())
			}
		}
	})
	if pages < 15 {
		t.Errorf("%d pages", pages)
	}
}
