package plant

import (
	"math"
	"testing"
)

// The correlation of Aaron and Domanski (1990) evaluated by hand for R-22 at one of the conditions that
// its data cover: 15.34 bar and 5.6 K of subcooling, 6.2 bar, a bore of 1.65 mm and 12.7 mm long.
func TestShortTubeByHand(t *testing.T) {
	f, err := fluidOf("R-22")
	if err != nil {
		t.Fatal(err)
	}
	in := f.sat(15.34e5)
	l := f.satAtLiquid(in.tb-5.6, in)
	d := Metering{Kind: Orifice, BoreM: 1.65e-3, LengthM: 12.7e-3, Number: 1}
	got := d.flow(f, in, l.hl, 6.2e5, 1, 1)
	sub, evap, ld := 5.6/in.tb, (l.p-6.2e5)/l.p, 12.7/1.65
	pf := l.p * (1 + 12.599*math.Pow(sub, 1.293) - 0.1229*math.Exp(-0.0169*ld*ld) - 0.04753*math.Pow(evap, 0.6192))
	want := (1 + 0.02655*math.Pow(ld, 0.70775)*math.Pow(0.25/1.65, 0.22684)) * math.Pi / 4 * 1.65e-3 * 1.65e-3 * math.Sqrt(2*l.rl*(15.34e5-pf))
	if math.Abs(got/want-1) > 1e-3 {
		t.Errorf("%.5f kg/s, by hand %.5f", got, want)
	}
	// 65 thousandths of an inch were sold for about 2 to 2.5 tons of R-22 (common practice).
	if kW := got * 160; kW < 7 || kW > 9.5 {
		t.Errorf("the piston passes %.1f kW, sold for 7 to 9", kW)
	}
}

func TestFlowFollowsWhatDrivesIt(t *testing.T) {
	f, err := fluidOf("R-410A")
	if err != nil {
		t.Fatal(err)
	}
	in := f.satAtBubble(44 + zeroC)
	out := f.satAtDew(8 + zeroC).p
	for _, d := range []Metering{{Kind: Orifice, BoreM: 1.6e-3, LengthM: 12.7e-3, Number: 1}, {Kind: CapillaryTube, BoreM: 1.4e-3, LengthM: 1, Number: 2}, {Kind: ThermostaticValve, FullM2: 1e-6}} {
		flow := func(subcooling, quality, area float64) float64 {
			h := f.satAtLiquid(in.tb-subcooling, in).hl
			if quality > 0 {
				h = in.hl + quality*(in.hv-in.hl)
			}
			return d.flow(f, in, h, out, area, 0.6)
		}
		base := flow(5, 0, 1)
		if more := flow(12, 0, 1); more <= base {
			t.Errorf("device %d: %.4f kg/s with 12 K of subcooling, %.4f with 5 K", d.Kind, more, base)
		}
		if flash := flow(0, 0.1, 1); flash > 0.9*base || flash < 0.4*base {
			t.Errorf("device %d: flash gas of 10 %% leaves %.2f of the flow", d.Kind, flash/base)
		}
		if half := flow(5, 0, 0.5); math.Abs(half/base-0.5) > 0.06 {
			t.Errorf("device %d: half the area passes %.2f", d.Kind, half/base)
		}
		if a, b := flow(0, 0, 1), flow(0, 1e-6, 1); math.Abs(a/b-1) > 1e-3 {
			t.Errorf("device %d: a jump of %.4f where the first gas enters", d.Kind, a/b)
		}
	}
}
