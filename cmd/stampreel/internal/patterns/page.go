package patterns

import (
	"fmt"
	"strings"
	"time"

	"example.org/stampreel/budget/playerfile"
	"example.org/stampreel/cmd/stampreel/internal/console"
)

// PageName is the file beside the clips that says what to look for.
const PageName = "patterns.md"

// Columns and Row are the table of the clips, in the terminal and on the page.
var Columns = []console.Column{console.Words("file"), console.Numbers("length", "m:ss"), console.Numbers("size", "MB"), console.Words("what it shows")}

// Made is a clip that was packed.
type Made struct {
	Clip
	Length time.Duration
	Bytes  int64
}

// Row is a clip's row of the table.
func (m *Made) Row() [4]string {
	return [4]string{m.File, console.Duration(m.Length), console.MB(float64(m.Bytes)), m.Shows}
}

// Cautions are said before anything is played.
var Cautions = []string{
	"Flashing pictures can harm people with photosensitive epilepsy. 5-flash.srq flashes once a second in a small square, below the three flashes a second of WCAG 2.x, success criterion 2.3.1; a player that is not right yet may flash more.",
	"A small speaker near an ear is louder than it looks. The sounds peak at −14 dBFS; begin with the volume down, and keep the sweep away from ears and from people whom high tones hurt.",
}

// Page is the page for a player: Markdown that reads well as it is.
func Page(p *playerfile.Player, made []Made) string {
	var w strings.Builder
	say := func(format string, args ...any) { fmt.Fprintf(&w, format+"\n", args...) }
	say("# Test patterns for %s\n", p.Name.Value)
	say("Play them in this order on the new player; each takes for granted that the ones before")
	say("look right. What is wrong is put right in the player file, in the firmware, or in both;")
	say("make the patterns again after each change of the player file.\n")
	for _, c := range Cautions {
		say("**Caution.** %s\n", c)
	}
	heads := make([]string, len(Columns))
	for i, c := range Columns {
		heads[i] = c.Heading
		if c.Unit != "" {
			heads[i] += ", " + c.Unit
		}
	}
	rows := [][]string{heads}
	for i := range made {
		row := made[i].Row()
		rows = append(rows, row[:])
	}
	table(&w, rows)
	for _, m := range made {
		say("\n## %s\n", m.File)
		say("Right: %s\n", m.Right)
		if m.Table != nil {
			table(&w, m.Table)
			say("")
		}
		if m.Steps != nil {
			steps := [][]string{{"step", "beats with a frame", "MB/s", "from, m:ss"}}
			rate := float64(m.Steps[len(m.Steps)-1].To) / m.Length.Seconds()
			for i, s := range m.Steps {
				from := time.Duration(float64(s.From) / rate * float64(time.Second))
				steps = append(steps, []string{fmt.Sprint(i + 1), fmt.Sprintf("%d of %d", s.Frames, loadPeriod), fmt.Sprintf("%.4g", s.BytesPerSecond/1e6), console.Duration(from)})
			}
			table(&w, steps)
			say("")
		}
		faults := [][]string{{"what is wrong", "what to change"}}
		for _, f := range m.Wrong {
			faults = append(faults, []string{f.Seen, f.Change})
		}
		table(&w, faults)
	}
	return w.String()
}

// table writes rows under headings.
func table(w *strings.Builder, rows [][]string) {
	escape := strings.NewReplacer("|", `\|`, "\n", " ")
	line := func(cells []string) {
		for _, c := range cells {
			w.WriteString("| " + escape.Replace(c) + " ")
		}
		w.WriteString("|\n")
	}
	line(rows[0])
	w.WriteString(strings.Repeat("|---", len(rows[0])) + "|\n")
	for _, r := range rows[1:] {
		line(r)
	}
}
