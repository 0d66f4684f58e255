package view

import (
	"cmp"
	"math"
	"slices"
	"time"

	"dewline"
)

// Line is one quantity of a Lines chart.
type Line struct {
	Name   string
	Values []float64 // in the chart's unit, NaN where there is no value
	Style  int       // which of the strokes, 0 the strongest
}

// DrawnLine is a Line in its place, with its name written at its end.
type DrawnLine struct {
	Path, Name     string
	Style          int
	LabelX, LabelY float64
}

// Lines is a chart of several quantities in one unit, all in ink: they are told apart by their
// stroke and by the name at their end.
type Lines struct {
	Size
	Plot          Box
	Title, Unit   string
	Times, Values []Tick
	Lines         []DrawnLine
}

// The sizes of the charts under the waterline.
var (
	WideLines   = Size{960, 200, 9, 104}
	NarrowLines = Size{400, 210, 4, 92}
)

// NewLines draws the lines that have a value. It returns false where none has.
func NewLines(title, unit string, lines []Line, times []dewline.Millis, step time.Duration, from, to dewline.Millis, zone *time.Location, size Size, u Idiom) (Lines, bool) {
	c := Lines{Size: size, Title: title, Unit: unit, Plot: Box{marginLeft, 8, size.Width - marginLeft - size.Names, size.Height - 8 - 24}}
	low, high := math.Inf(1), math.Inf(-1)
	for _, l := range lines {
		for _, v := range l.Values {
			if isNumber(v) {
				low, high = min(low, v), max(high, v)
			}
		}
	}
	if low > high {
		return c, false
	}
	pad := max((high-low)*0.06, 0.5)
	y := scale{low - pad, high + pad, c.Plot.Y + c.Plot.Height, c.Plot.Y}
	along := scale{float64(from), float64(to), c.Plot.X, c.Plot.X + c.Plot.Width}
	x := make([]float64, len(times))
	for i, t := range times {
		x[i] = along.at(float64(t) + float64(step.Milliseconds())/2)
	}
	for _, l := range lines {
		last := slices.IndexFunc(reversed(l.Values), isNumber)
		if last < 0 {
			continue
		}
		c.Lines = append(c.Lines, DrawnLine{
			Path: trace(x, l.Values, y), Name: l.Name, Style: l.Style,
			LabelX: c.Plot.X + c.Plot.Width + 6, LabelY: y.at(l.Values[len(l.Values)-1-last]) + 4,
		})
	}
	spread(c.Lines, 15, c.Plot.Y+8, c.Plot.Y+c.Plot.Height)
	for _, t := range timeTicks(from, to, zone, size.Labels-1, u) {
		c.Times = append(c.Times, Tick{along.at(float64(t.at.UnixMilli())), t.label})
	}
	for _, v := range ticks(y.from, y.to, 5) {
		c.Values = append(c.Values, Tick{y.at(v), Decimal(v, 0)})
	}
	return c, true
}

func reversed(values []float64) []float64 {
	r := slices.Clone(values)
	slices.Reverse(r)
	return r
}

// spread moves labels apart so that none lies on another, and keeps them between two heights.
func spread(lines []DrawnLine, apart, top, bottom float64) {
	order := make([]*DrawnLine, len(lines))
	for i := range lines {
		order[i] = &lines[i]
	}
	slices.SortStableFunc(order, func(a, b *DrawnLine) int { return cmp.Compare(a.LabelY, b.LabelY) })
	for i, l := range order {
		least := top
		if i > 0 {
			least = order[i-1].LabelY + apart
		}
		l.LabelY = max(l.LabelY, least)
	}
	most := bottom
	for _, l := range slices.Backward(order) {
		l.LabelY = min(l.LabelY, most)
		most = l.LabelY - apart
	}
}
