package papers_test

import (
	"bytes"
	"context"
	"strings"
	"testing"
	"time"

	"dewline"
	"dewline/alerts/papers"
)

// june is a month of three machines: one was repaired and is proved, one needs a visit, one serves a
// home and cannot be told of.
func june() dewline.OwnerMonth {
	days := func(hours float64) (list []dewline.OwnerDay) {
		for day := dewline.Day("2031-07-01"); day <= "2031-07-31"; day = day.Add(1) {
			list = append(list, dewline.OwnerDay{Day: day, RunHours: hours + float64(day.Time().Day()%7)/2})
		}
		return list
	}
	starts := 412
	machine := func(id dewline.SystemID, name string, s dewline.Standing, says string) dewline.OwnerMachine {
		return dewline.OwnerMachine{System: id, Name: name, Kind: dewline.SplitAC, Refrigerant: "R-410A", Standing: s, Says: says}
	}
	repaired := machine(hall, "Reading hall split", dewline.StandProved, "Well again: the repair is proved by its readings. What was seen is over since 3 July: the compressor is at risk.")
	repaired.Use = dewline.OwnerUse{HeardHours: 700, SpanHours: 744, RunHours: ptr(301.4), Starts: &starts, By: "the compressor's own contact", Days: days(8)}
	repaired.Energy = dewline.OwnerEnergy{KWh: ptr(902.6), By: "measured"}
	repaired.Excess = dewline.OwnerExcess{Hours: 41, Faults: []dewline.Fault{dewline.CondenserAirflow}, LowKWh: ptr(3.35), HighKWh: ptr(26.6), Sources: []string{"a report of a laboratory"}}
	faulty := machine("quay-library/archive-ac", "Archive room split", dewline.NeedsSoon, "It cools less than it should, since 20 July.")
	faulty.Use, faulty.Energy.Missing = repaired.Use, "no power is measured, and no rated power is stated"
	faulty.Excess = dewline.OwnerExcess{Hours: 80, Faults: []dewline.Fault{dewline.Restriction}, Missing: "its energy is not known"}
	home := machine("quay-library/flat-ac", "Keeper's flat", dewline.StandWell, "Well.")
	home.Use.Missing, home.Energy.Missing, home.Excess.Missing = "it serves a home", "it serves a home", "it serves a home"
	percent := 12.5
	return dewline.OwnerMonth{
		Owner: "city-buildings", Name: "City Buildings", Month: "2031-07", AsOf: at("2031-07-31T23:00"), Made: at("2031-08-01T06:00"), Over: true,
		Sites:   []dewline.OwnerSite{{Site: "quay-library", Name: "Quay Library", Timezone: "Europe/Lisbon", Machines: []dewline.OwnerMachine{repaired, faulty, home}}},
		Changes: []dewline.OwnerChange{{Day: "2031-07-20", Name: "Archive room split", Where: "Quay Library", What: "Seen: it cools less than it should."}},
		Works: []dewline.OwnerWork{{OwnerChange: dewline.OwnerChange{Day: "2031-07-03", At: at("2031-07-03T11:40"), System: hall, Name: "Reading hall split", Where: "Quay Library", What: "Found: too much refrigerant is let into the coil; orifice changed or adjusted."},
			Verdict: dewline.Verified, Why: []string{"superheat is within its band"}, Charged: 3.1, Recovered: 3.02,
			Measures: []dewline.OwnerMeasure{{Quantity: "superheat", Unit: "K", Before: ptr(0.4), After: ptr(6.3), Low: ptr(3.4), High: ptr(9.8)}}}},
		Advice: []dewline.OwnerAdvice{{Where: "Quay Library", Name: "Archive room split", What: "Agree a visit for this week."}},
		Total: dewline.OwnerTotal{Machines: 3, KWh: 902.6, Measured: 1, Faulty: 2, Unknown: 1, LowKWh: 3.35, HighKWh: 26.6, PerKWh: 0.25, Currency: "EUR",
			Cost: ptr(225.65), ExcessLow: ptr(0.84), ExcessTop: ptr(6.65)},
		Records: []dewline.OwnerRecord{{Name: "Reading hall split", Where: "Quay Library", Refrigerant: "R-410A", FullCharge: 3.1, Charged: 3.1, Recovered: 3.02, Method: dewline.Annualizing,
			Rate: &dewline.LeakRate{Day: "2031-07-03", Annualizing: dewline.LeakFigure{Percent: &percent}}, Notice: "This is not legal advice."},
			{Name: "Archive room split", Where: "Quay Library", Refrigerant: "R-32"}},
		Notes:   []string{"Energy is that of compressors alone."},
		Caution: dewline.Caution,
	}
}

func ownerFacts() papers.OwnerFacts {
	return papers.OwnerFacts{Month: june(), Company: "Harbour Cooling", Series: map[dewline.SystemID]dewline.Series{hall: readings()}, Zone: zone("Europe/Lisbon")}
}

func TestOwnerReport(t *testing.T) {
	body, err := ownerFacts().PDF(dewline.MetricUnits, now)
	if err != nil {
		t.Fatal(err)
	}
	kept(t, "owner.pdf", body)
	pages := textOf(t, body)
	if len(pages) > 3 {
		t.Errorf("a report for three machines has %d pages", len(pages))
	}
	wantWords(t, strings.Join(pages, " "),
		"Your equipment in July 2031", "City Buildings", "Harbour Cooling",
		"3 machines: 1 needs a visit this week, 1 proved, 1 well.", "1 visit was finished, of which readings prove 1.",
		"Compressors took 903 kWh, 225.65 EUR at 0.25 EUR per kWh. That is of 1 of 3 machines; of the others it is not known.",
		"Of that, faults cost 3.4 to 27 kWh, 0.84 to 6.65 EUR; of 1 machine with a fault it is not known.",
		"301", "412", "3.4 to 27", "not known", "it serves a home", "of 44 h nothing was heard", "too little air through the outdoor coil, 41 h of running",
		"hours run", "day of July 2031", "visit", // the chart's words
		"Proved by readings: superheat is within its band.", "0.4 K", "6.3 K", "3.4 K to 9.8 K", "3.10 kg in, 3.02 kg out",
		"Agree a visit for this week.", "12.5 % a year by the annualizing", "as of 2031-07-03", "as far as is recorded: 1", "not legal advice",
		"a report of a laboratory", "Energy is that of compressors alone.", dewline.Caution, "Leave machines closed")
	us, err := ownerFacts().PDF(dewline.USUnits, now)
	if err != nil {
		t.Fatal(err)
	}
	kept(t, "owner-us.pdf", us)
	wantWords(t, strings.Join(textOf(t, us), " "), "0.7 °F", "11.3 °F", "6.1 °F to 17.6 °F", "6.83 lb in, 6.66 lb out") // 0.4, 6.3, 3.4 and 9.8 K; 3.10 and 3.02 kg
	again, err := ownerFacts().PDF(dewline.MetricUnits, now)
	if err != nil || !bytes.Equal(body, again) {
		t.Errorf("%v: the same facts make other bytes", err)
	}
}

// TestOwnerReportOfMany: of a big owner those are told that there is something to say of.
func TestOwnerReportOfMany(t *testing.T) {
	f := ownerFacts()
	s := &f.Month.Sites[0]
	for range 400 {
		s.Machines = append(s.Machines, dewline.OwnerMachine{System: "quay-library/x", Name: "Split in a row", Standing: dewline.StandWell, Says: "Well."})
	}
	f.Month.Total.Machines = len(s.Machines)
	body, err := f.PDF("", now)
	if err != nil {
		t.Fatal(err)
	}
	pages := textOf(t, body)
	text := strings.Join(pages, " ")
	if wantWords(t, text, "not listed: 402", "Archive room split"); strings.Contains(strings.ReplaceAll(text, " ", ""), "Splitinarow") || len(pages) > 3 {
		t.Errorf("%d pages, machines that are well among them", len(pages))
	}
}

// TestOwnerReportLacksThings: a month of nothing, and hostile names.
func TestOwnerReportLacksThings(t *testing.T) {
	body, err := papers.OwnerFacts{Month: dewline.OwnerMonth{Month: "2031-07", Name: "City"}}.PDF("", now)
	if err != nil {
		t.Fatal(err)
	}
	wantWords(t, strings.Join(textOf(t, body), " "), "No machine is enrolled.", "No visit was finished.", "Told up to", dewline.Caution)
	for _, name := range []string{"\xff\xfe", ") Tj ET (", "{pages}", "\u202eabc", strings.Repeat("W", 3000)} {
		f := ownerFacts()
		f.Month.Name, f.Company = name, name
		f.Month.Sites[0].Name, f.Month.Sites[0].Machines[0].Name = name, name
		f.Month.Works[0].What, f.Month.Advice[0].Name, f.Month.Changes[0].Name = name, name, name
		if body, err := f.PDF("", now); err != nil {
			t.Errorf("%.20q: %v", name, err)
		} else {
			wantWords(t, strings.Join(textOf(t, body), " "), dewline.Caution)
		}
	}
}

// months stands for what puts a month together.
type months struct {
	asked   []string
	waiting int
	err     error
}

func (m *months) OwnerMonth(_ context.Context, owner string, month dewline.Month) (dewline.OwnerMonth, error) {
	m.asked = append(m.asked, owner+" "+string(month))
	told := june()
	told.Waiting = m.waiting
	m.waiting = max(0, m.waiting-40)
	return told, m.err
}

func TestDeskReports(t *testing.T) {
	d, m := desk(), &months{}
	d.Owners = m
	var asked dewline.SeriesQuery
	d.Series = seriesReader(func(q dewline.SeriesQuery) (dewline.Series, error) { asked = q; return readings(), nil })
	p, err := d.OwnerReport(t.Context(), "city-buildings", "2031-07", dewline.MetricUnits)
	if err != nil || p.Name != "report-city-buildings-2031-07.pdf" || p.Type != "application/pdf" || m.asked[0] != "city-buildings 2031-07" {
		t.Fatalf("%v: %s %s, asked %q", err, p.Name, p.Type, m.asked)
	}
	if visit := dewline.Millis(at("2031-07-03T11:40")); asked.System != hall || asked.From > visit || asked.To < visit || asked.To.Sub(asked.From) > 31*24*time.Hour {
		t.Errorf("drawn is %s from %s to %s", asked.System, asked.From.Time(), asked.To.Time())
	}
	m.asked, m.waiting = nil, 90 // machines that are counted by and by
	if _, err := d.OwnerReport(t.Context(), "city-buildings", "2031-07", ""); err != nil || len(m.asked) != 4 {
		t.Errorf("%v: it asked %d times", err, len(m.asked))
	}
	m.err = &dewline.Error{Code: dewline.NotFound, Op: "month"}
	if _, err := d.OwnerReport(t.Context(), "other", "2031-07", ""); dewline.CodeOf(err) != dewline.NotFound {
		t.Errorf("another owner's report: %v", err)
	}
	if _, err := desk().OwnerReport(t.Context(), "city-buildings", "2031-07", ""); dewline.CodeOf(err) != dewline.NotFound {
		t.Errorf("a desk without months: %v", err)
	}
}
