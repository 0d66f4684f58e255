package view

import (
	"math"

	"dewline"
)

// The glyph of a row: a fortnight, a point a day, a pixel for each kelvin.
const (
	GlyphDays   = 14
	glyphDay    = 8.0  // pixels
	glyphAbove  = 14.0 // K of superheat that fit above the line
	glyphBelow  = 10.0 // K of subcooling that fit below it
	GlyphWidth  = GlyphDays * glyphDay
	GlyphHeight = glyphAbove + glyphBelow
)

// Fortnight is what a glyph draws: daily means of steady running, NaN for a day without.
type Fortnight struct {
	Superheat, Subcooling [GlyphDays]float64
}

// NoFortnight returns a fortnight without any data.
func NoFortnight() Fortnight {
	var f Fortnight
	for i := range GlyphDays {
		f.Superheat[i], f.Subcooling[i] = math.NaN(), math.NaN()
	}
	return f
}

// Glyph is the waterline of a row, as paths: the strips where values are expected, what lies
// outside them, and a thin trace where nothing is expected.
type Glyph struct {
	Strip, Out, Trace string
	Line              float64 // of saturation, pixels from the top
	Label             string  // in words, for those who do not see it
}

// NewGlyph draws a fortnight.
func NewGlyph(f Fortnight, superheat, subcooling Band, u Idiom) Glyph {
	var strip, out, line path
	above := scale{-glyphBelow, glyphAbove, GlyphHeight, 0} // superheat grows upwards
	below := scale{-glyphAbove, glyphBelow, 0, GlyphHeight} // subcooling downwards
	glyphRow(&strip, &out, &line, f.Superheat[:], superheat, above)
	glyphRow(&strip, &out, &line, f.Subcooling[:], subcooling, below)
	return Glyph{strip.String(), out.String(), line.String(), glyphAbove,
		u.Say("Last 14 days.") + " " + glyphWords(u.Say("Superheat"), f.Superheat[:], superheat, u) + " " + glyphWords(u.Say("Subcooling"), f.Subcooling[:], subcooling, u)}
}

func glyphRow(strip, out, line *path, days []float64, band Band, y scale) {
	for i, v := range days {
		if math.IsNaN(v) {
			continue
		}
		x := float64(i) * glyphDay
		if !band.Stated() {
			line.rect(x, y.at(v)-0.5, glyphDay, 1)
			continue
		}
		vertical(strip, x, y.at(max(band.Low, 0)), y.at(band.High))
		switch {
		case v < band.Low:
			vertical(out, x, y.at(v), y.at(band.Low))
		case v > band.High:
			vertical(out, x, y.at(band.High), y.at(v))
		}
	}
}

// vertical adds a day's bar between two heights. A way out of less than a pixel still shows.
func vertical(p *path, x, y1, y2 float64) {
	top, height := min(y1, y2), math.Abs(y1-y2)
	p.rect(x, top, glyphDay, max(height, 1))
}

func glyphWords(name string, days []float64, band Band, u Idiom) string {
	low, high, n, outside := math.Inf(1), math.Inf(-1), 0, 0
	for _, v := range days {
		if math.IsNaN(v) {
			continue
		}
		n++
		low, high = min(low, v), max(high, v)
		if band.Outside(v) != 0 {
			outside++
		}
	}
	switch {
	case n == 0:
		return u.Say("{1}: no data.", name)
	case !band.Stated():
		return u.Say("{1} {2} to {3}.", name, kelvinNumber(low, u), kelvins(high, u))
	}
	return u.Say("{1} {2} to {3}, outside its band on {4} of {5} days.", name, kelvinNumber(low, u), kelvins(high, u), outside, n)
}

// FortnightOf takes the daily rows of a series that begins at from. Rows of other days are left out.
func FortnightOf(s dewline.Series, from dewline.Millis) Fortnight {
	f := NoFortnight()
	const day = 24 * 60 * 60 * 1000
	for _, c := range s.Columns {
		var days *[GlyphDays]float64
		switch dewline.Derived(c.Quantity) {
		case dewline.Superheat:
			days = &f.Superheat
		case dewline.Subcooling:
			days = &f.Subcooling
		default:
			continue
		}
		for i, at := range s.Times {
			if d := (at - from) / day; at >= from && d < GlyphDays && i < len(c.Values) {
				days[d] = c.Values[i]
			}
		}
	}
	return f
}
