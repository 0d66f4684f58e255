package si

import "strings"

// UnitByCode returns the unit that a telemetry code stands for: SenML's (RFC 8428 section
// 12.1), its secondary units (RFC 8798 section 3), and the UCUM codes that the contract
// names. Codes are exact, case included.
//
// A registered code of something Dewline does not measure (V, lux, ...) is found as well,
// with the dimension Other: a wrong unit is a different mistake from an unknown one.
func UnitByCode(code string) (Unit, bool) {
	u, ok := codes[code]
	return u, ok
}

var codes = codeTable()

func codeTable() map[string]Unit {
	table := map[string]Unit{
		"Cel": celsius, "K": kelvin, "[degF]": fahrenheit,
		"Pa": pascal, "hPa": hectopascal, "kPa": kilopascal, "MPa": megapascal, "bar": bar,
		"[psi]": psiUnit, "[in_i'Hg]": inHg,
		"m": metre, "mm": millimetre, "cm": centimetre, "km": kilometre,
		"kg": kilogram, "g": gram,
		"W": watt, "kW": kilowatt,
		"A": ampere, "mA": milliampere,
		"s": second, "ms": millisecond, "min": minute, "h": hour,
		"%": percent, "/": one, "/100": percent, "/1000": perThousand, "ppm": ppm,
		"%RH":   percentRH,
		"kg/m3": kilogramPerCubicMetre,
		"m/s":   metrePerSecond, "km/h": kilometrePerHour,
	}
	for code := range strings.FieldsSeq(otherCodes) {
		table[code] = linear(code, Other, 1, 1)
	}
	return table
}

// otherCodes are the remaining codes of RFC 8428 and RFC 8798 and of the registry's later
// additions (from memory).
const otherCodes = `
	cd mol Hz rad sr N J C V F Ohm S Wb T H lm lx Bq Gy Sv kat
	m2 m3 l m/s2 m3/s l/s W/m2 cd/m2 bit bit/s lat lon pH dB dBW Bspl count %EL EL
	1/s 1/min beat/min beats S/m B VA VAs var vars J/m deg NTU
	MHz kVA kvar Ah Wh kWh varh kvarh kVAh Wh/km KiB GB Mbit/s B/s MB/s mV dBm ug/m3 mm/h m/h`
