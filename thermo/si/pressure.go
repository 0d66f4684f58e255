package si

// Pascal is a pressure. Whether it is absolute, gauge or a difference is not in the type:
// what a function takes is in its comment, and equations take absolute pressure.
type Pascal float64

// FromKPa returns the pressure v kPa.
func FromKPa(v float64) Pascal { return Pascal(v * 1000) }

// FromBar returns the pressure v bar.
func FromBar(v float64) Pascal { return Pascal(v * 1e5) }

// FromPSI returns the pressure v psi.
func FromPSI(v float64) Pascal { return Pascal(v * psi) }

// FromInHg returns the pressure of v inches of mercury (conventional).
func FromInHg(v float64) Pascal { return Pascal(v * inchMercury) }

// FromMicron returns the pressure of v microns, the trade's unit of vacuum: 0.001 torr.
func FromMicron(v float64) Pascal { return Pascal(v * micron) }

// KPa returns p in kPa.
func (p Pascal) KPa() float64 { return float64(p) / 1000 }

// Bar returns p in bar.
func (p Pascal) Bar() float64 { return float64(p) / 1e5 }

// PSI returns p in psi.
func (p Pascal) PSI() float64 { return float64(p) / psi }

// InHg returns p in inches of mercury (conventional).
func (p Pascal) InHg() float64 { return float64(p) / inchMercury }

// Micron returns p in microns (0.001 torr).
func (p Pascal) Micron() float64 { return float64(p) / micron }

// String returns p in Pa with the digits needed to tell it apart, for errors and logs.
func (p Pascal) String() string { return shortest(float64(p), pascal) }
