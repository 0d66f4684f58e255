package validate

import (
	"fmt"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"dewline/thermo/plant"
)

// A Measure is what the command that writes the page has measured itself.
type Measure struct {
	SystemHours  float64 // of one-minute steps for each second of one processor, fleet with its faults
	FleetSeconds float64 // processor seconds for 24 systems over 45 days
}

// A Picture is a file beside the page and what it shows.
type Picture struct{ File, Caption string }

// Page writes the validation page.
func Page(w io.Writer, measured Measure, pictures []Picture) error {
	p := page{w: w}
	p.line("# How far the plant can be believed")
	p.text(`This page is written by %s: its numbers are computed when it is written. The tests of package validate hold the same
numbers, so that a change of the model that moves them shows. Sources stand beside each table; ranges without one are common practice.`, "`dewline simulate validate`")
	p.line("## What was chosen with sight of these tables")
	p.text(`The comparisons are not blind, and agreement with a table that a choice was made by is no evidence. These were:

- The volumes of the coils and the reserve of a valve (it is 70 %% open at the rating) were changed once each after the first look at the published
  sizes of charge faults, at the directions of a TXV at its stop and at the subcooling under a fouled condenser (which it did not change). The charge tables are therefore partly an agreement that was made.
- The rise of a valve's static superheat with the evaporating temperature, 0.3 K per K, was read off NIST's no-fault tests. Its superheat column
  there is not a prediction; the other columns depend on it little.
- The offset between subcooling at the coil and at the liquid valve was set so that NIST's calibrating test is met.
- The share of a leaking compressor's loss that comes back as heat was chosen before the table of directions was run, but knowing what it says of the
  discharge temperature with an orifice and with a TXV.
- The superheat that the machine of the charging chart is sized for was set after a first comparison had shown it 3 K rms away, from 6 to 7.5 K. Its level is a
  choice; the slopes are the model's.
- The severities that directions are tried at were chosen so that the valve is in range or at its stop, as the fault's name says.
- The limits of the tests were set after the first results, to hold them; they are not acceptance limits from outside, except those of the section
  on chart and solver and of speed.

Sizes of airflow, restriction and compressor faults, the capillary, the charging chart's slopes and NIST's evaporating, condensing and discharge
temperatures, flow and power were not used in any choice.`)
	for _, part := range []func() error{p.ratings, p.nist, p.chart, p.directions, p.sizes} {
		if err := part(); err != nil {
			return err
		}
	}
	p.balances()
	if err := p.interpolation(); err != nil {
		return err
	}
	p.speed(measured)
	p.pictures(pictures)
	return p.err
}

type page struct {
	w   io.Writer
	err error
}

func (p *page) line(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, format+"\n", args...)
	}
}

func (p *page) text(format string, args ...any) {
	p.line("")
	p.line(format, args...)
	p.line("")
}

// head begins a table.
func (p *page) head(columns ...string) {
	p.line("| %s |", strings.Join(columns, " | "))
	p.line("|%s", strings.Repeat("---|", len(columns)))
}

func (p *page) ratings() error {
	p.line("## Ratings")
	p.text(`Each machine at the point it was designed for: comfort at 35 °C outdoors and 26.7 °C, 51 %% indoors (19.4 °C wet bulb), cold rooms
at 32 °C outdoors. COP is net: the indoor fan's heat taken off, all fans counted. Bold is outside what is usual (common practice; the
trade's bands of superheat, subcooling, split and condensing over ambient).`)
	p.head(append([]string{"machine"}, Rated...)...)
	for _, a := range Archetypes() {
		r, err := Rate(a)
		if err != nil {
			return err
		}
		cells := []string{a.Name}
		for _, q := range Rated {
			cell := fmt.Sprintf("%.2f", r[q])
			if g, ok := a.Ranges[q]; ok && (r[q] < g.Low || r[q] > g.High) {
				cell = "**" + cell + "**"
			}
			cells = append(cells, cell)
		}
		p.line("| %s |", strings.Join(cells, " | "))
	}
	return nil
}

func (p *page) nist() error {
	all, err := NIST()
	if err != nil {
		return err
	}
	p.line("\n## A laboratory's healthy machine")
	p.text(`NISTIR 7350 (2006), appendix D: eleven no-fault tests of an R-410A split heat pump with a TXV in cooling. The machine is sized by
one of them, %s; the other ten, from 21 to 38 °C outdoors and with wet and dry coils, are predicted. Measured / model:`, calibration)
	p.head(append([]string{"test"}, Quantities...)...)
	for i := 0; i < len(all); i += len(Quantities) {
		cells := []string{strings.TrimPrefix(all[i].Test, "NISTIR7350-")}
		for _, x := range all[i : i+len(Quantities)] {
			format := "%.1f / %.1f"
			if x.Measured > 200 {
				format = "%.0f / %.0f"
			}
			cells = append(cells, fmt.Sprintf(format, x.Measured, x.Model))
		}
		p.line("| %s |", strings.Join(cells, " | "))
	}
	rms := RMS(all)
	cells := []string{"rms difference"}
	for _, q := range Quantities {
		cells = append(cells, fmt.Sprintf("%.2f", rms[q]))
	}
	p.line("| %s |", strings.Join(cells, " | "))
	p.text(`The discharge is some 2 K too warm; a shell that gives off more than the model's 7 %% of the power would explain it, which the tests do not
show. The model's subcooling falls where the evaporator is warm and rises where it is cold; the measured one does the opposite. Why is not known; the model
leaves out the refrigerant in the oil and the real fill of the coils.`)
	return nil
}

func (p *page) chart() error {
	all, err := Targets()
	if err != nil {
		return err
	}
	p.line("## The charging chart of a fixed orifice")
	p.text(`Suction superheat by a manufacturer's chart (14ACX manual, p. 26) beside a machine of the model that was charged once. A fixed
orifice has no constant superheat: it must rise with the wet bulb of the return air and fall with the outdoor temperature. Chart / model, K:`)
	byOutdoor := map[float64][]Target{}
	wets := map[float64]bool{}
	sum := 0.0
	for _, x := range all {
		byOutdoor[x.OutdoorC] = append(byOutdoor[x.OutdoorC], x)
		wets[x.WetBulbC] = true
		sum += (x.Model - x.Chart) * (x.Model - x.Chart)
	}
	columns := slices.Sorted(maps.Keys(wets))
	head := []string{"outdoors, °C"}
	for _, w := range columns {
		head = append(head, fmt.Sprintf("%.1f °C wet bulb", w))
	}
	p.head(head...)
	for _, out := range slices.Sorted(maps.Keys(byOutdoor)) {
		cells := []string{fmt.Sprintf("%.1f", out)}
		for _, w := range columns {
			cell := ""
			for _, x := range byOutdoor[out] {
				if x.WetBulbC == w {
					cell = fmt.Sprintf("%.1f / %.1f", x.Chart, x.Model)
				}
			}
			cells = append(cells, cell)
		}
		p.line("| %s |", strings.Join(cells, " | "))
	}
	p.text(`Rms difference %.1f K. Superheat rises with the wet bulb as the chart has it in the middle and less at the humid end; with the outdoor temperature it falls by about half as
much as the chart wants.`, math.Sqrt(sum/float64(len(all))))
	return nil
}

func (p *page) directions() error {
	all, err := Signs()
	if err != nil {
		return err
	}
	met, read, readMet := 0, 0, 0
	for _, s := range all {
		if s.Agrees {
			met++
		}
		if s.Status == "read" {
			read++
			if s.Agrees {
				readMet++
			}
		}
	}
	p.line("## Directions of faults")
	p.text(`How each fault moves each feature against the same machine when healthy, at 33 °C outdoors, in K. Of %d published directions %d are met;
of the %d that were read first-hand (Purdue's rule table, the re-analysis of NIST's fault campaign) %d; the rest are from memory of the trade. A
direction of 0 counts as met within 1 K of temperature (1.5 K of superheat, 3 K of discharge). Not met: bold, and discussed below.`, len(all), met, read, readMet)
	p.head(append([]string{"fault", "device"}, features...)...)
	var notes []string
	for i := 0; i < len(all); {
		cells := []string{strings.ReplaceAll(all[i].Fault, "_", " "), strings.ReplaceAll(all[i].Device, "_", " ")}
		by := map[string]Sign{}
		j := i
		for ; j < len(all) && all[j].Fault == all[i].Fault && all[j].Device == all[i].Device; j++ {
			by[all[j].Feature] = all[j]
		}
		for _, f := range features {
			s, ok := by[f]
			cell := ""
			if ok {
				cell = fmt.Sprintf("%+.1f (%s)", s.Got, s.Want)
				if !s.Agrees {
					cell = "**" + cell + "**"
					notes = append(notes, "- "+strings.ReplaceAll(s.Key(), "_", " ")+": "+discussed[s.Key()])
				}
			}
			cells = append(cells, cell)
		}
		p.line("| %s |", strings.Join(cells, " | "))
		i = j
	}
	p.line("")
	p.line("%s", strings.Join(notes, "\n"))
	p.text(`Take signs and not sizes from single tests: the same re-analysis found the signs of low indoor airflow inverted between two machines of
one campaign.`)
	return nil
}

func (p *page) sizes() error {
	all, err := Sizes()
	if err != nil {
		return err
	}
	p.line("## Sizes of faults")
	p.text("Published beside the model. Bold: further away than 5 %% of a ratio, 2.5 points of a percentage or 1.2 K, and discussed below.")
	p.head("fault", "severity", "quantity", "published", "model", "source")
	var notes []string
	for _, s := range all {
		published := fmt.Sprintf("%.3g", s.Low)
		if s.Low != s.High {
			published = fmt.Sprintf("%.3g to %.3g", s.Low, s.High)
		}
		model := fmt.Sprintf("%.3g", s.Model)
		if !s.Near() {
			model = "**" + model + "**"
			notes = append(notes, "- "+s.Key()+": "+discussed[s.Key()])
		}
		p.line("| %s | %s | %s | %s | %s | %s |", s.Fault, s.Case, s.Quantity, published, model, s.Source)
	}
	p.line("")
	p.line("%s", strings.Join(notes, "\n"))
	return nil
}

func (p *page) balances() {
	p.line("\n## Balances")
	p.text(`Every solution closes mass flow, enthalpy around the low side and charge to 1e-9 of their scales; energy over the whole circuit
(evaporator, compressor and suction line in; condenser, shell and liquid line out) closes to better than 1e-6, which the tests of package
plant check on every solution of the map from -10 to 50 °C outdoors, 15 to 32 °C and 20 to 80 %% indoors, in heating, and on 150 random
combinations of faults.`)
}

func (p *page) interpolation() error {
	p.line("## Chart against solver")
	p.text(`200 random conditions each (outdoors -10 to 50 °C, indoors 15 to 32 °C or around the cold room's, 20 to 80 %% humidity, charge -30 to +15 %%),
interpolated and solved directly; promised are 0.2 K and 0.5 %%.`)
	p.head("machine", "solved", "superheat within, K", "pressures within, %")
	for _, a := range Archetypes() {
		solved, kelvin, share, err := compareChart(a.Spec)
		if err != nil {
			return err
		}
		p.line("| %s | %d | %.3f | %.3f |", a.Name, solved, kelvin, 100*share)
	}
	return nil
}

// compareChart returns the worst differences of a chart to direct solutions.
func compareChart(spec plant.Spec) (solved int, kelvin, share float64, err error) {
	m, err := plant.Design(spec)
	if err != nil {
		return 0, 0, 0, err
	}
	rng := rand.New(rand.NewPCG(11, 7))
	chart := m.NewChart(plant.Faults{Charge: 1}, false)
	for range 200 {
		c := m.Rating()
		c.OutdoorC, c.IndoorC = -10+60*rng.Float64(), 15+17*rng.Float64()
		if spec.Cold {
			c.IndoorC = m.Spec.RatedIndoorC - 4 + 9*rng.Float64()
		}
		c.OutdoorRatio = m.HumidityRatio(c.OutdoorC, 80)
		c.IndoorRatio = m.HumidityRatio(c.IndoorC, 20+60*rng.Float64())
		c.Faults.Charge = -0.3 + 0.45*rng.Float64()
		want, err := m.Solve(c)
		got, err2 := chart.At(c)
		if err != nil || err2 != nil {
			continue
		}
		solved++
		kelvin = max(kelvin, math.Abs(got.SuperheatK-want.SuperheatK))
		share = max(share, math.Abs(got.SuctionPa/want.SuctionPa-1), math.Abs(got.LiquidPa/want.LiquidPa-1))
	}
	return solved, kelvin, share, nil
}

func (p *page) speed(m Measure) {
	p.line("\n## Speed")
	p.text(`The harbour town's 24 systems over 45 days, faults and sensors included, took %.0f s of processor time on the machine that wrote this
page (two slow processors): %.0f system-hours of one-minute steps for each second of one processor. Promised are 1500.`, m.FleetSeconds, math.Floor(m.SystemHours/100)*100)
}

func (p *page) pictures(all []Picture) {
	p.line("## Pictures")
	p.text(`Seventeen days of one machine with each fault, in half-hour means of steady running; the fault begins where the line is. Pressures above, superheat
in the middle, subcooling below, as at the service ports. What hunts or swings is shown minute by minute.`)
	for _, x := range all {
		p.line("### %s\n\n![%s](%s)\n", x.Caption, x.Caption, x.File)
	}
	p.line("## What the model leaves out")
	p.text(`Oil and the refrigerant in it; the change of composition when a blend leaks from its vapour; maldistribution between circuits of a coil; the
slow fill of a flooded shell; transcritical cycles. Start and stop are first-order lags toward and away from the steady state with a flooded start and an
off-cycle of their own, so the first two minutes of a run show the trade's picture and not a particular machine's. Ice grows where the surface is below
freezing in heat pumps and cold rooms; a comfort coil below freezing is not yet choked by it.`)
}
