package main

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"dewline/thermo"
	"dewline/thermo/si"
)

// propsUnits is the units that a text answer is written in. Pressure and temperature are chosen apart,
// for many a gauge reads psi where the thermometer reads °C.
type propsUnits struct {
	pressure, temperature, difference si.Unit
	pressureDecimals                  int
	length                            si.System
}

// units returns the units asked for by --units, or else those of the texts that were typed. Where
// one of pressure and temperature was not typed it follows the other, and SI stands for neither.
func (c *propsCommand) units(texts ...string) (propsUnits, error) {
	if c.Units != "" {
		system, err := si.ParseSystem(c.Units)
		if err != nil {
			return propsUnits{}, fmt.Errorf("--units: %w", err)
		}
		return showIn(system, system, ""), nil
	}
	var pressure, temperature *si.System
	var pressureUnit string
	for _, text := range texts {
		unit := unitText(text)
		switch system, isPressure, ok := systemOf(unit); {
		case !ok:
		case isPressure && pressure == nil:
			pressure, pressureUnit = &system, unit
		case !isPressure && temperature == nil:
			temperature = &system
		}
	}
	either := cmp.Or(pressure, temperature, new(si.SI))
	return showIn(*cmp.Or(pressure, either), *cmp.Or(temperature, either), pressureUnit), nil
}

// showIn returns the units of two systems; a pressure that was typed in bar stays in bar.
func showIn(pressure, temperature si.System, typed string) propsUnits {
	u := propsUnits{
		pressure: pressure.Unit(si.Pressure), pressureDecimals: 1,
		temperature: temperature.Unit(si.Temperature), difference: temperature.Unit(si.Difference),
		length: pressure,
	}
	if bar, ok := si.UnitByCode("bar"); ok && strings.HasPrefix(typed, "bar") {
		u.pressure, u.pressureDecimals = bar, 2
	}
	return u
}

// unitText returns the unit behind a number, in lower case.
func unitText(text string) string {
	return strings.ToLower(strings.TrimLeft(text, "+-−.0123456789eE \t"))
}

// systemOf says which system a typed unit belongs to, and what it measures. It need not know the
// units that belong to none: parsing has accepted or refused them.
func systemOf(unit string) (system si.System, isPressure, ok bool) {
	for _, start := range []string{"psi", "[psi]", "lbf", "in", "[in"} {
		if strings.HasPrefix(unit, start) {
			return si.US, true, true
		}
	}
	if strings.Contains(unit, "pa") || strings.HasPrefix(unit, "bar") || strings.HasPrefix(unit, "mbar") {
		return si.SI, true, true
	}
	for _, end := range []string{"f", "f]", "℉"} {
		if strings.HasSuffix(unit, end) {
			return si.US, false, true
		}
	}
	for _, end := range []string{"c", "℃", "cel", "k", "\u212a"} {
		if strings.HasSuffix(unit, end) {
			return si.SI, false, true
		}
	}
	return si.SI, false, false
}

// The methods below write a number without its unit, which stands in a heading or behind it.

func (u propsUnits) pascal(p si.Pascal) string { return fixed(u.pressureValue(p), u.pressureDecimals) }

func (u propsUnits) kelvin(t si.Kelvin) string { return fixed(u.temperatureValue(t), 1) }

func (u propsUnits) delta(d si.DeltaK, decimals int) string {
	return fixed(u.differenceValue(d), decimals)
}

func (u propsUnits) pressureValue(p si.Pascal) float64 {
	v, _ := si.Convert(float64(p), si.Pressure.Unit(), u.pressure)
	return v
}

func (u propsUnits) temperatureValue(t si.Kelvin) float64 {
	v, _ := si.Convert(float64(t), si.Temperature.Unit(), u.temperature)
	return v
}

func (u propsUnits) differenceValue(d si.DeltaK) float64 {
	v, _ := si.Convert(float64(d), si.Difference.Unit(), u.difference)
	return v
}

// slope writes a slope of a saturation line, given in K/Pa, in the units of both.
func (u propsUnits) slope(kelvinPerPascal float64) string {
	perUnit, _ := si.Convert(1, u.pressure, si.Pressure.Unit())
	v, _ := si.Convert(kelvinPerPascal*perUnit, si.Difference.Unit(), u.difference)
	return fmt.Sprintf("%.3g %s/%s", v, u.difference, u.pressure)
}

// reword gives the range of an error in the units that the reader uses.
func (u propsUnits) reword(err error) error {
	e, ok := errors.AsType[*thermo.RangeError](err)
	if !ok {
		return err
	}
	worded := *e
	for _, text := range []*string{&worded.Value, &worded.Low, &worded.High} {
		if t, err := si.ParseTemperature(*text); err == nil {
			*text = fmt.Sprintf("%.6g %s", u.temperatureValue(t), u.temperature)
		} else if p, err := si.ParsePressure(*text); err == nil {
			*text = fmt.Sprintf("%.6g %s", u.pressureValue(p), u.pressure)
		}
	}
	return &worded
}

// fixed writes v with decimals; what rounds to zero has no sign that a reader could use.
func fixed(v float64, decimals int) string {
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if unsigned, ok := strings.CutPrefix(text, "-"); ok && strings.Trim(unsigned, "0.") == "" {
		return unsigned
	}
	return text
}

// nice returns the smallest of 1, 2, 2.5, 5 times a power of ten that is at least v: a step that
// people would choose.
func nice(v float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 2.5, 5} {
		if m*power >= v*(1-1e-9) {
			return m * power
		}
	}
	return 10 * power
}
