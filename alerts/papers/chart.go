package papers

import (
	"fmt"
	"image/color"
	"math"
	"slices"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"dewline"
	"dewline/thermo/si"
)

var grey = color.Gray{Y: 0x70}

// newPlot returns an empty chart in the sheet's face.
func newPlot() *plot.Plot {
	p := plot.New()
	sans := font.Font{Typeface: "Liberation", Variant: "Sans", Size: 8}
	for _, style := range []*text.Style{&p.Title.TextStyle, &p.X.Label.TextStyle, &p.Y.Label.TextStyle, &p.X.Tick.Label, &p.Y.Tick.Label, &p.Legend.TextStyle} {
		style.Font = sans
	}
	for _, axis := range []*plot.Axis{&p.X, &p.Y} {
		axis.LineStyle.Width, axis.Tick.LineStyle.Width, axis.Padding = 0.5, 0.5, 0
	}
	return p
}

// chart draws p over the width of the sheet.
func (s *sheet) chart(p *plot.Plot, height float64) {
	s.room(height + 2)
	y := s.pdf.GetY()
	c := newCanvas(s.pdf, margin, y+height)
	size := vg.Rectangle{Max: vg.Point{X: vg.Length(s.width / mmPerPoint), Y: vg.Length(height / mmPerPoint)}}
	p.Draw(draw.Canvas{Canvas: c, Rectangle: size})
	s.pdf.SetDrawColor(0, 0, 0)
	s.pdf.SetTextColor(0, 0, 0)
	s.pdf.SetXY(margin, y+height+2)
}

// band is a strip between two values, hatched so that it prints.
type band struct{ low, high float64 }

// Plot implements plot.Plotter.
func (b band) Plot(c draw.Canvas, p *plot.Plot) {
	_, y := p.Transforms(&c)
	low, high := max(y(b.low), c.Min.Y), min(y(b.high), c.Max.Y)
	if high <= low {
		return
	}
	hatch := draw.LineStyle{Color: color.Gray{Y: 0xa0}, Width: 0.3}
	const step = 5
	for x := c.Min.X - (high - low); x < c.Max.X; x += step {
		a, z := vg.Point{X: x, Y: low}, vg.Point{X: x + high - low, Y: high} // at 45 degrees
		if a.X < c.Min.X {
			a.Y, a.X = a.Y+c.Min.X-a.X, c.Min.X
		}
		if z.X > c.Max.X {
			z.Y, z.X = z.Y-(z.X-c.Max.X), c.Max.X
		}
		c.StrokeLine2(hatch, a.X, a.Y, z.X, z.Y)
	}
	edge := draw.LineStyle{Color: grey, Width: 0.4}
	c.StrokeLine2(edge, c.Min.X, low, c.Max.X, low)
	c.StrokeLine2(edge, c.Min.X, high, c.Max.X, high)
}

// mark is a moment with its words along the upper edge.
type mark struct {
	x     float64
	words string
}

// Plot implements plot.Plotter.
func (m mark) Plot(c draw.Canvas, p *plot.Plot) {
	x, _ := p.Transforms(&c)
	at := x(m.x)
	if at < c.Min.X || at > c.Max.X {
		return
	}
	c.StrokeLine2(draw.LineStyle{Color: color.Black, Width: 0.6, Dashes: []vg.Length{3, 2}}, at, c.Min.Y, at, c.Max.Y)
	style := p.X.Tick.Label
	style.XAlign, style.YAlign = draw.XLeft, draw.YTop
	if at > (c.Min.X+c.Max.X)/2 {
		style.XAlign = draw.XRight
		at -= 3
	} else {
		at += 3
	}
	c.FillText(style, vg.Point{X: at, Y: c.Max.Y - 1}, m.words)
}

// runs are stretches without gaps: a line is never drawn over what does not exist.
func runs(times []dewline.Millis, values []float64, step time.Duration) (list []plotter.XYs) {
	var now plotter.XYs
	var last dewline.Millis
	for i, v := range values {
		if math.IsNaN(v) || len(now) > 0 && times[i].Sub(last) > 2*step {
			if len(now) > 0 {
				list = append(list, now)
			}
			now = nil
		}
		if !math.IsNaN(v) {
			now, last = append(now, plotter.XY{X: float64(times[i]) / 1000, Y: v}), times[i]
		}
	}
	if len(now) > 0 {
		list = append(list, now)
	}
	return list
}

// side is one quantity of a waterline.
type side struct {
	column *dewline.Column
	sign   float64 // superheat stands above saturation, subcooling hangs below
	low    *float64
	high   *float64
}

// waterline draws superheat above the line of saturation and subcooling below it, to one scale, with
// hatched strips where they should be. It is nil where there is nothing to draw.
func waterline(series *dewline.Series, expected []dewline.Measure, u si.System, zone *time.Location, marks []mark) *plot.Plot {
	if series == nil || len(series.Times) == 0 {
		return nil
	}
	p := newPlot()
	step := max(series.Step, time.Minute)
	lowest, highest, any := 0.0, 0.0, false
	for _, x := range []side{{sign: 1, column: columnOf(series, dewline.Superheat)}, {sign: -1, column: columnOf(series, dewline.Subcooling)}} {
		if x.column == nil {
			continue
		}
		name := dewline.Superheat
		if x.sign < 0 {
			name = dewline.Subcooling
		}
		for _, m := range expected {
			if m.Quantity == string(name) {
				x.low, x.high = m.Low, m.High
			}
		}
		if b, ok := x.band(u); ok {
			p.Add(b)
			lowest, highest = min(lowest, finite(b.low)), max(highest, finite(b.high))
		}
		values := make([]float64, len(x.column.Values))
		for i, v := range x.column.Values {
			values[i] = x.sign * kelvins(v, u)
			if !math.IsNaN(values[i]) {
				lowest, highest, any = min(lowest, values[i]), max(highest, values[i]), true
			}
		}
		for _, run := range runs(series.Times, values, step) {
			p.Add(trace(run))
		}
	}
	if !any {
		return nil
	}
	p.X.Min, p.X.Max = float64(series.Times[0])/1000, float64(series.Times[len(series.Times)-1])/1000+step.Seconds()
	room := max(1, (highest-lowest)*0.12)
	p.Y.Min, p.Y.Max = lowest-room, highest+room
	p.Add(saturation{})
	for _, m := range marks {
		p.Add(m)
	}
	p.X.Tick.Marker = timeTicks{zone}
	p.Y.Tick.Marker = plainTicks(math.Abs) // both count from saturation
	p.Y.Label.Text = fmt.Sprintf("subcooling | superheat, %s", u.Unit(si.Difference))
	return p
}

// plainTicks writes numbers with no more digits than they need, each through f.
func plainTicks(f func(float64) float64) plot.Ticker {
	return plot.TickerFunc(func(low, high float64) []plot.Tick {
		ticks := plot.DefaultTicks{}.Ticks(low, high)
		for i := range ticks {
			if ticks[i].Label != "" {
				ticks[i].Label = fmt.Sprintf("%.6g", f(ticks[i].Value))
			}
		}
		return ticks
	})
}

func finite(v float64) float64 {
	if math.IsInf(v, 0) {
		return 0
	}
	return v
}

// kelvins converts a difference to the reader's unit.
func kelvins(v float64, u si.System) float64 {
	if u == si.US {
		return v * 9 / 5
	}
	return v
}

// band returns where the side is expected. Nothing hangs above saturation, so an open side ends there.
func (x side) band(u si.System) (band, bool) {
	if x.low == nil && x.high == nil {
		return band{}, false
	}
	low, high := math.Inf(-1), math.Inf(1)
	if x.low != nil {
		low = kelvins(*x.low, u)
	}
	if x.high != nil {
		high = kelvins(*x.high, u)
	}
	if x.sign < 0 {
		low, high = -high, -low
	}
	return band{low, high}, true
}

// saturation is the line itself.
type saturation struct{}

// Plot implements plot.Plotter.
func (saturation) Plot(c draw.Canvas, p *plot.Plot) {
	_, y := p.Transforms(&c)
	c.StrokeLine2(draw.LineStyle{Color: color.Black, Width: 1.4}, c.Min.X, y(0), c.Max.X, y(0))
	style := p.X.Tick.Label
	style.XAlign, style.YAlign = draw.XRight, draw.YBottom
	c.FillText(style, vg.Point{X: c.Max.X - 2, Y: y(0) + 1}, "saturation")
}

// trace is a line, or a dot where a run is of one value.
func trace(run plotter.XYs) plot.Plotter {
	if len(run) == 1 {
		return &plotter.Scatter{XYs: run, GlyphStyle: draw.GlyphStyle{Color: color.Black, Radius: 1, Shape: draw.CircleGlyph{}}}
	}
	return &plotter.Line{XYs: run, LineStyle: draw.LineStyle{Color: color.Black, Width: 0.8}}
}

func columnOf(series *dewline.Series, name dewline.Derived) *dewline.Column {
	i := slices.IndexFunc(series.Columns, func(c dewline.Column) bool { return c.Quantity == string(name) })
	if i < 0 {
		return nil
	}
	return &series.Columns[i]
}

// timeTicks stand at midnights of the site, or at full hours where there are few.
type timeTicks struct{ zone *time.Location }

// Ticks implements plot.Ticker.
func (t timeTicks) Ticks(low, high float64) (ticks []plot.Tick) {
	from := time.Unix(int64(low), 0).In(t.zone)
	days := (high - low) / 86400
	every := 1 + int(days/8)
	if days < 2 {
		for at := from.Truncate(time.Hour); float64(at.Unix()) <= high; at = at.Add(time.Hour) {
			label := ""
			if at.Hour()%max(1, int(days*4)) == 0 {
				label = at.Format("15:04")
			}
			if float64(at.Unix()) >= low {
				ticks = append(ticks, plot.Tick{Value: float64(at.Unix()), Label: label})
			}
		}
		return ticks
	}
	for i, day := 0, time.Date(from.Year(), from.Month(), from.Day()+1, 0, 0, 0, 0, t.zone); float64(day.Unix()) <= high; i, day = i+1, day.AddDate(0, 0, 1) {
		label := ""
		if i%every == 0 {
			label = day.Format("2 Jan")
		}
		ticks = append(ticks, plot.Tick{Value: float64(day.Unix()), Label: label})
	}
	return ticks
}

// vacuum draws an evacuation on a logarithmic scale, with the limits that were entered.
func vacuum(e *dewline.Evacuation, u si.System) *plot.Plot {
	points := slices.Clone(e.Points)
	slices.SortFunc(points, func(a, b dewline.VacuumPoint) int { return int(a.At - b.At) })
	unit, scale := "Pa", 1.0
	if u == si.US {
		unit, scale = "micron", 1/0.13332236842105263 // 1 micron is 1 µm of mercury, 101325/760000 Pa
	}
	var line plotter.XYs
	for _, v := range points {
		if v.Pressure > 0 { // a logarithm has no zero
			line = append(line, plotter.XY{X: float64(v.At-points[0].At) / 60000, Y: float64(v.Pressure) * scale})
		}
	}
	if len(line) < 2 {
		return nil
	}
	p := newPlot()
	p.Add(trace(line))
	for _, at := range line {
		p.Add(trace(plotter.XYs{at}))
	}
	p.Y.Scale, p.Y.Tick.Marker = plot.LogScale{}, plot.LogTicks{Prec: -1}
	if l := e.Limits; l != nil && l.Reach > 0 && l.NotOver > 0 {
		p.Add(limit{float64(l.Reach) * scale, "to reach"}, limit{float64(l.NotOver) * scale, "not over while it is held"})
		p.Y.Min, p.Y.Max = min(p.Y.Min, float64(l.Reach)*scale*0.5), max(p.Y.Max, float64(l.NotOver)*scale*2)
	}
	if p.Y.Max < p.Y.Min*3 {
		p.Y.Min, p.Y.Max = p.Y.Min/2, p.Y.Max*2
	}
	if e.Isolated != 0 {
		p.Add(mark{float64(e.Isolated-points[0].At) / 60000, "pump valved off"})
	}
	p.X.Tick.Marker = plainTicks(func(v float64) float64 { return v })
	p.X.Label.Text, p.Y.Label.Text = "minutes", "absolute, "+unit
	return p
}

// limit is a level with its words.
type limit struct {
	y     float64
	words string
}

// Plot implements plot.Plotter.
func (l limit) Plot(c draw.Canvas, p *plot.Plot) {
	_, y := p.Transforms(&c)
	c.StrokeLine2(draw.LineStyle{Color: grey, Width: 0.7, Dashes: []vg.Length{1.5, 1.5}}, c.Min.X, y(l.y), c.Max.X, y(l.y))
	style := p.X.Tick.Label
	style.XAlign, style.YAlign = draw.XLeft, draw.YBottom
	c.FillText(style, vg.Point{X: c.Min.X + 3, Y: y(l.y) + 1}, l.words)
}
