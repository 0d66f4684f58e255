package si

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// System is the set of units that a person reads.
type System uint8

// The systems of units for people. The zero System is SI, with the degree Celsius and the
// prefixes that the trade uses.
const (
	SI System = iota // °C, K, kPa, kW, kg, m, mm
	US               // °F, psi, ton, lb, ft, in
)

// String returns the name that [ParseSystem] reads.
func (s System) String() string {
	if s == US {
		return "US"
	}
	return "SI"
}

// ParseSystem reads "SI" or "US", in any case.
func ParseSystem(text string) (System, error) {
	switch strings.ToUpper(strings.TrimSpace(text)) {
	case "SI":
		return SI, nil
	case "US":
		return US, nil
	}
	return SI, fmt.Errorf("unknown system of units %s: write SI or US", quote(text))
}

// Unit returns the unit in which s shows a dimension, for the head of a column or the axis
// of a chart; see [Convert] for the numbers.
func (s System) Unit(d Dimension) Unit {
	if d >= numDimensions {
		d = Other
	}
	if s == US {
		return shownUS[d]
	}
	return shownSI[d]
}

var shownSI = [numDimensions]Unit{
	Temperature: celsius, Difference: deltaKelvin, Pressure: kilopascal, Length: metre, Mass: kilogram,
	Power: kilowatt, Current: ampere, Time: second, Ratio: percent, Humidity: percentRH,
	Enthalpy: kilojoulePerKilogram, Entropy: kilojoulePerKilogramKelvin, Density: kilogramPerCubicMetre,
	SpecificVolume: cubicMetrePerKilogram, HumidityRatio: gramPerKilogram,
	Speed: metrePerSecond, MassFlow: kilogramPerSecond,
}

// Electric power is read in kW everywhere; cooling has Capacity.
var shownUS = [numDimensions]Unit{
	Temperature: fahrenheit, Difference: deltaFahrenheit, Pressure: psiUnit, Length: footUnit, Mass: poundUnit,
	Power: kilowatt, Current: ampere, Time: second, Ratio: percent, Humidity: percentRH,
	Enthalpy: btuPerPoundUnit, Entropy: btuPerPoundDegFUnit, Density: poundPerCubicFootUnit,
	SpecificVolume: cubicFootPerPound, HumidityRatio: grainPerPound,
	Speed: footPerSecond, MassFlow: poundPerHour,
}

// The methods below print a quantity with its unit. The number has the given decimals; with
// fewer than none it has all the digits it needs to be read back.

// Temperature prints t in °C or °F.
func (s System) Temperature(t Kelvin, decimals int) string {
	return format(float64(t), s.Unit(Temperature), decimals)
}

// Difference prints d in K or Fahrenheit degrees, without offset.
func (s System) Difference(d DeltaK, decimals int) string {
	return format(float64(d), s.Unit(Difference), decimals)
}

// Pressure prints p in kPa or psi. Gauge or absolute is for the caller to add.
func (s System) Pressure(p Pascal, decimals int) string {
	return format(float64(p), s.Unit(Pressure), decimals)
}

// Vacuum prints a low absolute pressure in Pa or microns.
func (s System) Vacuum(p Pascal, decimals int) string {
	if s == US {
		return format(float64(p), micronUnit, decimals)
	}
	return format(float64(p), pascal, decimals)
}

// Length prints m in m or ft.
func (s System) Length(m Metre, decimals int) string {
	return format(float64(m), s.Unit(Length), decimals)
}

// Diameter prints the size of an orifice or a tube in mm or in.
func (s System) Diameter(m Metre, decimals int) string {
	if s == US {
		return format(float64(m), inchUnit, decimals)
	}
	return format(float64(m), millimetre, decimals)
}

// Mass prints m in kg or lb.
func (s System) Mass(m Kilogram, decimals int) string {
	return format(float64(m), s.Unit(Mass), decimals)
}

// Power prints an electric power in kW.
func (s System) Power(w Watt, decimals int) string {
	return format(float64(w), s.Unit(Power), decimals)
}

// Capacity prints a cooling or heating capacity in kW or tons of refrigeration.
func (s System) Capacity(w Watt, decimals int) string {
	if s == US {
		return format(float64(w), tonUnit, decimals)
	}
	return format(float64(w), kilowatt, decimals)
}

// Percent prints p in %.
func (s System) Percent(p Percent, decimals int) string {
	return format(float64(p), s.Unit(Ratio), decimals)
}

// Enthalpy prints h in kJ/kg or Btu/lb. The reference state does not change with the unit.
func (s System) Enthalpy(h JoulePerKilogram, decimals int) string {
	return format(float64(h), s.Unit(Enthalpy), decimals)
}

// Entropy prints e in kJ/(kg·K) or Btu/(lb·°F).
func (s System) Entropy(e JoulePerKilogramKelvin, decimals int) string {
	return format(float64(e), s.Unit(Entropy), decimals)
}

// Density prints d in kg/m³ or lb/ft³.
func (s System) Density(d KilogramPerCubicMetre, decimals int) string {
	return format(float64(d), s.Unit(Density), decimals)
}

// SpecificVolume prints v in m³/kg or ft³/lb.
func (s System) SpecificVolume(v CubicMetrePerKilogram, decimals int) string {
	return format(float64(v), s.Unit(SpecificVolume), decimals)
}

// HumidityRatio prints w in g/kg or grains per pound.
func (s System) HumidityRatio(w KilogramPerKilogram, decimals int) string {
	return format(float64(w), s.Unit(HumidityRatio), decimals)
}

// Speed prints v in m/s or ft/s.
func (s System) Speed(v MetrePerSecond, decimals int) string {
	return format(float64(v), s.Unit(Speed), decimals)
}

// MassFlow prints f in kg/s or lb/h.
func (s System) MassFlow(f KilogramPerSecond, decimals int) string {
	return format(float64(f), s.Unit(MassFlow), decimals)
}

// maxDecimals is more than any float64 of everyday size carries; it bounds the output.
const maxDecimals = 17

// format writes v, given in the own unit of u's dimension, in u.
func format(v float64, u Unit, decimals int) string {
	v = u.fromOwn(v)
	if decimals < 0 {
		return shortest(v, u)
	}
	number := strconv.FormatFloat(v, 'f', min(decimals, maxDecimals), 64)
	if unsigned, ok := strings.CutPrefix(number, "-"); ok && strings.Trim(unsigned, "0.") == "" {
		number = unsigned // what rounds to zero has no sign that a reader could use
	}
	return number + " " + u.name
}

// shortest writes v, already in u, with as few digits as read back to the same number.
func shortest(v float64, u Unit) string {
	verb := byte('f')
	if size := math.Abs(v); size != 0 && (size < 1e-4 || size >= 1e9) {
		verb = 'e' // a row of zeros is hard to count
	}
	return strconv.FormatFloat(v, verb, -1, 64) + " " + u.name
}
