package plant

import (
	"math"
	"testing"
)

// A map is met at its rated superheat; at another the flow follows the density by three quarters of its
// change and the power the flow and the isentropic work.
func TestCompressorMap(t *testing.T) {
	f, err := fluidOf("R-410A")
	if err != nil {
		t.Fatal(err)
	}
	c := Compressor{ShellLoss: 0.05, Map: &Map{FlowKgS: [10]float64{0.045, 1.5e-3, -1e-4}, PowerW: [10]float64{700, -8, 40}, RatedSuperheatK: 11}}
	suction, discharge := f.satAtDew(7+zeroC), f.satAtDew(46+zeroC)
	rated := f.gasAt(suction, 11)
	flow, h, power := c.run(f, suction, discharge, rated, 1, 0)
	wantFlow, wantPower := 0.045+1.5e-3*7-1e-4*46, 700.0-8*7+40*46
	if math.Abs(flow/wantFlow-1) > 1e-6 || math.Abs(power/wantPower-1) > 1e-6 {
		t.Errorf("%.5f kg/s and %.1f W at the rated superheat, want %.5f and %.1f", flow, power, wantFlow, wantPower)
	}
	if off := flow*(h-rated.h) - power*0.95; math.Abs(off) > 1e-6*power {
		t.Errorf("the gas takes up %.1f W more than power less shell", off)
	}
	hot := f.gasAt(suction, 25)
	flow2, _, _ := c.run(f, suction, discharge, hot, 1, 0)
	if want := wantFlow * (1 + 0.75*(hot.rho/rated.rho-1)); math.Abs(flow2/want-1) > 1e-6 {
		t.Errorf("%.5f kg/s at 25 K, want %.5f (Dabiri and Rice 1981)", flow2, want)
	}
	m, err := Design(Spec{Refrigerant: "R-410A", Metering: ThermostaticValve, Map: c.Map})
	if err != nil {
		t.Fatal(err)
	}
	s, err := m.Solve(m.Rating())
	if err != nil || math.Abs(s.EvaporatorW/m.Spec.CapacityW-1) > 0.02 {
		t.Errorf("a machine by its compressor's map: %.0f W at the rating of %.0f W, %v", s.EvaporatorW, m.Spec.CapacityW, err)
	}
}

// A leaking compressor moves less and heats more what it moves.
func TestCompressorLeak(t *testing.T) {
	f, err := fluidOf("R-32")
	if err != nil {
		t.Fatal(err)
	}
	c := Compressor{Kind: Rotary, SweptM3S: 1e-3, ShellLoss: 0.05}
	suction, discharge := f.satAtDew(5+zeroC), f.satAtDew(45+zeroC)
	in := f.gasAt(suction, 6)
	m0, h0, w0 := c.run(f, suction, discharge, in, 1, 0)
	m1, h1, w1 := c.run(f, suction, discharge, in, 1, 0.3)
	if math.Abs(m1/m0-0.7) > 1e-9 || h1 <= h0 || w1 >= w0 {
		t.Errorf("flow %.3f, work %.3f and power %.3f of the healthy one, want 0.7, more and less", m1/m0, (h1-in.h)/(h0-in.h), w1/w0)
	}
}
