package view

import (
	"errors"
	"math"
	"slices"
	"strings"
	"time"

	"dewline"
	"dewline/thermo"
	"dewline/thermo/si"
)

// CycleQuantities are the series that a running cycle is drawn from.
func CycleQuantities(sys *dewline.System) []string {
	names := []string{string(dewline.SuctionPressureAbs), highPressure(sys), dewline.SuctionTemp.String(), dewline.LiquidTemp.String()}
	for _, p := range []dewline.Point{dewline.DischargeTemp, dewline.CompressorOn} {
		if sys.Fitted(p) {
			names = append(names, p.String())
		}
	}
	return names
}

// CycleStep and CycleSpan are the rows that the mean of a cycle is taken over: at most the last half
// hour of running.
const (
	CycleStep = 5 * time.Minute
	CycleSpan = 24 * time.Hour
	cycleRows = 6
)

// Operating is the refrigerant's state around the circuit, as means over steady running: absolute
// pressures in Pa and temperatures in °C, NaN where it is not measured.
type Operating struct {
	Suction, High                         float64
	SuctionTemp, LiquidTemp, Discharge    float64
	Rows                                  int // of CycleStep
	Until                                 dewline.Millis
	ExpectedDew, ExpectedCondensing       float64 // of a healthy machine under the same conditions
	ExpectedSuperheat, ExpectedSubcooling float64
}

// Why there is no cycle.
var (
	errNotRunning = errors.New(string(dewline.Phrase("it has not run long enough in the last day to draw its cycle")))
	errNoSignal   = errors.New(string(dewline.Phrase("it is not running steadily, and without a signal of its compressor earlier running cannot be told from standing")))
)

// OperatingOf takes the means of the newest stretch in which the compressor ran throughout. Without
// a signal of the compressor the state says up to when it ran.
func OperatingOf(sys *dewline.System, s dewline.Series, state dewline.SystemState) (Operating, error) {
	get := func(name string) []float64 {
		for _, c := range s.Columns {
			if c.Quantity == name && len(c.Values) == len(s.Times) {
				return c.Values
			}
		}
		return nil
	}
	suction, high := get(string(dewline.SuctionPressureAbs)), get(highPressure(sys))
	on := get(dewline.CompressorOn.String())
	runs := func(i int) bool {
		switch {
		case suction == nil || high == nil || !isNumber(suction[i]) || !isNumber(high[i]):
			return false
		case on != nil:
			return on[i] > 0.99
		}
		begin := state.At.Add(-time.Duration(state.SteadyMinutes * float64(time.Minute)))
		return state.Running && s.Times[i] >= begin
	}
	last := len(s.Times) - 1
	for last >= 0 && !runs(last) {
		last--
	}
	first := last
	for first > 0 && last-first+1 < cycleRows && runs(first-1) {
		first--
	}
	switch {
	case last >= 0:
	case on == nil:
		return Operating{}, errNoSignal
	default:
		return Operating{}, errNotRunning
	}
	over := func(values []float64) float64 {
		if values == nil {
			return math.NaN()
		}
		return mean(values[first : last+1])
	}
	o := Operating{
		Suction: over(suction), High: over(high), SuctionTemp: over(get(dewline.SuctionTemp.String())),
		LiquidTemp: over(get(dewline.LiquidTemp.String())), Discharge: over(get(dewline.DischargeTemp.String())),
		Rows: last - first + 1, Until: s.Times[last].Add(CycleStep),
	}
	o.expect(state)
	return o, nil
}

// expect takes what analytics expects under the conditions of the newest window, NaN where it does not say.
func (o *Operating) expect(state dewline.SystemState) {
	known := func(d dewline.Derived) float64 {
		if e, ok := state.Expected[d]; ok && e.OK() {
			return e.Value
		}
		return math.NaN()
	}
	o.ExpectedSuperheat, o.ExpectedSubcooling = known(dewline.Superheat), known(dewline.Subcooling)
	o.ExpectedDew, o.ExpectedCondensing = known(dewline.SuctionDewTemp), math.NaN()
	condensing, over := state.Values[dewline.CondensingTemp], state.Values[dewline.CondensingOverAir]
	if condensing.OK() && over.OK() && len(state.Values) > 0 {
		o.ExpectedCondensing = condensing.Value - over.Value + known(dewline.CondensingOverAir)
	}
}

// Corner is a corner of a cycle in a pressure-enthalpy diagram.
type Corner struct {
	Name     dewline.Phrase
	Pressure float64        // Pa, absolute
	Enthalpy float64        // J/kg
	Temp     float64        // °C
	Open     dewline.Phrase // why it is drawn open, "" where it is measured
}

// cycleOf finds the corners: suction gas, discharge gas, liquid, and what enters the evaporator.
func cycleOf(r *thermo.Refrigerant, o Operating) (corners []Corner, err error) {
	suction, err := suctionCorner(r, si.Pascal(o.Suction), o.SuctionTemp)
	if err != nil {
		return nil, err
	}
	liquid, err := liquidCorner(r, si.Pascal(o.High), o.LiquidTemp)
	if err != nil {
		return nil, err
	}
	discharge, err := dischargeCorner(r, suction, si.Pascal(o.High), o.Discharge)
	if err != nil {
		return nil, err
	}
	inlet := Corner{Name: dewline.Phrase("into the evaporator"), Pressure: o.Suction, Enthalpy: liquid.Enthalpy, Open: liquid.Open}
	if s, err := r.AtPH(si.Pascal(o.Suction), si.JoulePerKilogram(liquid.Enthalpy)); err == nil {
		inlet.Temp = s.Temperature.Celsius()
	}
	return []Corner{suction, discharge, liquid, inlet}, nil
}

func corner(name dewline.Phrase, s thermo.State, open dewline.Phrase) Corner {
	return Corner{name, float64(s.Pressure), float64(s.Enthalpy), s.Temperature.Celsius(), open}
}

// suctionCorner is the gas at the compressor. Wet gas has the temperature of saturation whatever its
// quality, so the corner then stands open on the dew line.
func suctionCorner(r *thermo.Refrigerant, p si.Pascal, temp float64) (Corner, error) {
	const name dewline.Phrase = "suction"
	dew, err := r.Dew(p)
	switch {
	case err != nil:
		return Corner{}, err
	case !isNumber(temp):
		return corner(name, dew, dewline.Phrase("the suction line's temperature is not measured")), nil
	case si.FromCelsius(temp) <= dew.Temperature:
		return corner(name, dew, dewline.Phrase("no superheat: wet gas, or a wrong sensor; how wet cannot be measured")), nil
	}
	s, err := r.AtPT(p, si.FromCelsius(temp))
	return corner(name, s, ""), err
}

// liquidCorner is the liquid line. Without subcooling it holds flash gas, of which nothing is known.
func liquidCorner(r *thermo.Refrigerant, p si.Pascal, temp float64) (Corner, error) {
	const name dewline.Phrase = "liquid line"
	bubble, err := r.Bubble(p)
	switch {
	case errors.Is(err, thermo.ErrTranscritical):
		if !isNumber(temp) {
			return Corner{}, errors.New(string(dewline.Phrase("above the critical pressure the liquid line's temperature is needed")))
		}
		s, err := r.AtPT(p, si.FromCelsius(temp))
		return corner(dewline.Phrase("gas cooler's outlet"), s, ""), err
	case err != nil:
		return Corner{}, err
	case !isNumber(temp):
		return corner(name, bubble, dewline.Phrase("the liquid line's temperature is not measured")), nil
	case si.FromCelsius(temp) >= bubble.Temperature:
		return corner(name, bubble, dewline.Phrase("no subcooling: flash gas, or a wrong sensor")), nil
	}
	s, err := r.AtPT(p, si.FromCelsius(temp))
	return corner(name, s, ""), err
}

// dischargeCorner is the hot gas. Where it is not measured it stands open where compression without
// any loss would end: a real compressor ends to the right of that.
func dischargeCorner(r *thermo.Refrigerant, suction Corner, p si.Pascal, temp float64) (Corner, error) {
	const name dewline.Phrase = "discharge"
	if isNumber(temp) {
		if s, err := r.AtPT(p, si.FromCelsius(temp)); err == nil && (s.Phase == thermo.Vapour || s.Phase == thermo.Supercritical) {
			return corner(name, s, ""), nil
		}
	}
	at, err := r.AtPH(si.Pascal(suction.Pressure), si.JoulePerKilogram(suction.Enthalpy))
	if err != nil {
		return Corner{}, err
	}
	s, err := r.AtPS(p, at.Entropy)
	return corner(name, s, dewline.Phrase("not measured: drawn as compression without loss, the real one ends to the right")), err
}

// expectedCycle finds the corners of the healthy machine under the same conditions, false where too
// little is known of it.
func expectedCycle(r *thermo.Refrigerant, o Operating) ([]Corner, bool) {
	for _, v := range []float64{o.ExpectedDew, o.ExpectedCondensing, o.ExpectedSuperheat, o.ExpectedSubcooling} {
		if !isNumber(v) {
			return nil, false
		}
	}
	low, err1 := r.DewAt(si.FromCelsius(o.ExpectedDew))
	high, err2 := condensingPressure(r, si.FromCelsius(o.ExpectedCondensing))
	if err1 != nil || err2 != nil {
		return nil, false
	}
	bubble, err := r.Bubble(high)
	if err != nil {
		return nil, false
	}
	healthy := Operating{
		Suction: float64(low.Pressure), High: float64(high), Discharge: math.NaN(),
		SuctionTemp: o.ExpectedDew + o.ExpectedSuperheat, LiquidTemp: bubble.Temperature.Celsius() - o.ExpectedSubcooling,
	}
	corners, err := cycleOf(r, healthy)
	return corners, err == nil
}

// condensingPressure finds the pressure at which the mean of bubble and dew temperature is t, by
// halving between those at which the bubble and the dew point are.
func condensingPressure(r *thermo.Refrigerant, t si.Kelvin) (si.Pascal, error) {
	bubble, err1 := r.BubbleAt(t)
	dew, err2 := r.DewAt(t)
	if err := errors.Join(err1, err2); err != nil {
		return 0, err
	}
	low, high := dew.Pressure, bubble.Pressure
	for range 30 {
		middle := (low + high) / 2
		at, err := thermo.CondensingTemperature(r, middle)
		if err != nil {
			return 0, err
		}
		if at < t {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2, nil
}

// PHDiagram is a pressure-enthalpy diagram: the dome of the refrigerant, the running cycle, and the
// expected one behind it.
type PHDiagram struct {
	Size
	Plot                Box
	Dome                string
	Cycle, Uncertain    string // what is measured, and what leads to or from an open corner
	Expected            string
	Pressures, Enthalpy []Tick
	PressureUnit        string
	EnthalpyUnit        string
	Corners             []DrawnCorner
}

// DrawnCorner is a corner in its place.
type DrawnCorner struct {
	X, Y, TextX, TextY float64
	Name               string
	Open, End          bool // End: the text ends at TextX
}

// CornerRow is a corner in words and numbers.
type CornerRow struct{ Name, Pressure, Temp, Enthalpy, Open string }

// Cycle is a running cycle in two sizes, in words and as a table.
type Cycle struct {
	Refrigerant string
	Diagrams    ChartSet[PHDiagram]
	Rows        []CornerRow
	Label       string // the text alternative
	Caption     string
	Healthy     bool // the expected cycle is drawn
	Missing     string
}

// NewCycle draws the cycle of a system. What keeps it from being drawn is said in Missing.
func NewCycle(sys *dewline.System, s dewline.Series, state dewline.SystemState, r Reader) Cycle {
	c := Cycle{Refrigerant: sys.Refrigerant}
	refrigerant, err := thermo.Lookup(sys.Refrigerant)
	if err != nil {
		c.Missing = r.Say("The properties of {1} are not known here.", sys.Refrigerant)
		return c
	}
	o, err := OperatingOf(sys, s, state)
	if err != nil {
		c.Missing = sentenceCase(r.Say(err.Error()))
		return c
	}
	corners, err := cycleOf(refrigerant, o)
	if err != nil {
		c.Missing = r.Say("The cycle cannot be drawn: {1}.", r.Say(err.Error()))
		return c
	}
	expected, healthy := expectedCycle(refrigerant, o)
	dome := domeOf(refrigerant, o.Suction)
	c.Diagrams = ChartSet[PHDiagram]{drawCycle(dome, corners, expected, r.Idiom, WideCycle), drawCycle(dome, corners, expected, r.Idiom, NarrowCycle)}
	c.Healthy = healthy
	c.Rows = cornerRows(corners, r.Idiom)
	c.Caption = r.Say("Mean of {1} of running until {2}", r.Span(time.Duration(o.Rows)*CycleStep), r.Clock(o.Until))
	c.Label = c.words(r.Idiom)
	return c
}

// words is the diagram for those who do not see it.
func (c *Cycle) words(u Idiom) string {
	parts := make([]string, len(c.Rows))
	for i, row := range c.Rows {
		parts[i] = u.Say("{1} at {2}, {3}, {4}", row.Name, row.Pressure, row.Temp, row.Enthalpy)
		if row.Open != "" {
			parts[i] += ", " + row.Open
		}
	}
	return u.Say("Pressure and enthalpy of the running cycle on the dome of {1}: {2}.", c.Refrigerant, strings.Join(parts, "; "))
}

func cornerRows(corners []Corner, u Idiom) []CornerRow {
	rows := make([]CornerRow, len(corners))
	for i, c := range corners {
		rows[i] = CornerRow{c.Name.Said(u), spaced(u.Pressure(si.Pascal(c.Pressure), 0)), spaced(u.Temperature(si.FromCelsius(c.Temp), 1)),
			spaced(u.Enthalpy(si.JoulePerKilogram(c.Enthalpy), 0)), c.Open.Said(u)}
	}
	return rows
}

// point is a state in a pressure-enthalpy diagram.
type point struct{ h, p float64 }

// domeOf follows the bubble line up to the critical point and the dew line down again, from a third
// of the suction pressure.
func domeOf(r *thermo.Refrigerant, suction float64) (dome []point) {
	const steps = 36
	least, most := r.PressureRange()
	low := math.Log(max(suction/3, float64(least)*1.01))
	high := math.Log(min(float64(most), float64(r.Critical().Pressure)) * 0.9985)
	var dew []point
	for i := range steps + 1 {
		// Closer together towards the top, where the lines turn.
		share := 1 - math.Pow(1-float64(i)/steps, 2)
		p := si.Pascal(math.Exp(low + (high-low)*share))
		b, err1 := r.Bubble(p)
		d, err2 := r.Dew(p)
		if err1 != nil || err2 != nil {
			continue
		}
		dome = append(dome, point{float64(b.Enthalpy), float64(p)})
		dew = append(dew, point{float64(d.Enthalpy), float64(p)})
	}
	slices.Reverse(dew)
	return append(dome, dew...)
}

// The sizes of a pressure-enthalpy diagram.
var (
	WideCycle   = Size{640, 380, 8, 0}
	NarrowCycle = Size{400, 330, 4, 0}
)

func drawCycle(dome []point, corners, expected []Corner, u Idiom, size Size) PHDiagram {
	d := PHDiagram{Size: size, Plot: Box{52, 12, size.Width - 52 - 12, size.Height - 12 - 46}}
	x, y := cycleScales(dome, corners, expected, d.Plot)
	at := func(h, p float64) (float64, float64) { return x.at(h), y.at(math.Log(p)) }
	var p path
	for i, s := range dome {
		px, py := at(s.h, s.p)
		p.to("ML"[min(i, 1)], px, py)
	}
	d.Dome = p.String()
	d.Cycle, d.Uncertain = cyclePaths(corners, at)
	if len(expected) > 0 {
		whole, open := cyclePaths(expected, at)
		d.Expected = whole + open
	}
	d.place(corners, at, u)
	d.axes(x, y, u)
	return d
}

// cycleScales leaves room around what is drawn. Pressure is on a logarithmic axis.
func cycleScales(dome []point, corners, expected []Corner, plot Box) (x, y scale) {
	left, right := math.Inf(1), math.Inf(-1)
	low, high := math.Inf(1), math.Inf(-1)
	for _, s := range dome {
		left, right, low, high = min(left, s.h), max(right, s.h), min(low, s.p), max(high, s.p)
	}
	for _, c := range slices.Concat(corners, expected) {
		left, right, low, high = min(left, c.Enthalpy), max(right, c.Enthalpy), min(low, c.Pressure), max(high, c.Pressure)
	}
	pad := (right - left) * 0.05
	return scale{left - pad, right + pad, plot.X, plot.X + plot.Width},
		scale{math.Log(low), math.Log(high * 1.3), plot.Y + plot.Height, plot.Y}
}

// cyclePaths draws the sides of a cycle: those between measured corners, and those that lead to or
// from an open one.
func cyclePaths(corners []Corner, at func(h, p float64) (float64, float64)) (whole, open string) {
	var solid, dashed path
	for i, c := range corners {
		next := corners[(i+1)%len(corners)]
		p := &solid
		if c.Open != "" || next.Open != "" {
			p = &dashed
		}
		x, y := at(c.Enthalpy, c.Pressure)
		p.to('M', x, y)
		x, y = at(next.Enthalpy, next.Pressure)
		p.to('L', x, y)
	}
	return solid.String(), dashed.String()
}

// place sets the corners' names beside them, away from the cycle.
func (d *PHDiagram) place(corners []Corner, at func(h, p float64) (float64, float64), u Idiom) {
	const letter, line = 6.2, 15.0
	for i, c := range corners {
		x, y := at(c.Enthalpy, c.Pressure)
		k := DrawnCorner{X: x, Y: y, TextX: x + 7, TextY: y - 7, Name: c.Name.Said(u), Open: c.Open != ""}
		if c.Open != "" && i != 3 { // what enters the evaporator is as little known as the liquid, which says why
			k.Name += ": " + openWord(c, u)
		}
		if i == 0 || i == 3 { // under the lower side
			k.TextY = y + 17
		}
		width := letter * float64(len([]rune(k.Name)))
		if k.TextX+width > d.Plot.X+d.Plot.Width {
			k.End, k.TextX = true, min(x+6, d.Plot.X+d.Plot.Width)
			if k.TextX-width < d.Plot.X {
				k.TextX = d.Plot.X + width
			}
		}
		away := -line
		if k.TextY > y {
			away = line
		}
		for d.covers(k, letter, line) {
			if k.TextY += away; k.TextY < d.Plot.Y+line { // no room above: under the side, inside the cycle
				k.TextY, away = y+17, line
			}
		}
		d.Corners = append(d.Corners, k)
	}
}

// covers says whether a corner's name would lie on another one's.
func (d *PHDiagram) covers(k DrawnCorner, letter, line float64) bool {
	span := func(c DrawnCorner) (left, right float64) {
		width := letter * float64(len([]rune(c.Name)))
		if c.End {
			return c.TextX - width, c.TextX
		}
		return c.TextX, c.TextX + width
	}
	left, right := span(k)
	return slices.ContainsFunc(d.Corners, func(o DrawnCorner) bool {
		l, r := span(o)
		return left < r+4 && l < right+4 && math.Abs(o.TextY-k.TextY) < line-0.5
	})
}

// openWord names an open corner in the drawing; the table says it in full.
func openWord(c Corner, u Idiom) string {
	switch open := string(c.Open); {
	case strings.HasPrefix(open, "not measured"), strings.Contains(open, "is not measured"):
		return u.Say("not measured")
	case strings.HasPrefix(open, "no superheat"):
		return u.Say("wet, or wrong sensor")
	}
	return u.Say("flash gas, or wrong sensor")
}

func (d *PHDiagram) axes(x, y scale, u Idiom) {
	pressure, enthalpy := u.Unit(si.Pressure), u.Unit(si.Enthalpy)
	d.PressureUnit, d.EnthalpyUnit = pressure.String(), enthalpy.String()
	from, _ := si.Convert(x.from, si.Enthalpy.Unit(), enthalpy)
	to, _ := si.Convert(x.to, si.Enthalpy.Unit(), enthalpy)
	for _, v := range ticks(from, to, d.Labels) {
		own, _ := si.Convert(v, enthalpy, si.Enthalpy.Unit())
		d.Enthalpy = append(d.Enthalpy, Tick{x.at(own), Decimal(v, 0)})
	}
	low, _ := si.Convert(math.Exp(y.from), si.Pressure.Unit(), pressure)
	high, _ := si.Convert(math.Exp(y.to), si.Pressure.Unit(), pressure)
	for power := math.Pow(10, math.Floor(math.Log10(low))); power <= high; power *= 10 {
		for _, m := range []float64{1, 2, 5} {
			if v := m * power; v >= low && v <= high {
				own, _ := si.Convert(v, pressure, si.Pressure.Unit())
				d.Pressures = append(d.Pressures, Tick{y.at(math.Log(own)), Count(int64(math.Round(v)))})
			}
		}
	}
}
