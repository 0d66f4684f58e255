package expect

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
)

const (
	seaLevel = 101325.0
	mileHigh = 83.4e3 // 1609 m in the standard atmosphere
)

func TestMakersTableCellByCell(t *testing.T) {
	valued, dashes := 0, 0
	for _, c := range cells(t, superheatCSV) {
		got := TargetSuperheat(celsius(c.row), celsius(c.column))
		if math.IsNaN(c.value) {
			dashes++
			if got.Valid || !got.Low || got.Why != whyLow || got.Value >= Floor {
				t.Errorf("outdoor %g °F, wet bulb %g °F is a dash: %+v", c.row, c.column, got)
			}
			continue
		}
		valued++
		if !got.Valid || got.Low || got.Why != "" {
			t.Errorf("outdoor %g °F, wet bulb %g °F: %+v", c.row, c.column, got)
		}
		within(t, "cell", got.Value*1.8, c.value, 1e-6)
	}
	if valued != 160 || dashes != 64 {
		t.Errorf("%d cells and %d dashes, want 160 and 64", valued, dashes)
	}
}

func TestSecondMakersTable(t *testing.T) {
	// Printed in whole °C, so each label may be 0.9 °F off and each target 0.9 °F: in all ± 2 °F.
	var e errorsOf
	low, dashes := 0, 0
	for _, c := range cells(t, readFile(t, "testdata/target_superheat_second_maker.csv")) {
		got := TargetSuperheat(celsius(c.row), celsius(c.column))
		switch {
		case math.IsNaN(c.value):
			dashes++
			if got.Low {
				low++
			} else if got.Value*1.8 > 6.5 {
				t.Errorf("outdoor %g °F, wet bulb %g °F is a dash with them: %+v", c.row, c.column, got)
			}
		case c.row == 75.2 && c.column == 68:
			// An evident misprint: 7.8 °C between 11.7 and 15.6.
		default:
			e.add(got.Value*1.8 - c.value)
		}
	}
	within(t, "cells", float64(e.n), 123, 0)
	within(t, "largest difference", e.most(), 0, 2)
	within(t, "root mean square", e.rms(), tableSDF, 0.05) // where the deviation of a target is from
	if low < dashes-1 {
		t.Errorf("%d of %d dashes are low here too, want all but one", low, dashes)
	}
}

func TestCaliforniaRowsFromMemory(t *testing.T) {
	// California RA3, table RA3.2-2, rows 55 to 60 °F, all from memory.
	var e errorsOf
	for _, c := range cells(t, readFile(t, "testdata/target_superheat_ra3.csv")) {
		got := TargetSuperheat(celsius(c.row), celsius(c.column))
		if !got.Valid {
			t.Errorf("outdoor %g °F, wet bulb %g °F: %+v", c.row, c.column, got)
		}
		e.add(got.Value*1.8 - c.value)
	}
	within(t, "cells", float64(e.n), 162, 0)
	within(t, "largest difference", e.most(), 0, 1.001)
	within(t, "root mean square", e.rms(), 0.4, 0.05)
}

func TestWorkedExamples(t *testing.T) {
	// Installation manual of a fixed-orifice split air conditioner (14ACX), page 26.
	for _, c := range []struct{ wetBulbF, outdoorF, targetF float64 }{{66, 90, 13}, {68, 85, 19}, {70, 95, 18}} {
		got := TargetSuperheat(celsius(c.outdoorF), celsius(c.wetBulbF))
		within(t, "target", got.Value*1.8, c.targetF, 1e-6)
	}
	if got := TargetSuperheat(celsius(95), celsius(60)); got.Valid || !got.Low {
		t.Errorf("outdoor 95 °F, wet bulb 60 °F: %+v, want a test that is not valid", got)
	}
	// California Reference Appendix RA3.2.2 (2008), pages RA3-14 and 15: within 5 °F passes; for a valve
	// within 3 °F, so 4 under the target fails and refrigerant is added.
	f := func(v float64) float64 { return v / 1.8 }
	for _, c := range []struct {
		what      string
		got, want Charge
	}{
		{"superheat 5.0 °F over", ChargeBySuperheat(f(18), f(13), SuperheatInstaller), Accepted},
		{"superheat 5.0 °F under", ChargeBySuperheat(f(8), f(13), SuperheatInstaller), Accepted},
		{"superheat 5.5 °F over", ChargeBySuperheat(f(18.5), f(13), SuperheatInstaller), Undercharged},
		{"the same for a verifier", ChargeBySuperheat(f(18.5), f(13), SuperheatVerifier), Accepted},
		{"superheat 6.5 °F under", ChargeBySuperheat(f(6.5), f(13), SuperheatVerifier), Overcharged},
		{"subcooling 4 °F under", ChargeBySubcooling(f(6), f(10), SubcoolingInstaller), Undercharged},
		{"the same for a verifier", ChargeBySubcooling(f(6), f(10), SubcoolingVerifier), Accepted},
		{"subcooling 4 °F over", ChargeBySubcooling(f(14), f(10), SubcoolingInstaller), Overcharged},
	} {
		if c.got != c.want {
			t.Errorf("%s: %d, want %d", c.what, c.got, c.want)
		}
	}
}

func TestClosedFormulaAgainstTable(t *testing.T) {
	var all, everyday errorsOf
	overDash, underCell := 0, 0
	for _, c := range cells(t, superheatCSV) {
		v := closedFormula(c.row, c.column)
		if math.IsNaN(c.value) {
			if v >= 5 {
				overDash++
			}
			continue
		}
		if v < 5 {
			underCell++
		}
		all.add(v - c.value)
		if c.row >= 75 && c.row <= 105 && c.column >= 58 && c.column <= 72 {
			everyday.add(v - c.value)
		}
	}
	// The error statistics that this project's notes on the trade state.
	within(t, "mean", all.mean(), -0.2, 0.05)
	within(t, "root mean square", all.rms(), 1.6, 0.05)
	within(t, "lowest", all.low, -7.5, 1e-9)
	within(t, "highest", all.high, 3, 1e-9)
	within(t, "everyday cells", float64(everyday.n), 41, 0)
	within(t, "everyday mean", everyday.mean(), 0.6, 0.06)
	within(t, "everyday root mean square", everyday.rms(), 1.3, 0.05)
	within(t, "everyday largest", everyday.most(), 3, 1e-9)
	if overDash != 4 || underCell != 0 {
		t.Errorf("%d dashes have a formula over 5 °F, %d cells one under; want 4 and 0", overDash, underCell)
	}
}

func TestTargetOutsideTheTable(t *testing.T) {
	for _, c := range []struct {
		outdoorF, wetBulbF float64
		valueF, sdF        float64
		low                bool
		why                string
	}{
		{35, 60, 32.5, 3, false, whyOutside}, // (180 - 80 - 35)/2
		{120, 74, 11, 3, false, whyOutside},
		{115, 78, 19.5, 3, false, whyOutside},
		{95, 48, 0, 3, true, whyLow},
		{25, 60, 0, inf, false, whyFar},
		{95, 90, 0, inf, false, whyFar},
		{math.NaN(), 60, 0, inf, false, whyCannot},
		{95, math.Inf(1), 0, inf, false, whyCannot},
	} {
		got := TargetSuperheat(celsius(c.outdoorF), celsius(c.wetBulbF))
		if got.Valid || got.Low != c.low || got.Why != c.why {
			t.Errorf("outdoor %g °F, wet bulb %g °F: %+v", c.outdoorF, c.wetBulbF, got)
		}
		within(t, "value", got.Value*1.8, c.valueF, 1e-6)
		if got.SD*1.8 != c.sdF {
			within(t, "sd", got.SD*1.8, c.sdF, 1e-6)
		}
	}
}

// TestTargetIsSmooth walks the table in small steps: hotter outside never raises the target, more
// humid air never lowers it, and there is no jump, at the border of the dashes neither.
func TestTargetIsSmooth(t *testing.T) {
	const step = 0.05
	for outdoor := 4.5; outdoor < 46; outdoor += step * 4 {
		for wet := 10.05; wet < 24.3; wet += step {
			here := TargetSuperheat(outdoor, wet)
			hotter, wetter := TargetSuperheat(outdoor+step, wet), TargetSuperheat(outdoor, wet+step)
			if hotter.Value > here.Value+1e-9 || wetter.Value < here.Value-1e-9 ||
				here.Value-hotter.Value > 3*step || wetter.Value-here.Value > 4.5*step {
				t.Fatalf("outdoor %.2f, wet bulb %.2f °C: %.3f K; hotter %.3f, wetter %.3f", outdoor, wet, here.Value, hotter.Value, wetter.Value)
			}
			if here.Valid == here.Low || here.Low != (here.Value < Floor-1e-6) || !(here.SD > 0.4 && here.SD < 1) {
				t.Fatalf("outdoor %.2f, wet bulb %.2f °C: %+v", outdoor, wet, here)
			}
		}
	}
}

func TestWetBulb(t *testing.T) {
	// Exact roots by another program, °F; 80 °F and 67 °F at 51 % is the standard rating point.
	for _, c := range []struct{ dryF, rh, pressure, wetF float64 }{
		{80, 51.1, seaLevel, 67.00}, {80, 50, seaLevel, 66.67}, {75, 50, seaLevel, 62.56}, {70, 40, seaLevel, 55.78},
		{75, 63, seaLevel, 66.11}, {80, 51.1, mileHigh, 66.21}, {75, 50, mileHigh, 61.72}, {75, 63, mileHigh, 65.56},
	} {
		got, ok := WetBulb(celsius(c.dryF), c.rh, c.pressure)
		if !ok {
			t.Fatalf("%+v: no wet bulb", c)
		}
		within(t, "wet bulb", fahrenheit(got), c.wetF, 0.02)
	}
	// Stull (2011), J. Appl. Meteor. Climatol. 50:2267: 13.7 °C, his fit being good to 0.3 K on average.
	got, _ := WetBulb(20, 50, seaLevel)
	within(t, "Stull", got, 13.7, 0.3)
	for _, c := range [][3]float64{{20, 101, seaLevel}, {20, -1, seaLevel}, {20, 50, 400e3}, {math.NaN(), 50, seaLevel}, {20, 50, math.Inf(1)}} {
		if got, ok := WetBulb(c[0], c[1], c[2]); ok {
			t.Errorf("%v: %g °C", c, got)
		}
	}
}

func TestTargetOfUnmeasuredHumidity(t *testing.T) {
	rng := rand.New(rand.NewPCG(50, 10))
	for _, c := range []struct{ outdoor, room, pressure float64 }{
		{20, 24, seaLevel}, {28, 24, seaLevel}, {30, 26, mileHigh}, {35, 27, seaLevel}, {35, 24, seaLevel},
	} {
		got := TargetSuperheatDry(c.outdoor, c.room, c.pressure)
		// Against ten thousand draws of the humidity.
		var draws errorsOf
		for range 10000 {
			wet, _ := WetBulb(c.room, max(0, min(50+10*rng.NormFloat64(), 100)), c.pressure)
			one := TargetSuperheat(c.outdoor, wet)
			draws.add(one.Value + one.SD*rng.NormFloat64())
		}
		within(t, "mean", got.Value, draws.mean(), 0.1)
		within(t, "sd", got.SD, math.Sqrt(draws.rms()*draws.rms()-draws.mean()*draws.mean()), 0.1)
		wet, _ := WetBulb(c.room, 50, c.pressure)
		if measured := TargetSuperheat(c.outdoor, wet); got.SD < 2*measured.SD && got.Value > 2*got.SD {
			t.Errorf("%+v: sd %.2f K without humidity, %.2f K with: want it to cost something", c, got.SD, measured.SD)
		}
		if got.Valid == got.Low || got.Low != (got.Value < Floor) || got.Why == "" {
			t.Errorf("%+v: %+v", c, got)
		}
	}
	if got := TargetSuperheatDry(math.NaN(), 24, seaLevel); !math.IsInf(got.SD, 1) || got.Valid || got.Low {
		t.Errorf("no outdoor air: %+v", got)
	}
	if got := TargetSuperheatDry(1, 24, seaLevel); got.Valid || got.Why != whyOutside {
		t.Errorf("cold outside: %+v", got)
	}
	// ± 3 % of humidity at 75 °F and 50 % is ± 0.85 °F of wet bulb, hence by the formula's slope ± 1.3 °F of
	// target; the table is a little steeper here.
	sharp, blunt := TargetSuperheatRH(celsius(80), celsius(75), 50, 0, seaLevel), TargetSuperheatRH(celsius(80), celsius(75), 50, 3, seaLevel)
	within(t, "what a sensor costs, °F", 1.8*math.Sqrt(blunt.SD*blunt.SD-sharp.SD*sharp.SD), 1.3, 0.15)
	if !sharp.Valid || sharp.Why != "" {
		t.Errorf("measured humidity: %+v", sharp)
	}
	wet, _ := WetBulb(celsius(75), 50, seaLevel)
	if want := TargetSuperheat(celsius(80), wet); math.Abs(sharp.Value-want.Value) > 1e-9 || math.Abs(sharp.SD-want.SD) > 1e-6 {
		t.Errorf("humidity known exactly: %+v, want %+v", sharp, want)
	}
}

func TestAirSplitCellByCell(t *testing.T) {
	// California RA3, table RA3.2-3 (2008 edition), rows 70 to 76 °F, all from memory.
	n := 0
	for _, c := range cells(t, splitCSV) {
		got := AirSplit(celsius(c.row), celsius(c.column))
		if c.column > c.row {
			if got.Valid || got.Why != whyCannot || !math.IsInf(got.SD, 1) {
				t.Errorf("wet bulb %g °F in air of %g °F: %+v", c.column, c.row, got)
			}
			continue
		}
		n++
		if !got.Valid || got.Low || got.Why != "" {
			t.Errorf("return %g °F, wet bulb %g °F: %+v", c.row, c.column, got)
		}
		within(t, "cell", got.Value*1.8, c.value, 1e-6)
	}
	within(t, "cells", float64(n), 189-21, 0)
}

func TestAirSplitOutsideTheTable(t *testing.T) {
	edge := AirSplit(celsius(76), celsius(60))
	beyond := AirSplit(celsius(80), celsius(60))
	within(t, "4 °F warmer", (beyond.Value-edge.Value)*1.8, 4*0.55, 0.1) // its rows rise by 0.55 per °F
	if beyond.Valid || beyond.Why != whyEdge || beyond.SD <= edge.SD {
		t.Errorf("beyond the rows: %+v", beyond)
	}
	dry := AirSplit(celsius(74), celsius(46))
	within(t, "a dry coil", dry.Value*1.8, 23, 1e-6)
	if got := AirSplit(celsius(90), celsius(60)); !math.IsInf(got.SD, 1) || got.Why != whyFar {
		t.Errorf("far beyond: %+v", got)
	}
	if got := AirSplit(24, math.NaN()); !math.IsInf(got.SD, 1) || got.Why != whyCannot {
		t.Errorf("no wet bulb: %+v", got)
	}
	got := AirSplitDry(24, seaLevel)
	wet, _ := WetBulb(24, 50, seaLevel)
	if want := AirSplit(24, wet); !got.Valid || got.SD <= want.SD || math.Abs(got.Value-want.Value) > 0.3 || got.Why != whyAssumed {
		t.Errorf("humidity not measured: %+v, measured %+v", got, want)
	}
}

func TestLookupsDoNotAllocate(t *testing.T) {
	for what, f := range map[string]func(){
		"TargetSuperheat":    func() { TargetSuperheat(35, 18); TargetSuperheat(0, 40); TargetSuperheat(math.NaN(), 0) },
		"TargetSuperheatDry": func() { TargetSuperheatDry(35, 24, seaLevel) },
		"AirSplit":           func() { AirSplit(24, 18); AirSplit(30, 18) },
		"AirSplitDry":        func() { AirSplitDry(24, seaLevel) },
	} {
		if n := testing.AllocsPerRun(50, f); n != 0 {
			t.Errorf("%s: %g allocations", what, n)
		}
	}
}

func TestBadTablesAreRefused(t *testing.T) {
	for why, text := range map[string]string{
		"a cell is missing": "h,h,h,h\n1,1,1,\n1,2,1,\n2,1,1,\n",
		"uneven labels":     "h,h,h,h\n1,1,1,\n2,1,1,\n4,1,1,\n1,2,1,\n2,2,1,\n4,2,1,\n",
		"no number":         "h,h,h,h\n1,1,x,\n1,2,1,\n2,1,1,\n2,2,1,\n",
		"ragged":            "h,h,h,h\n1,1\n",
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: read", why)
				}
			}()
			readGrid(text)
		}()
	}
}

var inf = math.Inf(1)

func celsius(f float64) float64 { return (f - 32) / 1.8 }

type cell struct{ row, column, value float64 }

// cells reads a table in the way of a spreadsheet, not of the package.
func cells(t *testing.T, text string) (list []cell) {
	t.Helper()
	records, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range records[1:] {
		c := cell{number(r[0]), number(r[1]), math.NaN()}
		if r[2] != "" {
			c.value = number(r[2])
		}
		if r[3] == "" {
			t.Errorf("%v has no provenance", r)
		}
		list = append(list, c)
	}
	return list
}

func readFile(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// errorsOf sums differences.
type errorsOf struct {
	n                      int
	sum, square, low, high float64
}

func (e *errorsOf) add(v float64) {
	e.n++
	e.sum += v
	e.square += v * v
	e.low, e.high = min(e.low, v), max(e.high, v)
}

func (e *errorsOf) mean() float64 { return e.sum / float64(e.n) }
func (e *errorsOf) rms() float64  { return math.Sqrt(e.square / float64(e.n)) }
func (e *errorsOf) most() float64 { return max(-e.low, e.high) }

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.6g, want %.6g ± %.2g", what, got, want, tolerance)
	}
}
