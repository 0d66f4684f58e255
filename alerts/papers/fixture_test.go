package papers_test

import (
	"context"
	"math"
	"time"

	"dewline"
	"dewline/alerts/papers"
	"dewline/thermo/si"
)

const hall dewline.SystemID = "quay-library/hall-ac"

func at(text string) dewline.Stamp {
	t, err := time.Parse("2006-01-02T15:04", text)
	if err != nil {
		panic(err)
	}
	return dewline.StampOf(t)
}

func ptr(v float64) *float64 { return &v }

var now = dewline.Millis(at("2031-07-09T08:00"))

func zone(name string) *time.Location {
	l, err := time.LoadLocation(name)
	if err != nil {
		panic(err)
	}
	return l
}

// fleet is one library in an invented harbour town.
func fleet() *dewline.Fleet {
	return dewline.NewFleet([]dewline.Owner{{ID: "city-buildings", Name: "City Buildings"}}, []dewline.Site{{
		ID: "quay-library", Name: "Quay Library", Owner: "city-buildings", Timezone: zone("Europe/Lisbon"), Altitude: 12,
		Systems: []dewline.System{{
			ID: hall, Name: "Reading hall split", Kind: dewline.SplitAC, Refrigerant: "R-410A", Metering: dewline.FixedOrifice, Capacity: 10500, Charge: 3.1,
			Orifice: 0.00165, OrificeInstalled: 0.0019, TargetSubcooling: 5.6, LineLength: 12, Installer: "Harbour Cooling", Installed: time.Date(2031, 6, 2, 0, 0, 0, 0, time.UTC),
			Points: []dewline.PointFitting{{Point: dewline.SuctionPressure, Reference: dewline.Gauge, StatedAccuracy: 8000}, {Point: dewline.LiquidPressure, Reference: dewline.Gauge},
				{Point: dewline.SuctionTemp, StatedAccuracy: 0.5}, {Point: dewline.LiquidTemp, StatedAccuracy: 0.5}, {Point: dewline.OutdoorAirTemp}},
		}}}})
}

func visit() dewline.Visit {
	gauge := func(p dewline.Point, when string, value float64, ours *float64) dewline.GaugeReading {
		g := dewline.GaugeReading{Point: p.String(), At: at(when), Value: value, Ours: ours}
		if ours != nil {
			g.Difference = ptr(value - *ours)
		}
		return g
	}
	v := dewline.Visit{
		ID: "visit-0001", Call: "call-7", System: hall, Revision: 3, Started: at("2031-07-03T08:05"), Finished: at("2031-07-03T11:40"), Closed: at("2031-07-03T12:02"),
		Technician: "Jo\u00e3o \u0141ukasz", Certification: "U-204411", SignedBy: "Marta Vale",
		AsFound: []dewline.GaugeReading{gauge(dewline.SuctionPressure, "2031-07-03T08:20", 862e3, ptr(858e3)), gauge(dewline.LiquidPressure, "2031-07-03T08:20", 2710e3, ptr(2695e3)),
			gauge(dewline.SuctionTemp, "2031-07-03T08:20", 3.4, ptr(3.1))},
		AsLeft: []dewline.GaugeReading{gauge(dewline.SuctionPressure, "2031-07-03T11:30", 905e3, ptr(902e3)), gauge(dewline.LiquidPressure, "2031-07-03T11:30", 2640e3, ptr(2650e3)),
			gauge(dewline.SuctionTemp, "2031-07-03T11:30", 11.8, ptr(11.9))},
		Refrigerant: []dewline.Weighing{{At: at("2031-07-03T08:50"), Refrigerant: "R-410A", Recovered: 3.02, Cylinder: "R7"},
			{At: at("2031-07-03T11:05"), Refrigerant: "R-410A", Charged: 3.1, Cylinder: "C2", AsLiquid: true}},
		Evacuation: &dewline.Evacuation{Limits: &dewline.VacuumLimits{Reach: 66.7, Hold: 600, NotOver: 133, Source: "maker's instructions, page 14"}, Isolated: at("2031-07-03T10:20")},
		Parts:      []dewline.PartChanged{{Part: "orifice", BoreWas: 0.0019, BoreNow: 0.00165, Note: "number read off the old part"}, {Part: "liquid-line drier", Was: "083S", Now: "083S", Serial: "D-9"}},
		Found:      &dewline.FoundCause{Fault: dewline.Overfeed, Detail: "orifice_too_large"},
		Notes:      "Old orifice belongs to the next size up.\nDrier replaced with it.",
	}
	for i := range 26 { // from the air down, then held
		p := 50000*math.Exp(-float64(i)*0.42) + 30
		if i > 20 {
			p = 42 + 4*float64(i-20)
		}
		v.Evacuation.Points = append(v.Evacuation.Points, dewline.VacuumPoint{At: at("2031-07-03T09:40") + dewline.Stamp(i*2*60_000), Pressure: si.Pascal(p)})
	}
	return v
}

func proof(from, to string, superheat, low, high float64) dewline.Proof {
	return dewline.Proof{System: hall, From: at(from), To: at(to), SteadyHours: 21.5, Windows: 43, Days: 5,
		Measures: []dewline.Measure{
			{Quantity: "superheat", Unit: "K", Mean: superheat, Min: low, Max: high, Low: ptr(3.4), High: ptr(9.8), Within: map[bool]float64{true: 1, false: 0.04}[superheat > 3.4]},
			{Quantity: "subcooling", Unit: "K", Mean: 5.9, Min: 5.1, Max: 6.4, Low: ptr(3.9), High: ptr(7.3), Within: 0.98},
			{Quantity: "suction_dew_temp", Unit: "Cel", Mean: 4.2, Min: 2.2, Max: 6.1, Why: "it moves with the load"},
		},
		Conditions: []dewline.Measure{{Quantity: "outdoor_air_temp", Unit: "Cel", Mean: 29.4, Min: 24, Max: 34.2}},
	}
}

func call() dewline.ServiceCall {
	return dewline.ServiceCall{
		ID: "call-7", Site: "quay-library", Alerts: []string{"a1"}, Systems: []dewline.SystemID{hall}, Priority: dewline.P2, Reasons: []string{"liquid reaches the compressor"},
		State: dewline.CallProved, Technician: "Jo\u00e3o \u0141ukasz", From: at("2031-07-03T08:00"), To: at("2031-07-03T12:00"), Made: at("2031-07-02T15:10"), Version: 6,
		Briefs: []dewline.Brief{{Alert: "a1", System: hall, Condition: "flooding", Severity: dewline.Urgent, Onset: at("2031-07-01T14:10"),
			Causes: []dewline.Cause{{Fault: dewline.Overfeed, Detail: "orifice_too_large", Probability: 0.72}, {Fault: dewline.Overcharge, Probability: 0.21}, {Fault: dewline.NoFault, Probability: 0.07}}}},
		Skills: []string{"work on the refrigerant circuit"}, Bring: []dewline.StockItem{{Key: "refrigerant:R-410A", What: "R-410A", Amount: 3.1, Unit: "kg"}, {Key: "orifice:1.65mm", What: "orifice 1.65 mm"}},
		Caution: dewline.Caution,
		Verdict: &dewline.Verification{Verdict: dewline.Verified, At: at("2031-07-08T20:00"), Why: []string{"superheat is within its band in 43 windows on 5 days", "nothing else moved out of its band"},
			Before: []dewline.Proof{proof("2031-06-26T08:05", "2031-07-03T08:05", 0.4, -0.8, 2.9)}, After: []dewline.Proof{proof("2031-07-03T11:40", "2031-07-08T20:00", 6.3, 4.1, 9.0)}},
	}
}

// readings are a week with a gap, the nights off, and the visit in its middle.
func readings() dewline.Series {
	s := dewline.Series{System: hall, Step: time.Hour, Columns: []dewline.Column{{Quantity: "superheat", Unit: "K"}, {Quantity: "subcooling", Unit: "K"}}}
	from := dewline.Millis(at("2031-06-29T08:00"))
	for h := range 9 * 24 {
		t := from.Add(time.Duration(h) * time.Hour)
		sh, sc := math.NaN(), math.NaN()
		if hour := t.Time().Hour(); hour >= 8 && hour < 21 && (h < 60 || h > 70) {
			swing := math.Sin(float64(hour-8) / 13 * math.Pi)
			sh, sc = 2.6-2.4*swing, 5.5+0.8*swing
			if t > dewline.Millis(visit().Finished) {
				sh = 8.2 - 3*swing
			}
		}
		s.Times = append(s.Times, t)
		s.Columns[0].Values = append(s.Columns[0].Values, sh)
		s.Columns[1].Values = append(s.Columns[1].Values, sc)
	}
	return s
}

func account() dewline.RefrigerantAccount {
	trigger := 10.0
	return dewline.RefrigerantAccount{
		Appliance: string(hall), Systems: []dewline.SystemID{hall}, Refrigerant: "R-410A", Category: dewline.ComfortCooling, FullCharge: 3.1, ChargeBy: dewline.ChargeByMaker,
		ChargeNote: "the data plate's, from the fleet file", Method: dewline.Annualizing,
		Rules: []dewline.RuleStanding{{Rule: "40 CFR 84.106", Applies: true, Why: "comfort cooling with a full charge of 6.80 kg (15.0 lb) or more", Trigger: &trigger}},
		Rates: []dewline.LeakRate{{Day: "2031-07-03", Added: 0.08, FullCharge: 3.1, Annualizing: dewline.LeakFigure{Missing: "no earlier addition is known, so the days since it are not"},
			Rolling: dewline.LeakFigure{Percent: ptr(2.580645), Added: 0.08}}},
		Dues:   []dewline.Due{{System: hall, Kind: dewline.DueInspection, Rule: "40 CFR 84.106", Because: "once a year after the leak rate of 2031-07-03", By: "2032-07-03", State: dewline.DueOpen}},
		Notice: "This is not legal advice.",
	}
}

func closingFacts() papers.ClosingFacts {
	f := fleet()
	site, _ := f.Site("quay-library")
	system, _ := f.System(hall)
	return papers.ClosingFacts{
		Case: dewline.CallCase{Call: call(), Visits: []dewline.Visit{visit()}}, Site: *site, Owner: "City Buildings", Company: "Harbour Cooling",
		Accounts: map[dewline.SystemID]dewline.RefrigerantAccount{hall: account()}, Series: map[dewline.SystemID]dewline.Series{hall: readings()},
		Systems: map[dewline.SystemID]*dewline.System{hall: system},
	}
}

func commissioningFacts() papers.CommissioningFacts {
	f := fleet()
	site, _ := f.Site("quay-library")
	system, _ := f.System(hall)
	v, s := visit(), readings()
	return papers.CommissioningFacts{System: system, Site: *site, Owner: "City Buildings", Gateway: "hall-gw", Proof: proof("2031-06-29T08:00", "2031-07-08T08:00", 6.3, 4.1, 9.0),
		Series: &s, Visit: &v, Account: account()}
}

// service answers with what a test sets; what it does not set must not be asked.
type service struct {
	dewline.ServiceDesk
	cases []dewline.CallCase
}

func (s service) CallCase(_ context.Context, id string) (dewline.CallCase, error) {
	for _, c := range s.cases {
		if c.Call.ID == id {
			return c, nil
		}
	}
	return dewline.CallCase{}, &dewline.Error{Code: dewline.NotFound, Op: "read call"}
}

// CallsIn pages as the real one does.
func (s service) CallsIn(_ context.Context, f dewline.CallFilter) (list []dewline.ServiceCall, err error) {
	begun := f.After == ""
	for _, c := range s.cases {
		if begun && len(list) < f.Limit && (len(f.Sites) == 0 || f.Sites[0] == c.Call.Site) {
			list = append(list, c.Call)
		}
		begun = begun || c.Call.ID == f.After
	}
	return list, nil
}

func (s service) Visits(_ context.Context, id dewline.SystemID, _, _ dewline.Millis) (list []dewline.Visit, err error) {
	for _, c := range s.cases {
		for _, v := range c.Visits {
			if v.System == id && v.Closed != 0 {
				list = append(list, v)
			}
		}
	}
	return list, nil
}
