package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"runtime"
	"strconv"
	"strings"

	"dewline/thermo"
	"dewline/thermo/si"
)

// batchHeader is the head of the answer; other programs rely on it.
var batchHeader = []string{
	"refrigerant", "pressure_pa", "temp_k", "bubble_k", "dew_k", "phase", "rho_kg_m3", "h_j_kg", "s_j_kgk",
	"bubble_rho_kg_m3", "dew_rho_kg_m3", "bubble_h_j_kg", "dew_h_j_kg", "bubble_s_j_kgk", "dew_s_j_kgk", "error",
}

// The columns of the answer by name, in the order of batchHeader.
const (
	colRefrigerant = iota
	colPressure
	colTemp
	colBubble
	colDew
	colPhase
	colRho
	colH
	colS
	colBubbleRho
	colDewRho
	colBubbleH
	colDewH
	colBubbleS
	colDewS
	colError
	numCols
)

// propsBatch answers rows of states with their properties, in order, however many there are. An
// error of a row stands in the row; the error returned is one of the whole: no usable header, or a
// stream that breaks.
func propsBatch(ctx context.Context, in io.Reader, out, notes io.Writer) error {
	reader := newBatchReader(in)
	columns, ignored, err := reader.header()
	if err != nil {
		return err
	}
	if len(ignored) > 0 {
		fmt.Fprintf(notes, "dewline: ignored columns: %s\n", strings.Join(ignored, ", "))
	}
	head := csv.NewWriter(out)
	if err := head.WriteAll([][]string{batchHeader}); err != nil {
		return err
	}
	solve := func() func(batchRows) []byte {
		solver := &batchSolver{found: map[string]*thermo.Refrigerant{}}
		return func(rows batchRows) []byte { return solver.answer(rows, columns) }
	}
	for answer := range inOrder(ctx, runtime.GOMAXPROCS(0), reader.chunks(), solve) {
		if _, err := out.Write(answer); err != nil {
			return err
		}
	}
	if err := ctx.Err(); err != nil {
		return err // and the reader may still be at work
	}
	return reader.err
}

// batchSolver answers rows. Each worker has its own.
type batchSolver struct {
	found map[string]*thermo.Refrigerant // by the name as it was written
	last  saturation
}

// maxFound bounds the names kept: one refrigerant may be written in many ways.
const maxFound = 1024

// saturation is the saturated states of a refrigerant at a pressure.
type saturation struct {
	r               *thermo.Refrigerant
	p               si.Pascal
	bubble, dew     thermo.State
	noBubble, noDew error
}

func (b *batchSolver) answer(rows batchRows, columns batchColumns) []byte {
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	for _, row := range rows {
		cells := make([]string, numCols)
		if err := b.fill(cells, row, columns); err != nil {
			cells[colError] = err.Error()
		}
		_ = w.Write(cells) // a buffer in memory takes everything
	}
	w.Flush()
	return out.Bytes()
}

// fill fills the cells of a row as far as they exist.
func (b *batchSolver) fill(cells []string, row batchRow, columns batchColumns) error {
	if row.err != nil {
		return row.err
	}
	field := func(i int) string {
		if i < 0 || i >= len(row.record) {
			return ""
		}
		return row.record[i]
	}
	cells[colRefrigerant], cells[colPressure], cells[colTemp] = field(columns.refrigerant), field(columns.pressure), field(columns.temp)
	if len(row.record) > columns.width {
		return fmt.Errorf("the row has %d cells, the header %d", len(row.record), columns.width)
	}
	r, err := b.lookup(cells[colRefrigerant])
	if err != nil {
		return err
	}
	pressure, err := plainNumber("pressure_pa", cells[colPressure], "an absolute pressure in Pa")
	if err != nil {
		return err
	}
	p := si.Pascal(pressure)
	sat := b.saturate(r, p)
	sat.fill(cells)
	if strings.TrimSpace(cells[colTemp]) == "" {
		return sat.state(cells)
	}
	temp, err := plainNumber("temp_k", cells[colTemp], "a temperature in K, or nothing for the saturated state")
	if err != nil {
		return err
	}
	s, err := r.AtPT(p, si.Kelvin(temp))
	if err != nil {
		return err
	}
	cells[colPhase] = string(s.Phase)
	cells[colRho], cells[colH], cells[colS] = tenDigits(float64(s.Density)), tenDigits(float64(s.Enthalpy)), tenDigits(float64(s.Entropy))
	return nil
}

func (b *batchSolver) lookup(name string) (*thermo.Refrigerant, error) {
	if r, ok := b.found[name]; ok {
		return r, nil
	}
	r, err := thermo.Lookup(name)
	if err != nil {
		return nil, err
	}
	if len(b.found) >= maxFound {
		clear(b.found)
	}
	b.found[strings.Clone(name)] = r
	return r, nil
}

// saturate solves both saturated states; rows of one pressure in a row share them.
func (b *batchSolver) saturate(r *thermo.Refrigerant, p si.Pascal) *saturation {
	if b.last.r != r || b.last.p != p {
		b.last = saturation{r: r, p: p}
		b.last.bubble, b.last.noBubble = r.Bubble(p)
		b.last.dew, b.last.noDew = r.Dew(p)
	}
	return &b.last
}

// fill fills in the saturated states as far as there are.
func (s *saturation) fill(cells []string) {
	if s.noBubble == nil {
		cells[colBubble] = tenDigits(float64(s.bubble.Temperature))
		cells[colBubbleRho] = tenDigits(float64(s.bubble.Density))
		cells[colBubbleH] = tenDigits(float64(s.bubble.Enthalpy))
		cells[colBubbleS] = tenDigits(float64(s.bubble.Entropy))
	}
	if s.noDew == nil {
		cells[colDew] = tenDigits(float64(s.dew.Temperature))
		cells[colDewRho] = tenDigits(float64(s.dew.Density))
		cells[colDewH] = tenDigits(float64(s.dew.Enthalpy))
		cells[colDewS] = tenDigits(float64(s.dew.Entropy))
	}
}

// state answers a row without temperature: the saturated state, or why there is none.
func (s *saturation) state(cells []string) error {
	if err := firstError(s.noBubble, s.noDew); err != nil {
		return err
	}
	cells[colPhase] = string(thermo.Saturated)
	return nil
}

// plainNumber reads a finite decimal number.
func plainNumber(column, text, expected string) (float64, error) {
	v, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%s %q: expected a number, %s", column, shorten(text), expected)
	}
	return v, nil
}

// shorten keeps an error readable whatever stood in the cell.
func shorten(text string) string {
	const most = 40
	if len(text) <= most {
		return text
	}
	return strings.ToValidUTF8(text[:most], "") + "…"
}

// tenDigits writes v with the ten significant digits of the contract.
func tenDigits(v float64) string { return strconv.FormatFloat(v, 'g', 10, 64) }
