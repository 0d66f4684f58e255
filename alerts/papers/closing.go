package papers

import (
	"fmt"
	"slices"
	"strings"

	"gonum.org/v1/plot"

	"dewline"
	"dewline/thermo/si"
)

// ClosingFacts are what a closing pack is made of.
type ClosingFacts struct {
	Case     dewline.CallCase
	Site     dewline.Site
	Owner    string
	Company  string                                          // who did the work, "" where the settings do not say
	Accounts map[dewline.SystemID]dewline.RefrigerantAccount // of systems whose refrigerant was moved
	Series   map[dewline.SystemID]dewline.Series             // of superheat and subcooling about the visit
	Systems  map[dewline.SystemID]*dewline.System
	Photos   map[string][]byte // of visits by their digest, small, as far as they can be read
}

// PDF returns the pack as of a time.
func (f ClosingFacts) PDF(u dewline.Units, at dewline.Millis) ([]byte, error) {
	call := f.Case.Call
	d := &document{newSheet("Closing pack", "service call "+call.ID, at, f.Site.Timezone, u), readerOf(u)}
	visits := closed(f.Case.Visits)
	d.facts(
		[2]string{"Service call", call.ID}, [2]string{"Site", f.Site.Name}, [2]string{"Owner", f.Owner}, [2]string{"Work done by", f.Company},
		[2]string{"Call made", d.time(call.Made)}, [2]string{"Visited", d.period(visits)}, [2]string{"Follows call", call.Follows},
	)
	d.heading("In short")
	d.list(f.summary(visits))
	if len(visits) == 0 {
		d.text("No visit of this call is closed yet, so there is no work to report. What follows is what was known when the call was made.")
		d.predictions(call.Briefs)
	}
	for _, v := range visits {
		d.visit(f, v)
	}
	d.verification(f)
	d.refrigerant(f)
	d.signatures(visits)
	d.caution("Figures are as recorded or measured at the times shown; what a machine does later can differ.")
	return d.bytes()
}

// document is a sheet for a reader.
type document struct {
	*sheet
	reader
}

func closed(visits []dewline.Visit) []dewline.Visit {
	list := slices.DeleteFunc(slices.Clone(visits), func(v dewline.Visit) bool { return v.Closed == 0 })
	slices.SortStableFunc(list, func(a, b dewline.Visit) int { return int(a.Finished - b.Finished) })
	return list
}

func (d *document) period(visits []dewline.Visit) string {
	if len(visits) == 0 {
		return ""
	}
	from, to := visits[0].Started, visits[0].Finished
	for _, v := range visits {
		from, to = min(from, v.Started), max(to, v.Finished)
	}
	return d.time(from) + " to " + d.time(to)
}

// summary says in sentences what the pack is about.
func (f ClosingFacts) summary(visits []dewline.Visit) (list []string) {
	for _, v := range visits {
		text := f.name(v.System) + ": "
		switch {
		case v.NoTroubleFound:
			text += "no trouble found"
		case v.Found != nil:
			text += "found " + fault(v.Found.Fault, v.Found.Detail)
		}
		var done []string
		for _, p := range v.Parts {
			done = append(done, p.Part+" changed or adjusted")
		}
		if charged, recovered := v.Net(); charged+recovered > 0 {
			done = append(done, "refrigerant moved, weights below")
		}
		for _, c := range v.Sensors {
			done = append(done, "sensor of "+words(c.Point)+" changed")
		}
		if len(done) > 0 {
			text += "; " + strings.Join(done, "; ")
		}
		list = append(list, sentence(text))
	}
	return append(list, f.verdict())
}

func (f ClosingFacts) verdict() string {
	v := f.Case.Call.Verdict
	switch {
	case f.Case.Call.State == dewline.CallCancelled:
		return "The call was cancelled."
	case v == nil:
		return "Whether the work holds is not told yet: the readings of the coming days decide."
	case v.Verdict == dewline.Verified:
		return "Verified by readings: " + sentence(strings.Join(v.Why, "; "))
	case v.Verdict == dewline.NotVerified:
		return "Not verified, the work goes on: " + sentence(strings.Join(v.Why, "; "))
	}
	return "Cannot be told yet: " + sentence(strings.Join(v.Why, "; "))
}

func (f ClosingFacts) name(id dewline.SystemID) string {
	if s := f.Systems[id]; s != nil && s.Name != "" {
		return s.Name
	}
	return string(id)
}

func (d *document) predictions(briefs []dewline.Brief) {
	var rows [][]string
	for _, b := range briefs {
		var causes []string
		for _, c := range b.Causes {
			causes = append(causes, fmt.Sprintf("%s %.0f %%", fault(c.Fault, c.Detail), c.Probability*100))
		}
		rows = append(rows, []string{string(b.System), words(b.Condition), d.time(b.Onset), strings.Join(causes, "; ")})
	}
	if len(rows) > 0 {
		d.label("What readings suggested")
		d.table([]column{{"system", 3, "L"}, {"condition", 2, "L"}, {"since", 3, "L"}, {"likely causes", 4, "L"}}, rows)
	}
}

// visit is the part about one machine.
func (d *document) visit(f ClosingFacts, v dewline.Visit) {
	d.heading(f.name(v.System))
	system := f.Systems[v.System]
	facts := [][2]string{{"System", string(v.System)}}
	if system != nil {
		facts = append(facts, [2]string{"Machine", named(system.Kind) + ", " + named(system.Metering)}, [2]string{"Refrigerant", system.Refrigerant},
			[2]string{"Charge on the data plate", d.mass(system.Charge)}, [2]string{"Bore called for", d.bore(system.Orifice)})
	}
	facts = append(facts, [2]string{"Technician", v.Technician}, [2]string{"Certification", v.Certification},
		[2]string{"Started", d.time(v.Started)}, [2]string{"Finished", d.time(v.Finished)})
	if v.Found != nil {
		facts = append(facts, [2]string{"Cause found", fault(v.Found.Fault, v.Found.Detail)})
	} else if v.NoTroubleFound {
		facts = append(facts, [2]string{"Cause found", "no trouble found"})
	}
	d.facts(facts...)
	d.predictions(slices.DeleteFunc(slices.Clone(f.Case.Call.Briefs), func(b dewline.Brief) bool { return b.System != v.System }))
	d.done(v)
	d.photos(v, f.Photos)
}

// done is what was found, done and measured at a visit.
func (d *document) done(v dewline.Visit) {
	d.work(v)
	d.readings(v)
	d.weighings(v)
	d.evacuation(v)
	if v.Notes != "" {
		d.label("Notes of the technician")
		d.text(v.Notes)
	}
}

func (d *document) work(v dewline.Visit) {
	var rows [][]string
	for _, p := range v.Parts {
		rows = append(rows, []string{p.Part, was(p.Was, d.bore(p.BoreWas)), was(p.Now, d.bore(p.BoreNow)), p.Serial, p.Note})
	}
	for _, c := range v.Sensors {
		rows = append(rows, []string{"sensor: " + words(c.Point), "", "changed " + d.clock(c.At), "", c.Note})
	}
	if len(rows) > 0 {
		d.label("Parts and settings")
		d.table([]column{{"part", 3, "L"}, {"was", 2, "L"}, {"now", 2, "L"}, {"serial", 2, "L"}, {"note", 3, "L"}}, rows)
	}
}

func was(text, bore string) string { return strings.Trim(text+", "+bore, ", ") }

// readings puts as found and as left side by side, with what our own sensor said.
func (d *document) readings(v dewline.Visit) {
	var rows [][]string
	var seen []string
	for _, g := range slices.Concat(v.AsFound, v.AsLeft) {
		key := g.Point + string(g.Reference)
		if slices.Contains(seen, key) {
			continue
		}
		seen = append(seen, key)
		found, left := last(v.AsFound, g), last(v.AsLeft, g)
		row := []string{pointOf(g), d.gauge(found), d.gauge(left), "", ""}
		newest := left
		if newest == nil || newest.Ours == nil {
			newest = found
		}
		if newest != nil && newest.Ours != nil {
			row[3] = d.value(*newest.Ours, unitOf(*newest))
		}
		if newest != nil && newest.Difference != nil {
			row[4] = d.change(*newest.Difference, unitOf(*newest))
		}
		rows = append(rows, row)
	}
	if len(rows) > 0 {
		d.label("Readings of the technician's instruments")
		d.table([]column{{"point", 4, "L"}, {"as found", 2, "R"}, {"as left", 2, "R"}, {"Dewline's sensor", 2.4, "R"}, {"instrument less sensor", 3, "R"}}, rows)
	}
}

func unitOf(g dewline.GaugeReading) string {
	if p, ok := dewline.PointNamed(g.Point); ok {
		return p.Unit()
	}
	return g.Unit
}

func (d *document) gauge(g *dewline.GaugeReading) string {
	if g == nil {
		return ""
	}
	return d.value(g.Value, unitOf(*g))
}

// last returns the newest reading of the same point.
func last(list []dewline.GaugeReading, like dewline.GaugeReading) (found *dewline.GaugeReading) {
	for i, g := range list {
		if g.Point == like.Point && g.Reference == like.Reference && (found == nil || g.At >= found.At) {
			found = &list[i]
		}
	}
	return found
}

func (d *document) weighings(v dewline.Visit) {
	if len(v.Refrigerant) == 0 {
		return
	}
	d.label("Refrigerant, off the scale")
	var rows [][]string
	for _, w := range v.Refrigerant {
		how := w.Note
		if w.AsLiquid {
			how = strings.Trim("as liquid; "+how, "; ")
		}
		rows = append(rows, []string{d.clock(w.At), w.Refrigerant, d.mass(w.Recovered), d.mass(w.Charged), w.Cylinder, how})
	}
	charged, recovered := v.Net()
	rows = append(rows, []string{"together", "", d.Mass(recovered, 2), d.Mass(charged, 2), "", "net " + strings.Replace(d.Mass(charged-recovered, 2), "-", "\u2212", 1)})
	d.table([]column{{"time", 2, "L"}, {"refrigerant", 2, "L"}, {"recovered", 2, "R"}, {"charged", 2, "R"}, {"cylinder", 2, "L"}, {"note", 3, "L"}}, rows)
}

func (d *document) evacuation(v dewline.Visit) {
	if v.Evacuation == nil {
		return
	}
	d.room(84) // with its chart
	d.label("Evacuation")
	verdict, why := v.Evacuation.JudgeIn(func(p si.Pascal) string { return d.Vacuum(p, 0) }, dewline.English)
	d.text(map[dewline.VacuumVerdict]string{dewline.VacuumHeld: "The vacuum held: ", dewline.VacuumFailed: "The vacuum failed: ", dewline.VacuumUnknown: "Whether the vacuum held is not known: "}[verdict] + sentence(why))
	if l := v.Evacuation.Limits; l != nil {
		d.text(fmt.Sprintf("Limits for this visit: reach %s, then hold for %.0f min not above %s. %s", d.Vacuum(l.Reach, 0), l.Hold/60, d.Vacuum(l.NotOver, 0), sentence(l.Source)))
	}
	if p := vacuum(v.Evacuation, d.System); p != nil {
		d.chart(p, 52)
	}
}

// verification is the record of before and after.
func (d *document) verification(f ClosingFacts) {
	v := f.Case.Call.Verdict
	if v == nil && len(f.Series) == 0 {
		return
	}
	d.heading("Before and after")
	if v != nil {
		d.text("Looked at " + d.time(v.At) + ".")
	}
	for _, id := range f.Case.Call.Systems {
		var before, after *dewline.Proof
		if v != nil {
			before, after = proofOf(v.Before, id), proofOf(v.After, id)
		}
		series, drawn := f.Series[id]
		if before == nil && after == nil && !drawn {
			continue
		}
		d.label(f.name(id))
		d.beforeAfter(before, after)
		if drawn {
			d.waterline(&series, after, f.marks(id))
		}
	}
}

func proofOf(list []dewline.Proof, id dewline.SystemID) *dewline.Proof {
	if i := slices.IndexFunc(list, func(p dewline.Proof) bool { return p.System == id }); i >= 0 {
		return &list[i]
	}
	return nil
}

func (f ClosingFacts) marks(id dewline.SystemID) (list []mark) {
	for _, v := range closed(f.Case.Visits) {
		if v.System == id {
			list = append(list, mark{float64(v.Finished) / 1000, "visit"})
		}
	}
	return list
}

func (d *document) beforeAfter(before, after *dewline.Proof) {
	var order []dewline.Measure
	cells := map[string][2]string{}
	for i, p := range []*dewline.Proof{before, after} {
		if p == nil {
			continue
		}
		for _, m := range slices.Concat(p.Measures, p.Conditions) {
			at := slices.IndexFunc(order, func(o dewline.Measure) bool { return o.Quantity == m.Quantity })
			if at < 0 {
				order = append(order, m)
			} else {
				order[at] = m // the band of after counts
			}
			c := cells[m.Quantity]
			c[i] = d.measured(m)
			cells[m.Quantity] = c
		}
	}
	var rows [][]string
	for _, m := range order {
		c := cells[m.Quantity]
		expected := d.band(m)
		if !m.Known() && m.Why == "" {
			expected = "\u2013" // a condition, not something to reach
		}
		rows = append(rows, []string{words(m.Quantity), expected, c[0], c[1]})
	}
	if len(rows) > 0 {
		d.table([]column{{"mean (lowest to highest)", 3, "L"}, {"expected", 3, "L"}, {"before the visit", 3.4, "R"}, {"after the visit", 3.4, "R"}}, rows)
	}
	for _, p := range []*dewline.Proof{before, after} {
		switch {
		case p == nil:
		case p.Missing != "":
			d.note(fmt.Sprintf("%s to %s: no numbers, %s.", d.time(p.From), d.time(p.To), p.Missing))
		default:
			d.note(fmt.Sprintf("%s to %s: %.1f h of steady running in %d windows on %d days.", d.time(p.From), d.time(p.To), p.SteadyHours, p.Windows, p.Days))
		}
	}
	if after != nil && after.Slope != nil {
		d.note(fmt.Sprintf("Subcooling moves by %s a day (standard uncertainty %s) over %.0f days.",
			d.change(after.Slope.PerDay, "K"), d.Difference(si.DeltaK(after.Slope.Uncertainty), 2), after.Slope.SpanDays))
	}
}

func (d *document) waterline(series *dewline.Series, expected *dewline.Proof, marks []mark) {
	var measures []dewline.Measure
	if expected != nil {
		measures = expected.Measures
	}
	p := waterline(series, measures, d.System, d.zone, marks)
	d.drawn(p, "Superheat above the line of saturation, subcooling below it; hatched: where each should be. Gaps: no value.")
}

func (d *document) drawn(p *plot.Plot, note string) {
	if p == nil {
		d.note("No readings of superheat or subcooling from that time are kept.")
		return
	}
	d.chart(p, 62)
	d.note(note)
}

func (d *document) signatures(visits []dewline.Visit) {
	d.heading("Signatures")
	type person struct{ name, certificate string }
	var done []person
	for _, v := range visits {
		if p := (person{v.Technician, v.Certification}); !slices.Contains(done, p) {
			done = append(done, p)
			more := ""
			if p.certificate != "" {
				more = "Certification " + p.certificate
			}
			d.signature("Technician", p.name, more)
		}
	}
	signed := ""
	for _, v := range visits {
		if v.SignedBy != "" {
			signed = v.SignedBy
			d.note(fmt.Sprintf("Signed for the owner by %s when the visit was closed on %s.", signed, d.time(v.Closed)))
		}
	}
	d.signature("For the owner", signed, "Date")
}
