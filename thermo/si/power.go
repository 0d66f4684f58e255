package si

// Watt is a power: electric, or a flow of heat such as a cooling capacity.
type Watt float64

// FromTons returns the capacity of v tons of refrigeration, 12 000 Btu/h each.
func FromTons(v float64) Watt { return Watt(v * tonOfRefr) }

// FromBtuPerHour returns the power v Btu/h (International Table Btu).
func FromBtuPerHour(v float64) Watt { return Watt(v * btuPerHour) }

// Tons returns w in tons of refrigeration.
func (w Watt) Tons() float64 { return float64(w) / tonOfRefr }

// BtuPerHour returns w in Btu/h (International Table Btu).
func (w Watt) BtuPerHour() float64 { return float64(w) / btuPerHour }

// String returns w in W with the digits needed to tell it apart, for errors and logs.
func (w Watt) String() string { return shortest(float64(w), watt) }
