package main

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"dewline/thermo"
	"dewline/thermo/si"
)

// propsTable is a pressure-temperature table, by temperature or by pressure.
type propsTable struct {
	facts      thermo.Facts
	gauge      propsGauge
	byPressure bool
	rows       []propsRow
	left       int   // rows that do not exist
	why        error // the reason of the first of them
}

// propsRow is a temperature in K with the absolute pressures in Pa of its bubble and dew point, or
// an absolute pressure with the temperatures of its. What does not exist is nil.
type propsRow struct {
	At, Bubble, Dew *float64
	Glide           *float64 // K, at the row's pressure or at its bubble pressure
}

func newTable(r *thermo.Refrigerant, g propsGauge, s propsSpan, u propsUnits) (*propsTable, error) {
	t := &propsTable{facts: r.Facts(), gauge: g, byPressure: s.pressure}
	for _, at := range s.at {
		row, err := temperatureRow(r, si.Kelvin(at))
		if s.pressure {
			row, err = pressureRow(r, si.Pascal(at))
		}
		if err == nil {
			t.rows = append(t.rows, row)
			continue
		}
		t.left++
		t.why = firstError(t.why, u.reword(err))
	}
	if len(t.rows) == 0 {
		return nil, t.why
	}
	return t, nil
}

// temperatureRow solves both points at a temperature. A row of which only one exists, as at the ends
// of a blend's lines, stands with that one.
func temperatureRow(r *thermo.Refrigerant, t si.Kelvin) (propsRow, error) {
	bubble, errBubble := r.BubbleAt(t)
	dew, errDew := r.DewAt(t)
	if errBubble != nil && errDew != nil {
		return propsRow{}, transcritical(r, t, errBubble)
	}
	row := propsRow{At: new(float64(t))}
	if errBubble == nil {
		row.Bubble, row.Glide = new(float64(bubble.Pressure)), glideAt(r, bubble.Pressure)
	}
	if errDew == nil {
		row.Dew = new(float64(dew.Pressure))
	}
	return row, nil
}

// pressureRow is temperatureRow at an absolute pressure.
func pressureRow(r *thermo.Refrigerant, p si.Pascal) (propsRow, error) {
	bubble, errBubble := r.Bubble(p)
	dew, errDew := r.Dew(p)
	if errBubble != nil && errDew != nil {
		return propsRow{}, errBubble
	}
	row := propsRow{At: new(float64(p)), Glide: glideAt(r, p)}
	if errBubble == nil {
		row.Bubble = new(float64(bubble.Temperature))
	}
	if errDew == nil {
		row.Dew = new(float64(dew.Temperature))
	}
	return row, nil
}

// glideAt returns the glide, nil where it does not exist. Below zero it is rounding of the solvers:
// the dew point of a mixture is never below its bubble point.
func glideAt(r *thermo.Refrigerant, p si.Pascal) *float64 {
	g, err := r.Glide(p)
	if err != nil {
		return nil
	}
	return new(max(float64(g), 0))
}

// transcritical says so of a temperature above the critical one; of a pressure the error says it.
func transcritical(r *thermo.Refrigerant, t si.Kelvin, err error) error {
	critical := r.Critical().Temperature
	if e, ok := errors.AsType[*thermo.RangeError](err); ok && critical > 0 && t > critical {
		above := *e
		above.Note = "transcritical: above the critical temperature there is no saturation"
		return &above
	}
	return err
}

func (t *propsTable) pure() bool { return len(t.facts.Composition) == 1 }

// counted returns what is subtracted from an absolute pressure to show it.
func (t *propsTable) counted() si.Pascal {
	if t.gauge.absolute {
		return 0
	}
	return t.gauge.ambient
}

func (t *propsTable) write(p *propsPage, u propsUnits) {
	datum := "absolute"
	if t.gauge.absolute {
		p.note("Pressures are absolute.")
	} else {
		datum = "gauge"
		p.note(fmt.Sprintf("Pressures are gauge readings at %s, where the air has %s %s (standard atmosphere).",
			t.gauge.altitudeText, u.pascal(t.gauge.ambient), u.pressure))
	}
	if !t.pure() {
		p.note("Count superheat from the dew point, subcooling from the bubble point." + t.glideNote())
	}
	p.line("")
	t.writeColumns(p, u, u.pressure.String()+" "+datum)
	t.writeNotes(p, u)
}

func (t *propsTable) glideNote() string {
	if t.byPressure {
		return ""
	}
	return " Glide is that at the row's bubble pressure."
}

func (t *propsTable) writeColumns(p *propsPage, u propsUnits, pressureUnit string) {
	temperature := func(v float64) float64 { return u.temperatureValue(si.Kelvin(v)) }
	pressure := func(v float64) float64 { return u.pressureValue(si.Pascal(v) - t.counted()) }
	difference := func(v float64) float64 { return u.differenceValue(si.DeltaK(v)) }

	name, unit, at, atDecimals := "Temperature", u.temperature.String(), temperature, 1
	otherUnit, other, otherDecimals := pressureUnit, pressure, u.pressureDecimals
	if t.byPressure {
		name, unit, otherUnit, at, other = "Pressure", otherUnit, unit, other, at
		atDecimals, otherDecimals = otherDecimals, atDecimals
	}
	atDecimals = t.decimals(at, atDecimals)
	if t.pure() {
		p.line("%14s %16s", name, "Saturation")
		p.line("%14s %16s", unit, otherUnit)
		for _, row := range t.rows {
			p.line("%14s %16s", cell(row.At, at, atDecimals), cell(row.Bubble, other, otherDecimals))
		}
		return
	}
	p.line("%14s %16s %16s %10s", name, "Bubble", "Dew", "Glide")
	p.line("%14s %16s %16s %10s", unit, otherUnit, otherUnit, u.difference)
	for _, row := range t.rows {
		p.line("%14s %16s %16s %10s", cell(row.At, at, atDecimals), cell(row.Bubble, other, otherDecimals),
			cell(row.Dew, other, otherDecimals), cell(row.Glide, difference, 1))
	}
}

// decimals returns how many decimals show the first column as it is, or the usual number where a
// few more would not do.
func (t *propsTable) decimals(at func(float64) float64, usual int) int {
	for n := usual; n <= usual+2; n++ {
		scale := math.Pow10(n)
		if !slices.ContainsFunc(t.rows, func(row propsRow) bool {
			v := at(*row.At) * scale
			return math.Abs(v-math.Round(v)) > 1e-6
		}) {
			return n
		}
	}
	return usual
}

// cell writes a value as shown, or a dash where there is none.
func cell(v *float64, shown func(float64) float64, decimals int) string {
	if v == nil {
		return "-"
	}
	return fixed(shown(*v), decimals)
}

func (t *propsTable) writeNotes(p *propsPage, u propsUnits) {
	if t.left > 0 {
		p.line("")
		p.note(fmt.Sprintf("%s left out: %v.", counted(t.left, "row"), t.why))
	}
	if t.vacuum() {
		p.line("")
		text := "A gauge reading below zero is vacuum."
		if u.length == si.US {
			text += fmt.Sprintf(" -1 psi is %.2f inHg of it.", si.FromPSI(1).InHg())
		}
		p.note(text)
	}
}

// vacuum says whether the table shows a pressure below that of the air.
func (t *propsTable) vacuum() bool {
	for _, row := range t.rows {
		pressures := []*float64{row.Bubble, row.Dew}
		if t.byPressure {
			pressures = []*float64{row.At}
		}
		for _, p := range pressures {
			if p != nil && si.Pascal(*p) < t.counted() {
				return true
			}
		}
	}
	return false
}

// propsTableJSON is a table for programs.
type propsTableJSON struct {
	factsJSON
	Altitude    float64 `json:"altitude_m"`
	AirPressure float64 `json:"air_pressure_pa"`
	Rows        []any   `json:"rows"`
	LeftOut     int     `json:"rows_left_out"`
	Absent      string  `json:"absent,omitempty"` // why the first of them was left out
	Caution     string  `json:"caution"`
}

type byTemperatureJSON struct {
	At     *float64 `json:"temp_k"`
	Bubble *float64 `json:"bubble_pressure_pa"`
	Dew    *float64 `json:"dew_pressure_pa"`
	Glide  *float64 `json:"glide_k"`
}

type byPressureJSON struct {
	At     *float64 `json:"pressure_pa"`
	Bubble *float64 `json:"bubble_k"`
	Dew    *float64 `json:"dew_k"`
	Glide  *float64 `json:"glide_k"`
}

func (t *propsTable) json(sources bool) propsTableJSON {
	j := propsTableJSON{
		factsJSON: newFactsJSON(t.facts, sources),
		Altitude:  float64(t.gauge.altitude), AirPressure: float64(t.gauge.ambient),
		LeftOut: t.left, Caution: caution(t.facts),
	}
	if t.why != nil {
		j.Absent = t.why.Error()
	}
	for _, row := range t.rows {
		if t.byPressure {
			j.Rows = append(j.Rows, byPressureJSON(row))
		} else {
			j.Rows = append(j.Rows, byTemperatureJSON(row))
		}
	}
	return j
}
