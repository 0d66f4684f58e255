package si

// Kelvin is an absolute thermodynamic temperature. A reading in °C or °F becomes Kelvin
// where it enters and turns back only where a person reads it.
type Kelvin float64

// DeltaK is a difference of two temperatures. Superheat and subcooling are differences:
// 5 K of superheat is not the temperature 5 K, and converts without the offset of a scale.
type DeltaK float64

// FromCelsius returns the temperature c °C.
func FromCelsius(c float64) Kelvin { return Kelvin(c + iceKelvin) }

// FromFahrenheit returns the temperature f °F.
func FromFahrenheit(f float64) Kelvin { return Kelvin((f-iceFahrenheit)*5/9 + iceKelvin) }

// FromDeltaF returns a difference of f Fahrenheit degrees, which are 5/9 K each.
func FromDeltaF(f float64) DeltaK { return DeltaK(f * 5 / 9) }

// Celsius returns t in °C.
func (t Kelvin) Celsius() float64 { return float64(t) - iceKelvin }

// Fahrenheit returns t in °F.
func (t Kelvin) Fahrenheit() float64 { return (float64(t)-iceKelvin)*9/5 + iceFahrenheit }

// Sub returns t-u.
func (t Kelvin) Sub(u Kelvin) DeltaK { return DeltaK(t - u) }

// Add returns t+d.
func (t Kelvin) Add(d DeltaK) Kelvin { return t + Kelvin(d) }

// DeltaF returns d in Fahrenheit degrees.
func (d DeltaK) DeltaF() float64 { return float64(d) * 9 / 5 }

// String returns t in K with the digits needed to tell it apart, for errors and logs.
func (t Kelvin) String() string { return shortest(float64(t), kelvin) }

// String returns d in K with the digits needed to tell it apart, for errors and logs.
func (d DeltaK) String() string { return shortest(float64(d), deltaKelvin) }
