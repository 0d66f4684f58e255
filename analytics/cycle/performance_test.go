package cycle

import (
	"math"
	"testing"

	"dewline"
)

// nistMeans are the means of a test of NISTIR 7350 at the compressor and the liquid service valve.
func nistMeans(r nistRow) Means {
	return Means{SuctionPressurePa: Measured(r.pascal("comp_suction_psia")), HighPressurePa: Measured(r.pascal("comp_discharge_psia")),
		SuctionC: Measured(r.celsius("comp_suction_T_F")), LiquidC: Measured(r.celsius("unit_liquid_T_F")),
		DischargeC: Measured(r.celsius("comp_discharge_T_F")), PowerW: Measured(r.v["comp_power_W"])}
}

const (
	kgS  = 0.45359237 / 3600 // lb/h
	watt = 0.29307107        // Btu/h
)

// indoorFanW is taken off the printed capacity, which is measured on the air side: an estimate, since the
// report gives both fans with the controls, 560 to 620 W.
const indoorFanW = 440

// TestPerformanceOfALaboratoryMachine: NISTIR 7350 (2006), appendix D, measured the flow of an R-410A split
// heat pump, its cooling capacity on the air side and the power of the compressor. Its compressor gives off
// more through shell and discharge line than is usual, some 11 to 18 % of its power, which is why flow comes
// out high; this is the uncertainty that is stated. Capacity also holds what the lines take up, 1 to 2 %.
func TestPerformanceOfALaboratoryMachine(t *testing.T) {
	m := machine(t, "R-410A", dewline.HeatPump)
	var flows, capacities []float64
	for _, r := range nistRows(t) {
		p := m.Performance(nistMeans(r))
		if !p.COP.OK() {
			t.Fatalf("%s: %+v", r.name, p)
		}
		flow, capacity := r.v["mass_flow_lbmh"]*kgS, r.v["capacity_Btuh"]*watt+indoorFanW
		flows, capacities = append(flows, p.Flow.Value/flow-1), append(capacities, p.Capacity.Value/capacity-1)
		t.Logf("%s: flow %.1f ± %.1f g/s (%.1f), capacity %.2f ± %.2f kW (%.2f), COP %.2f ± %.2f (%.2f)", r.name, 1000*p.Flow.Value, 1000*p.Flow.Uncertainty, 1000*flow,
			p.Capacity.Value/1000, p.Capacity.Uncertainty/1000, capacity/1000, p.COP.Value, p.COP.Uncertainty, capacity/r.v["comp_power_W"])
		if off := math.Abs(p.Flow.Value - flow); off > 2*p.Flow.Uncertainty {
			t.Errorf("%s: flow %.4f ± %.4f kg/s, measured %.4f", r.name, p.Flow.Value, p.Flow.Uncertainty, flow)
		}
		if off := math.Abs(p.Capacity.Value - capacity); off > 2.5*p.Capacity.Uncertainty {
			t.Errorf("%s: capacity %.0f ± %.0f W, measured %.0f", r.name, p.Capacity.Value, p.Capacity.Uncertainty, capacity)
		}
	}
	flow, flowSD := meanSD(flows)
	capacity, capacitySD := meanSD(capacities)
	t.Logf("over measured: flow %+.1f %% ± %.1f %%, capacity %+.1f %% ± %.1f %%", 100*flow, 100*flowSD, 100*capacity, 100*capacitySD)
	if flowSD > 0.04 || capacitySD > 0.045 {
		t.Errorf("the spread is %.1f %% in flow and %.1f %% in capacity", 100*flowSD, 100*capacitySD)
	}
}

// TestPerformanceByMap: a map through three of the report's tests gives the flow of the other eight, and
// with it their capacity.
func TestPerformanceByMap(t *testing.T) {
	m := machine(t, "R-410A", dewline.HeatPump)
	rows := nistRows(t)
	dews := func(r nistRow) (s, d float64) {
		s, _, _ = m.saturation(r.pascal("comp_suction_psia"), 0, true)
		d, _, _ = m.saturation(r.pascal("comp_discharge_psia"), 0, true)
		return s, d
	}
	const rated = 10 // K; the tests have 8 to 12 K
	// m = c0 + c1 S + c2 D through three tests, by Cramer's rule.
	var a [3][4]float64
	for i, k := range []int{1, 6, 7} {
		s, d := dews(rows[k])
		a[i] = [4]float64{1, s, d, rows[k].v["mass_flow_lbmh"] * kgS}
	}
	det := func(x, y, z int) float64 {
		return a[0][x]*(a[1][y]*a[2][z]-a[1][z]*a[2][y]) - a[0][y]*(a[1][x]*a[2][z]-a[1][z]*a[2][x]) + a[0][z]*(a[1][x]*a[2][y]-a[1][y]*a[2][x])
	}
	whole := det(0, 1, 2)
	m.System.CompressorMap = &dewline.CompressorMap{MassFlow: dewline.MapPolynomial{det(3, 1, 2) / whole, det(0, 3, 2) / whole, det(0, 1, 3) / whole}, RatedSuperheat: rated}
	var flows, capacities []float64
	for _, r := range rows {
		p := m.Performance(nistMeans(r))
		if p.Flow != p.MapFlow {
			t.Fatalf("%s: the flow %+v is not the map's %+v", r.name, p.Flow, p.MapFlow)
		}
		flows = append(flows, p.Flow.Value/(r.v["mass_flow_lbmh"]*kgS)-1)
		capacities = append(capacities, p.Capacity.Value/(r.v["capacity_Btuh"]*watt+indoorFanW)-1)
	}
	flow, flowSD := meanSD(flows)
	capacity, capacitySD := meanSD(capacities)
	t.Logf("over measured: flow %+.1f %% ± %.1f %%, capacity %+.1f %% ± %.1f %%", 100*flow, 100*flowSD, 100*capacity, 100*capacitySD)
	if math.Abs(flow) > 0.02 || flowSD > 0.02 || math.Abs(capacity) > 0.07 || capacitySD > 0.03 {
		t.Error("want flow within 2 % ± 2 % and capacity, with what the lines take up, within 7 % ± 3 %")
	}
}

// TestMapIsCorrectedForTheGasDrawn: R-134a at 300 kPa is 12.0 kg/m3 dense at its rated 18.3 °C return gas
// and denser when colder; three quarters of the change reach the flow.
func TestMapIsCorrectedForTheGasDrawn(t *testing.T) {
	m := machine(t, "R-134a", dewline.WalkInCooler)
	m.System.CompressorMap = &dewline.CompressorMap{MassFlow: dewline.MapPolynomial{0.02}, RatedReturnGas: 291.45}
	in := Means{SuctionPressurePa: Measured(300e3), SuctionC: Measured(18.3), HighPressurePa: Measured(1e6)}
	if p := m.Performance(in); math.Abs(p.MapFlow.Value-0.02) > 1e-9 || p.Capacity.Missing != noLiquid || p.BalanceFlow.Missing != noPower {
		t.Errorf("at the rated gas: %+v", p)
	}
	in.SuctionC = Measured(6)
	cold, err := m.refr.AtPT(300e3, 279.15)
	if err != nil {
		t.Fatal(err)
	}
	rated, err := m.refr.AtPT(300e3, 291.45)
	if err != nil {
		t.Fatal(err)
	}
	want := 0.02 * (1 + 0.75*(float64(cold.Density)/float64(rated.Density)-1))
	if p := m.Performance(in); math.Abs(p.MapFlow.Value-want) > 1e-9 || want < 0.0205 {
		t.Errorf("colder gas: %+v, want %.5f kg/s", p.MapFlow, want)
	}
}

// TestPerformanceUncertaintyIsThatOfItsInputs: what is stated is what comes out when each input is moved
// by its own standard uncertainty, and the method by its.
func TestPerformanceUncertaintyIsThatOfItsInputs(t *testing.T) {
	m := machine(t, "R-410A", dewline.HeatPump)
	base := nistMeans(nistRows(t)[9])
	p := m.Performance(base)
	move := func(change func(*Means)) Performance {
		in := base
		change(&in)
		return m.Performance(in)
	}
	u := func(k dewline.Point) float64 { return m.sensor[k].u }
	power := powerMeterU * base.PowerW.Value
	var flow, capacity, cop float64
	for _, q := range []Performance{
		move(func(in *Means) { in.SuctionC.Value += u(dewline.SuctionTemp) }),
		move(func(in *Means) { in.LiquidC.Value += u(dewline.LiquidTemp) }),
		move(func(in *Means) { in.DischargeC.Value += u(dewline.DischargeTemp) }),
		move(func(in *Means) { in.SuctionPressurePa.Value += u(dewline.SuctionPressure) }),
		move(func(in *Means) { in.HighPressurePa.Value += u(dewline.LiquidPressure) }),
	} {
		flow += math.Pow(q.Flow.Value-p.Flow.Value, 2)
		capacity += math.Pow(q.Capacity.Value-p.Capacity.Value, 2)
		cop += math.Pow(q.COP.Value-p.COP.Value, 2)
	}
	shell := shellLossU / (1 - usualShellLoss)
	meter := move(func(in *Means) { in.PowerW.Value += power })
	if math.Abs(meter.COP.Value-p.COP.Value) > 1e-9 {
		t.Error("the power meter's error moves the COP, though by the balance it cancels")
	}
	flow += math.Pow(meter.Flow.Value-p.Flow.Value, 2) + math.Pow(shell*p.Flow.Value, 2)
	capacity += math.Pow(meter.Capacity.Value-p.Capacity.Value, 2) + math.Pow(shell*p.Capacity.Value, 2)
	cop += math.Pow(shell*p.COP.Value, 2)
	for _, c := range []struct {
		name         string
		stated, want float64
	}{{"flow", p.Flow.Uncertainty, math.Sqrt(flow)}, {"capacity", p.Capacity.Uncertainty, math.Sqrt(capacity)}, {"COP", p.COP.Uncertainty, math.Sqrt(cop)}} {
		if math.Abs(c.stated/c.want-1) > 0.05 { // that a pressure moves the enthalpy of gas is left out
			t.Errorf("%s: uncertainty %.5g stated, %.5g by moving the inputs", c.name, c.stated, c.want)
		}
	}
}

func TestPerformanceSaysWhyNot(t *testing.T) {
	m := machine(t, "R-410A", dewline.HeatPump)
	full := nistMeans(nistRows(t)[9])
	for _, c := range []struct {
		name   string
		change func(*Means)
		of     func(*Performance) dewline.Estimate
		want   string
	}{
		{"wet suction", func(in *Means) { in.SuctionC.Value -= 11 }, func(p *Performance) dewline.Estimate { return p.Flow }, wetSuction},
		{"no suction line", func(in *Means) { in.SuctionC = Mean{} }, func(p *Performance) dewline.Estimate { return p.COP }, noSuction},
		{"wet discharge", func(in *Means) { in.DischargeC.Value -= 31 }, func(p *Performance) dewline.Estimate { return p.BalanceFlow }, wetDischarge},
		{"no power", func(in *Means) { in.PowerW = Mean{} }, func(p *Performance) dewline.Estimate { return p.Flow }, noMap + "; " + noPower},
		{"flash gas", func(in *Means) { in.LiquidC.Value += 12 }, func(p *Performance) dewline.Estimate { return p.Capacity }, flashGas},
		{"flow without liquid", func(in *Means) { in.LiquidC = Mean{} }, func(p *Performance) dewline.Estimate { return p.Flow }, ""},
		{"capacity without liquid", func(in *Means) { in.LiquidC = Mean{} }, func(p *Performance) dewline.Estimate { return p.Capacity }, noLiquid},
		{"above the critical pressure", func(in *Means) { in.HighPressurePa.Value = 6e6 }, func(p *Performance) dewline.Estimate { return p.BalanceFlow }, Transcritical.String()},
		{"no high pressure", func(in *Means) { in.HighPressurePa = Mean{} }, func(p *Performance) dewline.Estimate { return p.BalanceFlow }, noHigh},
	} {
		in := full
		c.change(&in)
		p := m.Performance(in)
		if got := c.of(&p); got.Missing != c.want {
			t.Errorf("%s: missing %q, want %q", c.name, got.Missing, c.want)
		}
	}
	m.System.CompressorSpeed = dewline.VariableSpeed
	m.System.CompressorMap = &dewline.CompressorMap{MassFlow: dewline.MapPolynomial{0.05}, RatedSuperheat: 10}
	if p := m.Performance(full); p.MapFlow.Missing != mapOneSpeed || p.Flow != p.BalanceFlow {
		t.Errorf("a variable compressor: %+v", p)
	}
}

func BenchmarkPerformance(b *testing.B) {
	m, err := NewMachine(&dewline.System{ID: "quay/hall", Refrigerant: "R-448A"}, &dewline.Site{ID: "quay"})
	if err != nil {
		b.Fatal(err)
	}
	in := Means{SuctionPressurePa: Measured(500e3), HighPressurePa: Measured(1800e3), SuctionC: Measured(12), LiquidC: Measured(32), DischargeC: Measured(80), PowerW: Measured(2000)}
	for b.Loop() {
		m.Performance(in)
	}
}
