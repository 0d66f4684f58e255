package analytics

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dewline"
	"dewline/analytics/cycle"
	"dewline/analytics/window"
)

// SeriesStore answers queries for stored and derived series. Derived values are computed when they
// are read, by the same code that judged them, since that is cheaper than keeping them; steps of
// whole quarter hours over long spans come from roll-ups.
type SeriesStore struct {
	Fleet    func() *dewline.Fleet
	Readings dewline.Readings
	RollUps  dewline.RollUps // nil: everything is computed from readings
}

// rollUpFrom is the span from which roll-ups answer, where the step allows.
const rollUpFrom = 2 * 24 * time.Hour

// quantity is one asked column: a point, a feature or a feature's uncertainty.
type quantity struct {
	name    string
	point   dewline.Point // 0 for a feature
	feature cycle.Feature
	u       bool
}

func parseQuantity(name string) (quantity, error) {
	if p, ok := dewline.PointNamed(name); ok && p.Dimension() != dewline.EventText {
		return quantity{name: name, point: p}, nil
	}
	base, u := strings.CutSuffix(name, "_u")
	if k, ok := cycle.FeatureOf(dewline.Derived(base)); ok {
		return quantity{name: name, feature: k, u: u}, nil
	}
	return quantity{}, &dewline.Error{Code: dewline.Invalid, Op: "read series", Err: fmt.Errorf("unknown point %q: give points of the contract or derived values such as superheat", name)}
}

func (q quantity) unit() string {
	if q.point != 0 {
		return q.point.Unit()
	}
	unit := derivedNames[q.feature].Unit()
	if q.u && unit == "Cel" {
		return "K" // an uncertainty of a temperature is a difference
	}
	return unit
}

// ReadSeries implements dewline.SeriesReader.
func (s *SeriesStore) ReadSeries(ctx context.Context, q dewline.SeriesQuery) (dewline.Series, error) {
	out := dewline.Series{System: q.System, Step: q.Step}
	fleet := s.Fleet()
	sys, ok := fleet.System(q.System)
	if !ok {
		return out, &dewline.Error{Code: dewline.NotFound, Op: "read series", Err: fmt.Errorf("no system %s", q.System)}
	}
	site, _ := fleet.Site(q.System.Site())
	machine, err := cycle.NewMachine(sys, site)
	if err != nil {
		return out, err
	}
	var asked []quantity
	for _, name := range q.Quantities {
		c, err := parseQuantity(name)
		if err != nil {
			return out, err
		}
		asked = append(asked, c)
		out.Columns = append(out.Columns, dewline.Column{Quantity: name, Unit: c.unit()})
	}
	if q.To <= q.From {
		return out, nil
	}
	r := reader{store: s, machine: machine, id: q.System, asked: asked}
	if q.Step <= 0 {
		return out, r.stored(ctx, q, &out)
	}
	step := dewline.Millis(q.Step.Milliseconds())
	if step <= 0 || (q.To-q.From+step-1)/step > dewline.MaxSeriesRows {
		return out, &dewline.StepError{Smallest: smallestStep(q.To.Sub(q.From))}
	}
	return out, r.stepped(ctx, q, step, &out)
}

// smallestStep returns a step that keeps span within the rows of one answer, in whole minutes.
func smallestStep(span time.Duration) time.Duration {
	step := (span + dewline.MaxSeriesRows - 1) / dewline.MaxSeriesRows
	return max((step + time.Minute - 1).Truncate(time.Minute), time.Minute)
}

type reader struct {
	store   *SeriesStore
	machine *cycle.Machine
	id      dewline.SystemID
	asked   []quantity
}

// each reads what is needed in [from, to) and calls row for every time at which something was read,
// with the frame and its features.
func (r *reader) each(ctx context.Context, from, to dewline.Millis, row func(fr *cycle.Frame, f *cycle.Features)) error {
	lead := r.machine.Hold()
	var all []window.Reading
	var values []dewline.Value
	for _, p := range r.needed() {
		var err error
		if values, err = r.store.Readings.Read(ctx, r.id, p, from-lead, to, values[:0]); err != nil {
			return err
		}
		for _, v := range values {
			all = append(all, window.Reading{At: v.At, Point: p, Value: v.Value})
		}
	}
	slices.SortFunc(all, window.Compare)
	var fr cycle.Frame
	var f cycle.Features
	derived := slices.ContainsFunc(r.asked, func(q quantity) bool { return q.point == 0 })
	for i, v := range all {
		fr.Set(v.Point, v.At, v.Value)
		if i+1 < len(all) && all[i+1].At == v.At || v.At < from {
			continue
		}
		if derived {
			r.machine.Evaluate(&fr, &f)
		}
		row(&fr, &f)
	}
	return nil
}

// needed returns the points that the asked quantities are computed from.
func (r *reader) needed() []dewline.Point {
	var need []dewline.Point
	for _, q := range r.asked {
		if q.point != 0 {
			need = append(need, q.point)
			continue
		}
		need = append(need, cycle.Needs(q.feature)...)
	}
	slices.Sort(need)
	return slices.Compact(need)
}

// value returns the asked quantity of a frame, NaN where it does not exist. A point has a value only
// at the times at which it was read.
func (q quantity) value(fr *cycle.Frame, f *cycle.Features) float64 {
	switch {
	case q.point != 0 && fr.Taken[q.point] == fr.At:
		return fr.Value[q.point]
	case q.point != 0 || !f.OK(q.feature):
		return math.NaN()
	case q.u:
		return f.U[q.feature]
	}
	return f.Value[q.feature]
}

func (r *reader) stored(ctx context.Context, q dewline.SeriesQuery, out *dewline.Series) error {
	err := r.each(ctx, q.From, q.To, func(fr *cycle.Frame, f *cycle.Features) {
		out.Times = append(out.Times, fr.At)
		for i, c := range r.asked {
			out.Columns[i].Values = append(out.Columns[i].Values, c.value(fr, f))
		}
	})
	if err == nil && len(out.Times) > dewline.MaxSeriesRows {
		return &dewline.StepError{Smallest: smallestStep(q.To.Sub(q.From))}
	}
	return err
}

func (r *reader) stepped(ctx context.Context, q dewline.SeriesQuery, step dewline.Millis, out *dewline.Series) error {
	rows := int((q.To - q.From + step - 1) / step)
	cells := make([][]accumulator, len(r.asked))
	for i := range cells {
		cells[i] = make([]accumulator, rows)
	}
	from := q.From
	if r.store.RollUps != nil && r.byQuarters(q, step) {
		var err error
		if from, err = r.rolledUp(ctx, q, step, cells); err != nil {
			return err
		}
	}
	err := r.each(ctx, from, q.To, func(fr *cycle.Frame, f *cycle.Features) {
		for i, c := range r.asked {
			if v := c.value(fr, f); !math.IsNaN(v) {
				cells[i][(fr.At-q.From)/step].add(v)
			}
		}
	})
	if err != nil {
		return err
	}
	for k := range rows {
		out.Times = append(out.Times, q.From+dewline.Millis(k)*step)
	}
	for i := range r.asked {
		c := &out.Columns[i]
		for k := range cells[i] {
			a := &cells[i][k]
			if a.N == 0 {
				c.Values, c.Min, c.Max = append(c.Values, math.NaN()), append(c.Min, math.NaN()), append(c.Max, math.NaN())
				continue
			}
			c.Values, c.Min, c.Max = append(c.Values, a.Sum/float64(a.N)), append(c.Min, a.Min), append(c.Max, a.Max)
		}
	}
	return nil
}

// byQuarters says whether quarter hours can answer the query: they fall wholly into its rows, and
// they hold every quantity (uncertainties are not rolled up).
func (r *reader) byQuarters(q dewline.SeriesQuery, step dewline.Millis) bool {
	span := dewline.Millis(dewline.RollUpSpan.Milliseconds())
	return step%span == 0 && q.From%span == 0 && q.To.Sub(q.From) >= rollUpFrom &&
		!slices.ContainsFunc(r.asked, func(q quantity) bool { return q.u })
}

// rolledUp fills the cells from roll-ups and returns the time from which readings must take over,
// because no quarter hour after it has been finished.
func (r *reader) rolledUp(ctx context.Context, q dewline.SeriesQuery, step dewline.Millis, cells [][]accumulator) (dewline.Millis, error) {
	span := dewline.Millis(dewline.RollUpSpan.Milliseconds())
	end := q.From
	names := make([]string, len(r.asked))
	for i, c := range r.asked {
		names[i] = c.name
	}
	all, err := r.store.RollUps.ReadRollUps(ctx, r.id, names, q.From, q.To)
	if err != nil {
		return 0, err
	}
	for i, rows := range all {
		for _, row := range rows {
			cells[i][(row.Start-q.From)/step].merge(row)
			end = max(end, row.Start+span)
		}
	}
	return end, nil
}

func (a *accumulator) merge(r dewline.RollUp) {
	if r.Count == 0 {
		return
	}
	if a.N == 0 {
		a.Min, a.Max = r.Min, r.Max
	}
	a.N += int32(r.Count)
	a.Sum += r.Mean * float64(r.Count)
	a.Min, a.Max = min(a.Min, r.Min), max(a.Max, r.Max)
}

// Recompute makes the roll-ups of a quarter hour again from the store, after late readings.
func (s *SeriesStore) Recompute(ctx context.Context, q Quarter) ([]dewline.RollUp, error) {
	fleet := s.Fleet()
	sys, ok := fleet.System(q.System)
	if !ok {
		return nil, nil
	}
	site, _ := fleet.Site(q.System.Site())
	machine, err := cycle.NewMachine(sys, site)
	if err != nil {
		return nil, err
	}
	r := reader{store: s, machine: machine, id: q.System}
	for _, p := range dewline.Points() {
		if p.Dimension() != dewline.EventText {
			r.asked = append(r.asked, quantity{point: p})
		}
	}
	r.asked = append(r.asked, quantity{feature: cycle.Superheat}) // makes features be evaluated
	acc := quarter{Start: q.Start, Open: true}
	end := q.Start + dewline.Millis(dewline.RollUpSpan.Milliseconds())
	err = r.each(ctx, q.Start, end, func(fr *cycle.Frame, f *cycle.Features) {
		for p := range fr.Taken {
			if fr.Taken[p] == fr.At {
				acc.Points[p].add(fr.Value[p])
			}
		}
		acc.features(f)
	})
	return acc.close(q.System, nil), err
}
