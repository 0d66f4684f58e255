package papers

import (
	"context"
	"errors"
	"fmt"
	"image/color"
	"slices"
	"strconv"
	"strings"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"dewline"
)

// OwnerFacts are what the report of an owner's month is made of.
type OwnerFacts struct {
	Month   dewline.OwnerMonth
	Company string                              // who looks after the machines, "" where the settings do not say
	Series  map[dewline.SystemID]dewline.Series // of superheat and subcooling over the month, of repaired machines
	Zone    *time.Location                      // in which the report is dated
}

// mostListed is how many machines are told one by one. Beyond it those that are well are counted.
const mostListed = 60

// mostDrawn is how many repairs are drawn: the report is for a page or two.
const mostDrawn = 2

// OwnerReport implements dewline.Papers.
func (d *Desk) OwnerReport(ctx context.Context, owner string, month dewline.Month, u dewline.Units) (dewline.Paper, error) {
	if d.Owners == nil {
		return dewline.Paper{}, &dewline.Error{Code: dewline.NotFound, Op: "report of owner " + owner, Err: errors.New("no reports are made here")}
	}
	m, err := d.Owners.OwnerMonth(ctx, owner, month)
	for waits := 0; err == nil && m.Waiting > 0 && m.Waiting != waits; { // a report says all at once
		waits = m.Waiting
		m, err = d.Owners.OwnerMonth(ctx, owner, month)
	}
	if err != nil {
		return dewline.Paper{}, err
	}
	f := OwnerFacts{Month: m, Company: d.Company, Series: map[dewline.SystemID]dewline.Series{}}
	for i := range m.Sites {
		if site, ok := d.Fleet().Site(m.Sites[i].Site); ok && f.Zone == nil {
			f.Zone = site.Timezone
		}
	}
	for _, w := range f.drawn() {
		s, err := d.monthOf(ctx, w)
		if err != nil {
			return dewline.Paper{}, err
		}
		if s != nil {
			f.Series[w.System] = *s
		}
	}
	body, err := f.PDF(u, d.Now())
	return dewline.Paper{Name: "report-" + owner + "-" + string(month) + ".pdf", Type: pdf, Body: body}, err
}

// monthOf reads the days about a visit.
func (d *Desk) monthOf(ctx context.Context, w dewline.OwnerWork) (*dewline.Series, error) {
	at := dewline.Millis(w.At)
	return d.series(ctx, w.System, at.Add(-2*chartBefore), min(d.Now(), at.Add(2*chartAfter)))
}

// drawn are the repairs that are drawn: those with numbers, the newest first.
func (f OwnerFacts) drawn() (list []dewline.OwnerWork) {
	for _, w := range slices.Backward(f.Month.Works) {
		if len(w.Measures) > 0 && len(list) < mostDrawn {
			list = append(list, w)
		}
	}
	return list
}

// PDF returns the report as of a time.
func (f OwnerFacts) PDF(u dewline.Units, at dewline.Millis) ([]byte, error) {
	m := f.Month
	d := &document{newSheet("Your equipment in "+m.Month.Words(), m.Name, at, f.Zone, u), readerOf(u)}
	upTo := ""
	if !m.Over {
		upTo = d.time(m.AsOf)
	}
	d.facts([2]string{"Owner", m.Name}, [2]string{"Looked after by", f.Company}, [2]string{"Told up to", upTo})
	d.heading("In short")
	d.list(m.Summary(dewline.English))
	d.machines(m)
	d.advised(m)
	d.worked(f)
	d.changed(m)
	d.days(m)
	d.records(m)
	d.heading("What the figures rest on")
	notes := m.Notes
	if sources := m.Sources(); len(sources) > 0 {
		notes = append(slices.Clone(notes), "Published figures: "+strings.Join(sources, "; ")+".")
	}
	d.list(notes)
	d.caution("Leave machines closed and their settings as they are: work on them is for who is licensed for it.")
	return d.bytes()
}

// machines is a line for each machine, in the order of sites.
func (d *document) machines(m dewline.OwnerMonth) {
	d.heading("How each machine stands")
	var rows [][]string
	var notes []string
	well := 0
	of, shared := m.Why(dewline.English)
	for _, s := range m.Sites {
		where := ""
		if len(m.Sites) > 1 {
			where = ", " + s.Name
		}
		for _, x := range s.Machines {
			if m.Total.Machines > mostListed && x.Standing.Normal() {
				well++
				continue
			}
			if why := of[x.System]; why != "" {
				notes = append(notes, x.Name+where+": "+why)
			}
			run, starts := x.Use.Words(dewline.English)
			excess := x.Excess.Words(dewline.English)
			if excess == "" {
				excess = "none"
			}
			rows = append(rows, []string{x.Name + where, x.Standing.Words(dewline.English), x.Says, run, starts, x.Energy.Words(dewline.English), excess})
		}
	}
	if len(rows) > 0 {
		d.table([]column{{"machine", 2.9, "L"}, {"stands", 1.8, "L"}, {"in words", 4.4, "L"}, {"ran, h", 1.5, "R"}, {"starts", 1.5, "R"}, {"energy, kWh", 1.6, "R"}, {"faults cost, kWh", 1.7, "R"}}, rows)
	}
	for _, note := range slices.Concat(notes, shared) {
		d.note(note)
	}
	if well > 0 {
		d.note(fmt.Sprintf("Machines with nothing to look at that are not listed: %d.", well))
	}
}

// days draws how long all machines together ran on each day.
func (d *document) days(m dewline.OwnerMonth) {
	days := m.Days()
	if len(days) == 0 {
		return
	}
	p := newPlot()
	b := bars{}
	for _, day := range days {
		b = append(b, plotter.XY{X: float64(day.Day.Time().Day()), Y: day.RunHours})
	}
	p.Add(b)
	p.X.Min, p.X.Max, p.Y.Min = 0.4, b[len(b)-1].X+0.6, 0
	p.Y.Max = max(1, slices.MaxFunc(b, func(x, y plotter.XY) int { return int(1000 * (x.Y - y.Y)) }).Y*1.15)
	p.X.Tick.Marker, p.Y.Tick.Marker = plot.ConstantTicks(dayTicks(b)), plainTicks(func(v float64) float64 { return v })
	p.X.Label.Text, p.Y.Label.Text = "day of "+m.Month.Words(), "hours run"
	for day, words := range visitsByDay(m.Works) {
		p.Add(mark{float64(day), words})
	}
	const height = 38
	d.room(height + 14) // the label stays with the chart
	d.label("Hours run on each day, all machines together")
	d.chart(p, height)
}

func visitsByDay(works []dewline.OwnerWork) map[int]string {
	all := map[int]string{}
	for _, w := range works {
		all[w.Day.Time().Day()] = "visit"
	}
	return all
}

func dayTicks(b bars) (ticks []plot.Tick) {
	for i, at := range b {
		label := ""
		if i == 0 || int(at.X)%5 == 0 {
			label = strconv.Itoa(int(at.X))
		}
		ticks = append(ticks, plot.Tick{Value: at.X, Label: label})
	}
	return ticks
}

// bars stand on the axis, hatched so that they copy.
type bars plotter.XYs

// Plot implements plot.Plotter.
func (b bars) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	for _, at := range b {
		left, right, foot, top := x(at.X-0.36), x(at.X+0.36), y(0), y(at.Y)
		c.FillPolygon(color.Gray{Y: 0xc8}, []vg.Point{{X: left, Y: foot}, {X: right, Y: foot}, {X: right, Y: top}, {X: left, Y: top}})
		c.StrokeLine2(draw.LineStyle{Color: color.Black, Width: 0.8}, left, top, right, top)
	}
}

func (d *document) changed(m dewline.OwnerMonth) {
	d.heading("What changed")
	if len(m.Changes) == 0 {
		d.text("Nothing that Dewline knows of.")
		return
	}
	const most = 15
	var rows [][]string
	for _, c := range m.Changes[max(0, len(m.Changes)-most):] {
		rows = append(rows, []string{string(c.Day), c.Name + ", " + c.Where, c.What})
	}
	d.table([]column{{"day", 1.4, "L"}, {"machine", 3.6, "L"}, {"what", 6, "L"}}, rows)
	if more := len(m.Changes) - len(rows); more > 0 {
		d.note(fmt.Sprintf("Earlier changes of the month that are not listed: %d.", more))
	}
}

// worked is what was done, with what readings make of it.
func (d *document) worked(f OwnerFacts) {
	d.heading("What was done")
	if len(f.Month.Works) == 0 {
		d.text("No visit was finished.")
		return
	}
	drawn := f.drawn()
	for _, w := range f.Month.Works {
		d.label(string(w.Day) + ", " + w.Name + ", " + w.Where)
		says := []string{w.What}
		if w.Charged+w.Recovered > 0 {
			says = append(says, fmt.Sprintf("Refrigerant off the scale: %s in, %s out.", d.Mass(w.Charged, 2), d.Mass(w.Recovered, 2)))
		}
		d.text(strings.Join(append(says, w.Words(dewline.English)), " "))
		d.measures(w)
		if slices.ContainsFunc(drawn, func(x dewline.OwnerWork) bool { return x.System == w.System && x.At == w.At }) {
			d.repair(f, w)
		}
	}
}

func (d *document) measures(w dewline.OwnerWork) {
	var rows [][]string
	for _, x := range w.Measures {
		rows = append(rows, []string{words(x.Quantity), d.known(x.Before, x.Unit), d.known(x.After, x.Unit), d.band(dewline.Measure{Unit: x.Unit, Low: x.Low, High: x.High})})
	}
	if len(rows) > 0 {
		d.table([]column{{"mean of steady running", 3, "L"}, {"before", 2, "R"}, {"after", 2, "R"}, {"where it should be", 4, "R"}}, rows)
	}
}

func (d *document) known(v *float64, unit string) string {
	if v == nil {
		return dewline.NotKnown
	}
	return d.value(*v, unit)
}

// repair draws the days about a visit.
func (d *document) repair(f OwnerFacts, w dewline.OwnerWork) {
	s, ok := f.Series[w.System]
	if !ok {
		return
	}
	var measures []dewline.Measure
	for _, x := range w.Measures {
		measures = append(measures, dewline.Measure{Quantity: x.Quantity, Unit: x.Unit, Low: x.Low, High: x.High})
	}
	p := waterline(&s, measures, d.System, d.zone, []mark{{float64(w.At) / 1000, "visit"}})
	if p == nil {
		return
	}
	d.chart(p, 52)
	d.note("Above the line, how far the gas is from turning liquid; below it, how far the liquid is from turning into gas; hatched: where each should be. Gaps: no value.")
}

func (d *document) advised(m dewline.OwnerMonth) {
	d.heading("What to agree with the service company")
	if len(m.Advice) == 0 {
		d.text("Nothing.")
		return
	}
	var list []string
	for _, a := range m.Advice {
		list = append(list, a.Name+", "+a.Where+": "+a.What)
	}
	d.list(list)
	d.note("As of " + d.time(m.Made) + ".")
}

// records are the refrigerant records: those with something in them, and how many have nothing.
func (d *document) records(m dewline.OwnerMonth) {
	if len(m.Records) == 0 {
		return
	}
	d.heading("Refrigerant records")
	var rows [][]string
	quiet, notice := 0, ""
	for _, r := range m.Records {
		if r.Rate == nil && r.Charged+r.Recovered == 0 && len(r.Dues) == 0 {
			quiet++
			continue
		}
		notice = r.Notice
		charge := d.mass(r.FullCharge)
		if charge == "" {
			charge = dewline.NotKnown
		}
		rows = append(rows, []string{r.Name + ", " + r.Where, r.Refrigerant, charge, d.Mass(r.Charged, 2), d.Mass(r.Recovered, 2), r.Words(dewline.English)})
	}
	if len(rows) > 0 {
		d.table([]column{{"appliance", 3, "L"}, {"refrigerant", 1.6, "L"}, {"full charge", 1.6, "R"}, {"in", 1.3, "R"}, {"out", 1.3, "R"}, {"leak rate", 4, "L"}}, rows)
	}
	if quiet > 0 {
		d.note(fmt.Sprintf("Nothing was ever added or taken out, as far as is recorded: %d.", quiet))
	}
	if notice != "" {
		d.note(notice)
	}
}
