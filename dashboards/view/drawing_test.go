package view

import (
	"math"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"dewline"
	"dewline/thermo/si"
)

var nan = math.NaN()

// unit is a scale on which a value is its own height, upside down as pixels are.
var unit = scale{-100, 100, 100, -100}

func TestTrace(t *testing.T) {
	x := []float64{0, 10, 20, 30, 40, 50}
	f := func(values []float64, want string) {
		t.Helper()
		if got := trace(x, values, unit); got != want {
			t.Errorf("%v draws %s, want %s", values, got, want)
		}
	}
	f([]float64{1, 2, 3, 4, 5, 6}, "M0 -1L10 -2L20 -3L30 -4L40 -5L50 -6")
	f([]float64{1, 2, nan, nan, 5, 6}, "M0 -1L10 -2M40 -5L50 -6") // a gap is left open
	f([]float64{nan, 2, nan, 4, nan, nan}, "M10 -2h0M30 -4h0")    // a lone value is a dot
	f([]float64{nan, nan, nan, nan, nan, nan}, "")
	f([]float64{1e9, 2, 2, 2, 2, -1e9}, "M0 -100L10 -2L20 -2L30 -2L40 -2L50 100") // stays on the paper
}

func TestBeyond(t *testing.T) {
	x := []float64{0, 10, 20, 30, 40, 50}
	f := func(values []float64, limit, sign float64, want string) {
		t.Helper()
		if got := beyond(x, values, limit, sign, unit); got != want {
			t.Errorf("%v past %v draws %s, want %s", values, limit, got, want)
		}
	}
	f([]float64{6, 6, 6, 6, 6, 6}, 3, -1, "")
	// From 5 to 1 the limit 3 is crossed half way; from 1 to 2 and back to 4 two thirds of the way.
	f([]float64{5, 1, 5, 6, 6, 6}, 3, -1, "M5 -3L10 -1L15 -3Z")
	f([]float64{1, 1, nan, 9, 9, 1}, 3, -1, "M0 -3L0 -1L10 -1L10 -3ZM47.5 -3L50 -1L50 -3Z")
	f([]float64{1, 13, 12, 11, 9, 9}, 11, 1, "M8.3 -11L10 -13L20 -12L30 -11Z")
	f([]float64{1, 1, 1, 1, 1, 1}, math.Inf(-1), -1, "")
	f([]float64{3, 3, 3, 3, 3, 3}, 3, -1, "") // on the limit is inside
}

func TestTicks(t *testing.T) {
	f := func(low, high float64, fit int, want ...float64) {
		t.Helper()
		got := ticks(low, high, fit)
		if len(got) != len(want) {
			t.Fatalf("%v to %v: %v, want %v", low, high, got, want)
		}
		for i := range got {
			if math.Abs(got[i]-want[i]) > 1e-9 {
				t.Errorf("%v to %v: %v, want %v", low, high, got, want)
			}
		}
	}
	f(-6, 8, 6, -5, 0, 5)
	f(0, 1, 5, 0, 0.2, 0.4, 0.6, 0.8, 1)
	f(900, 2700, 4, 1000, 1500, 2000, 2500)
	f(1, 1, 5)
}

// TestTimeTicks: days begin where the place has its midnight, also across the change of its clocks
// (Europe/Lisbon left summer time on 26 October 2031 at 01:00 UTC).
func TestTimeTicks(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	at := func(text string) dewline.Millis {
		v, err := time.Parse(time.RFC3339, text)
		if err != nil {
			t.Fatal(err)
		}
		return dewline.MillisOf(v)
	}
	f := func(from, to string, fit int, want string) {
		t.Helper()
		var labels []string
		for _, tick := range timeTicks(at(from), at(to), lisbon, fit, Idiom{}) {
			labels = append(labels, tick.label)
		}
		if got := strings.Join(labels, " | "); got != want {
			t.Errorf("%s to %s: %s, want %s", from, to, got, want)
		}
	}
	f("2031-07-03T10:15:00Z", "2031-07-03T16:15:00Z", 9, "12:00 | 13:00 | 14:00 | 15:00 | 16:00 | 17:00")
	f("2031-07-02T16:15:00Z", "2031-07-03T16:15:00Z", 9, "18:00 | 21:00 | 3 Jul | 03:00 | 06:00 | 09:00 | 12:00 | 15:00")
	f("2031-10-24T12:00:00Z", "2031-10-28T12:00:00Z", 5, "25 Oct | 26 Oct | 27 Oct | 28 Oct")
	f("2030-12-01T00:00:00Z", "2031-12-01T00:00:00Z", 9, "2031 | Apr | Jul | Oct")
	f("2031-07-01T00:00:00Z", "2031-07-31T00:00:00Z", 4, "8 Jul | 15 Jul | 22 Jul | 29 Jul")
	ticks := timeTicks(at("2031-10-24T12:00:00Z"), at("2031-10-28T12:00:00Z"), lisbon, 5, Idiom{})
	if hours := ticks[2].at.Sub(ticks[1].at).Hours(); hours != 25 {
		t.Errorf("the day on which summer time ends has %v hours", hours)
	}
}

func TestGlyph(t *testing.T) {
	f := NoFortnight()
	band, none := Band{2.8, math.Inf(1), ""}, open("")
	if g := NewGlyph(f, band, none, Idiom{System: si.SI}); g.Strip != "" || g.Out != "" || g.Trace != "" || !strings.Contains(g.Label, "Superheat: no data") {
		t.Errorf("without data: %+v", g)
	}
	f.Superheat[12], f.Superheat[13] = 6, -1.2
	f.Subcooling[13] = 5
	g := NewGlyph(f, band, none, Idiom{System: si.SI})
	// A pixel a kelvin: the strip reaches from 2.8 K above the line, 14 px from the top, to the edge;
	// what is missing hangs from it across the line.
	if g.Strip != "M96 0h8v11.2h-8ZM104 0h8v11.2h-8Z" || g.Out != "M104 11.2h8v4h-8Z" || g.Trace != "M104 18.5h8v1h-8Z" {
		t.Errorf("%+v", g)
	}
	if want := "Superheat \u22121.2 to 6.0\u00a0K, outside its band on 1 of 2 days. Subcooling 5.0 to 5.0\u00a0K."; !strings.HasSuffix(g.Label, want) {
		t.Errorf("it says %q", g.Label)
	}
}

func TestFortnightOf(t *testing.T) {
	const day = 24 * 60 * 60 * 1000
	from := dewline.Millis(1000 * day)
	s := dewline.Series{Times: []dewline.Millis{from - 1, from, from + 3*day, from + 14*day}, Columns: []dewline.Column{
		{Quantity: "superheat", Values: []float64{1, 2, 3, 4}}, {Quantity: "other", Values: []float64{9, 9, 9, 9}}, {Quantity: "subcooling", Values: []float64{5}}}}
	f := FortnightOf(s, from)
	if f.Superheat[0] != 2 || f.Superheat[3] != 3 || !math.IsNaN(f.Superheat[1]) || !math.IsNaN(f.Superheat[13]) || !math.IsNaN(f.Subcooling[0]) {
		t.Errorf("%+v", f)
	}
}

// TestOneScale: a kelvin is as long above the line as below it, whatever the data need.
func TestOneScale(t *testing.T) {
	d := WaterlineData{From: 0, To: 10_000, Times: []dewline.Millis{0, 5000}, Step: 5 * time.Second,
		Superheat: []float64{25, 4}, Subcooling: []float64{3, 2}, SuperBand: open(""), SubBand: open("")}
	w := NewWaterline(d, Wide)
	for i := 2; i < len(w.Kelvins); i++ {
		if a, b := w.Kelvins[i].At-w.Kelvins[i-1].At, w.Kelvins[i-1].At-w.Kelvins[i-2].At; math.Abs(a-b) > 1e-6 {
			t.Errorf("labels are %v and %v apart", a, b)
		}
	}
	if w.Line <= w.Plot.Y || w.Line >= w.Plot.Y+w.Plot.Height {
		t.Errorf("the line lies at %v, outside of %+v", w.Line, w.Plot)
	}
}

func TestWaterlineParts(t *testing.T) {
	d := WaterlineData{From: 0, To: 40_000, Times: []dewline.Millis{0, 10_000, 20_000, 30_000}, Step: 10 * time.Second,
		Superheat: []float64{4, -1, nan, 6}, Subcooling: []float64{3, nan, nan, 2}, Running: []float64{1, 1, 0, 0.5},
		SuperBand: Band{2.8, 11, ""}, SubBand: open("the equipment states no target"),
		Marks: []Mark{{5000, "visit", "event"}, {5100, "flooding", "alert"}, {5200, "third", "event"}, {50_000, "outside", "event"}},
		State: dewline.SystemState{At: 35_000, Running: true, Values: map[dewline.Derived]dewline.Estimate{
			dewline.Superheat: {Value: 6, Uncertainty: 0.5}, dewline.Subcooling: {Missing: "transcritical"}}}}
	w := NewWaterline(d, Wide)
	switch {
	case w.Empty, w.SuperOut == "", w.SuperBelow == "", w.SuperWords == "", w.SubWords != "", w.SubStrip != nil, w.SuperStrip == nil:
		t.Errorf("%+v", w)
	case strings.Count(w.Running, "M") != 2: // the first two rows join
		t.Errorf("running: %s", w.Running)
	case len(w.Marks) != 3 || w.Marks[0].Text != "visit" || w.Marks[1].Text != "flooding" || w.Marks[2].Text != "":
		t.Errorf("marks: %+v", w.Marks)
	case len(w.SideWords) != 4 || w.SideWords[1].Y != w.Line || !w.SideWords[1].Line || w.SideWords[0].Y >= w.Line || w.SideWords[2].Y <= w.Line || w.SideWords[3].Text != "expected":
		t.Errorf("beside the line: %+v", w.SideWords)
	case len(w.Nows) != 1 || w.Nows[0].Top >= w.Nows[0].Y || w.Nows[0].Bottom <= w.Nows[0].Y:
		t.Errorf("now: %+v", w.Nows)
	}
	empty := NewWaterline(WaterlineData{From: 0, To: 1000, SuperBand: open(""), SubBand: open("")}, Narrow)
	if !empty.Empty || empty.Super != "" {
		t.Errorf("%+v", empty)
	}
}

func TestLabelsDoNotOverlap(t *testing.T) {
	lines := []Line{{"a", []float64{1}, 0}, {"b", []float64{1.01}, 0}, {"c", []float64{1.02}, 0}, {"d", []float64{9}, 0}, {"e", []float64{nan}, 0}}
	c, ok := NewLines("t", "u", lines, []dewline.Millis{0}, time.Second, 0, 1000, nil, NarrowLines, Idiom{})
	if !ok || len(c.Lines) != 4 {
		t.Fatalf("%+v", c)
	}
	for i, a := range c.Lines {
		for _, b := range c.Lines[i+1:] {
			if math.Abs(a.LabelY-b.LabelY) < 14 {
				t.Errorf("%s and %s lie %v apart", a.Name, b.Name, math.Abs(a.LabelY-b.LabelY))
			}
		}
	}
	if _, ok := NewLines("t", "u", lines[4:], []dewline.Millis{0}, time.Second, 0, 1000, nil, NarrowLines, Idiom{}); ok {
		t.Error("a chart without a value is drawn")
	}
}

func TestPeriods(t *testing.T) {
	now := dewline.MillisOf(time.Date(2031, 7, 3, 16, 12, 20, 0, time.UTC))
	p := PeriodNamed("7d", now)
	if p.To != dewline.MillisOf(time.Date(2031, 7, 3, 16, 15, 0, 0, time.UTC)) || p.To.Sub(p.From) != 7*24*time.Hour || !p.Live {
		t.Errorf("%+v", p)
	}
	if p := PeriodNamed("nonsense", now); p.Name != "24h" {
		t.Errorf("%+v", p)
	}
	for span, want := range map[time.Duration]time.Duration{time.Hour: 10 * time.Second, 26 * time.Hour: 2 * time.Minute, 40 * 24 * time.Hour: 2 * time.Hour, 366 * 24 * time.Hour: 12 * time.Hour} {
		p, ok := PeriodBetween(now.Add(-span), now)
		if !ok || p.Step != want || p.From > now.Add(-span) || p.To < now {
			t.Errorf("%s: %+v %v", span, p, ok)
		}
	}
	if _, ok := PeriodBetween(now, now); ok {
		t.Error("a period without time")
	}
	if _, ok := PeriodBetween(0, now); ok {
		t.Error("sixty years")
	}
}

// TestGapsStayOpen: rows that are missing are as much a gap as rows without a value.
func TestGapsStayOpen(t *testing.T) {
	s := withGaps(dewline.Series{Step: time.Minute, Times: []dewline.Millis{0, 60_000, 300_000}, Columns: []dewline.Column{{Quantity: "superheat", Values: []float64{1, 2, 3}}}})
	if len(s.Times) != 4 || s.Times[2] != 120_000 || !math.IsNaN(s.Columns[0].Values[2]) || s.Columns[0].Values[3] != 3 {
		t.Errorf("%+v", s)
	}
}

func TestQueryAddresses(t *testing.T) {
	q := Query{Health: dewline.HealthUrgent, Text: `a&b "c"`, Page: 3}
	if got := q.Href(); got != "/fleet?health=urgent&q=a%26b+%22c%22&page=3" {
		t.Error(got)
	}
	if got := (Query{Page: 1}).Href(); got != "/fleet" {
		t.Error(got)
	}
	q = Query{Site: "pier", Tag: "a b", Installer: "N & P", Model: "WA 105/2", Fault: dewline.Overfeed, By: ByModel}
	if got := q.Href(); got != "/fleet?site=pier&tag=a+b&installer=N+%26+P&model=WA+105%2F2&fault=overfeed&by=model" {
		t.Error(got)
	}
	sys := &dewline.System{ID: "quay-library/hall-ac", Name: "Reading hall split", Model: "WA 105/2", Refrigerant: "R-410A", Installer: "North Pier Cooling", Tags: []string{"Old"}}
	site := &dewline.Site{ID: "quay-library", Name: "Quay Library", Address: "4 Steps Street"}
	for text, want := range map[string]bool{"READING": true, "hall-ac": true, "old": true, "quay lib": true, "freezer": false, "": true,
		"wa 105": true, "r-410": true, "city build": true, "north pier": true, "steps st": true, "quay-library": true} {
		if got := (Query{Text: text}).Matches(sys, site, "City Buildings", dewline.HealthWell, ""); got != want {
			t.Errorf("%q fits: %v", text, got)
		}
	}
	for want, list := range map[bool][]Query{
		true:  {{Site: "quay-library"}, {Model: "WA 105/2"}, {Tag: "Old", Installer: "North Pier Cooling"}, {Fault: dewline.Overfeed, Health: dewline.HealthWell}},
		false: {{Site: "pier"}, {Model: "WA 105"}, {Tag: "old"}, {Installer: "North"}, {Fault: dewline.Undercharge}, {Health: dewline.HealthUrgent}},
	} {
		for _, q := range list {
			if got := q.Matches(sys, site, "City Buildings", dewline.HealthWell, dewline.Overfeed); got != want {
				t.Errorf("%+v fits: %v", q, got)
			}
		}
	}
}
