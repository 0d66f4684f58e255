package plant

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// archetypes are a machine of each metering device and duty.
var archetypes = map[string]Spec{
	"split AC, fixed orifice": {Refrigerant: "R-410A", Metering: Orifice, CapacityW: 10500, SuperheatK: 7},
	"heat pump, TXV":          {Refrigerant: "R-410A", Metering: ThermostaticValve, CapacityW: 10500, HeatPump: true},
	"wall unit, capillary":    {Refrigerant: "R-407C", Metering: CapillaryTube, Compressor: Rotary, CapacityW: 5000, SuperheatK: 7},
	"split AC, EEV":           {Refrigerant: "R-32", Metering: ElectronicValve, Compressor: Rotary, CapacityW: 7000},
	"walk-in cooler, TXV": {Refrigerant: "R-134a", Metering: ThermostaticValve, Compressor: Reciprocating, CapacityW: 4000, Cold: true,
		RatedIndoorC: 2, Receiver: true, HeadControlC: 29},
	"vaccine store, capillary": {Refrigerant: "R-290", Metering: CapillaryTube, Compressor: Reciprocating, CapacityW: 1600, Cold: true,
		RatedIndoorC: 4, SuperheatK: 6, SubcoolingK: 5},
	"walk-in freezer, TXV": {Refrigerant: "R-449A", Metering: ThermostaticValve, Compressor: Reciprocating, CapacityW: 5000, Cold: true,
		RatedIndoorC: -20, RatedIndoorRH: 80, Receiver: true, HeadControlC: 27, MaxEvapC: -12},
}

func design(t testing.TB, s Spec) *Machine {
	t.Helper()
	m, err := Design(s)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestSolverHoldsTheWholeMap(t *testing.T) {
	for name, spec := range archetypes {
		m := design(t, spec)
		var low, high, step float64 = 15, 32, 4.25
		if spec.Cold {
			low, high, step = spec.RatedIndoorC-4, spec.RatedIndoorC+12, 4
		}
		for out := -10.0; out <= 50; out += 6 {
			for in := low; in <= high; in += step {
				for _, rh := range []float64{20, 50, 80} {
					c := Conditions{OutdoorC: out, OutdoorRatio: m.air.ratioAt(out, 50), IndoorC: in, IndoorRatio: m.air.ratioAt(in, rh)}
					s, err := m.Solve(c)
					if err != nil {
						if errors.Is(err, ErrNoSteadyState) || out < 45 {
							t.Errorf("%s: %g °C outdoors, %g °C %g %% indoors: %v", name, out, in, rh, err)
						}
						continue
					}
					balances(t, fmt.Sprintf("%s at %g/%g/%g", name, out, in, rh), m, c, &s)
				}
			}
		}
	}
}

// balances checks that energy and mass close.
func balances(t *testing.T, what string, m *Machine, c Conditions, s *Steady) {
	t.Helper()
	in := s.EvaporatorW + s.CompressorW + s.LineGainW
	out := s.CondenserW + s.ShellW + s.LineLossW
	if off := math.Abs(in/out - 1); off > 1e-6 {
		t.Errorf("%s: energy is out of balance by %.2g", what, off)
	}
	want := m.ChargeKg * (1 + c.Faults.Charge)
	if c.Heating {
		want -= m.StoreKg
	}
	if off := math.Abs(s.MassKg/want - 1); off > 1e-6 {
		t.Errorf("%s: the charge is out of balance by %.2g", what, off)
	}
	if off := m.evaluate(c, s.at).off; norm(off) > 1e-6 {
		t.Errorf("%s: flows or enthalpy are out of balance by %.2g", what, norm(off))
	}
}

func TestFaultsBalanceToo(t *testing.T) {
	m := design(t, archetypes["split AC, fixed orifice"])
	rng := rand.New(rand.NewPCG(3, 4))
	failed := 0
	for range 150 {
		c := m.Rating()
		c.OutdoorC, c.IndoorC = 15+25*rng.Float64(), 20+9*rng.Float64()
		c.IndoorRatio = m.air.ratioAt(c.IndoorC, 30+40*rng.Float64())
		c.Faults = Faults{Charge: -0.3 + 0.5*rng.Float64(), LineRestriction: 0.5 * rng.Float64(), Bore: -0.1 + 0.2*rng.Float64(),
			EvaporatorAir: 0.4 * rng.Float64(), CondenserAir: 0.4 * rng.Float64(), CompressorLeak: 0.2 * rng.Float64(), NonCondensables: 0.6 * rng.Float64()}
		s, err := m.Solve(c)
		if err != nil {
			if failed++; errors.Is(err, ErrNoSteadyState) {
				t.Errorf("%+v: %v", c, err)
			}
			continue
		}
		balances(t, fmt.Sprintf("%+v", c), m, c, &s)
	}
	if failed > 15 {
		t.Errorf("%d of 150 pairs of faults have no steady state", failed)
	}
}

// A machine that cannot condense must say so and not invent a state.
func TestNoSteadyStateIsNamed(t *testing.T) {
	m := design(t, archetypes["split AC, fixed orifice"])
	c := m.Rating()
	c.OutdoorC, c.Faults.CondenserAir = 50, 0.8
	if s, err := m.Solve(c); !errors.Is(err, ErrHighPressure) {
		t.Errorf("a blocked condenser at 50 °C: %v (%.0f kPa), want ErrHighPressure", err, s.DischargePa/1000)
	}
}

func TestHeatingMap(t *testing.T) {
	m := design(t, archetypes["heat pump, TXV"])
	last := 0.0
	for out := -15.0; out <= 18; out += 3 {
		c := Conditions{OutdoorC: out, OutdoorRatio: m.air.ratioAt(out, 80), IndoorC: 20, IndoorRatio: m.air.ratioAt(20, 40), Heating: true}
		s, err := m.Solve(c)
		if err != nil {
			t.Errorf("heating at %g °C: %v", out, err)
			continue
		}
		balances(t, fmt.Sprintf("heating at %g", out), m, c, &s)
		if s.CondenserW < last {
			t.Errorf("heating at %g °C gives %.0f W, less than when colder", out, s.CondenserW)
		}
		last = s.CondenserW
	}
}
