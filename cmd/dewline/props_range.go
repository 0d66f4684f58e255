package main

import (
	"fmt"
	"math"
	"slices"

	"dewline/thermo"
	"dewline/thermo/si"
)

// propsRange is the range of a table, as typed.
type propsRange struct {
	From string `placeholder:"TEMP|PRESSURE" help:"First row: a temperature, or a pressure for a table by pressure."`
	To   string `placeholder:"TEMP|PRESSURE" help:"Last row."`
	Step string `placeholder:"DIFFERENCE" help:"Distance of the rows, such as \"5 K\", \"10 degF\" or \"10 psi\"."`
}

func (c *propsRange) given() bool { return c.From != "" || c.To != "" || c.Step != "" }

// maxRows bounds a table: more is for --batch.
const maxRows = 2000

// propsSpan is the rows of a table: temperatures in K or absolute pressures in Pa.
type propsSpan struct {
	pressure bool
	at       []float64
}

// propsAxis is what a range is made of where it was not typed: what can be, what is usual, and the
// numbers that stand in the first column, which are to be round.
type propsAxis struct {
	low, high        float64 // where saturation is known
	from, to         float64 // where nothing was typed
	toShown          func(float64) float64
	fromShown        func(float64) float64
	parse, parseStep func(string) (float64, error)
}

// span reads the range. A pressure that says what it is counted from decides that of the table.
func (c *propsRange) span(r *thermo.Refrigerant, g *propsGauge, u propsUnits) (propsSpan, error) {
	if c.byPressure() {
		for _, text := range []string{c.To, c.From} {
			if _, stated, err := si.ParseReading(text); err == nil {
				g.absolute = g.reference(stated) == thermo.Absolute
			}
		}
		return c.on(pressureAxis(r, *g, u), true)
	}
	return c.on(temperatureAxis(r, u), false)
}

// byPressure says whether the range is one of pressures. What is neither is left to be refused as a
// temperature.
func (c *propsRange) byPressure() bool {
	for _, text := range []string{c.From, c.To, c.Step} {
		if _, _, err := si.ParseReading(text); err == nil {
			return true
		}
	}
	return false
}

func (c *propsRange) on(a propsAxis, pressure bool) (propsSpan, error) {
	s := propsSpan{pressure: pressure}
	from, to, err := c.ends(a)
	if err != nil {
		return s, err
	}
	if c.Step == "" {
		s.at = c.roundRows(a, from, to)
		return s, nil
	}
	step, err := a.parseStep(c.Step)
	if err != nil {
		return s, fmt.Errorf("--step: %w", err)
	}
	if !(step > 0) {
		return s, fmt.Errorf("--step %q: expected more than zero", c.Step)
	}
	if c.From == "" {
		from = a.roundUp(from, step)
	}
	const dust = 1e-9 // of a step
	rows := math.Floor(max(to-from, 0)/step+dust) + 1
	if !(rows <= maxRows) {
		return s, fmt.Errorf("the table would have more than %d rows: choose a larger --step, or use --batch", maxRows)
	}
	for i := range int(rows) {
		s.at = append(s.at, from+float64(i)*step)
	}
	return s, nil
}

// ends reads both ends; one that was not typed is the usual one, or the limit beyond a typed end
// that lies beyond the usual one.
func (c *propsRange) ends(a propsAxis) (from, to float64, err error) {
	from, to = a.from, a.to
	if c.From != "" {
		if from, err = a.parse(c.From); err != nil {
			return 0, 0, fmt.Errorf("--from: %w", err)
		}
		if from > to {
			to = max(from, a.high)
		}
	}
	if c.To != "" {
		if to, err = a.parse(c.To); err != nil {
			return 0, 0, fmt.Errorf("--to: %w", err)
		}
		if c.From == "" && from > to {
			from = min(to, a.low)
		}
	}
	if from > to {
		return 0, 0, fmt.Errorf("the table ends before it begins: --from %q is above --to %q", c.From, c.To)
	}
	return from, to, nil
}

// usualRows is about how many rows a table has where no step was typed.
const usualRows = 20

// roundRows returns round numbers, as shown, between the ends, and the ends that were typed.
func (c *propsRange) roundRows(a propsAxis, from, to float64) []float64 {
	unit := a.fromShown(1) - a.fromShown(0)
	var at []float64
	if c.From != "" {
		at = append(at, from)
	}
	if length := (to - from) / unit; length > 0 {
		step := nice(length/usualRows) * unit
		for v := a.roundUp(from, step); v <= to && len(at) < 2*usualRows; v += step {
			at = append(at, v)
		}
	}
	if c.To != "" {
		at = append(at, to)
	}
	// A typed end may be round itself.
	return slices.CompactFunc(at, func(v, w float64) bool { return math.Abs(w-v) < 1e-6*unit })
}

// roundUp moves v up to a multiple of the step, as shown.
func (a propsAxis) roundUp(v, step float64) float64 {
	const dust = 1e-9 // of a step
	stepShown := step / (a.fromShown(1) - a.fromShown(0))
	return a.fromShown(math.Ceil(a.toShown(v)/stepShown-dust) * stepShown)
}

// The usual range of temperatures runs from freezers to hot condensers (common practice), and for
// refrigerants that condense below that, over lowSpan below their top.
const (
	usualLow  si.Kelvin = 233.15 // -40 °C = -40 °F
	usualHigh si.Kelvin = 333.15 // 60 °C = 140 °F
	shortSpan           = 50     // K
	lowSpan             = 100    // K
)

func temperatureAxis(r *thermo.Refrigerant, u propsUnits) propsAxis {
	a := propsAxis{
		toShown: func(t float64) float64 { return u.temperatureValue(si.Kelvin(t)) },
		fromShown: func(v float64) float64 {
			t, _ := si.Convert(v, u.temperature, si.Temperature.Unit())
			return t
		},
		parse:     func(text string) (float64, error) { t, err := si.ParseTemperature(text); return float64(t), err },
		parseStep: func(text string) (float64, error) { d, err := si.ParseDifference(text); return float64(d), err },
	}
	low, high := r.Curve().Range()
	// Both are inside the range of the full equations, so they cannot fail; if they did, the rows
	// themselves would say why.
	coldest, _, _ := r.Curve().Bubble(low)
	hottest, _, _ := r.Curve().Bubble(high)
	a.low, a.high = float64(coldest), float64(hottest)
	a.from, a.to = max(a.low, float64(usualLow)), min(a.high, float64(usualHigh))
	if a.to-a.from < shortSpan {
		a.from = max(a.low, a.to-lowSpan)
	}
	return a
}

func pressureAxis(r *thermo.Refrigerant, g propsGauge, u propsUnits) propsAxis {
	counted := g.ambient
	if g.absolute {
		counted = 0
	}
	unit, _ := si.Convert(1, u.pressure, si.Pressure.Unit())
	low, high := r.Curve().Range()
	a := propsAxis{
		low: float64(low), high: float64(high),
		toShown:   func(p float64) float64 { return (p - float64(counted)) / unit },
		fromShown: func(v float64) float64 { return v*unit + float64(counted) },
		parse: func(text string) (float64, error) {
			_, p, _, err := g.read(text)
			return float64(p), err
		},
		parseStep: func(text string) (float64, error) { p, err := si.ParsePressure(text); return float64(p), err },
	}
	a.from, a.to = max(a.low, float64(g.ambient)), a.high
	return a
}
