package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"dewline/thermo"
	"dewline/thermo/si"
)

// propsReadings is what a technician reads off gauges and clamps, as typed. The accuracies are those
// that the fleet file assumes where none is stated.
type propsReadings struct {
	Suction       string `placeholder:"PRESSURE" help:"Pressure at the suction service port."`
	SuctionTemp   string `placeholder:"TEMP" help:"Temperature of the suction line, near the compressor."`
	Liquid        string `placeholder:"PRESSURE" help:"Pressure at the liquid-line service port."`
	LiquidTemp    string `placeholder:"TEMP" help:"Temperature of the liquid line, near the service port."`
	Discharge     string `placeholder:"PRESSURE" help:"Pressure at the compressor discharge."`
	DischargeTemp string `placeholder:"TEMP" help:"Temperature of the discharge line, about 15 cm from the compressor."`

	LowSideAccuracy  string `default:"20 kPa" placeholder:"PRESSURE" help:"Limits of error of the suction gauge, either way (${default})."`
	HighSideAccuracy string `default:"55 kPa" placeholder:"PRESSURE" help:"Limits of error of the liquid and discharge gauges (${default})."`
	ClampAccuracy    string `default:"1 K" placeholder:"DIFFERENCE" help:"Limits of error of the line temperatures (${default})."`
}

func (c *propsReadings) texts() []string {
	return []string{c.Suction, c.SuctionTemp, c.Liquid, c.LiquidTemp, c.Discharge, c.DischargeTemp}
}

func (c *propsReadings) given() bool { return strings.Join(c.texts(), "") != "" }

// propsWorking is one result with what it was computed from.
type propsWorking struct {
	kind     *propsKind
	pressure thermo.PressureReading
	line     thermo.TemperatureReading
	measured thermo.Measured
	absent   error // why there is no result
}

// propsKind is what superheat, subcooling and discharge superheat do not share.
type propsKind struct {
	key               string // in JSON
	name, place, line string // of the result, the pressure and the temperature
	flag              string
	dew               bool
	below             string // what a result below zero means
}

var (
	superheatKind = &propsKind{"superheat", "Superheat", "suction pressure", "suction line", "suction", true,
		"Superheat below zero: dry gas cannot be colder than its dew point. Either the suction gas is wet (liquid is reaching the compressor), or a reading is wrong. Check the clamp's contact and insulation and the gauge's zero before you act on it."}
	subcoolingKind = &propsKind{"subcooling", "Subcooling", "liquid pressure", "liquid line", "liquid", false,
		"Subcooling below zero: liquid alone cannot be warmer than its bubble point. Either there is flash gas in the liquid line, or a reading is wrong. Check the clamp's contact and the gauge's zero, and whether pressure is lost between the gauge and the clamp."}
	dischargeSuperheatKind = &propsKind{"discharge_superheat", "Discharge superheat", "discharge pressure", "discharge line", "discharge", true,
		"Discharge superheat below zero: dry gas cannot be colder than its dew point. Either liquid is leaving the compressor, or a reading is wrong. Check the clamp's contact and insulation and the gauge's zero before you act on it."}
)

// propsReport is everything that a set of readings says.
type propsReport struct {
	facts    thermo.Facts
	gauge    propsGauge
	workings []propsWorking
}

// measure computes what the readings allow. The report is nil where they allow nothing; the error
// joins what they do not allow.
func (c *propsReadings) measure(r *thermo.Refrigerant, g propsGauge, u propsUnits) (*propsReport, error) {
	low, errLow := accuracy("--low-side-accuracy", c.LowSideAccuracy, si.ParsePressure)
	high, errHigh := accuracy("--high-side-accuracy", c.HighSideAccuracy, si.ParsePressure)
	clamp, errClamp := accuracy("--clamp-accuracy", c.ClampAccuracy, si.ParseDifference)
	if err := errors.Join(errLow, errHigh, errClamp); err != nil {
		return nil, err
	}
	report := &propsReport{facts: r.Facts(), gauge: g}
	var missing []error
	for _, in := range []struct {
		kind           *propsKind
		pressure, line string
		accuracy       si.Pascal
	}{
		{superheatKind, c.Suction, c.SuctionTemp, low},
		{subcoolingKind, c.Liquid, c.LiquidTemp, high},
		{dischargeSuperheatKind, c.Discharge, c.DischargeTemp, high},
	} {
		if in.pressure == "" && in.line == "" {
			continue
		}
		w, err := in.kind.read(in.pressure, in.line, g)
		if err != nil {
			return nil, err
		}
		w.pressure.Accuracy, w.line.Accuracy = in.accuracy, clamp
		w.measure(r, u)
		if w.absent != nil {
			missing = append(missing, fmt.Errorf("%s: %w", strings.ToLower(in.kind.name), w.absent))
		}
		report.workings = append(report.workings, w)
	}
	if len(missing) == len(report.workings) {
		report = nil
	}
	return report, errors.Join(missing...)
}

// accuracy reads limits of error, which have no sign.
func accuracy[T ~float64](flag, text string, parse func(string) (T, error)) (T, error) {
	v, err := parse(text)
	if err != nil {
		return 0, fmt.Errorf("%s: %w", flag, err)
	}
	if v < 0 {
		return 0, fmt.Errorf("%s: %q is negative: give the limits of error without a sign", flag, text)
	}
	return v, nil
}

// read reads one pressure and the temperature that belongs to it.
func (k *propsKind) read(pressure, line string, g propsGauge) (propsWorking, error) {
	w := propsWorking{kind: k}
	if pressure == "" || line == "" {
		return w, fmt.Errorf("%s needs both --%s and --%s-temp; for a saturation temperature alone see the table (--from, --to)",
			strings.ToLower(k.name), k.flag, k.flag)
	}
	reading, _, ref, err := g.read(pressure)
	if err != nil {
		return w, fmt.Errorf("--%s: %w", k.flag, err)
	}
	t, err := si.ParseTemperature(line)
	if err != nil {
		return w, fmt.Errorf("--%s-temp: %w", k.flag, err)
	}
	w.pressure = thermo.PressureReading{Reading: reading, Reference: ref, Altitude: g.altitude}
	w.line = thermo.TemperatureReading{Reading: t}
	return w, nil
}

func (w *propsWorking) measure(r *thermo.Refrigerant, u propsUnits) {
	if w.kind.dew {
		w.measured, w.absent = thermo.MeasureSuperheat(r, w.pressure, w.line)
	} else {
		w.measured, w.absent = thermo.MeasureSubcooling(r, w.pressure, w.line)
	}
	w.absent = u.reword(w.absent)
}

// expanded is the coverage factor of an expanded uncertainty: some 95 % of the readings that the
// same machine could have given lie within it (JCGM 100:2008, 6.3.3).
const expanded = 2

// remark says what a result means that cannot be taken as it is, "" for any other.
func (w *propsWorking) remark() string {
	m := w.measured
	nearZero := math.Abs(float64(m.Value)) < expanded*float64(m.Uncertainty)
	switch {
	case w.absent != nil:
		return ""
	case m.Value < 0 && nearZero:
		return w.kind.below + " It is within its expanded uncertainty of zero, so the sensors' stated errors alone may explain it."
	case m.Value < 0:
		return w.kind.below
	case nearZero:
		return w.kind.name + " is smaller than its expanded uncertainty: these sensors cannot tell it from zero."
	}
	return ""
}

func (r *propsReport) write(out io.Writer, u propsUnits) error {
	p := &propsPage{w: out}
	p.line("%s, class %s", r.facts.Designation, classWords(r.facts.SafetyClass))
	p.line("")
	for _, w := range r.workings {
		w.writeResult(p, u)
	}
	p.line("")
	p.note("Standard uncertainty is k = 1. Expanded is k = 2: about 95 of 100 such readings lie that close to the truth. The sensors' limits of error are read as rectangular distributions (JCGM 100).")
	for _, w := range r.workings {
		if text := w.remark(); text != "" {
			p.line("")
			p.note(text)
		}
	}
	if len(r.facts.Estimated) > 0 {
		p.line("")
		p.note("Estimated: " + strings.Join(r.facts.Estimated, "; ") + ". Expect a larger error of its dew and bubble points than the uncertainty says.")
	}
	for _, w := range r.workings {
		if w.absent == nil {
			p.line("")
			w.writeSteps(p, u, r.gauge)
		}
	}
	writeCaution(p, r.facts)
	return p.err
}

func (w *propsWorking) writeResult(p *propsPage, u propsUnits) {
	if w.absent != nil {
		p.entry(w.kind.name, "none: "+w.absent.Error())
		return
	}
	m := w.measured
	p.line("%-20s %7s %-3s  standard %s %s,  expanded ± %s %s", w.kind.name, u.delta(m.Value, 1), u.difference,
		u.delta(m.Uncertainty, 1), u.difference, u.delta(expanded*m.Uncertainty, 1), u.difference)
}

// writeSteps writes the working so that it can be followed with a chart and a pocket calculator.
func (w *propsWorking) writeSteps(p *propsPage, u propsUnits, g propsGauge) {
	m, k := w.measured, w.kind
	step := func(indent, what, number string, unit any) {
		p.line("%s%-*s %10s %v", indent, 54-len(indent), what, number, unit)
	}
	point, line := "bubble point", "bubble line"
	if k.dew {
		point, line = "dew point", "dew line"
	}
	p.line("%s, step by step", k.name)
	if w.pressure.Reference == thermo.Absolute {
		step("  ", k.place+", as read", u.pascal(m.Absolute), u.pressure.String()+" absolute")
	} else {
		step("  ", k.place+", as read", u.pascal(w.pressure.Reading), u.pressure.String()+" gauge")
		step("  ", "+ air at "+g.altitudeText+", standard atmosphere", u.pascal(g.ambient), u.pressure)
		step("  ", "= "+k.place, u.pascal(m.Absolute), u.pressure.String()+" absolute")
	}
	step("  ", point+" at that pressure", u.kelvin(m.Saturation), u.temperature)
	step("  ", k.line+", as read", u.kelvin(w.line.Reading), u.temperature)
	formula := "= " + point + " - " + k.line
	if k.dew {
		formula = "= " + k.line + " - " + point
	}
	step("  ", strings.ToLower(k.name)+" "+formula, u.delta(m.Value, 1), u.difference)

	p.line("  standard uncertainty (limits of error / square root of 3)")
	decimals := u.pressureDecimals + 1
	uPascal := func(v si.Pascal) string { return fixed(u.pressureValue(v), decimals) }
	step("    ", "gauge, limits ± "+uPascal(w.pressure.Accuracy)+" "+u.pressure.String(), uPascal(thermo.StandardUncertainty(w.pressure.Accuracy)), u.pressure)
	if weather := w.weather(); weather > 0 {
		step("    ", "weather, limits ± "+uPascal(weather*si.Pascal(math.Sqrt(3)))+" "+u.pressure.String(), uPascal(weather), u.pressure)
		step("    ", "both, as root of the sum of squares", uPascal(m.AbsoluteU), u.pressure)
	}
	step("    ", "x slope of the "+line+", "+u.slope(m.Slope), u.delta(si.DeltaK(math.Abs(m.Slope)*float64(m.AbsoluteU)), 2), u.difference)
	step("    ", "clamp, limits ± "+u.delta(w.line.Accuracy, 2)+" "+u.difference.String(), u.delta(thermo.StandardUncertainty(w.line.Accuracy), 2), u.difference)
	step("    ", "pressure and clamp, as root of the sum of squares", u.delta(m.Uncertainty, 2), u.difference)
	step("  ", "expanded uncertainty, k = 2", u.delta(expanded*m.Uncertainty, 2), u.difference)
}

// weather returns the standard uncertainty of the air pressure that a gauge counts from: that of a
// gauge without errors of its own.
func (w *propsWorking) weather() si.Pascal {
	perfect := w.pressure
	perfect.Accuracy = 0
	_, u, err := perfect.Absolute()
	if err != nil {
		return 0
	}
	return u
}

// propsReportJSON is the results for programs.
type propsReportJSON struct {
	Refrigerant        string            `json:"refrigerant"`
	SafetyClass        string            `json:"safety_class"`
	Altitude           float64           `json:"altitude_m"`
	AirPressure        float64           `json:"air_pressure_pa"`
	Superheat          *propsWorkingJSON `json:"superheat"`
	Subcooling         *propsWorkingJSON `json:"subcooling"`
	DischargeSuperheat *propsWorkingJSON `json:"discharge_superheat"`
	Absent             map[string]string `json:"absent,omitempty"`
	Estimated          []string          `json:"estimated_pairs,omitempty"`
	Caution            string            `json:"caution"`
}

type propsWorkingJSON struct {
	Value           float64 `json:"value_k"`
	Uncertainty     float64 `json:"standard_uncertainty_k"`
	Expanded        float64 `json:"expanded_uncertainty_k"`
	CoverageFactor  float64 `json:"coverage_factor"`
	Reading         float64 `json:"pressure_reading_pa"`
	Reference       string  `json:"pressure_reference"` // gauge or absolute
	Pressure        float64 `json:"pressure_pa"`
	PressureU       float64 `json:"pressure_standard_uncertainty_pa"`
	Line            float64 `json:"line_temp_k"`
	LineU           float64 `json:"line_temp_standard_uncertainty_k"`
	Saturation      float64 `json:"saturation_temp_k"`
	SaturationPoint string  `json:"saturation_point"` // dew or bubble
	Slope           float64 `json:"slope_k_per_pa"`
	Remark          string  `json:"remark,omitempty"`
}

func (r *propsReport) json() propsReportJSON {
	j := propsReportJSON{
		Refrigerant: r.facts.Designation, SafetyClass: r.facts.SafetyClass,
		Altitude: float64(r.gauge.altitude), AirPressure: float64(r.gauge.ambient),
		Absent: map[string]string{}, Estimated: r.facts.Estimated, Caution: caution(r.facts),
	}
	for _, w := range r.workings {
		if w.absent != nil {
			j.Absent[w.kind.key] = w.absent.Error()
			continue
		}
		switch w.kind {
		case superheatKind:
			j.Superheat = w.json()
		case subcoolingKind:
			j.Subcooling = w.json()
		case dischargeSuperheatKind:
			j.DischargeSuperheat = w.json()
		}
	}
	return j
}

func (w *propsWorking) json() *propsWorkingJSON {
	m := w.measured
	point := "bubble"
	if w.kind.dew {
		point = "dew"
	}
	return &propsWorkingJSON{
		Value: float64(m.Value), Uncertainty: float64(m.Uncertainty),
		Expanded: expanded * float64(m.Uncertainty), CoverageFactor: expanded,
		Reading: float64(w.pressure.Reading), Reference: w.pressure.Reference.String(),
		Pressure: float64(m.Absolute), PressureU: float64(m.AbsoluteU),
		Line: float64(w.line.Reading), LineU: float64(thermo.StandardUncertainty(w.line.Accuracy)),
		Saturation: float64(m.Saturation), SaturationPoint: point, Slope: m.Slope, Remark: w.remark(),
	}
}
