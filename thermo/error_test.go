package thermo

import (
	"errors"
	"math"
	"strings"
	"testing"

	"dewline/thermo/si"
)

// TestRangeErrors: an error names the refrigerant, the value and the valid range, and gives its
// reason to errors.Is.
func TestRangeErrors(t *testing.T) {
	t.Parallel()
	r410a, r744, r514a := mustLookup(t, "R-410A"), mustLookup(t, "R-744"), mustLookup(t, "R-514A")
	for _, c := range []struct {
		name   string
		err    error
		reason error
		says   []string
	}{
		{"above critical", second(Subcooling(r744, si.FromBar(90), si.FromCelsius(20))), ErrTranscritical,
			[]string{"R-744", "9000 kPa", "transcritical", "outside 517"}},
		{"condensing above critical", second(CondensingTemperature(r744, si.FromBar(100))), ErrTranscritical,
			[]string{"R-744", "10000 kPa"}},
		{"near critical", second(Superheat(r410a, 4.88e6, si.FromCelsius(90))), ErrOutOfRange,
			[]string{"R-410A", "4880 kPa", "merge"}},
		{"below the table", second(Superheat(r410a, si.FromKPa(1), si.FromCelsius(0))), ErrOutOfRange,
			[]string{"R-410A", "1 kPa", "outside"}},
		{"zero", second(Subcooling(r410a, 0, si.FromCelsius(0))), ErrOutOfRange, []string{"R-410A", "0 kPa"}},
		{"line temperature", second(Superheat(r410a, si.FromBar(9), 900)), ErrOutOfRange,
			[]string{"R-410A", "626.85 °C", "-200 °C", "500 °C"}},
		{"quality", second(r410a.AtPQ(si.FromBar(9), 1.2)), ErrOutOfRange, []string{"R-410A", "quality", "1.2"}},
		{"too hot", second(r410a.AtPT(si.FromBar(9), 2000)), ErrOutOfRange, []string{"R-410A", "temperature"}},
		{"too dense", second(r410a.AtPT(1e10, 300)), ErrOutOfRange, []string{"R-410A", "limit of the equation"}},
		{"enthalpy", second(r410a.AtPH(si.FromBar(9), 1e9)), ErrOutOfRange, []string{"R-410A", "enthalpy", "900 kPa"}},
		{"entropy", second(r410a.AtPS(si.FromBar(9), -1e9)), ErrOutOfRange, []string{"R-410A", "entropy", "900 kPa"}},
		{"bubble point above critical", second(r410a.BubbleAt(400)), ErrOutOfRange, []string{"R-410A", "126.85 °C"}},
		{"a model without critical point", second(r514a.Bubble(5e6)), ErrOutOfRange, []string{"R-514A", "5000 kPa"}},
	} {
		if !errors.Is(c.err, c.reason) {
			t.Errorf("%s: %v, expected the reason %v", c.name, c.err, c.reason)
			continue
		}
		for _, text := range c.says {
			if !strings.Contains(c.err.Error(), text) {
				t.Errorf("%s: %q does not say %q", c.name, c.err, text)
			}
		}
	}
	var e *RangeError
	_, err := Superheat(r410a, si.FromKPa(1), 280)
	if !errors.As(err, &e) || e.Refrigerant != "R-410A" || e.Quantity != "absolute pressure" {
		t.Errorf("%#v", err)
	}
}

func second[T any](_ T, err error) error { return err }

// calls are all functions of the façade that take two numbers, under their names.
var calls = map[string]func(r *Refrigerant, a, b float64) ([]float64, error){
	"Bubble": func(r *Refrigerant, a, _ float64) ([]float64, error) {
		s, err := r.Bubble(si.Pascal(a))
		return s.numbers(), err
	},
	"Dew": func(r *Refrigerant, a, _ float64) ([]float64, error) {
		s, err := r.Dew(si.Pascal(a))
		return s.numbers(), err
	},
	"BubbleAt": func(r *Refrigerant, _, b float64) ([]float64, error) {
		s, err := r.BubbleAt(si.Kelvin(b))
		return s.numbers(), err
	},
	"DewAt": func(r *Refrigerant, _, b float64) ([]float64, error) {
		s, err := r.DewAt(si.Kelvin(b))
		return s.numbers(), err
	},
	"Glide": func(r *Refrigerant, a, _ float64) ([]float64, error) {
		g, err := r.Glide(si.Pascal(a))
		return []float64{float64(g)}, err
	},
	"Phases": func(r *Refrigerant, a, b float64) ([]float64, error) {
		e, err := r.Phases(si.Pascal(a), b > 300)
		out := append([]float64{float64(e.Temperature)}, e.Liquid...)
		return append(append(append(out, e.Vapour...), e.LnFugacityLiquid...), e.LnFugacityVapour...), err
	},
	"AtPT": func(r *Refrigerant, a, b float64) ([]float64, error) {
		s, err := r.AtPT(si.Pascal(a), si.Kelvin(b))
		return s.numbers(), err
	},
	"AtPQ": func(r *Refrigerant, a, b float64) ([]float64, error) {
		s, err := r.AtPQ(si.Pascal(a), b)
		return s.numbers(), err
	},
	"AtPH": func(r *Refrigerant, a, b float64) ([]float64, error) {
		s, err := r.AtPH(si.Pascal(a), si.JoulePerKilogram(b))
		return s.numbers(), err
	},
	"AtPS": func(r *Refrigerant, a, b float64) ([]float64, error) {
		s, err := r.AtPS(si.Pascal(a), si.JoulePerKilogramKelvin(b))
		return s.numbers(), err
	},
	"Superheat": func(r *Refrigerant, a, b float64) ([]float64, error) {
		d, err := Superheat(r, si.Pascal(a), si.Kelvin(b))
		return []float64{float64(d)}, err
	},
	"Subcooling": func(r *Refrigerant, a, b float64) ([]float64, error) {
		d, err := Subcooling(r, si.Pascal(a), si.Kelvin(b))
		return []float64{float64(d)}, err
	},
	"DischargeSuperheat": func(r *Refrigerant, a, b float64) ([]float64, error) {
		d, err := DischargeSuperheat(r, si.Pascal(a), si.Kelvin(b))
		return []float64{float64(d)}, err
	},
	"CondensingTemperature": func(r *Refrigerant, a, _ float64) ([]float64, error) {
		d, err := CondensingTemperature(r, si.Pascal(a))
		return []float64{float64(d)}, err
	},
	"Curve": func(r *Refrigerant, a, _ float64) ([]float64, error) {
		b, s, ok := r.Curve().Bubble(si.Pascal(a))
		d, u, ok2 := r.Curve().Dew(si.Pascal(a))
		if !ok || !ok2 {
			return []float64{float64(b), s, float64(d), u}, ErrOutOfRange
		}
		return []float64{float64(b), s, float64(d), u}, nil
	},
	"AmbientPressure": func(_ *Refrigerant, a, b float64) ([]float64, error) {
		p, err := AmbientPressure(PressureReference(uint8(int64(clamp(b)))), si.Metre(a))
		return []float64{float64(p)}, err
	},
	"AbsolutePressure": func(_ *Refrigerant, a, b float64) ([]float64, error) {
		p, err := AbsolutePressure(si.Pascal(a), Gauge, si.Metre(b))
		return []float64{float64(p)}, err
	},
	"MeasureSuperheat": func(r *Refrigerant, a, b float64) ([]float64, error) {
		m, err := MeasureSuperheat(r, PressureReading{si.Pascal(a), Gauge, si.Metre(b), si.Pascal(b)}, TemperatureReading{si.Kelvin(b), si.DeltaK(a)})
		return m.numbers(), err
	},
	"MeasureSubcooling": func(r *Refrigerant, a, b float64) ([]float64, error) {
		m, err := MeasureSubcooling(r, PressureReading{si.Pascal(a), Absolute, 0, si.Pascal(b)}, TemperatureReading{si.Kelvin(b), si.DeltaK(b)})
		return m.numbers(), err
	},
}

// clamp keeps a float inside what converts to an integer.
func clamp(v float64) float64 {
	if !(v > 0) {
		return 0
	}
	return min(v, 1e6)
}

func (s State) numbers() []float64 {
	return []float64{
		float64(s.Pressure), float64(s.Temperature), float64(s.Density), float64(s.Enthalpy), float64(s.Entropy),
		s.Quality, float64(s.HeatCapacity), float64(s.SoundSpeed),
	}
}

func (m Measured) numbers() []float64 {
	return []float64{
		float64(m.Value), float64(m.Uncertainty), float64(m.Absolute), float64(m.AbsoluteU), float64(m.Saturation), m.Slope,
	}
}

// checkCall calls one function and reports what must never come back.
func checkCall(t *testing.T, name string, r *Refrigerant, a, b float64) {
	t.Helper()
	numbers, err := calls[name](r, a, b)
	for _, v := range numbers {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Errorf("%s of %s at %g, %g: %v, %v", name, r.Name(), a, b, numbers, err)
			return
		}
	}
	if err != nil && err.Error() == "" {
		t.Errorf("%s of %s at %g, %g: an error without words", name, r.Name(), a, b)
	}
}

// wild are the numbers that a broken sensor or a broken program sends.
var wild = []float64{
	math.NaN(), math.Inf(1), math.Inf(-1), 0, math.Copysign(0, -1), -1, -101325, -101324.999, 5e-324, -5e-324, 2.2250738585072014e-308,
	math.MaxFloat64, -math.MaxFloat64, 1e-300, 1e300, 1, 0.5, 273.15, 300, 1e5, 101325, 1e6, 4.9e6, 1e7, 1e9,
}

// TestWildNumbers gives every function of the façade every pair of wild numbers, for refrigerants
// of each kind.
func TestWildNumbers(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"R-410A", "R-744", "R-454B", "R-514A", "R-404A.pp", "R-14", "R-507A"} {
		r := mustLookup(t, name)
		for call := range calls {
			for _, a := range wild {
				for _, b := range wild {
					checkCall(t, call, r, a, b)
				}
			}
		}
	}
	// What is no number is always an error.
	r := mustLookup(t, "R-32")
	for call, f := range calls {
		for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
			if _, err := f(r, v, v); err == nil {
				t.Errorf("%s of %g, %g gives no error", call, v, v)
			}
		}
	}
}
