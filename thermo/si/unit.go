package si

// Dimension is what a unit measures.
type Dimension uint8

// The dimensions Dewline knows. Temperature and Difference are two, as [Kelvin] and
// [DeltaK] are. Humidity and Ratio are two so that a telemetry code can be refused for a
// point it does not fit, but both are counted in percent and convert into each other.
const (
	Other Dimension = iota // a registered unit of something Dewline does not measure
	Temperature
	Difference
	Pressure
	Length
	Mass
	Power
	Current
	Time
	Ratio
	Humidity
	Enthalpy
	Entropy
	Density
	SpecificVolume
	HumidityRatio
	Speed
	MassFlow
	numDimensions
)

var dimensionNames = [numDimensions]string{
	"other quantity", "temperature", "temperature difference", "pressure", "length", "mass", "power",
	"current", "time", "ratio", "relative humidity", "specific enthalpy", "specific entropy",
	"density", "specific volume", "humidity ratio", "speed", "mass flow",
}

// String returns the dimension in words.
func (d Dimension) String() string {
	if d >= numDimensions {
		d = Other
	}
	return dimensionNames[d]
}

// Unit returns the unit that Dewline's own values of this dimension are in: the coherent SI
// unit, or percent for a Ratio and a Humidity. Of Other it is the zero Unit.
func (d Dimension) Unit() Unit {
	if d >= numDimensions {
		d = Other
	}
	return ownUnits[d]
}

// Unit is a unit of measurement. Units are comparable; the zero Unit measures nothing and
// converts into nothing.
type Unit struct {
	name string
	dim  Dimension

	// own unit = (v-zero)*mul/div + ref. Two factors, since dividing by 1000 rounds
	// better than multiplying by 0.001; and zero apart from ref, so that °F to °C has no
	// detour over 0 K that would leave dust in the last digits.
	mul, div, zero, ref float64
}

// String returns the unit as it is written beside a number.
func (u Unit) String() string { return u.name }

// Dimension returns what u measures.
func (u Unit) Dimension() Dimension { return u.dim }

// Convert returns v, given in unit from, in unit to. It reports false if the two do not
// measure the same thing. A finite v can overflow to infinity, which is for the caller to
// look at.
func Convert(v float64, from, to Unit) (float64, bool) {
	switch {
	case from == Unit{} || to == Unit{}:
		return 0, false
	case from == to:
		return v, true
	case from.dim == Other || from.dim.counted() != to.dim.counted():
		return 0, false
	}
	return ((v-from.zero)*from.mul/from.div+(from.ref-to.ref))*to.div/to.mul + to.zero, true
}

// counted folds the two dimensions that are counted in percent into one.
func (d Dimension) counted() Dimension {
	if d == Humidity {
		return Ratio
	}
	return d
}

// toOwn returns v of unit u in the own unit of its dimension.
func (u Unit) toOwn(v float64) float64 { return (v-u.zero)*u.mul/u.div + u.ref }

// fromOwn is the inverse of toOwn.
func (u Unit) fromOwn(v float64) float64 { return (v-u.ref)*u.div/u.mul + u.zero }

// linear returns a unit of mul/div own units.
func linear(name string, d Dimension, mul, div float64) Unit {
	return Unit{name: name, dim: d, mul: mul, div: div}
}

var (
	kelvin     = linear("K", Temperature, 1, 1)
	celsius    = Unit{name: "°C", dim: Temperature, mul: 1, div: 1, ref: iceKelvin}
	fahrenheit = Unit{name: "°F", dim: Temperature, mul: 5, div: 9, zero: iceFahrenheit, ref: iceKelvin}

	deltaKelvin     = linear("K", Difference, 1, 1)
	deltaCelsius    = linear("°C", Difference, 1, 1)
	deltaFahrenheit = linear("°F", Difference, 5, 9)

	pascal      = linear("Pa", Pressure, 1, 1)
	hectopascal = linear("hPa", Pressure, 100, 1)
	kilopascal  = linear("kPa", Pressure, 1000, 1)
	megapascal  = linear("MPa", Pressure, 1e6, 1)
	millibar    = linear("mbar", Pressure, 100, 1)
	bar         = linear("bar", Pressure, 1e5, 1)
	psiUnit     = linear("psi", Pressure, psi, 1)
	inHg        = linear("inHg", Pressure, inchMercury, 1)
	mmHg        = linear("mmHg", Pressure, mercuryColumn, 1000)
	torrUnit    = linear("torr", Pressure, torr, 1)
	micronUnit  = linear("micron", Pressure, micron, 1)

	metre      = linear("m", Length, 1, 1)
	millimetre = linear("mm", Length, 1, 1000)
	centimetre = linear("cm", Length, 1, 100)
	kilometre  = linear("km", Length, 1000, 1)
	footUnit   = linear("ft", Length, foot, 1)
	inchUnit   = linear("in", Length, inch, 1)

	kilogram  = linear("kg", Mass, 1, 1)
	gram      = linear("g", Mass, 1, 1000)
	poundUnit = linear("lb", Mass, pound, 1)
	ounceUnit = linear("oz", Mass, ounce, 1)

	watt           = linear("W", Power, 1, 1)
	kilowatt       = linear("kW", Power, 1000, 1)
	btuPerHourUnit = linear("Btu/h", Power, btuPerHour, 1)
	mbh            = linear("MBH", Power, 1000*btuPerHour, 1)
	tonUnit        = linear("ton", Power, tonOfRefr, 1)

	ampere      = linear("A", Current, 1, 1)
	milliampere = linear("mA", Current, 1, 1000)

	second      = linear("s", Time, 1, 1)
	millisecond = linear("ms", Time, 1, 1000)
	minute      = linear("min", Time, 60, 1)
	hour        = linear("h", Time, 3600, 1)
	day         = linear("d", Time, 86400, 1)

	percent     = linear("%", Ratio, 1, 1)
	one         = linear("/", Ratio, 100, 1)
	perThousand = linear("/1000", Ratio, 1, 10)
	ppm         = linear("ppm", Ratio, 1, 10000)
	percentRH   = linear("%RH", Humidity, 1, 1)

	joulePerKilogram     = linear("J/kg", Enthalpy, 1, 1)
	kilojoulePerKilogram = linear("kJ/kg", Enthalpy, 1000, 1)
	btuPerPoundUnit      = linear("Btu/lb", Enthalpy, btuPerPound, 1)

	joulePerKilogramKelvin     = linear("J/(kg·K)", Entropy, 1, 1)
	kilojoulePerKilogramKelvin = linear("kJ/(kg·K)", Entropy, 1000, 1)
	btuPerPoundDegFUnit        = linear("Btu/(lb·°F)", Entropy, btuPerPoundDegF, 1)

	kilogramPerCubicMetre = linear("kg/m³", Density, 1, 1)
	poundPerCubicFootUnit = linear("lb/ft³", Density, poundPerCubicFoot, 1)

	cubicMetrePerKilogram = linear("m³/kg", SpecificVolume, 1, 1)
	cubicFootPerPound     = linear("ft³/lb", SpecificVolume, 1, poundPerCubicFoot)

	kilogramPerKilogram = linear("kg/kg", HumidityRatio, 1, 1)
	gramPerKilogram     = linear("g/kg", HumidityRatio, 1, 1000)
	grainPerPound       = linear("gr/lb", HumidityRatio, 1, 7000)

	metrePerSecond   = linear("m/s", Speed, 1, 1)
	kilometrePerHour = linear("km/h", Speed, 1000, 3600)
	footPerSecond    = linear("ft/s", Speed, foot, 1)

	kilogramPerSecond = linear("kg/s", MassFlow, 1, 1)
	poundPerHour      = linear("lb/h", MassFlow, pound, 3600)
)

var ownUnits = [numDimensions]Unit{
	Temperature: kelvin, Difference: deltaKelvin, Pressure: pascal, Length: metre, Mass: kilogram,
	Power: watt, Current: ampere, Time: second, Ratio: percent, Humidity: percentRH,
	Enthalpy: joulePerKilogram, Entropy: joulePerKilogramKelvin, Density: kilogramPerCubicMetre,
	SpecificVolume: cubicMetrePerKilogram, HumidityRatio: kilogramPerKilogram,
	Speed: metrePerSecond, MassFlow: kilogramPerSecond,
}
