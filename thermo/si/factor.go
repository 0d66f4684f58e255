package si

// Conversion factors to SI. All are exact by definition or products of exact factors,
// kept as untyped constants so that the compiler rounds each of them once.
// Source: NIST SP 811 (2008), appendix B, and the definitions it names.
const (
	inch       = 0.0254             // m, international yard and pound agreement 1959
	foot       = 12 * inch          // m
	pound      = 0.45359237         // kg, avoirdupois, same agreement
	ounce      = pound / 16         // kg
	grain      = pound / 7000       // kg
	gravity    = 9.80665            // m/s2, standard acceleration of free fall, 3rd CGPM 1901
	btu        = 1055.05585262      // J, International Table Btu (SP 811, B.8 footnote 9)
	btuPerHour = btu / 3600         // W
	tonOfRefr  = 12000 * btuPerHour // W, ton of refrigeration

	psi        = pound * gravity / (inch * inch) // Pa
	atmosphere = 101325.0                        // Pa, 10th CGPM 1954
	torr       = atmosphere / 760                // Pa
	micron     = torr / 1000                     // Pa, the trade's "micron" of vacuum

	// Conventional mercury column: 13 595.1 kg/m3 under standard gravity, as in SP 811's
	// "inch of mercury, conventional". UCUM rounds the metre of mercury to 133.3220 kPa,
	// 3 parts in a million less, which no gauge can tell; one unit gets one factor.
	mercuryColumn = 13595.1 * gravity // Pa/m
	inchMercury   = inch * mercuryColumn

	btuPerPound       = btu / pound         // J/kg: 2326 exactly
	btuPerPoundDegF   = btuPerPound * 9 / 5 // J/(kg K): 4186.8 exactly
	poundPerCubicFoot = pound / (foot * foot * foot)

	iceKelvin     = 273.15 // K, 0 °C by definition of the Celsius scale (SI Brochure 2.3.1)
	iceFahrenheit = 32     // °F at 0 °C
)
