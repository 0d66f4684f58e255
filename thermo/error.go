package thermo

import (
	"errors"
	"fmt"

	"dewline/thermo/si"
)

// Reasons why a property does not exist, for errors.Is.
var (
	// ErrTranscritical: the pressure is above the critical pressure, where there is no saturation
	// and so neither subcooling nor condensing temperature.
	ErrTranscritical = errors.New("transcritical")
	// ErrOutOfRange: the value lies outside what the equations or the table cover.
	ErrOutOfRange = errors.New("out of range")
	// ErrUnknown: no refrigerant of that name.
	ErrUnknown = errors.New("unknown refrigerant")
)

// RangeError says that a value is outside the range in which a property of a refrigerant exists
// or is known.
type RangeError struct {
	Refrigerant string
	Quantity    string // "pressure", "temperature", ...
	Value       string // with its unit
	Low, High   string // the valid range, with units
	Reason      error  // ErrTranscritical or ErrOutOfRange
	Note        string // why the range ends there, may be empty
}

// Error names the refrigerant, the value and the range.
func (e *RangeError) Error() string {
	text := fmt.Sprintf("%s: %s %s is outside %s to %s", e.Refrigerant, e.Quantity, e.Value, e.Low, e.High)
	if errors.Is(e.Reason, ErrTranscritical) {
		text += " (transcritical: above the critical pressure there is no saturation)"
	}
	if e.Note != "" {
		text += " (" + e.Note + ")"
	}
	return text
}

// Unwrap returns the reason.
func (e *RangeError) Unwrap() error { return e.Reason }

func (r *Refrigerant) pressureError(p, low, high si.Pascal) error {
	e := &RangeError{
		Refrigerant: r.name, Quantity: "absolute pressure", Value: kPa(p),
		Low: kPa(low), High: kPa(high), Reason: ErrOutOfRange,
	}
	switch {
	case p > r.critical.Pressure && r.critical.Pressure > 0:
		e.Reason = ErrTranscritical
	case p > high:
		e.Note = "so close to the critical point bubble and dew point merge"
	}
	return e
}

func (r *Refrigerant) temperatureError(t, low, high si.Kelvin) error {
	return &RangeError{
		Refrigerant: r.name, Quantity: "temperature", Value: celsius(t),
		Low: celsius(low), High: celsius(high), Reason: ErrOutOfRange,
	}
}

// The numbers of an error are for people, and must tell a value from the limit beside it.
func kPa(p si.Pascal) string     { return fmt.Sprintf("%.6g kPa", p.KPa()) }
func celsius(t si.Kelvin) string { return fmt.Sprintf("%.6g °C", t.Celsius()) }

func errAccuracy(quantity string, value float64) error {
	return fmt.Errorf("%w: %s accuracy %g: expected a finite number in SI units", ErrOutOfRange, quantity, value)
}
