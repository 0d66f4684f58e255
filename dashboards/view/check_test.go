package view_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"dewline"
	"dewline/dashboards/view"
	"dewline/thermo/si"
)

// checkOf looks at a system that was seen each five minutes for two hours, at rest unless it ran.
func checkOf(values map[string]float64, running bool) view.SensorCheck {
	now := time.Date(2031, 7, 1, 12, 0, 0, 0, time.UTC)
	sys := &dewline.System{Kind: dewline.SplitAC, Metering: dewline.TXV}
	for _, p := range []dewline.Point{dewline.SuctionPressure, dewline.LiquidPressure, dewline.SuctionTemp, dewline.LiquidTemp, dewline.OutdoorAirTemp, dewline.CompressorOn} {
		sys.Points = append(sys.Points, dewline.PointFitting{Point: p})
	}
	series := dewline.Series{}
	for i := range 25 {
		series.Times = append(series.Times, dewline.MillisOf(now.Add(time.Duration(i-24)*5*time.Minute)))
	}
	for _, q := range view.CheckQuantities(sys) {
		c := dewline.Column{Quantity: q}
		for range series.Times {
			v, ok := values[q]
			if !ok {
				v = math.NaN()
			}
			c.Values = append(c.Values, v)
		}
		series.Columns = append(series.Columns, c)
	}
	state := dewline.SystemState{At: dewline.MillisOf(now), Running: running}
	return view.NewSensorCheck(sys, series, state, view.Reader{Now: now, Zone: time.UTC, Idiom: view.Idiom{System: si.SI}})
}

// atRest are readings of R-410A that stands in air of 20 °C.
func atRest(change map[string]float64) map[string]float64 {
	v := map[string]float64{"suction_pressure": 1_345_000, "liquid_pressure": 1_345_000, "suction_temp": 20, "liquid_temp": 20.5, "outdoor_air_temp": 20, "compressor_on": 0,
		"suction_pressure_abs": 1_446_000, "liquid_pressure_abs": 1_446_000, "suction_dew_temp": 20.1, "liquid_bubble_temp": 20.0}
	for k, x := range change {
		if v[k] = x; math.IsNaN(x) {
			delete(v, k)
		}
	}
	return v
}

func TestSensorCheck(t *testing.T) {
	for name, c := range map[string]struct {
		change  map[string]float64
		running bool
		odd     int
		says    string // by a finding, a hint, a line or the reason
	}{
		"well":                {nil, false, 0, "The pressures have met"},
		"pressures apart":     {map[string]float64{"liquid_pressure_abs": 1_700_000}, false, 1, "254\u00a0kPa apart"},
		"a wrong reference":   {map[string]float64{"liquid_bubble_temp": 22.4, "suction_dew_temp": 25}, false, 1, "5.0\u00a0K apart. Is the refrigerant"},
		"a loose clamp":       {map[string]float64{"liquid_temp": 31}, false, 1, "clamp tight"},
		"it runs":             {map[string]float64{"compressor_on": 1}, true, 0, "When it has stood for an hour"},
		"stood unknown":       {map[string]float64{"compressor_on": math.NaN()}, false, 0, "Since when it stands is not known"},
		"clamps swapped":      {map[string]float64{"suction_temp": 35, "liquid_temp": 9}, true, 0, "26.0\u00a0K warmer"},
		"transducers swapped": {map[string]float64{"suction_pressure_abs": 2_400_000}, true, 0, "two pressure sensors are swapped"},
		"nothing of a point":  {map[string]float64{"suction_temp": math.NaN()}, false, 0, "nothing has arrived"},
	} {
		check := checkOf(atRest(c.change), c.running)
		text, odd := check.Why+strings.Join(check.Hints, ""), 0
		for _, f := range check.Rest {
			if text += f.Say; f.Odd {
				odd++
			}
		}
		for _, l := range check.Lines {
			text += l.Missing
		}
		if !strings.Contains(text, c.says) || odd != c.odd {
			t.Errorf("%s: %d odd, %s", name, odd, text)
		}
	}
	if l := checkOf(atRest(nil), false).Lines[0]; l.Value != "1\u2009345" && l.Value != "1345" || l.Unit != "kPa" || l.Age.Text != "now" {
		t.Errorf("a line is %+v", l)
	}
}
