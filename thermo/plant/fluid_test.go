package plant

import (
	"math"
	"testing"

	"dewline/thermo/si"
)

// The tables against the full equations, between their nodes.
func TestTablesStayWithTheEquations(t *testing.T) {
	for _, name := range []string{"R-410A", "R-32", "R-134a", "R-290", "R-407C", "R-449A"} {
		f, err := fluidOf(name)
		if err != nil {
			t.Fatal(err)
		}
		worst := map[string]float64{}
		see := func(what string, off float64) { worst[what] = max(worst[what], math.Abs(off)) }
		for i := range 40 {
			lnp := f.lnLow + (f.lnTop-f.lnLow)*(float64(i)+0.37)/40.4
			p := si.Pascal(math.Exp(lnp))
			l := f.satLn(lnp)
			b, err1 := f.r.Bubble(p)
			d, err2 := f.r.Dew(p)
			if err1 != nil || err2 != nil {
				t.Fatal(err1, err2)
			}
			see("bubble K", l.tb-float64(b.Temperature))
			see("dew K", l.td-float64(d.Temperature))
			see("latent heat %", 100*((l.hv-l.hl)/float64(d.Enthalpy-b.Enthalpy)-1))
			see("densities %", 100*(l.rv/float64(d.Density)-1))
			see("densities %", 100*(l.rl/float64(b.Density)-1))
			for _, sh := range []float64{1, 3.3, 7, 14, 31, 52} {
				s, err := f.r.AtPT(p, d.Temperature+si.Kelvin(sh))
				if err != nil {
					continue // above the equations
				}
				g := f.gasPH(l, float64(s.Enthalpy))
				see("superheat K", g.sh-sh)
				see("gas density %", 100*(g.rho/float64(s.Density)-1))
				see("isentropic kJ/kg", (f.enthalpyPS(l, float64(s.Entropy))-float64(s.Enthalpy))/1000)
			}
		}
		limits := map[string]float64{"bubble K": 0.002, "dew K": 0.002, "latent heat %": 0.02, "densities %": 0.02, "superheat K": 0.05,
			"gas density %": 0.1, "isentropic kJ/kg": 0.06}
		for what, off := range worst {
			if off > limits[what] {
				t.Errorf("%s: %s off by %.4g, want within %g", name, what, off, limits[what])
			}
		}
		t.Logf("%s: %v", name, worst)
	}
}

func TestWrittenInverses(t *testing.T) {
	f, err := fluidOf("R-407C")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []float64{-30, -5, 8, 40, 60} {
		if l := f.satAtDew(c + zeroC); math.Abs(l.td-c-zeroC) > 1e-9 {
			t.Errorf("dew at %g °C: %g", c, l.td-zeroC)
		}
		if l := f.satAtBubble(c + zeroC); math.Abs(l.tb-c-zeroC) > 1e-9 {
			t.Errorf("bubble at %g °C: %g", c, l.tb-zeroC)
		}
	}
	l := f.satAtDew(5 + zeroC)
	if g := f.gasPH(l, f.gasAt(l, 9).h); math.Abs(g.sh-9) > 1e-3 {
		t.Errorf("superheat 9 K comes back as %g", g.sh)
	}
}
