package expect

import (
	"encoding/csv"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// grid is a table on evenly spaced rows and columns.
type grid struct {
	rows, columns axis
	cells         [][]float64 // NaN where the table has a dash
}

type axis struct {
	first, step float64
	n           int
}

// rounding forgives what a printed °F loses on its way through °C.
const rounding = 1e-9

// readGrid reads an embedded table of row, column, value, provenance. A table that cannot be read
// is a mistake in this package, so it panics.
func readGrid(text string) *grid {
	records, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		panic(err)
	}
	records = records[1:] // names of the columns
	g := &grid{rows: axisOf(records, 0), columns: axisOf(records, 1)}
	for range g.rows.n {
		g.cells = append(g.cells, slices.Repeat([]float64{math.NaN()}, g.columns.n))
	}
	if len(records) != g.rows.n*g.columns.n {
		panic(fmt.Sprintf("%d cells in a table of %d rows and %d columns", len(records), g.rows.n, g.columns.n))
	}
	for _, r := range records {
		if r[2] != "" {
			g.cells[g.rows.index(number(r[0]))][g.columns.index(number(r[1]))] = number(r[2])
		}
	}
	return g
}

func axisOf(records [][]string, field int) axis {
	var at []float64
	for _, r := range records {
		at = append(at, number(r[field]))
	}
	slices.Sort(at)
	at = slices.Compact(at)
	a := axis{at[0], at[1] - at[0], len(at)}
	for i, v := range at {
		if v != a.first+float64(i)*a.step {
			panic(fmt.Sprintf("the table's labels are not evenly spaced at %g", v))
		}
	}
	return a
}

func number(text string) float64 {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		panic(err)
	}
	return v
}

func (a axis) index(v float64) int { return int((v - a.first) / a.step) }

func (a axis) last() float64 { return a.first + float64(a.n-1)*a.step }

// nearest returns the value on the axis that is nearest to v.
func (a axis) nearest(v float64) float64 { return max(a.first, min(v, a.last())) }

// beyond returns how far v lies outside the axis, 0 inside.
func (a axis) beyond(v float64) float64 {
	d := math.Abs(v - a.nearest(v))
	if d < rounding {
		return 0
	}
	return d
}

// cell returns the label below v and how far v is on the way to the next, 0 to 1.
func (a axis) cell(v float64) (i int, part float64) {
	at := (a.nearest(v) - a.first) / a.step
	i = min(int(at), a.n-2)
	return i, at - float64(i)
}

// at interpolates bilinearly, and outside the table answers with the nearest of its edge.
func (g *grid) at(row, column float64) float64 {
	i, a := g.rows.cell(row)
	j, b := g.columns.cell(column)
	lower := g.cells[i][j]*(1-b) + g.cells[i][j+1]*b
	upper := g.cells[i+1][j]*(1-b) + g.cells[i+1][j+1]*b
	return lower*(1-a) + upper*a
}

// fillDashes continues each row toward its dashes in a straight line, under most at any rate. That
// makes the table's border a line between the labels instead of a staircase, and gives a target
// that is not to be used in the field a number nonetheless.
func (g *grid) fillDashes(most float64) {
	for _, row := range g.cells {
		first := slices.IndexFunc(row, func(v float64) bool { return !math.IsNaN(v) })
		step := row[first+1] - row[first]
		for i := first - 1; i >= 0; i-- {
			row[i] = min(row[i+1]-step, most)
		}
	}
}
