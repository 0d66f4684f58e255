package si

// JoulePerKilogram is a specific enthalpy or energy. Of which reference state, and for
// moist air per kilogram of what, is said by the function that returns it.
type JoulePerKilogram float64

// JoulePerKilogramKelvin is a specific entropy or heat capacity.
type JoulePerKilogramKelvin float64

// KilogramPerCubicMetre is a density.
type KilogramPerCubicMetre float64

// CubicMetrePerKilogram is a specific volume.
type CubicMetrePerKilogram float64

// KilogramPerKilogram is a ratio of masses, such as water vapour per dry air.
type KilogramPerKilogram float64

// MetrePerSecond is a speed, such as the speed of sound.
type MetrePerSecond float64

// String returns h in J/kg with the digits needed to tell it apart, for errors and logs.
func (h JoulePerKilogram) String() string { return shortest(float64(h), joulePerKilogram) }

// String returns s in J/(kg·K) with the digits needed to tell it apart, for errors and logs.
func (s JoulePerKilogramKelvin) String() string {
	return shortest(float64(s), joulePerKilogramKelvin)
}

// String returns d in kg/m³ with the digits needed to tell it apart, for errors and logs.
func (d KilogramPerCubicMetre) String() string { return shortest(float64(d), kilogramPerCubicMetre) }

// String returns v in m³/kg with the digits needed to tell it apart, for errors and logs.
func (v CubicMetrePerKilogram) String() string { return shortest(float64(v), cubicMetrePerKilogram) }

// String returns w in kg/kg with the digits needed to tell it apart, for errors and logs.
func (w KilogramPerKilogram) String() string { return shortest(float64(w), kilogramPerKilogram) }

// String returns v in m/s with the digits needed to tell it apart, for errors and logs.
func (v MetrePerSecond) String() string { return shortest(float64(v), metrePerSecond) }
