package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"dewline/thermo"
	"dewline/thermo/si"
)

// propsCommand answers what a technician asks of a refrigerant: the pressure-temperature table, and
// superheat and subcooling from gauge readings with the steps of the working. Programs get the same
// as JSON, and states by the thousand as CSV.
type propsCommand struct {
	Refrigerant []string `arg:"" optional:"" help:"The refrigerant as the trade writes it: R-410A, 410a, propane."`

	propsReadings `group:"Readings: superheat, subcooling and discharge superheat"`
	propsRange    `group:"Table: pressure against temperature"`

	Altitude string `default:"0 m" placeholder:"LENGTH" help:"Where the gauge is: sets the air pressure that it counts from (${default})."`
	Absolute bool   `help:"Pressures without g or a behind the unit are absolute; else they are gauge."`
	Units    string `placeholder:"us|si" help:"Units of the text; else those that were typed."`
	Sources  bool   `help:"Name the papers of the equations."`
	JSON     bool   `name:"json" help:"Write JSON, in SI units, for programs."`
	List     bool   `help:"List all refrigerants."`
	Batch    bool   `help:"Read rows of refrigerant,pressure_pa,temp_k (absolute; CSV with a header) and write their states as CSV."`
}

// Help is what --help adds.
func (*propsCommand) Help() string {
	return `Quantities are a number and a unit in quotes: "118 psi", "8.1 bar", "55 degF", "5 K".

  dewline props R-410A
  dewline props R-454B --from "-20 degF" --to "120 degF" --step "10 degF"
  dewline props R-404A --from "0 psi" --to "300 psi"
  dewline props R-410A --suction "118 psi" --suction-temp "55 degF" \
      --liquid "340 psi" --liquid-temp "95 degF" --altitude "1600 m"
  dewline props --batch < states.csv

Superheat is counted from the dew point, subcooling from the bubble point. JSON has its unit at the
end of each name: _pa, _k, _m, _kg_m3; _k of superheat, subcooling, glide and uncertainties is a
difference. Pressures in it are absolute unless the name says reading. What does not exist or was not asked for
is null; of what does not exist "absent" says why.`
}

// Run answers on the standard streams.
func (c *propsCommand) Run(ctx context.Context, std *streams) error {
	switch {
	case c.Batch:
		if err := c.alone("--batch"); err != nil {
			return err
		}
		return propsBatch(ctx, std.in, std.out, std.err)
	case c.List:
		if err := c.alone("--list"); err != nil {
			return err
		}
		return listRefrigerants(ctx, std.out, c.JSON, c.Sources)
	}
	return c.answer(std.out)
}

// alone refuses what would have no effect beside a mode that takes no refrigerant.
func (c *propsCommand) alone(mode string) error {
	if len(c.Refrigerant) > 0 || c.propsReadings.given() || c.propsRange.given() {
		return fmt.Errorf("%s stands alone: leave out the refrigerant, the readings and the range", mode)
	}
	return nil
}

// answer writes the readings' results or the table: one refrigerant, one answer.
func (c *propsCommand) answer(out io.Writer) error {
	if len(c.Refrigerant) == 0 {
		return errors.New("which refrigerant? Write dewline props R-410A, or dewline props --list to see all")
	}
	r, err := thermo.Lookup(strings.Join(c.Refrigerant, " "))
	if err != nil {
		return fmt.Errorf("%w (dewline props --list shows all)", err)
	}
	gauge, err := c.gauge()
	if err != nil {
		return err
	}
	units, err := c.units(append(c.propsReadings.texts(), c.From, c.To, c.Step)...)
	if err != nil {
		return err
	}
	switch {
	case !c.propsReadings.given():
		return c.answerTable(out, r, gauge, units)
	case c.propsRange.given():
		return errors.New("give either readings (--suction, --liquid, --discharge) or the range of a table (--from, --to, --step)")
	}
	return c.answerReadings(out, r, gauge, units)
}

// answerReadings computes what the readings allow. What they do not allow is an error beside the
// results: above the critical pressure, say, superheat stands and subcooling does not exist.
func (c *propsCommand) answerReadings(out io.Writer, r *thermo.Refrigerant, gauge propsGauge, units propsUnits) error {
	report, missing := c.propsReadings.measure(r, gauge, units)
	switch {
	case report == nil:
		return missing
	case c.JSON:
		return firstError(writeJSON(out, report.json()), missing)
	}
	return firstError(report.write(out, units), missing)
}

func (c *propsCommand) answerTable(out io.Writer, r *thermo.Refrigerant, gauge propsGauge, units propsUnits) error {
	span, err := c.propsRange.span(r, &gauge, units)
	if err != nil {
		return err
	}
	t, err := newTable(r, gauge, span, units)
	switch {
	case err != nil:
		return err
	case c.JSON:
		return writeJSON(out, t.json(c.Sources))
	}
	p := &propsPage{w: out}
	writeFacts(p, t.facts, units, c.Sources)
	t.write(p, units)
	writeCaution(p, t.facts)
	return p.err
}

// propsGauge is what pressures are counted from.
type propsGauge struct {
	altitude     si.Metre
	altitudeText string // as it was typed
	ambient      si.Pascal
	absolute     bool // what a pressure is that does not say
}

func (c *propsCommand) gauge() (propsGauge, error) {
	altitude, err := si.ParseLength(c.Altitude)
	if err != nil {
		return propsGauge{}, fmt.Errorf("--altitude: %w", err)
	}
	ambient, err := thermo.AmbientPressure(thermo.Gauge, altitude)
	if err != nil {
		return propsGauge{}, fmt.Errorf("--altitude: %w", err)
	}
	return propsGauge{altitude, strings.TrimSpace(c.Altitude), ambient, c.Absolute}, nil
}

// reference returns what a pressure is counted from, given what its text says.
func (g propsGauge) reference(stated si.Datum) thermo.PressureReference {
	if stated == si.Absolute || stated == si.Unstated && g.absolute {
		return thermo.Absolute
	}
	return thermo.Gauge
}

// read reads a pressure and makes it absolute.
func (g propsGauge) read(text string) (reading, absolute si.Pascal, ref thermo.PressureReference, err error) {
	reading, stated, err := si.ParseReading(text)
	if err != nil {
		return 0, 0, 0, err
	}
	ref = g.reference(stated)
	if absolute, err = thermo.AbsolutePressure(reading, ref, g.altitude); err == nil {
		return reading, absolute, ref, nil
	}
	if ref == thermo.Absolute {
		return 0, 0, 0, fmt.Errorf("%q absolute is no pressure: expected more than zero", text)
	}
	return 0, 0, 0, fmt.Errorf("%q is below vacuum: a gauge at %s cannot read less than %.1f kPa (%.1f psi); is it meant as absolute (--absolute, psia)?",
		text, g.altitudeText, -g.ambient.KPa(), -g.ambient.PSI())
}

// writeJSON writes v for programs.
func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

// firstError returns the first error that is one.
func firstError(errs ...error) error {
	i := slices.IndexFunc(errs, func(err error) bool { return err != nil })
	if i < 0 {
		return nil
	}
	return errs[i]
}
