package view_test

import (
	"net/url"
	"reflect"
	"strings"
	"testing"
	"time"

	"dewline"
	"dewline/dashboards/view"
	"dewline/thermo/si"
)

func lisbonTime(t *testing.T) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// wholeVisit says something in every field of a visit.
func wholeVisit() dewline.Visit {
	at := dewline.StampOf(time.Date(2031, 7, 2, 13, 5, 9, 0, time.UTC))
	later := func(minutes int) dewline.Stamp {
		return at + dewline.Stamp(time.Duration(minutes)*time.Minute/time.Millisecond)
	}
	return dewline.Visit{
		ID: "a-visit-of-mine", Revision: 7, Started: at, Finished: later(90), Technician: "João Łukasz", Certification: "HC-1", SignedBy: "M. Farol",
		AsFound: []dewline.GaugeReading{{Point: "suction_pressure", At: at + 123, Value: 812_000}, {Point: "suction_pressure", At: later(3), Value: 911_000, Reference: dewline.Absolute},
			{Point: "suction_temp", At: later(1), Value: 9.25}},
		AsLeft: []dewline.GaugeReading{{Point: "suction_pressure", At: later(80), Value: -20_000}, {Point: "compressor_current", At: later(80), Value: 7.1}},
		Refrigerant: []dewline.Weighing{{At: later(20), Refrigerant: "R-410A", Recovered: 2.9, Cylinder: "C 12"},
			{At: later(70), Refrigerant: "R-410A", Charged: 3.1, Recovered: 0.05, AsLiquid: true, Note: "slowly"}},
		Evacuation: &dewline.Evacuation{Limits: &dewline.VacuumLimits{Reach: 65, Hold: 600, NotOver: 130, Source: "page 14"}, Isolated: later(50),
			Points: []dewline.VacuumPoint{{At: later(45), Pressure: 60}, {At: later(61), Pressure: 90}}},
		Parts:   []dewline.PartChanged{{Part: "orifice", Was: "73", Now: "65", BoreWas: si.FromMillimetres(1.85), BoreNow: si.FromMillimetres(1.65), Serial: "S1", Note: "brass"}},
		Sensors: []dewline.SensorChange{{Point: "liquid_temp", At: later(75), Note: "clamp"}},
		Photos:  []dewline.Photo{{Digest: strings.Repeat("ab", 32), Type: "image/jpeg", Bytes: 1234, Note: "plate"}},
		Found:   &dewline.FoundCause{Fault: dewline.Overfeed, Detail: "orifice_too_large"}, Notes: "Two lines:\nsecond <b>.",
	}
}

// TestVisitThroughItsForm: what a form is filled with is what is read back, to what it takes to be read
// back again, in both systems of units.
func TestVisitThroughItsForm(t *testing.T) {
	for _, units := range []si.System{si.SI, si.US} {
		p := view.Paper{Idiom: view.Idiom{System: units}, Zone: lisbonTime(t)}
		want := wholeVisit()
		got, problems := view.VisitOf(view.VisitValues(want, p), p, 1)
		if len(problems) > 0 {
			t.Errorf("%v: %q", units, problems)
		}
		for _, v := range []*dewline.Visit{&want, &got} {
			rounded(v)
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%v:\n got %+v\nwant %+v", units, got, want)
		}
	}
	none := dewline.Visit{ID: "a-visit-of-mine", Revision: 1, Started: 5000, NoTroubleFound: true}
	p := view.Paper{}
	if got, problems := view.VisitOf(view.VisitValues(none, p), p, 1); !reflect.DeepEqual(got, none) || len(problems) > 0 {
		t.Errorf("%+v %q", got, problems)
	}
}

// rounded takes away what the digits of a form do not hold. A moment of the clock is in whole seconds.
func rounded(v *dewline.Visit) {
	near := func(x, step float64) float64 { return float64(int64(x/step+0.5*sign(x))) * step }
	for _, list := range [][]dewline.GaugeReading{v.AsFound, v.AsLeft} {
		for i := range list {
			list[i].Value = near(list[i].Value, 0.01)
			if list[i].Point == "suction_pressure" {
				list[i].Value = near(list[i].Value, 1)
			}
		}
	}
	for i := range v.Refrigerant {
		w := &v.Refrigerant[i]
		w.Charged, w.Recovered = si.Kilogram(near(float64(w.Charged), 0.001)), si.Kilogram(near(float64(w.Recovered), 0.001))
	}
	for i := range v.Parts {
		c := &v.Parts[i]
		c.BoreWas, c.BoreNow = si.Metre(near(float64(c.BoreWas), 1e-6)), si.Metre(near(float64(c.BoreNow), 1e-6))
	}
	if e := v.Evacuation; e != nil {
		e.Limits.Reach, e.Limits.NotOver, e.Limits.Hold = si.Pascal(near(float64(e.Limits.Reach), 0.1)), si.Pascal(near(float64(e.Limits.NotOver), 0.1)), near(e.Limits.Hold, 1)
		for i := range e.Points {
			e.Points[i].Pressure = si.Pascal(near(float64(e.Points[i].Pressure), 0.1))
		}
	}
}

func sign(x float64) float64 {
	if x < 0 {
		return -1
	}
	return 1
}

// TestTypedByHand: numbers as people type them, and what they are told of those that are none. 1 psi is
// 6,894.757 Pa, 1 micron 0.133322 Pa, 1 in 25.4 mm (NIST SP 811, appendix B.8).
func TestTypedByHand(t *testing.T) {
	reading := func(text string) url.Values {
		return url.Values{"reading.point": {"suction_pressure"}, "reading.found": {text}}
	}
	for text, want := range map[string]float64{"812": 812_000, "812,5": 812_500, " 812.5 ": 812_500, "8.1 bar": 810_000, "118 psi": 118 * 6894.757, "\u2212" + "20": -20_000} {
		v, problems := view.VisitOf(reading(text), view.Paper{}, 1)
		if len(problems) > 0 || len(v.AsFound) != 1 || abs(v.AsFound[0].Value-want) > 1 {
			t.Errorf("%q: %+v %q", text, v.AsFound, problems)
		}
	}
	for _, text := range []string{"abc", "1.2.3", "NaN", "Inf", "1e999", "12 apples", "<script>"} {
		v, problems := view.VisitOf(reading(text), view.Paper{}, 1)
		if len(problems) != 1 || len(v.AsFound) != 0 || !strings.HasPrefix(problems[0], "Suction pressure as found: ") {
			t.Errorf("%q: %+v %q", text, v.AsFound, problems)
		}
	}
	us := view.Paper{Idiom: view.Idiom{System: si.US}}
	v, problems := view.VisitOf(url.Values{
		"vacuum_reach": {"500"}, "vacuum_hold": {"20"}, "vacuum_over": {"1000"}, "vacuum.pressure": {"430", ""}, "vacuum.at": {"2031-07-02T14:00", ""},
		"part.part": {"orifice", ""}, "part.bore_now": {"0.065", ""}, "weigh.in": {"6.8"}, "weigh.refrigerant": {"R-410A"}, "reading.point": {"suction_temp"}, "reading.left": {"50"},
	}, us, 77)
	if len(problems) > 0 || abs(float64(v.Evacuation.Limits.Reach)-66.66) > 0.01 || v.Evacuation.Limits.Hold != 1200 || len(v.Evacuation.Points) != 1 ||
		abs(v.Parts[0].BoreNow.Millimetres()-1.651) > 1e-6 || abs(float64(v.Refrigerant[0].Charged)-3.0844) > 1e-3 || abs(v.AsLeft[0].Value-10) > 1e-9 || v.AsLeft[0].At != 77 {
		t.Errorf("%+v %q", v, problems)
	}
	// Nothing that is not typed is taken for something, and a row that says half is said to.
	_, problems = view.VisitOf(url.Values{"weigh.refrigerant": {"R-410A"}, "weigh.phase": {"liquid"}, "part.part": {""}}, us, 1)
	if len(problems) > 0 {
		t.Errorf("rows that nobody touched: %q", problems)
	}
	_, problems = view.VisitOf(url.Values{"weigh.cylinder": {"C 1"}, "part.note": {"x"}, "started": {"tomorrow"}}, us, 1)
	if len(problems) != 3 {
		t.Errorf("half rows: %q", problems)
	}
}

func abs(x float64) float64 { return x * sign(x) }

// FuzzVisitOf: whatever a form says, what is read of it can be kept, or nothing of it is.
func FuzzVisitOf(f *testing.F) {
	f.Add(view.VisitValues(wholeVisit(), view.Paper{}).Encode())
	f.Add("reading.point=suction_pressure&reading.found=1e308&weigh.in=-3&vacuum.pressure=-1&found=none+x")
	f.Fuzz(func(t *testing.T, query string) {
		values, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		p := view.Paper{Idiom: view.Idiom{System: si.US}}
		v, _ := view.VisitOf(values, p, 1000)
		view.NewVisitForm(values, &dewline.System{ID: "quay/hall", Refrigerant: "R-410A"}, nil, p)
		if v.Validate() != nil {
			return
		}
		again, problems := view.VisitOf(view.VisitValues(v, p), p, 1000)
		if len(problems) > 0 || len(again.AsFound) != len(v.AsFound) || len(again.Refrigerant) > len(v.Refrigerant) || len(again.Parts) != len(v.Parts) {
			t.Fatalf("%q: %+v becomes %+v, %q", query, v, again, problems)
		}
	})
}
