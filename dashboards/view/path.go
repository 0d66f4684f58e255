package view

import (
	"math"
	"strconv"
)

// path builds the "d" of an SVG path out of numbers alone, rounded to a tenth of a pixel.
type path struct{ d []byte }

func (p *path) to(command byte, x, y float64) {
	p.d = append(p.d, command)
	p.d = appendPixel(p.d, x)
	p.d = append(p.d, ' ')
	p.d = appendPixel(p.d, y)
}

func (p *path) close() { p.d = append(p.d, 'Z') }

func (p *path) rect(x, y, w, h float64) {
	p.to('M', x, y)
	p.d = append(p.d, 'h')
	p.d = appendPixel(p.d, w)
	p.d = append(p.d, 'v')
	p.d = appendPixel(p.d, h)
	p.d = append(p.d, 'h')
	p.d = appendPixel(p.d, -w)
	p.close()
}

// String returns the path, "" when nothing was drawn.
func (p *path) String() string { return string(p.d) }

func appendPixel(dst []byte, v float64) []byte {
	return strconv.AppendFloat(dst, math.Round(v*10)/10, 'f', -1, 64)
}

// scale maps a value to a pixel, values beyond its ends to the ends.
type scale struct{ from, to, pixelFrom, pixelTo float64 }

func (s scale) at(v float64) float64 {
	v = min(max(v, min(s.from, s.to)), max(s.from, s.to))
	return s.pixelFrom + (v-s.from)/(s.to-s.from)*(s.pixelTo-s.pixelFrom)
}

// trace draws a line through values that leaves gaps where there are none. A value alone between
// two gaps becomes a dot: a stroke of no length that the round cap makes visible.
func trace(x, values []float64, y scale) string {
	var p path
	drawing := false
	for i, v := range values {
		switch {
		case math.IsNaN(v):
			drawing = false
		case drawing:
			p.to('L', x[i], y.at(v))
		default:
			p.to('M', x[i], y.at(v))
			if i+1 == len(values) || math.IsNaN(values[i+1]) {
				p.d = append(p.d, "h0"...)
			}
			drawing = true
		}
	}
	return p.String()
}

// beyond draws the areas between a limit and the stretches of a trace that lie past it: above it
// for sign 1, below it for sign -1. Where the trace crosses the limit between two values the area
// begins at the crossing.
func beyond(x, values []float64, limit, sign float64, y scale) string {
	if math.IsInf(limit, 0) || math.IsNaN(limit) {
		return ""
	}
	var p path
	edge := y.at(limit)
	inside := false // an area is being drawn
	out := func(i int) bool { return !math.IsNaN(values[i]) && sign*(values[i]-limit) > 0 }
	known := func(i int) bool { return i >= 0 && i < len(values) && !math.IsNaN(values[i]) }
	crossing := func(i, j int) float64 {
		return x[i] + (x[j]-x[i])*(limit-values[i])/(values[j]-values[i])
	}
	for i := range values {
		if !out(i) {
			continue
		}
		if !inside {
			begin := x[i]
			if known(i - 1) {
				begin = crossing(i-1, i)
			}
			p.to('M', begin, edge)
			inside = true
		}
		p.to('L', x[i], y.at(values[i]))
		if i+1 < len(values) && out(i+1) {
			continue
		}
		end := x[i]
		if known(i + 1) {
			end = crossing(i, i+1)
		}
		p.to('L', end, edge)
		p.close()
		inside = false
	}
	return p.String()
}

// ticks returns round values in [low, high], about as many as fit.
func ticks(low, high float64, fit int) []float64 {
	span := high - low
	if !(span > 0) || fit < 1 {
		return nil
	}
	rough := span / float64(fit)
	power := math.Pow(10, math.Floor(math.Log10(rough)))
	step := 10 * power
	for _, m := range []float64{1, 2, 5} {
		if m*power >= rough {
			step = m * power
			break
		}
	}
	var all []float64
	for i := math.Ceil(low/step - 1e-9); i*step <= high+1e-9*span; i++ {
		all = append(all, i*step)
	}
	return all
}
