package cycle

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"sync"
	"testing"

	"dewline"
	"dewline/thermo"
	"dewline/thermo/si"
)

// fullDischarge is the prediction by the full equations.
func fullDischarge(t *testing.T, r *thermo.Refrigerant, dewC, condC, heatK float64) (float64, bool) {
	t.Helper()
	d, err := r.DewAt(si.FromCelsius(dewC))
	if err != nil {
		return 0, false
	}
	gas := d
	if heatK > 0 {
		if gas, err = r.AtPT(d.Pressure, d.Temperature+si.Kelvin(heatK)); err != nil {
			return 0, false
		}
	}
	p := si.Pascal(pressureCondensing(r.Curve(), condC))
	ideal, err := r.AtPS(p, gas.Entropy)
	if err != nil {
		return 0, false
	}
	out, err := r.AtPH(p, gas.Enthalpy+(ideal.Enthalpy-gas.Enthalpy)/usualIsentropic*(1-usualShellLoss))
	if err != nil {
		return 0, false
	}
	sat, err := r.Dew(p)
	if err != nil {
		return 0, false
	}
	return float64(out.Temperature - sat.Temperature), true
}

func TestDischargeFitIsNearTheEquations(t *testing.T) {
	for _, name := range []string{"R-410A", "R-32", "R-22", "R-134a", "R-404A", "R-448A", "R-449A", "R-454B", "R-407C", "R-290", "R-513A", "R-1234yf"} {
		t.Run(name, func(t *testing.T) {
			r, err := thermo.Lookup(name)
			if err != nil {
				t.Fatal(err)
			}
			m, err := NewMachine(&dewline.System{ID: "quay/hall", Refrigerant: name}, &dewline.Site{ID: "quay"})
			if err != nil {
				t.Fatal(err)
			}
			worst, sum, n := 0.0, 0.0, 0.0
			var at [3]float64
			for dew := -45.0; dew <= 18; dew += 7 {
				for cond := 15.0; cond <= 68; cond += 53.0 / 8 {
					for _, heat := range []float64{0, 7, 18, 30} {
						got, ok := m.DischargeSuperheatAt(dew, cond, heat)
						if !ok {
							continue
						}
						want, exists := fullDischarge(t, r, dew, cond, heat)
						if !exists {
							continue
						}
						n++
						sum += (got - want) * (got - want)
						if off := math.Abs(got - want); off > worst {
							worst, at = off, [3]float64{dew, cond, heat}
						}
					}
				}
			}
			t.Logf("%d states, rms %.3f K, worst %.3f K at %v", int(n), math.Sqrt(sum/n), worst, at)
			if n < 200 {
				t.Errorf("only %d states compared", int(n))
			}
			if worst > 1 {
				t.Errorf("the fit is %.2f K off at suction dew %g °C, condensing %g °C, superheat %g K", worst, at[0], at[1], at[2])
			}
		})
	}
}

// nistRow is a test of NISTIR 7350, by the column's name, in the report's units.
type nistRow struct {
	name string
	v    map[string]float64
}

// nistRows reads the eleven no-fault tests of NISTIR 7350 (2006), appendix D.
func nistRows(t *testing.T) []nistRow {
	t.Helper()
	f, err := os.Open("../../testdata/trade/nistir7350_no_fault_tests.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	table, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []nistRow
	for _, r := range table[1:] {
		row := nistRow{r[0], map[string]float64{}}
		for k, head := range table[0] {
			if x, err := strconv.ParseFloat(r[k], 64); err == nil {
				row.v[head] = x
			}
		}
		rows = append(rows, row)
	}
	if len(rows) != 11 {
		t.Fatalf("%d tests, want 11", len(rows))
	}
	return rows
}

func (r nistRow) pascal(column string) float64 { return float64(si.FromPSI(r.v[column])) }
func (r nistRow) celsius(column string) float64 {
	return si.FromFahrenheit(r.v[column]).Celsius()
}

// TestDischargeOfALaboratoryMachine: an R-410A scroll of 2006 in eleven no-fault tests (NISTIR 7350,
// appendix D), of which the usual compressor knows nothing. What counts for diagnosis is the spread,
// since a machine's own offset is learned; the prior of the offset's size is a compressor's spread in
// efficiency, some 10 K.
func TestDischargeOfALaboratoryMachine(t *testing.T) {
	m := machine(t, "R-410A", dewline.SplitAC)
	var off []float64
	for _, r := range nistRows(t) {
		dew, _, ok := m.curve.Dew(si.Pascal(r.pascal("comp_suction_psia")))
		high, _, ok2 := m.curve.Dew(si.Pascal(r.pascal("comp_discharge_psia")))
		if !ok || !ok2 {
			t.Fatal("a pressure has no dew temperature")
		}
		want := r.celsius("comp_discharge_T_F") - high.Celsius()
		got, ok := m.DischargeSuperheatAt(dew.Celsius(), condensingOf(m.curve, r.pascal("comp_discharge_psia")), r.celsius("comp_suction_T_F")-dew.Celsius())
		if !ok {
			t.Fatalf("%s: no prediction", r.name)
		}
		t.Logf("%s: discharge superheat %.1f K, usual compressor %.1f K", r.name, want, got)
		off = append(off, want-got)
	}
	mean, sd := meanSD(off)
	t.Logf("measured less usual: mean %.2f K, standard deviation %.2f K", mean, sd)
	if math.Abs(mean) > 5 || sd > 1.5 {
		t.Errorf("mean %.2f K, standard deviation %.2f K; want within 5 and 1.5", mean, sd)
	}
}

func meanSD(v []float64) (mean, sd float64) {
	for _, x := range v {
		mean += x / float64(len(v))
	}
	for _, x := range v {
		sd += (x - mean) * (x - mean) / float64(len(v)-1)
	}
	return mean, math.Sqrt(sd)
}

func TestDischargeEndsWhereItIsNotKnown(t *testing.T) {
	m := machine(t, "R-404A", dewline.WalkInFreezer)
	for _, c := range []struct {
		name            string
		dew, cond, heat float64
		ok              bool
	}{
		{"a freezer", -32, 45, 12, true},
		{"a warm suction line", -8, 42, 38, true},
		{"too cold", -50, 40, 5, false},
		{"hardly a lift", 14, 20, 5, false},
		{"above the critical point", 0, 73, 5, false},
		{"not a superheat of suction gas", 5, 45, 60, false},
		{"no reading", math.NaN(), 45, 5, false},
	} {
		if _, ok := m.DischargeSuperheatAt(c.dew, c.cond, c.heat); ok != c.ok {
			t.Errorf("%s: ok %v, want %v", c.name, ok, c.ok)
		}
	}
	// A clamp that reads a shade below dew reads saturated gas.
	a, _ := m.DischargeSuperheatAt(-32, 45, -1.5)
	if b, _ := m.DischargeSuperheatAt(-32, 45, 0); a != b {
		t.Errorf("superheat -1.5 K gives %.3f K, 0 gives %.3f", a, b)
	}
	if v, ok := machine(t, "R-744", dewline.WalkInCooler).DischargeSuperheatAt(-10, 32, 8); ok {
		t.Errorf("carbon dioxide has a prediction of %.1f K above its critical temperature", v)
	}
}

func TestDischargeIsMadeOnceForAll(t *testing.T) {
	a, b := machine(t, "R-452A", dewline.WalkInFreezer), machine(t, "R-452A", dewline.DisplayCase)
	var got [8]float64
	var wait sync.WaitGroup
	for i := range got {
		wait.Go(func() { got[i], _ = []*Machine{a, b}[i%2].DischargeSuperheatAt(-30, 40, 10) })
	}
	wait.Wait()
	for _, v := range got {
		if v != got[0] || v < 20 {
			t.Fatalf("several answers: %v", got)
		}
	}
	if a.discharge != b.discharge {
		t.Error("two machines with one refrigerant have two fits")
	}
	if n := testing.AllocsPerRun(100, func() { a.DischargeSuperheatAt(-30, 40, 10) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkDischargeSuperheatAt(b *testing.B) {
	m, err := NewMachine(&dewline.System{ID: "quay/hall", Refrigerant: "R-410A"}, &dewline.Site{ID: "quay"})
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		m.DischargeSuperheatAt(5, 45, 8)
	}
}

func BenchmarkDischargeFit(b *testing.B) {
	r, err := thermo.Lookup("R-448A")
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		f := dischargeFit{refr: r}
		if err := f.fit(); err != nil {
			b.Fatal(err)
		}
	}
}
