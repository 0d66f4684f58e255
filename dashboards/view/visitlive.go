package view

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"dewline"
	"dewline/thermo/si"
)

// VisitLive is what a technician looks at while working: values as they arrive, large. It does not wait
// for readings that may come late, as what is judged does.
type VisitLive struct {
	Superheat, Subcooling VisitNumber
	Doing                 string
	Age                   Age
	Sides                 []Side
	Ours                  []OurSensor
}

// VisitNumber is a value with where it is expected, and in words what it means.
type VisitNumber struct {
	Target
	Words  string
	Health dewline.Health // the tone of the words; well where nothing is to be said
}

// OurSensor is what one of our sensors reads.
type OurSensor struct {
	Point, Name, Text string
}

// LiveSpan is how far back a value may lie and still be one of now.
const LiveSpan = 15 * time.Minute

// steadyFor is how long a value stands without a newer one.
const steadyFor = 5 * time.Minute

// LiveQuantities are what a technician's values are read from.
func LiveQuantities(sys *dewline.System) []string {
	var all []string
	for _, d := range dewline.DerivedValues() {
		all = append(all, string(d), string(d)+"_u")
	}
	for _, p := range ourPoints(sys) {
		all = append(all, p.String())
	}
	if sys.Fitted(dewline.CompressorOn) {
		all = append(all, dewline.CompressorOn.String())
	}
	return all
}

// ourPoints are those of the machine's sensors that a gauge can be held against.
func ourPoints(sys *dewline.System) (points []dewline.Point) {
	for _, f := range sys.Points {
		if d := f.Point.Dimension(); d == dewline.Pressure || d == dewline.Temperature || d == dewline.Current || d == dewline.Power || d == dewline.Humidity {
			points = append(points, f.Point)
		}
	}
	return points
}

// Sentences say the values of now in a line each.
func (l VisitLive) Sentences(u Idiom) (all []string) {
	for _, n := range []VisitNumber{l.Superheat, l.Subcooling} {
		text := n.Name + " " + n.Measured.String()
		switch {
		case !n.Measured.OK():
			text = u.Say("{1} unknown: {2}", n.Name, n.Measured.Why)
		case n.Measured.Past:
			text = u.Say("{1}, mean of its last day's steady running", text)
		}
		if n.Expected != "" {
			text = u.Say("{1}, expected {2}", text, n.Expected)
		}
		all = append(all, sentenceCase(text))
	}
	return append(all, strings.TrimSpace(l.Doing+" "+u.Say("Last reading {1}.", cmp.Or(l.Age.Text, u.Say("never")))))
}

// newest is the last value of a quantity and when it was; false where there is none.
func newest(s dewline.Series, quantity string) (v float64, at dewline.Millis, ok bool) {
	i := slices.IndexFunc(s.Columns, func(c dewline.Column) bool { return c.Quantity == quantity })
	if i < 0 {
		return 0, 0, false
	}
	values := s.Columns[i].Values
	for j := min(len(values), len(s.Times)) - 1; j >= 0; j-- {
		if !math.IsNaN(values[j]) {
			return values[j], s.Times[j], true
		}
	}
	return 0, 0, false
}

// NewVisitLive puts the newest readings of a machine into words. The state is what was judged last: it
// tells what would be usual now, and why something is not known.
func NewVisitLive(sys *dewline.System, s dewline.Series, state dewline.SystemState, r Reader) VisitLive {
	state, knows := freshened(s, state, r.Idiom)
	l := VisitLive{Age: r.Age(state.At), Doing: doing(state, stale(state, r.Now), r.Idiom)}
	live := NewLive(sys, state, Assessment{}, r)
	l.Sides = live.Sides
	if !knows && state.At != 0 && !stale(state, r.Now) {
		l.Doing = r.Say("Nothing here measures whether it runs: the values mean something only while it does.")
	}
	l.Superheat = visitNumber(live.Superheat, dewline.Superheat, ExpectedSuperheat(sys), state, r,
		dewline.Phrase("Wet: liquid may be reaching the compressor."))
	l.Subcooling = visitNumber(live.Subcooling, dewline.Subcooling, ExpectedSubcooling(sys), state, r,
		dewline.Phrase("Gas may be in the liquid line."))
	for _, p := range ourPoints(sys) {
		o := OurSensor{Point: p.String(), Name: r.Name(p.String()), Text: NoValue}
		if v, at, ok := newest(s, o.Point); ok {
			o.Text = plainValue(v, p, r.Idiom)
			if ref := sys.Fitting(p).Reference; p.Dimension() == dewline.Pressure && ref != "" {
				o.Text += " " + r.Name(string(ref))
			}
			if age := r.Now.Sub(at.Time()); age > steadyFor {
				o.Text += ", " + r.Say("{1} ago", r.Span(age))
			}
		}
		l.Ours = append(l.Ours, o)
	}
	return l
}

// freshened is the state with the values of the newest readings, and whether it is measured that the
// machine runs.
func freshened(s dewline.Series, state dewline.SystemState, u Idiom) (dewline.SystemState, bool) {
	fresh := map[dewline.Derived]dewline.Estimate{}
	last := dewline.Millis(0)
	if len(s.Times) > 0 {
		last = s.Times[len(s.Times)-1]
	}
	if last == 0 || last < state.At {
		return state, true // nothing newer than what was judged
	}
	for _, d := range dewline.DerivedValues() {
		v, at, ok := newest(s, string(d))
		spread, _, _ := newest(s, string(d)+"_u")
		e := dewline.Estimate{Value: v, Uncertainty: spread}
		switch {
		case !ok || last.Sub(at) > steadyFor:
			e = dewline.Estimate{Missing: u.Say("its sensors send no value that can be used at the moment")}
			if was, known := state.Values[d]; known && was.Missing != "" {
				e.Missing = was.Missing
			}
		}
		fresh[d] = e
	}
	on, _, measured := newest(s, dewline.CompressorOn.String())
	runs := !measured || on >= 0.5
	if runs != state.Running || !measured {
		state.Steady, state.SteadyMinutes = false, 0
	}
	state.Running, state.Values, state.At, state.Received = runs, fresh, last, last
	return state, measured
}

func visitNumber(t Target, d dewline.Derived, band Band, state dewline.SystemState, r Reader, wet dewline.Phrase) VisitNumber {
	n := VisitNumber{Target: t, Health: dewline.HealthWell}
	switch {
	case !t.Measured.OK():
		n.Words, n.Health = sentenceCase(r.Say("unknown: {1}", t.Measured.Why)), dewline.HealthDoubtful
		return n
	case !state.Running:
		n.Words = r.Say("It stands still: this is the mean of its last day's steady running.")
		return n
	case t.Measured.Past:
		n.Words, n.Health = r.Say("Nothing newer has arrived."), dewline.HealthDoubtful
		return n
	}
	expanded := Coverage * state.Values[d].Uncertainty
	off := band.Outside(valueOf(state, d))
	switch {
	case valueOf(state, d) <= expanded:
		n.Words, n.Health = wet.Said(r)+" "+r.Say("Not above zero beyond ± {1}.", kelvins(expanded, r.Idiom)), dewline.HealthUrgent
	case off < -expanded:
		n.Words, n.Health = r.Say("{1} below what is expected.", kelvins(-off, r.Idiom)), dewline.HealthSoon
	case off > expanded:
		n.Words, n.Health = r.Say("{1} above what is expected.", kelvins(off, r.Idiom)), dewline.HealthSoon
	case band.Stated():
		n.Words = r.Say("As expected.")
	}
	return n
}

// vacuumWord writes a vacuum in the reader's units.
func vacuumWord(u Idiom) func(si.Pascal) string {
	return func(p si.Pascal) string { return spaced(u.Vacuum(p, 0)) }
}

// plainValue writes a value of a point without its uncertainty, in no finer steps than a sensor can know.
func plainValue(v float64, p dewline.Point, u Idiom) string {
	s := shownAs(p.Unit(), u)
	decimals := 1
	if p.Dimension() == dewline.Pressure && u.System == si.SI {
		decimals = 0
	}
	return strings.TrimSpace(Decimal(s.value(v), decimals) + "\u00a0" + s.Word)
}
