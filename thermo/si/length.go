package si

// Metre is a length: an altitude, a line, the bore of an orifice.
type Metre float64

// FromFeet returns the length v ft.
func FromFeet(v float64) Metre { return Metre(v * foot) }

// FromInches returns the length v in.
func FromInches(v float64) Metre { return Metre(v * inch) }

// FromMillimetres returns the length v mm.
func FromMillimetres(v float64) Metre { return Metre(v / 1000) }

// Feet returns m in ft.
func (m Metre) Feet() float64 { return float64(m) / foot }

// Inches returns m in in.
func (m Metre) Inches() float64 { return float64(m) / inch }

// Millimetres returns m in mm.
func (m Metre) Millimetres() float64 { return float64(m) * 1000 }

// String returns m in metres with the digits needed to tell it apart, for errors and logs.
func (m Metre) String() string { return shortest(float64(m), metre) }
