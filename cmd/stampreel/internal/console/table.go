package console

import "strings"

// Column is one column of a table. Numbers stand right-aligned, in one unit
// that the heading names.
type Column struct {
	Heading string
	Unit    string // shown under the heading; empty for text and plain counts
	number  bool
}

// Words is a left-aligned column of text.
func Words(heading string) Column { return Column{Heading: heading} }

// Numbers is a right-aligned column of numbers in one unit, "" for a count.
func Numbers(heading, unit string) Column {
	return Column{Heading: heading, Unit: unit, number: true}
}

// Cell is one entry of a table; plain strings become cells by themselves.
type Cell struct {
	text  string
	paint paint
}

// Good, Careful and Bad mark a cell, in colour where there is colour. The text
// has to say the same without it.
func Good(text string) Cell    { return Cell{text, green} }
func Careful(text string) Cell { return Cell{text, yellow} }
func Bad(text string) Cell     { return Cell{text, red} }

// Table is rows under headings, with the total below a line.
type Table struct {
	columns []Column
	rows    [][]Cell
	total   []Cell
}

// NewTable starts a table with its columns from left to right.
func NewTable(columns ...Column) *Table { return &Table{columns: columns} }

// Row adds a row; each cell is a string or a Cell. Missing cells are empty.
func (t *Table) Row(cells ...any) { t.rows = append(t.rows, t.cells(cells)) }

// Total sets the row below the line.
func (t *Table) Total(cells ...any) { t.total = t.cells(cells) }

// Len is the number of rows, not counting the total.
func (t *Table) Len() int { return len(t.rows) }

func (t *Table) cells(from []any) []Cell {
	if len(from) > len(t.columns) {
		panic("console: a table row with more cells than columns")
	}
	row := make([]Cell, len(t.columns))
	for i, c := range from {
		switch c := c.(type) {
		case Cell:
			row[i] = c
		case string:
			row[i].text = c
		default:
			panic("console: a table cell that is neither string nor Cell")
		}
		// A table is written to pipes too, where a line break in a name would
		// break the row, so names are cleaned there as well.
		row[i].text = Name(row[i].text)
	}
	return row
}

// Table writes t to standard output. On a terminal that is too narrow the
// widest column of text is cut.
func (c *Console) Table(t *Table) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.json {
		return
	}
	limit := 0
	if c.o.StdoutTerminal {
		limit = c.Width()
	}
	c.out(t.render(limit, c.o.StdoutTerminal && c.o.Colour))
}

const gap = "  " // between columns

// render lays the table out in at most limit columns, 0 for as many as it
// takes.
func (t *Table) render(limit int, colour bool) string {
	width := t.widths()
	shrink(width, t.columns, limit)

	headings, units := make([]Cell, len(t.columns)), make([]Cell, len(t.columns))
	anyUnit := false
	for i, col := range t.columns {
		headings[i] = Cell{col.Heading, bold}
		units[i].text = col.Unit
		anyUnit = anyUnit || col.Unit != ""
	}

	var b strings.Builder
	line := func(row []Cell) {
		var l strings.Builder
		for i, cell := range row {
			if i > 0 {
				l.WriteString(gap)
			}
			text := Cut(cell.text, width[i])
			pad := strings.Repeat(" ", width[i]-Columns(text))
			if colour {
				text = cell.paint.on(text)
			}
			if t.columns[i].number {
				l.WriteString(pad + text)
			} else {
				l.WriteString(text + pad)
			}
		}
		b.WriteString(strings.TrimRight(l.String(), " ") + "\n")
	}
	line(headings)
	if anyUnit {
		line(units)
	}
	for _, row := range t.rows {
		line(row)
	}
	if t.total != nil {
		b.WriteString(strings.Repeat("-", sum(width)+len(gap)*(len(width)-1)) + "\n")
		line(t.total)
	}
	return b.String()
}

func (t *Table) widths() []int {
	width := make([]int, len(t.columns))
	for i, col := range t.columns {
		width[i] = max(Columns(col.Heading), Columns(col.Unit))
	}
	for _, row := range append(t.rows[:len(t.rows):len(t.rows)], t.total) {
		for i, cell := range row {
			width[i] = max(width[i], Columns(cell.text))
		}
	}
	return width
}

const narrowest = 8 // columns that a cut column of text keeps

// shrink takes columns from the widest column of text until the row fits.
func shrink(width []int, columns []Column, limit int) {
	if limit == 0 {
		return
	}
	for sum(width)+len(gap)*(len(width)-1) > limit {
		widest := -1
		for i, col := range columns {
			if !col.number && width[i] > narrowest && (widest < 0 || width[i] > width[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			return
		}
		width[widest]--
	}
}

func sum(values []int) int {
	total := 0
	for _, v := range values {
		total += v
	}
	return total
}
