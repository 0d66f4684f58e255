package main

import (
	"bytes"
	"fmt"
	"html"
	"math"

	"dewline/thermo/plant"
)

// courseOf is the run that a picture shows: a machine in a warm town, with the faults from a day on.
type courseOf struct {
	machine *plant.Machine
	use     plant.Use
	courses []plant.Course
	days    int
	onset   float64 // days after the start
	minutes bool    // every minute of the last two hours of running, instead of half-hour means
}

const pictureStart = 1_783_900_800.0 // a July midnight

// point is one moment of a picture, in °C, K and kPa gauge.
type point struct {
	day                                float64
	suction, liquid                    float64
	superheat, subcooling, evaporating float64
}

// points runs the machine.
func (c *courseOf) points() []point {
	w := &plant.Weather{Seed: 5, MeanC: 18, SeasonC: 9, DayC: 5, SwingC: 1.5, WarmestDay: 205, DewGapK: 8, Noon: 12.5}
	r := plant.NewRun(c.machine, w, c.use, c.courses, 1)
	var all []point
	var sum point
	n, ran := 0, 0
	for minute := range c.days * 1440 {
		at := pictureStart + float64(minute)*60
		now := r.Step(at)
		p := pointOf(c.machine, now, float64(minute)/1440)
		if !now.On {
			ran = 0
		} else if ran++; ran > 15 || c.minutes {
			if c.minutes {
				all = append(all, p)
				continue
			}
			sum = sum.plus(p, 1)
			n++
		}
		if minute%30 == 29 && n >= 5 {
			mean := point{}.plus(sum, 1/float64(n))
			mean.day = float64(minute) / 1440
			all = append(all, mean)
		}
		if minute%30 == 29 {
			sum, n = point{}, 0
		}
	}
	if c.minutes { // the last of them, side by side: what stood in between is left out
		all = all[max(len(all)-150, 0):]
		for i := range all {
			all[i].day = float64(i) / 1440
		}
	}
	return all
}

func pointOf(m *plant.Machine, now *plant.Now, day float64) point {
	dew, bubble := m.DewC(now.SuctionPa), m.BubbleC(now.LiquidPa)
	return point{day, (now.SuctionPa - now.AmbientPa) / 1000, (now.LiquidPa - now.AmbientPa) / 1000, now.SuctionC - dew, bubble - now.LiquidC, dew}
}

func (p point) plus(o point, by float64) point {
	return point{p.day + by*o.day, p.suction + by*o.suction, p.liquid + by*o.liquid, p.superheat + by*o.superheat, p.subcooling + by*o.subcooling, p.evaporating + by*o.evaporating}
}

// drawFault draws seventeen days of a machine whose faults begin on the fifth day.
func drawFault(m *plant.Machine, f plant.Faults, title string) []byte {
	c := courseOf{machine: m, days: 17, onset: 5, use: pictureUse(m)}
	c.courses = coursesOf(f, pictureStart+c.onset*86400)
	return c.draw(title)
}

// pictureUse keeps the machine well loaded, so that there is steady running every day.
func pictureUse(m *plant.Machine) plant.Use {
	if m.Spec.Cold {
		d := plant.ColdRoom
		if m.Spec.RatedIndoorC < -5 {
			d = plant.FreezeRoom
		}
		return plant.Use{Duty: d, LoadShare: 0.75, SetC: m.Spec.RatedIndoorC, BandK: 2, SpaceRH: 85, CloseH: 24, DefrostEachH: 6, DefrostMin: 20, PumpDown: m.Spec.Receiver}
	}
	return plant.Use{LoadShare: 1, SetC: 24, BandK: 1, CloseH: 24}
}

// coursesOf is each fault of f as a step; of charge, air and dirt as a ramp of eight days.
func coursesOf(f plant.Faults, onset float64) []plant.Course {
	var all []plant.Course
	add := func(k plant.FaultKind, shape plant.Shape, severity float64) {
		if severity != 0 {
			all = append(all, plant.Course{Fault: k, Shape: shape, From: onset, Full: onset + 8*86400, Severity: severity})
		}
	}
	leak := plant.Step
	if f.Charge < 0 {
		leak = plant.Ramp
	}
	add(plant.Charge, leak, f.Charge)
	add(plant.LineRestriction, plant.Ramp, f.LineRestriction)
	add(plant.Plugged, plant.Ramp, f.Plugged)
	add(plant.Bore, plant.Step, f.Bore)
	add(plant.StuckAt, plant.Step, f.StuckAt)
	add(plant.BulbLoose, plant.Step, f.BulbLoose)
	add(plant.EvaporatorAir, plant.Ramp, f.EvaporatorAir)
	add(plant.CondenserAir, plant.Ramp, f.CondenserAir)
	add(plant.NonCondensables, plant.Step, f.NonCondensables)
	add(plant.CompressorLeak, plant.Ramp, f.CompressorLeak)
	add(plant.ReversingLeak, plant.Step, f.ReversingLeak)
	add(plant.Frost, plant.Ramp, f.Frost)
	return all
}

// draw writes the picture: pressures, superheat, subcooling, one above the other.
func (c *courseOf) draw(title string) []byte {
	points := c.points()
	var b bytes.Buffer
	const width, left, right = 900.0, 64.0, 20.0
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g 560" font-family="sans-serif" font-size="12" role="img" aria-label="%s">`+"\n", width, html.EscapeString(title))
	fmt.Fprintf(&b, `<rect width="%g" height="560" fill="#fff"/><text x="%g" y="22" font-size="15" fill="#222">%s</text>`+"\n", width, left, html.EscapeString(title))
	end := float64(c.days)
	if c.minutes && len(points) > 0 {
		end = points[len(points)-1].day + 1e-9
	}
	x := func(day float64) float64 { return left + (width-left-right)*day/end }
	for _, panel := range []struct {
		name   string
		top    float64
		height float64
		lines  []struct {
			colour string
			of     func(point) float64
		}
	}{
		{"liquid (upper) and suction pressure, kPa gauge", 52, 160, []struct {
			colour string
			of     func(point) float64
		}{{"#b3402a", func(p point) float64 { return p.liquid }}, {"#22609a", func(p point) float64 { return p.suction }}}},
		{"superheat, K", 240, 130, []struct {
			colour string
			of     func(point) float64
		}{{"#22609a", func(p point) float64 { return p.superheat }}}},
		{"subcooling, K", 400, 130, []struct {
			colour string
			of     func(point) float64
		}{{"#b3402a", func(p point) float64 { return p.subcooling }}}},
	} {
		high := 1.0
		for _, p := range points {
			for _, l := range panel.lines {
				high = max(high, l.of(p))
			}
		}
		step := tick(high)
		high = math.Ceil(high*1.02/step) * step
		y := func(v float64) float64 { return panel.top + panel.height*(1-max(v, 0)/high) }
		for v := 0.0; v <= high+step/2; v += step {
			fmt.Fprintf(&b, `<path d="M%g %.1fH%g" stroke="#ddd"/><text x="%g" y="%.1f" text-anchor="end" fill="#555">%g</text>`+"\n", left, y(v), width-right, left-6, y(v)+4, v)
		}
		fmt.Fprintf(&b, `<text x="%g" y="%.1f" fill="#222">%s</text>`+"\n", left, panel.top-6, panel.name)
		if !c.minutes && c.onset > 0 {
			fmt.Fprintf(&b, `<path d="M%.1f %gV%g" stroke="#888" stroke-dasharray="4 3"/>`+"\n", x(c.onset), panel.top, panel.top+panel.height)
		}
		for _, l := range panel.lines {
			fmt.Fprintf(&b, `<path fill="none" stroke="%s" stroke-width="1.3" d="`, l.colour)
			last := math.Inf(-1)
			for _, p := range points {
				verb := "L"
				if p.day-last > 0.035 { // the machine stood in between
					verb = "M"
				}
				last = p.day
				fmt.Fprintf(&b, "%s%.1f %.1f", verb, x(p.day), y(l.of(p)))
			}
			fmt.Fprint(&b, "\"/>\n")
		}
	}
	if c.minutes {
		fmt.Fprintf(&b, `<text x="%g" y="552" fill="#555">%.0f minutes of running, minute by minute</text>`+"\n", left, end*1440)
	} else {
		for d := 0; d <= c.days; d += 2 {
			fmt.Fprintf(&b, `<text x="%.1f" y="552" text-anchor="middle" fill="#555">day %d</text>`+"\n", x(float64(d)), d)
		}
	}
	fmt.Fprint(&b, "</svg>\n")
	return b.Bytes()
}

// tick is a round step that divides high into three to six.
func tick(high float64) float64 {
	base := math.Pow(10, math.Floor(math.Log10(high)))
	for _, m := range []float64{0.2, 0.5, 1, 2} {
		if high/(m*base) <= 6 {
			return m * base
		}
	}
	return 5 * base
}
