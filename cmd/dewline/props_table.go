package main

import (
	"errors"
	"fmt"

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
		row, err := newRow(r, at, s.pressure)
		switch {
		case err == nil:
			t.rows = append(t.rows, row)
		case t.why == nil:
			t.why = u.reword(err)
			fallthrough
		default:
			t.left++
		}
	}
	if len(t.rows) == 0 {
		return nil, t.why
	}
	return t, nil
}

// newRow solves both points of a row. A row of which only one exists, as at the ends of a blend's
// lines, stands with that one.
func newRow(r *thermo.Refrigerant, at float64, byPressure bool) (propsRow, error) {
	row := propsRow{At: &at}
	solve := func(bubbleOrDew func(*thermo.Refrigerant, float64) (thermo.State, error)) (*thermo.State, error) {
		s, err := bubbleOrDew(r, at)
		if err != nil {
			return nil, err
		}
		return &s, nil
	}
	bubbleOf, dewOf, of := bubbleAtTemp, dewAtTemp, func(s *thermo.State) float64 { return float64(s.Pressure) }
	if byPressure {
		bubbleOf, dewOf, of = bubbleAtPressure, dewAtPressure, func(s *thermo.State) float64 { return float64(s.Temperature) }
	}
	bubble, err := solve(bubbleOf)
	dew, errDew := solve(dewOf)
	if bubble == nil && dew == nil {
		return row, transcritical(r, at, byPressure, err)
	}
	if bubble != nil {
		row.Bubble = new(of(bubble))
		if glide, err := r.Glide(bubble.Pressure); err == nil {
			row.Glide = new(float64(glide))
		}
	}
	if errDew == nil {
		row.Dew = new(of(dew))
	}
	return row, nil
}

func bubbleAtTemp(r *thermo.Refrigerant, t float64) (thermo.State, error) {
	return r.BubbleAt(si.Kelvin(t))
}
func dewAtTemp(r *thermo.Refrigerant, t float64) (thermo.State, error) { return r.DewAt(si.Kelvin(t)) }
func bubbleAtPressure(r *thermo.Refrigerant, p float64) (thermo.State, error) {
	return r.Bubble(si.Pascal(p))
}
func dewAtPressure(r *thermo.Refrigerant, p float64) (thermo.State, error) {
	return r.Dew(si.Pascal(p))
}

// transcritical says so of a temperature above the critical one; of a pressure the error says it.
func transcritical(r *thermo.Refrigerant, at float64, byPressure bool, err error) error {
	critical := r.Critical().Temperature
	if e, ok := errors.AsType[*thermo.RangeError](err); ok && !byPressure && critical > 0 && si.Kelvin(at) > critical {
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
	temperature := func(v *float64) string { return cell(v, func(v float64) string { return u.kelvin(si.Kelvin(v)) }) }
	pressure := func(v *float64) string {
		return cell(v, func(v float64) string { return u.pascal(si.Pascal(v) - t.counted()) })
	}
	glide := func(v *float64) string { return cell(v, func(v float64) string { return u.delta(si.DeltaK(v), 1) }) }
	at, other, atName, atUnit, otherUnit := temperature, pressure, "Temperature", u.temperature.String(), pressureUnit
	if t.byPressure {
		at, other, atName, atUnit, otherUnit = pressure, temperature, "Pressure", pressureUnit, u.temperature.String()
	}
	if t.pure() {
		p.line("%14s %16s", atName, "Saturation")
		p.line("%14s %16s", atUnit, otherUnit)
		for _, row := range t.rows {
			p.line("%14s %16s", at(row.At), other(row.Bubble))
		}
		return
	}
	p.line("%14s %16s %16s %10s", atName, "Bubble", "Dew", "Glide")
	p.line("%14s %16s %16s %10s", atUnit, otherUnit, otherUnit, u.difference)
	for _, row := range t.rows {
		p.line("%14s %16s %16s %10s", at(row.At), other(row.Bubble), other(row.Dew), glide(row.Glide))
	}
}

// cell writes a value, or a dash where there is none.
func cell(v *float64, write func(float64) string) string {
	if v == nil {
		return "-"
	}
	return write(*v)
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
