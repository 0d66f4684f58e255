package export

import (
	"strconv"
	"strings"
)

// Cell is one cell of a table; its zero value is an empty one.
type Cell struct {
	text   string
	number bool
}

// Text is a cell of text from anywhere.
func Text[T ~string](text T) Cell { return Cell{text: string(text)} }

// Number is a cell with a number, with as many decimals as it takes to read it back, or so many.
func Number(v float64, decimals int) Cell {
	return Cell{text: strconv.FormatFloat(v, 'f', decimals, 64), number: true}
}

// Table is rows under a header.
type Table struct {
	b strings.Builder
	n int
}

// New returns a table with a header.
func New(header ...string) *Table {
	t := &Table{n: len(header)}
	cells := make([]Cell, len(header))
	for i, h := range header {
		cells[i] = Text(h)
	}
	t.Row(cells...)
	return t
}

// Row adds a row. Missing cells are empty: every row has as many as the header (RFC 4180, 2.4).
func (t *Table) Row(cells ...Cell) {
	for i := range max(t.n, len(cells)) {
		if i > 0 {
			t.b.WriteByte(',')
		}
		if i < len(cells) {
			t.b.WriteString(cells[i].written())
		}
	}
	t.b.WriteString("\r\n")
}

// Bytes returns the table so far.
func (t *Table) Bytes() []byte { return []byte(t.b.String()) }

func (c Cell) written() string {
	if c.number || c.text == "" {
		return c.text
	}
	return `"` + strings.ReplaceAll(harmless(c.text), `"`, `""`) + `"`
}

// starters begin what a spreadsheet takes for a formula: those that OWASP's page on CSV injection
// names (from memory), and the full-width forms that some spreadsheets take for them.
const starters = "=+-@\t\r\n＝＋－＠"

func harmless(text string) string {
	// A NUL ends a cell for some readers, and what follows it may begin another.
	text = strings.ReplaceAll(strings.ToValidUTF8(text, "\uFFFD"), "\x00", "\uFFFD")
	if strings.ContainsAny(firstRune(strings.TrimLeft(text, " \u00a0\ufeff")), starters) {
		return "'" + text
	}
	return text
}

func firstRune(text string) string {
	for _, r := range text {
		return string(r)
	}
	return ""
}
