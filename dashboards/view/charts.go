package view

import (
	"encoding/json"
	"math"
	"slices"
	"time"

	"dewline"
)

// ChartQuantities are the series that the charts of a system are drawn from: derived values, and
// what is fitted of the rest.
func ChartQuantities(sys *dewline.System) []string {
	names := []string{string(dewline.Superheat), string(dewline.Subcooling), string(dewline.SuctionDewTemp), string(dewline.CondensingTemp),
		string(dewline.SuctionPressureAbs), highPressure(sys)}
	for _, p := range []dewline.Point{dewline.SuctionTemp, dewline.LiquidTemp, dewline.OutdoorAirTemp, dewline.CompressorOn} {
		if sys.Fitted(p) {
			names = append(names, p.String())
		}
	}
	return names
}

func highPressure(sys *dewline.System) string {
	if sys.HighSide() == dewline.DischargePressure {
		return string(dewline.DischargePressureAbs)
	}
	return string(dewline.LiquidPressureAbs)
}

// ChartSet is one chart in both sizes.
type ChartSet[T any] struct{ Wide, Narrow T }

// Charts are the charts of a system's page with the same as a table.
type Charts struct {
	Waterline    ChartSet[Waterline]
	Temperatures *ChartSet[Lines]
	Pressures    *ChartSet[Lines]
	Table        []TableRow
	Units        ChartUnits
	Before       bool // the same span before is drawn in outline
	Empty        bool
	Script       string // what the script needs to draw the same, as JSON
}

// ChartUnits are the units of a chart's page.
type ChartUnits struct{ Difference, Temperature, Pressure string }

// TableRow is one row of the charts as a table.
type TableRow struct {
	Time                                                    string
	Superheat, Subcooling, SuctionDew, Condensing, Pressure string
}

// tableRows is about how many rows the table has.
const tableRows = 24

// NewCharts draws the series of a system, with superheat and subcooling of the span of the same
// length before it in outline. before may be empty.
func NewCharts(sys *dewline.System, s, before dewline.Series, span Period, marks []Mark, state dewline.SystemState, health dewline.Health, r Reader) Charts {
	zone, u := r.Zone, r.Idiom
	s, before = withGaps(s), withGaps(before)
	get := func(name string) []float64 {
		for _, c := range s.Columns {
			if c.Quantity == name && len(c.Values) == len(s.Times) {
				return c.Values
			}
		}
		return slices.Repeat([]float64{math.NaN()}, len(s.Times))
	}
	data := WaterlineData{
		From: span.From, To: span.To, Zone: zone, Times: s.Times, Step: s.Step,
		Superheat: get(string(dewline.Superheat)), Subcooling: get(string(dewline.Subcooling)),
		SuperBand: ExpectedSuperheat(sys), SubBand: ExpectedSubcooling(sys), Marks: marks, State: state, Idiom: u,
		Before: outlineOf(before, span.To-span.From),
	}
	if sys.Fitted(dewline.CompressorOn) {
		data.Running = get(dewline.CompressorOn.String())
	}
	celsius, pascal := shownAs("Cel", u), shownAs("Pa", u)
	temps := []Line{
		{u.Say("condensing"), celsius.all(get(string(dewline.CondensingTemp))), 0},
		{u.Say("liquid"), celsius.all(get(dewline.LiquidTemp.String())), 1},
		{u.Say("outdoor air"), celsius.all(get(dewline.OutdoorAirTemp.String())), 2},
		{u.Say("suction line"), celsius.all(get(dewline.SuctionTemp.String())), 1},
		{u.Say("suction dew"), celsius.all(get(string(dewline.SuctionDewTemp))), 0},
	}
	pressures := []Line{
		{u.Say("high side"), pascal.all(get(highPressure(sys))), 0},
		{u.Say("suction"), pascal.all(get(string(dewline.SuctionPressureAbs))), 1},
	}
	c := Charts{
		Waterline:    ChartSet[Waterline]{NewWaterline(data, Wide), NewWaterline(data, Narrow)},
		Temperatures: lineSet(u.Say("Temperatures"), celsius.Word, temps, s, span, r),
		Pressures:    lineSet(u.Say("Pressures, absolute"), pascal.Word, pressures, s, span, r),
		Table:        table(s, data, get, r),
		Units:        ChartUnits{shownAs("K", u).Word, celsius.Word, pascal.Word},
		Before:       !data.Before.empty(),
		Script:       script(sys, span, data, health, r),
	}
	c.Empty = c.Waterline.Wide.Empty && c.Temperatures == nil && c.Pressures == nil
	return c
}

// withGaps puts a row without values wherever rows are missing, so that no trace is drawn across a
// time of which nothing is known.
func withGaps(s dewline.Series) dewline.Series {
	step := dewline.Millis(s.Step.Milliseconds())
	if step <= 0 {
		return s
	}
	out := dewline.Series{System: s.System, Step: s.Step, Columns: make([]dewline.Column, len(s.Columns))}
	for i, c := range s.Columns {
		out.Columns[i] = dewline.Column{Quantity: c.Quantity, Unit: c.Unit}
	}
	for row, at := range s.Times {
		if row > 0 && at-s.Times[row-1] > step {
			out.Times = append(out.Times, s.Times[row-1]+step)
			for i := range out.Columns {
				out.Columns[i].Values = append(out.Columns[i].Values, math.NaN())
			}
		}
		out.Times = append(out.Times, at)
		for i, c := range s.Columns {
			v := math.NaN()
			if row < len(c.Values) {
				v = c.Values[row]
			}
			out.Columns[i].Values = append(out.Columns[i].Values, v)
		}
	}
	return out
}

// all converts values.
func (s scaleTo) all(values []float64) []float64 {
	scaled := make([]float64, len(values))
	for i, v := range values {
		scaled[i] = s.value(v)
	}
	return scaled
}

// outlineOf moves the series of an earlier span to the one that is drawn.
func outlineOf(s dewline.Series, by dewline.Millis) Outline {
	var o Outline
	for _, t := range s.Times {
		o.Times = append(o.Times, t+by)
	}
	for _, c := range s.Columns {
		switch {
		case len(c.Values) != len(s.Times):
		case c.Quantity == string(dewline.Superheat):
			o.Superheat = c.Values
		case c.Quantity == string(dewline.Subcooling):
			o.Subcooling = c.Values
		}
	}
	return o
}

func lineSet(title, unit string, lines []Line, s dewline.Series, span Period, r Reader) *ChartSet[Lines] {
	wide, ok := NewLines(title, unit, lines, s.Times, s.Step, span.From, span.To, r.Zone, WideLines, r.Idiom)
	if !ok {
		return nil
	}
	narrow, _ := NewLines(title, unit, lines, s.Times, s.Step, span.From, span.To, r.Zone, NarrowLines, r.Idiom)
	return &ChartSet[Lines]{wide, narrow}
}

// table sums rows up until there are about tableRows of them.
func table(s dewline.Series, d WaterlineData, get func(string) []float64, r Reader) []TableRow {
	kelvin, celsius, pascal := shownAs("K", r.Idiom), shownAs("Cel", r.Idiom), shownAs("Pa", r.Idiom)
	n := len(s.Times)
	group := max(1, (n+tableRows-1)/tableRows)
	dew, condensing, suction := get(string(dewline.SuctionDewTemp)), get(string(dewline.CondensingTemp)), get(string(dewline.SuctionPressureAbs))
	var rows []TableRow
	for i := 0; i < n; i += group {
		end := min(i+group, n)
		row := TableRow{
			Time:      r.Time(r.In(s.Times[i]), "2 Jan 15:04"),
			Superheat: Decimal(kelvin.delta(mean(d.Superheat[i:end])), 1), Subcooling: Decimal(kelvin.delta(mean(d.Subcooling[i:end])), 1),
			SuctionDew: Decimal(celsius.value(mean(dew[i:end])), 1), Condensing: Decimal(celsius.value(mean(condensing[i:end])), 1),
			Pressure: Decimal(pascal.value(mean(suction[i:end])), 0),
		}
		if row.Superheat == NoValue && row.Subcooling == NoValue && row.SuctionDew == NoValue && row.Condensing == NoValue && row.Pressure == NoValue {
			continue
		}
		rows = append(rows, row)
	}
	return rows
}

// mean is the mean of the numbers among values, NaN without any.
func mean(values []float64) float64 {
	sum, n := 0.0, 0
	for _, v := range values {
		if isNumber(v) {
			sum += v
			n++
		}
	}
	return sum / float64(n) // 0/0 is NaN
}

// chartScript is what the script needs to draw the charts itself, from the API.
type chartScript struct {
	Series     string         `json:"series"` // address without from, to and step
	Page       string         `json:"page"`
	From       dewline.Millis `json:"from"`
	To         dewline.Millis `json:"to"`
	StepS      float64        `json:"step_s"`
	Live       bool           `json:"live"`
	Zone       string         `json:"zone"`
	Health     dewline.Health `json:"health"`
	Superheat  [2]*float64    `json:"superheat"` // the band, null where nothing bounds it
	Subcooling [2]*float64    `json:"subcooling"`
	HighSide   string         `json:"high_side"`
	Marks      []scriptMark   `json:"marks"`
	Before     bool           `json:"before"` // the span before is drawn in outline
	Kelvin     scriptUnit     `json:"kelvin"` // how the units of the API are read
	Celsius    scriptUnit     `json:"celsius"`
	Pascal     scriptUnit     `json:"pascal"`
}

// scriptUnit is how a unit of the API is read: factor·v + offset.
type scriptUnit struct {
	Word   string  `json:"word"`
	Factor float64 `json:"factor"`
	Offset float64 `json:"offset"`
}

func scriptUnitOf(unit string, u Idiom) scriptUnit { return scriptUnit(shownAs(unit, u)) }

type scriptMark struct {
	At   dewline.Millis `json:"at"`
	Word string         `json:"word"`
	Kind string         `json:"kind"`
}

func script(sys *dewline.System, span Period, d WaterlineData, health dewline.Health, r Reader) string {
	zone := r.Zone
	if zone == nil {
		zone = time.UTC
	}
	c := chartScript{
		Page: SystemHref(sys.ID), From: span.From, To: span.To, StepS: span.Step.Seconds(), Live: span.Live,
		Zone: zone.String(), Health: health, Superheat: finite(d.SuperBand), Subcooling: finite(d.SubBand), HighSide: highPressure(sys),
		Marks: []scriptMark{}, Before: !d.Before.empty(),
		Kelvin: scriptUnitOf("K", r.Idiom), Celsius: scriptUnitOf("Cel", r.Idiom), Pascal: scriptUnitOf("Pa", r.Idiom),
	}
	c.Series = "/api/v1/systems/" + string(sys.ID) + "/series?points="
	for i, q := range ChartQuantities(sys) {
		if i > 0 {
			c.Series += ","
		}
		c.Series += q
	}
	for _, m := range d.Marks {
		if m.At >= span.From && m.At < span.To {
			c.Marks = append(c.Marks, scriptMark(m))
		}
	}
	text, err := json.Marshal(c)
	if err != nil {
		return "" // no field of it can fail; the drawings of the page stand without it
	}
	return string(text)
}

func finite(b Band) [2]*float64 {
	var ends [2]*float64
	if !math.IsInf(b.Low, 0) {
		ends[0] = &b.Low
	}
	if !math.IsInf(b.High, 0) {
		ends[1] = &b.High
	}
	return ends
}

// Marks are the ticks of alerts and events on a chart.
func Marks(alerts []dewline.Alert, events []dewline.Event, u Idiom) []Mark {
	var marks []Mark
	for _, a := range alerts {
		kind := "alert"
		if a.Condition == dewline.SensorDoubt || a.Condition == dewline.Silent {
			kind = "doubt"
		}
		marks = append(marks, Mark{a.Onset, u.ConditionWord(a.Condition), kind})
		if a.Cleared != 0 {
			marks = append(marks, Mark{a.Cleared, u.Say("{1} over", u.ConditionWord(a.Condition)), "event"})
		}
	}
	for _, e := range events {
		marks = append(marks, Mark{e.At, eventWord(e, u), "event"})
	}
	slices.SortStableFunc(marks, func(a, b Mark) int { return int(a.At - b.At) })
	return marks
}

func eventWord(e dewline.Event, u Idiom) string {
	if e.Kind == dewline.SensorReplaced {
		return u.Say("sensor changed")
	}
	return u.Say("visit")
}

// EventLine is something that happened, in words.
type EventLine struct {
	Time Age
	Word string
	Note string
}

// EventLines puts events into words, the newest first.
func EventLines(events []dewline.Event, r Reader) []EventLine {
	lines := make([]EventLine, 0, len(events))
	for _, e := range slices.Backward(events) {
		note := e.Note
		if e.Kind == dewline.SensorReplaced {
			note = r.Name(note)
		}
		lines = append(lines, EventLine{r.Age(e.At), eventWord(e, r.Idiom), note})
	}
	return lines
}
