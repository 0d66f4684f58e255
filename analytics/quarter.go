package analytics

import (
	"math"

	"dewline"
	"dewline/analytics/cycle"
	"dewline/analytics/window"
)

// quarter gathers the roll-ups of the running quarter hour.
type quarter struct {
	Start    dewline.Millis
	Open     bool
	Points   [cycle.NumPoints]accumulator
	Features [cycle.NumFeatures]accumulator
}

type accumulator struct {
	N             int32
	Sum, Min, Max float64
}

func (a *accumulator) add(v float64) {
	if a.N == 0 {
		a.Min, a.Max = v, v
	}
	a.N++
	a.Sum += v
	a.Min, a.Max = min(a.Min, v), max(a.Max, v)
}

func (q *quarter) point(e *Engine, y *system, r window.Reading) {
	if start := quarterOf(r.At); !q.Open || start != q.Start {
		e.out.RollUps = q.close(y.id, e.out.RollUps)
		q.Start, q.Open = start, true
	}
	q.Points[r.Point].add(r.Value)
}

func (q *quarter) features(f *cycle.Features) {
	for k := range cycle.NumFeatures {
		if f.OK(k) {
			q.Features[k].add(f.Value[k])
		}
	}
}

// close appends the rows of the quarter and empties it.
func (q *quarter) close(id dewline.SystemID, rows []dewline.RollUp) []dewline.RollUp {
	if !q.Open {
		return rows
	}
	row := func(name, unit string, a *accumulator) {
		if a.N == 0 || math.IsInf(a.Sum, 0) {
			return
		}
		to := perUnit(unit)
		rows = append(rows, dewline.RollUp{
			System: id, Quantity: name, Start: q.Start,
			Mean: round(a.Sum/float64(a.N), to), Min: round(a.Min, to), Max: round(a.Max, to), Count: int(a.N),
		})
	}
	for p := range q.Points {
		row(dewline.Point(p).String(), dewline.Point(p).Unit(), &q.Points[p])
	}
	for k, name := range derivedNames {
		row(string(name), name.Unit(), &q.Features[k])
	}
	*q = quarter{}
	return rows
}

// perUnit returns how many steps of a roll-up make one unit: finer than any sensor can know, and
// coarse enough that a year of them packs well.
func perUnit(unit string) float64 {
	switch unit {
	case "Pa", "W":
		return 1
	case "/":
		return 10_000
	default:
		return 1000 // K, Cel, %RH, A
	}
}

func round(v, perUnit float64) float64 {
	if r := math.Round(v*perUnit) / perUnit; !math.IsInf(r, 0) {
		return r
	}
	return v // so large that there is nothing to round
}

// derivedNames are the names of the features, in their order.
var derivedNames = dewline.DerivedValues()
