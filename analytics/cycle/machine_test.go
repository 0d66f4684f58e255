package cycle

import (
	"math"
	"testing"

	"dewline"
	"dewline/thermo"
	"dewline/thermo/si"
)

func machine(t *testing.T, refrigerant string, kind dewline.Kind, points ...dewline.PointFitting) *Machine {
	t.Helper()
	sys := &dewline.System{ID: "quay/hall", Refrigerant: refrigerant, Kind: kind, Metering: dewline.TXV, CoilDrop: 60_000, Points: points}
	m, err := NewMachine(sys, &dewline.Site{ID: "quay", Altitude: 1609})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func frame(values map[dewline.Point]float64) *Frame {
	var f Frame
	for p, v := range values {
		f.Set(p, 1_000_000, v)
	}
	return &f
}

// TestWorkedSuperheat: R-410A at 118 psig has its saturation at 40 F by a manufacturer's
// installation manual (48478A006, table 5), so a suction line at 52 F has 12 F of superheat. The
// manual's gauge is at sea level; a sealed gauge counts from the same pressure at any altitude.
func TestWorkedSuperheat(t *testing.T) {
	m := machine(t, "R-410A", dewline.SplitAC, dewline.PointFitting{Point: dewline.SuctionPressure, Reference: dewline.SealedGauge})
	var f Features
	m.Evaluate(frame(map[dewline.Point]float64{
		dewline.SuctionPressure: float64(si.FromPSI(118)), dewline.SuctionTemp: si.FromFahrenheit(52).Celsius(),
	}), &f)
	if got := f.Value[Superheat] * 9 / 5; !f.OK(Superheat) || math.Abs(got-12) > 0.4 {
		t.Errorf("superheat %.2f F, want 12 within 0.4 (%s)", got, f.Missing[Superheat])
	}
}

// TestGaugeCountsFromTheSite: at 1609 m the air has 83.4 kPa (ISO 2533).
func TestGaugeCountsFromTheSite(t *testing.T) {
	m := machine(t, "R-410A", dewline.SplitAC)
	var f Features
	m.Evaluate(frame(map[dewline.Point]float64{dewline.SuctionPressure: 800_000}), &f)
	if got := f.Value[SuctionPressureAbs]; math.Abs(got-883_400) > 100 {
		t.Errorf("absolute pressure %.0f Pa, want 883400", got)
	}
}

func TestWhatIsMissingIsSaid(t *testing.T) {
	full := map[dewline.Point]float64{
		dewline.SuctionPressure: 300_000, dewline.SuctionTemp: 10, dewline.LiquidPressure: 1_500_000, dewline.LiquidTemp: 40,
		dewline.OutdoorAirTemp: 30, dewline.DischargeTemp: 80,
	}
	without := func(p dewline.Point) map[dewline.Point]float64 {
		m := map[dewline.Point]float64{}
		for k, v := range full {
			if k != p {
				m[k] = v
			}
		}
		return m
	}
	with := func(p dewline.Point, v float64) map[dewline.Point]float64 {
		m := without(p)
		m[p] = v
		return m
	}
	for _, c := range []struct {
		name    string
		values  map[dewline.Point]float64
		feature Feature
		want    Missing
	}{
		{"everything", full, Superheat, 0},
		{"everything", full, Subcooling, 0},
		{"everything", full, CondensingOverAir, 0},
		{"no suction line", without(dewline.SuctionTemp), Superheat, NoReading},
		{"no suction pressure", without(dewline.SuctionPressure), PressureRatio, NoReading},
		{"no outdoor air", without(dewline.OutdoorAirTemp), CondensingOverAir, NoReading},
		{"below vacuum", with(dewline.SuctionPressure, -90_000), Superheat, BelowVacuum},
		{"above critical", with(dewline.LiquidPressure, 5e6), Subcooling, Transcritical},
		{"above critical", with(dewline.LiquidPressure, 5e6), CondensingTemp, Transcritical},
		{"heating", with(dewline.OperatingMode, float64(dewline.ModeHeating)), CondensingOverAir, NotCooling},
	} {
		m := machine(t, "R-134a", dewline.HeatPump)
		var f Features
		m.Evaluate(frame(c.values), &f)
		if f.Missing[c.feature] != c.want {
			t.Errorf("%s: %v is missing for %q, want %q", c.name, derivedName(c.feature), f.Missing[c.feature], c.want)
		}
	}
}

func derivedName(k Feature) dewline.Derived { return dewline.DerivedValues()[k] }

// TestCarbonDioxideAboveItsCriticalPressure: 9 MPa is a common gas cooler pressure; there is no
// condensing there, and superheat on the low side is there all the same.
func TestCarbonDioxideAboveItsCriticalPressure(t *testing.T) {
	m := machine(t, "R-744", dewline.WalkInCooler, dewline.PointFitting{Point: dewline.SuctionPressure, Reference: dewline.Absolute}, dewline.PointFitting{Point: dewline.LiquidPressure, Reference: dewline.Absolute})
	var f Features
	m.Evaluate(frame(map[dewline.Point]float64{
		dewline.SuctionPressure: 2.6e6, dewline.SuctionTemp: 0, dewline.LiquidPressure: 9e6, dewline.LiquidTemp: 35,
	}), &f)
	if f.Missing[Subcooling] != Transcritical || f.Estimate(Subcooling).Missing == "" {
		t.Errorf("subcooling is missing for %q, want transcritical", f.Missing[Subcooling])
	}
	if !f.OK(Superheat) || !f.OK(PressureRatio) {
		t.Errorf("superheat %q and pressure ratio %q should exist", f.Missing[Superheat], f.Missing[PressureRatio])
	}
}

// TestDischargeServesForTheLiquidLine: without a liquid pressure the discharge pressure serves, less
// the drop of the coil.
func TestDischargeServesForTheLiquidLine(t *testing.T) {
	m := machine(t, "R-134a", dewline.SplitAC, dewline.PointFitting{Point: dewline.DischargePressure, Reference: dewline.Absolute})
	r, err := thermo.Lookup("R-134a")
	if err != nil {
		t.Fatal(err)
	}
	var f Features
	m.Evaluate(frame(map[dewline.Point]float64{dewline.DischargePressure: 1_260_000, dewline.LiquidTemp: 40}), &f)
	want, err := thermo.Subcooling(r, 1_200_000, si.FromCelsius(40))
	if err != nil {
		t.Fatal(err)
	}
	if got := f.Value[Subcooling]; math.Abs(got-float64(want)) > 1e-9 {
		t.Errorf("subcooling %.4f K, want %.4f at 60 kPa less", got, float64(want))
	}
}

func TestRunningIsToldByWhatIsFitted(t *testing.T) {
	m := machine(t, "R-134a", dewline.SplitAC)
	for _, c := range []struct {
		name           string
		values         map[dewline.Point]float64
		running, known bool
	}{
		{"its own status wins", map[dewline.Point]float64{dewline.CompressorOn: 0, dewline.CompressorCurrent: 9}, false, true},
		{"current", map[dewline.Point]float64{dewline.CompressorCurrent: 9}, true, true},
		{"crankcase heater", map[dewline.Point]float64{dewline.CompressorPower: 60}, false, true},
		{"pressures apart", map[dewline.Point]float64{dewline.SuctionPressure: 200_000, dewline.LiquidPressure: 900_000}, true, true},
		{"pressures apart, and a condenser as cold as the air was", map[dewline.Point]float64{dewline.SuctionPressure: 200_000, dewline.LiquidPressure: 600_000, dewline.OutdoorAirTemp: 25}, false, true},
		{"pressures met", map[dewline.Point]float64{dewline.SuctionPressure: 500_000, dewline.LiquidPressure: 510_000}, false, true},
		{"nothing", nil, false, false},
	} {
		fr := frame(c.values)
		var f Features
		m.Evaluate(fr, &f)
		if running, known, _ := m.Running(fr, &f); running != c.running || known != c.known {
			t.Errorf("%s: running %v, known %v, want %v, %v", c.name, running, known, c.running, c.known)
		}
	}
}

// TestModeOfAHeatPump: what a heat pump without a mode of its own gives away.
func TestModeOfAHeatPump(t *testing.T) {
	m := machine(t, "R-410A", dewline.HeatPump)
	at := func(dew float64) float64 {
		f, err := thermo.Lookup("R-410A")
		if err != nil {
			t.Fatal(err)
		}
		s, err := f.DewAt(si.FromCelsius(dew))
		if err != nil {
			t.Fatal(err)
		}
		return float64(s.Pressure) - float64(m.Barometer())
	}
	type values = map[dewline.Point]float64
	for _, c := range []struct {
		name   string
		values values
		want   dewline.Mode // ModeOff: not known
	}{
		{"its own word wins", values{dewline.OperatingMode: float64(dewline.ModeHeating), dewline.OutdoorAirTemp: 30, dewline.SuctionPressure: at(8)}, dewline.ModeHeating},
		{"nobody heats in this weather, and the coil is far colder than it", values{dewline.OutdoorAirTemp: 28, dewline.SuctionPressure: at(8)}, dewline.ModeCooling},
		{"a mild day", values{dewline.OutdoorAirTemp: 17, dewline.SuctionPressure: at(4)}, dewline.ModeOff},
		{"a coil that takes heat from mild air", values{dewline.OutdoorAirTemp: 19, dewline.SuctionPressure: at(12)}, dewline.ModeOff},
		{"warm air is supplied", values{dewline.OutdoorAirTemp: 19, dewline.SuctionPressure: at(4), dewline.ReturnAirTemp: 20, dewline.SupplyAirTemp: 34}, dewline.ModeHeating},
		{"cold air is supplied", values{dewline.ReturnAirTemp: 24, dewline.SupplyAirTemp: 13}, dewline.ModeCooling},
		{"cold air in a defrost", values{dewline.OutdoorAirTemp: 2, dewline.ReturnAirTemp: 20, dewline.SupplyAirTemp: 12}, dewline.ModeOff},
		{"nothing", nil, dewline.ModeOff},
	} {
		fr := frame(c.values)
		var f Features
		m.Evaluate(fr, &f)
		if f.Mode != c.want || f.ModeKnown != (c.want != dewline.ModeOff) {
			t.Errorf("%s: %v, known %v, want %v", c.name, f.Mode, f.ModeKnown, c.want)
		}
		if heating := c.want == dewline.ModeHeating; heating && f.OK(CondensingOverAir) {
			t.Errorf("%s: there is a condensing temperature over ambient", c.name)
		}
	}
	// The heat pump of NISTIR 7350 (2006), appendix D, cools in all of its eleven tests, by two sensors and by four.
	for _, r := range nistRows(t) {
		for _, air := range []bool{false, true} {
			v := values{dewline.SuctionPressure: r.pascal("comp_suction_psia") - float64(m.Barometer()), dewline.OutdoorAirTemp: r.celsius("outdoor_DB_F")}
			if air {
				v = values{dewline.ReturnAirTemp: r.celsius("indoor_DB_F"), dewline.SupplyAirTemp: r.celsius("supply_DB_F")}
			}
			fr := frame(v)
			var f Features
			m.Evaluate(fr, &f)
			if f.Mode != dewline.ModeCooling || !f.ModeKnown {
				t.Errorf("%s, by the air %v: %v, known %v", r.name, air, f.Mode, f.ModeKnown)
			}
		}
	}
	// A controller that tells its mode when it changes is believed for a day.
	fr := frame(values{dewline.OperatingMode: float64(dewline.ModeHeating)})
	var f Features
	fr.At += told
	if m.Evaluate(fr, &f); f.Mode != dewline.ModeHeating || !f.ModeKnown {
		t.Errorf("a day later: %v, known %v", f.Mode, f.ModeKnown)
	}
	fr.At++
	if m.Evaluate(fr, &f); f.ModeKnown {
		t.Errorf("after a day: %v", f.Mode)
	}
}

// TestAGatewayThatSendsWhatHasChanged: while nothing changes, what was sent last stands.
func TestAGatewayThatSendsWhatHasChanged(t *testing.T) {
	m := machine(t, "R-134a", dewline.SplitAC)
	var fr Frame
	at := dewline.Millis(1_900_000_000_000)
	for _, minutes := range []int{1, 1, 2, 1, 14, 1, 1, 17, 2, 1, 1, 12, 1} {
		at += dewline.Millis(minutes) * 60_000
		fr.Set(dewline.SuctionPressure, at, 300_000)
	}
	fr.Set(dewline.SuctionTemp, at+12*60_000, 10)
	if _, ok := fr.Get(dewline.SuctionPressure, m.Hold()); !ok {
		t.Error("after 12 min a point that is often silent for so long has no value")
	}
	fr = Frame{}
	for range 30 {
		at += 60_000
		fr.Set(dewline.SuctionPressure, at, 300_000)
	}
	fr.Set(dewline.SuctionTemp, at+6*60_000, 10)
	if _, ok := fr.Get(dewline.SuctionPressure, m.Hold()); ok {
		t.Error("after 6 min a point that is read each minute still has a value")
	}
}

func TestAReadingStandsForItsPointForAWhile(t *testing.T) {
	m := machine(t, "R-134a", dewline.SplitAC)
	fr := frame(map[dewline.Point]float64{dewline.SuctionPressure: 300_000})
	fr.Set(dewline.SuctionTemp, fr.At+m.Hold(), 10)
	var f Features
	if m.Evaluate(fr, &f); !f.OK(Superheat) {
		t.Errorf("superheat is missing for %q though the pressure is only five minutes old", f.Missing[Superheat])
	}
	fr.Set(dewline.SuctionTemp, fr.At+1, 10)
	if m.Evaluate(fr, &f); f.OK(Superheat) {
		t.Error("superheat of a pressure that is older than it stands for")
	}
}

// TestAReadingStandsForAsLongAsItIsUsuallyRead: where nobody has stated how often it is.
func TestAReadingStandsForAsLongAsItIsUsuallyRead(t *testing.T) {
	const minute = 60_000
	var fr Frame
	for i := range dewline.Millis(12) {
		fr.Set(dewline.SuctionPressure, 1+i*10*minute, 300_000)
	}
	last := fr.At
	stands := func(after dewline.Millis) bool {
		fr.At = last + after
		_, ok := fr.Get(dewline.SuctionPressure, 5*minute)
		return ok
	}
	if !stands(25*minute) || stands(25*minute+1) {
		t.Errorf("read every 10 min, it stands for 25 min %v, for longer %v", stands(25*minute), stands(25*minute+1))
	}
	fr.Set(dewline.SuctionPressure, last+24*60*minute, 300_000) // an outage is no habit
	if last = fr.At; !stands(25*minute) || stands(40*minute) {
		t.Errorf("after an outage it stands for 25 min %v, for 40 min %v", stands(25*minute), stands(40*minute))
	}
}

func TestEvaluateDoesNotAllocate(t *testing.T) {
	m := machine(t, "R-454B", dewline.SplitAC)
	fr := frame(map[dewline.Point]float64{dewline.SuctionPressure: 800_000, dewline.SuctionTemp: 10, dewline.LiquidPressure: 2_500_000, dewline.LiquidTemp: 35})
	var f Features
	if n := testing.AllocsPerRun(100, func() { m.Evaluate(fr, &f) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}
