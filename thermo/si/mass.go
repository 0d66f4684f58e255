package si

// Kilogram is a mass, such as a refrigerant charge.
type Kilogram float64

// KilogramPerSecond is a mass flow.
type KilogramPerSecond float64

// FromPounds returns the mass v lb.
func FromPounds(v float64) Kilogram { return Kilogram(v * pound) }

// Pounds returns m in lb.
func (m Kilogram) Pounds() float64 { return float64(m) / pound }

// String returns m in kg with the digits needed to tell it apart, for errors and logs.
func (m Kilogram) String() string { return shortest(float64(m), kilogram) }

// String returns f in kg/s with the digits needed to tell it apart, for errors and logs.
func (f KilogramPerSecond) String() string { return shortest(float64(f), kilogramPerSecond) }
