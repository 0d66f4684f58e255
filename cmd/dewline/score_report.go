package main

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"dewline"
)

// scoreDefinitions says what the figures mean: in the help, and at the top of every report.
const scoreDefinitions = `An episode is one truth, or several faults of one machine that begin within a day of each other. An alert belongs
to an episode of its system if it was detected between the onset and three days after the repair (to the end, if there
was none), whatever it says. Of several such episodes it is about the one that it names. Alerts of silence belong to
faults of communication alone and are otherwise passed over.

Found: an alert of any severity belongs to the episode. Found acting: one that is soon or urgent, from when it is.

In time: found before the harmful moment; where the fault that harms does so within an hour of its own onset, within
24 h of it. A row of its own gives the same 24 h where harm comes within an hour of when the fault can first be seen.
Faults whose time is not over when the readings end are not counted.

Faulty from day one: a machine fault that could be seen within the first 24 h; to be found within 48 h in which the
compressor ran (by its readings; by the calendar where there are none).

Latency: found less detectable, in days; gradual is what became detectable more than 12 h after its onset. Lead:
harmful less found, in days.

False: a soon or urgent alert that belongs to no episode. Healthy time is that of healthy systems, and of faulty ones
outside their episodes; a month has 30 days. Watch alerts are counted apart. Load: soon and urgent alerts, true or
false, for 100 systems and a day. Flapping: detected within 7 days after the end of an alert of the same condition or
cause, without a visit between.

Cause: as given 72 h after detection, or when harm began if that was between, or last. Sensor called machine: any alert
of a sensor's episode blames the machine first; machine called sensor: the first alert blames a sensor first.

Calibration: the probability of each alert's first cause against whether it was right, false alerts included, in ten
bins; the error (ECE) is the mean gap, weighted by cases. Forecasts: those made before the harmful moment; they hold it
if it lies between p10 and p90.

Shares have Wilson's 95 % interval, rates the score interval of a Poisson count, both with their counts.

The plain detector: superheat below 2.8 K or above 11 K, subcooling outside 3-11 K, condensing over ambient above 17 K,
each for 30 min while running; one alert a system, causes by the obvious reading, without probabilities.
`

// scoreReport writes what a scoring found.
type scoreReport struct {
	w        io.Writer
	verdicts []verdict
	plain    []verdict
}

func newScoreReport(w io.Writer, subjects []*subject) *scoreReport {
	r := &scoreReport{w: w}
	for _, s := range subjects {
		r.verdicts = append(r.verdicts, match(s, s.said))
		if s.hasPlain {
			r.plain = append(r.plain, match(s, s.plain))
		}
	}
	return r
}

func (r *scoreReport) line(format string, args ...any) { fmt.Fprintf(r.w, format+"\n", args...) }

// write writes the whole report in Markdown.
func (r *scoreReport) write(title string) {
	all := tally(r.verdicts, nil)
	r.line("# Score\n")
	r.line("%s\n", title)
	r.line("%s, %.0f system-months, of them %.0f healthy; %d episodes: %d of machines, %d of sensors, %d of communication.\n",
		counted(all.systems, "system"), all.months(), float64(all.healthy)/float64(month),
		all.machine.of+all.sensor.of+all.communication.of, all.machine.of, all.sensor.of, all.communication.of)
	r.line("## What the figures mean\n\n%s", scoreDefinitions)
	r.figures()
	for _, g := range []struct {
		title string
		of    func(*subject) []string
	}{
		{"sampling", func(s *subject) []string { return []string{s.sampling} }},
		{"metering", func(s *subject) []string { return []string{s.metering} }},
		{"kind of system", func(s *subject) []string { return []string{s.kind} }},
		{"points fitted", func(s *subject) []string { return []string{s.points} }},
		{"what is awkward about the system (one may be in several rows)", func(s *subject) []string { return s.class }},
	} {
		r.groups(g.title, g.of)
	}
	r.faults()
	r.confusion(all)
	r.reliability(all)
}

// figure is a row of the main table.
type figure struct {
	name, must string
	of         func(*figures) string
	noPlain    bool // the plain detector says nothing of the kind
}

func mainFigures() []figure {
	text := func(s fmt.Stringer) string { return s.String() }
	return []figure{
		{"harmful machine faults found in time", ">= 97 %", func(f *figures) string { return text(f.inTime) }, false},
		{"… with those within 24 h that harm as soon as they can be seen", "", func(f *figures) string { return text(f.inTimeSeen) }, false},
		{"… found acting in time", "", func(f *figures) string { return text(f.inTimeActing) }, false},
		{"… in time, without those faulty from day one", "", func(f *figures) string { return text(f.inTimeWatched) }, false},
		{"faulty from day one, found within 48 h of running", "all", func(f *figures) string {
			if !f.dayOneRunning {
				return text(f.dayOne) + " by the calendar"
			}
			return text(f.dayOne)
		}, false},
		{"… found acting", "", func(f *figures) string { return text(f.dayOneActing) }, false},
		{"machine faults found", "", func(f *figures) string { return text(f.machine) }, false},
		{"sensor faults found", "", func(f *figures) string { return text(f.sensor) }, false},
		{"… and called sensor faults first", "", func(f *figures) string { return text(portion{f.sensorFirst.n, f.sensor.of}) }, false},
		{"communication faults found", "", func(f *figures) string { return text(f.communication) }, true},
		{"machine and sensor faults that were detectable, found", "", func(f *figures) string { return text(f.detectable) }, false},
		{"machine and sensor faults found acting", "", func(f *figures) string { return text(f.foundActing) }, false},
		{"latency of gradual faults, days (found ones)", "median < 3", func(f *figures) string { return f.latencyGradual.spread(0.9, "d") }, false},
		{"… with those not found as never", "", func(f *figures) string { return f.latencyGradualAll.spread(0.9, "d") }, false},
		{"latency of abrupt faults, days (found ones)", "", func(f *figures) string { return f.latencyAbrupt.spread(0.9, "d") }, false},
		{"lead before harm, days (found ones)", "", func(f *figures) string { return f.lead.spread(0.1, "d") }, false},
		{"false alerts per healthy system-month", "<= 0.02", func(f *figures) string { return text(f.falsePerMonth()) }, false},
		{"… watch alerts, apart", "", func(f *figures) string { return text(f.watchPerMonth()) }, true},
		{"alerts per faulty episode found", "<= 1.3", func(f *figures) string { return text(f.perEpisode) }, false},
		{"load: soon and urgent per 100 systems and day", "", func(f *figures) string { return text(f.nuisance()) }, false},
		{"flapping, of all alerts", "", func(f *figures) string { return text(f.flaps) }, false},
		{"cause first", ">= 85 %", func(f *figures) string { return text(f.causeFirst) }, false},
		{"cause in the first two", ">= 95 %", func(f *figures) string { return text(f.causeTwo) }, true},
		{"… cause first, machine faults", "", func(f *figures) string { return text(f.machineFirst) }, false},
		{"… cause first, sensor faults", "", func(f *figures) string { return text(f.sensorFirst) }, false},
		{"sensor faults called machine faults", "<= 3 %", func(f *figures) string { return text(f.sensorCalledMachine) }, false},
		{"machine faults called sensor faults", "", func(f *figures) string { return text(f.machineCalledSensor) }, false},
		{"calibration error (ECE) of the first cause", "< 0.07", func(f *figures) string { return f.causes.String() }, true},
		{"forecast intervals that hold the harmful day, first of each alert", "72-88 %", func(f *figures) string { return text(f.forecastFirst) }, true},
		{"… last of each day of an alert", "", func(f *figures) string { return text(f.forecastDaily) }, true},
		{"… of the diary, each day", "", func(f *figures) string { return text(f.forecastDiary) }, true},
		{"forecast error of the first, days, absolute", "", func(f *figures) string { return f.forecastError.spread(0.9, "d") }, true},
		{"alerts with a forecast of harm that never comes", "", func(f *figures) string { return fmt.Sprint(f.forecastOfNothing) }, true},
	}
}

// figures writes the main table: all systems, those with the full and with the least set of points, and
// the plain detector.
func (r *scoreReport) figures() {
	columns := []*figures{tally(r.verdicts, nil), tally(fitted(r.verdicts, "full"), nil), tally(fitted(r.verdicts, "least"), nil)}
	var plain *figures
	head := []string{"figure", "must be", "Dewline", "Dewline, full set of points", "Dewline, least set"}
	if len(r.plain) > 0 {
		plain = tally(r.plain, nil)
		head = append(head, "plain detector")
	}
	r.line("\n## Figures\n")
	r.head(head...)
	for _, row := range mainFigures() {
		cells := []string{row.name, row.must}
		for _, f := range columns {
			if f.systems == 0 {
				cells = append(cells, "-")
				continue
			}
			cells = append(cells, row.of(f))
		}
		switch {
		case plain != nil && row.noPlain:
			cells = append(cells, "-")
		case plain != nil:
			cells = append(cells, row.of(plain))
		}
		r.row(cells...)
	}
}

func fitted(verdicts []verdict, points string) []verdict {
	return where(verdicts, func(v *verdict) bool { return v.points == points })
}

func where(verdicts []verdict, keep func(*verdict) bool) (kept []verdict) {
	for i := range verdicts {
		if keep(&verdicts[i]) {
			kept = append(kept, verdicts[i])
		}
	}
	return kept
}

func (r *scoreReport) head(cells ...string) {
	r.row(cells...)
	r.row(slices.Repeat([]string{"---"}, len(cells))...)
}

func (r *scoreReport) row(cells ...string) { r.line("| %s |", strings.Join(cells, " | ")) }

// groups writes the figures by what systems have in common.
func (r *scoreReport) groups(title string, of func(*subject) []string) {
	names := map[string]bool{}
	for i := range r.verdicts {
		for _, n := range of(r.verdicts[i].subject) {
			names[n] = true
		}
	}
	if len(names) == 0 {
		return
	}
	r.line("\n## By %s\n", title)
	r.head("", "system-months", "harmful in time", "day one in 48 h", "all found", "gradual latency d", "false per month", "plain: false per month", "alerts per episode", "cause first", "in first two", "sensor called machine", "ECE")
	for _, name := range slices.Sorted(maps.Keys(names)) {
		in := func(v *verdict) bool { return slices.Contains(of(v.subject), name) }
		f := tally(where(r.verdicts, in), nil)
		plain := "-"
		if p := where(r.plain, in); len(p) > 0 {
			plain = brief(tally(p, nil).falsePerMonth())
		}
		r.row(cmp.Or(name, "not stated"), fmt.Sprintf("%.1f", f.months()), f.inTime.short(), f.dayOne.short(), portion{f.machine.n + f.sensor.n, f.machine.of + f.sensor.of}.short(),
			middle(f.latencyGradual), brief(f.falsePerMonth()), plain, brief(f.perEpisode), f.causeFirst.short(), f.causeTwo.short(), f.sensorCalledMachine.short(), f.causes.short())
	}
}

func middle(s sample) string {
	if len(s) == 0 {
		return "-"
	}
	return days(s.quantile(0.5))
}

// brief writes a frequency with its counts.
func brief(f frequency) string {
	if f.over == 0 {
		return "-"
	}
	return fmt.Sprintf("%.2f (%d/%.3g)", f.rate(), f.n, f.over)
}

func (r *reliability) short() string {
	if r.count() == 0 {
		return "-"
	}
	return fmt.Sprintf("%.2f", r.ece())
}

// faults writes the figures by what was wrong.
func (r *scoreReport) faults() {
	names := map[string]bool{}
	for i := range r.verdicts {
		for j := range r.verdicts[i].outcomes {
			names[r.verdicts[i].outcomes[j].name()] = true
		}
	}
	r.line("\n## By fault\n")
	r.head("", "episodes", "harmful in time", "plain: in time", "day one in 48 h", "found", "plain: found", "gradual latency d", "lead d", "alerts per episode", "cause first", "plain: first", "in first two")
	for _, name := range slices.Sorted(maps.Keys(names)) {
		is := func(o *outcome) bool { return o.name() == name }
		f := tally(r.verdicts, is)
		p := tally(r.plain, is)
		found := func(f *figures) portion {
			return portion{f.machine.n + f.sensor.n + f.communication.n, f.machine.of + f.sensor.of + f.communication.of}
		}
		r.row(name, fmt.Sprint(found(f).of), f.inTime.short(), p.inTime.short(), f.dayOne.short(), found(f).short(), found(p).short(), middle(f.latencyGradual), middle(f.lead),
			brief(f.perEpisode), f.causeFirst.short(), p.causeFirst.short(), f.causeTwo.short())
	}
}

// confusion writes what was said of what.
func (r *scoreReport) confusion(f *figures) {
	said := map[string]bool{}
	for _, row := range f.confusion {
		for s := range row {
			said[s] = true
		}
	}
	r.line("\n## What was said (columns) of what was wrong (rows)\n")
	columns := slices.Sorted(maps.Keys(said))
	r.head(append([]string{""}, columns...)...)
	for _, truth := range slices.Sorted(maps.Keys(f.confusion)) {
		cells := []string{string(truth)}
		for _, s := range columns {
			cells = append(cells, blank(f.confusion[truth][s]))
		}
		r.row(cells...)
	}
}

func blank(n int) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprint(n)
}

// reliability writes how often what was said with a probability was right.
func (r *scoreReport) reliability(f *figures) {
	r.line("\n## Probability of the first cause, stated and true\n")
	r.head("stated", "alerts", "mean stated", "right")
	for i, b := range f.causes {
		if b.n > 0 {
			r.row(fmt.Sprintf("%.1f-%.1f", float64(i)/10, float64(i+1)/10), fmt.Sprint(b.n), fmt.Sprintf("%.2f", b.stated/float64(b.n)), portion{b.hits, b.n}.String())
		}
	}
	r.line("\n## The same by what was told\n")
	r.head("alert and its first cause", "alerts", "mean stated", "right")
	for _, kind := range slices.Sorted(maps.Keys(f.causesBy)) {
		n, hits, stated := 0, 0, 0.0
		for _, b := range f.causesBy[kind] {
			n, hits, stated = n+b.n, hits+b.hits, stated+b.stated
		}
		r.row(kind, fmt.Sprint(n), fmt.Sprintf("%.2f", stated/float64(n)), portion{hits, n}.String())
	}
}

// summary writes the main figures in lines.
func (r *scoreReport) summary() {
	f := tally(r.verdicts, nil)
	var plain *figures
	if len(r.plain) > 0 {
		plain = tally(r.plain, nil)
	}
	for _, row := range mainFigures() {
		text := fmt.Sprintf("%-66s %-11s %s", row.name, row.must, row.of(f))
		if plain != nil && !row.noPlain {
			text = fmt.Sprintf("%-122s plain: %s", text, row.of(plain))
		}
		r.line("%s", text)
	}
}

// list writes each episode that was missed, found late or wrongly named, and each alert of nothing: false ones, and watches that were idle.
func (r *scoreReport) list() {
	for i := range r.verdicts {
		v := &r.verdicts[i]
		for j := range v.outcomes {
			if o := &v.outcomes[j]; r.learn(v, o) != "" {
				r.line("%s  %s: %s", v.who(), r.learn(v, o), v.truthText(o))
				for _, c := range o.matched {
					r.line("    said %s", c.text(o.judgedAt(c.alert.Detected)))
				}
			}
		}
		for _, c := range v.alerts {
			if v.about[c] != nil {
				continue
			}
			what := "IDLE WATCH"
			if _, acted := c.actedOn(); acted {
				what = "FALSE"
			}
			r.line("%s  %s%s: %s", v.who(), what, v.afterRepair(c), c.text(c.alert.Detected.Add(settling)))
		}
		for _, c := range v.flaps() {
			r.line("%s  FLAPPED: %s", v.who(), c.text(c.alert.Detected.Add(settling)))
		}
	}
}

// learn says why an episode is worth looking at, "" if it is not.
func (r *scoreReport) learn(v *verdict, o *outcome) string {
	found, ok := o.found()
	var why []string
	switch {
	case !ok:
		why = append(why, "MISSED")
	case o.machine() && o.harmful != 0 && o.deadline() <= v.to && found > o.deadline():
		why = append(why, "LATE")
	}
	if ok && dayOne(v, o) && v.ran != nil && v.ran.between(max(o.onset, v.from), found) > dayOneRun {
		why = append(why, "LATE FROM DAY ONE")
	}
	if ok && !o.communication() && !o.right(o.called(), 1) {
		name := "WRONGLY NAMED"
		if o.right(o.called(), 2) {
			name = "NAMED SECOND"
		}
		why = append(why, name)
	}
	if o.sensor() && o.blamesMachine() {
		why = append(why, "BLAMED ON THE MACHINE")
	}
	return strings.Join(why, ", ")
}

// who names a system, as --only takes it, with what it is.
func (v *verdict) who() string {
	name := string(v.id)
	if v.simulate {
		name = fmt.Sprintf("%d/%s", v.seed, v.id)
	}
	return strings.Join(append([]string{name, v.kind, v.metering, v.points, v.sampling}, v.class...), " ")
}

func (v *verdict) truthText(o *outcome) string {
	var parts []string
	for _, t := range o.truths {
		word := t.Fault
		if t.Detail != "" {
			word += "/" + t.Detail
		}
		parts = append(parts, fmt.Sprintf("%s %.3g (%s)", word, t.Severity, cmp.Or(t.Note, "no note")))
	}
	text := fmt.Sprintf("%s, onset %s, detectable %s, harmful %s, repaired %s", strings.Join(parts, " + "),
		when(o.onset), when(o.detectable), when(o.harmful), when(o.repaired))
	if v.ran != nil {
		text += fmt.Sprintf(", ran %.0f h since the onset", v.ran.between(o.onset, min(o.end(v.to), v.to)).Hours())
	}
	return text
}

// afterRepair says of a false alert whether something had been wrong before.
func (v *verdict) afterRepair(c *course) string {
	for i := range v.outcomes {
		if o := &v.outcomes[i]; !o.communication() && o.repaired != 0 && o.repaired < c.alert.Detected {
			return " after the repair of " + o.name()
		}
		if o := &v.outcomes[i]; !o.communication() && o.onset > c.alert.Detected {
			return " before the onset of " + o.name()
		}
	}
	return ""
}

func when(m dewline.Millis) string {
	if m == 0 {
		return "never"
	}
	return m.Time().Format("2006-01-02 15:04")
}

// text says what an alert said, and when.
func (c *course) text(at dewline.Millis) string {
	var causes []string
	for _, x := range c.causesAt(at) {
		word := string(x.Fault)
		if x.Detail != "" {
			word += "/" + x.Detail
		}
		causes = append(causes, fmt.Sprintf("%s %.2f", word, x.Probability))
	}
	a := &c.alert
	text := fmt.Sprintf("%s %s on %s (onset %s): %s", a.Severity, a.Condition, when(a.Detected), when(a.Onset), strings.Join(causes, ", "))
	if a.Cleared != 0 {
		text += ", over on " + when(a.Cleared)
	}
	return text
}
