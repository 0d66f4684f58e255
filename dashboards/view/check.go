package view

import (
	"cmp"
	"math"
	"time"

	"dewline"
	"dewline/thermo/si"
)

// SensorCheck is what somebody looks at who has just fitted sensors.
type SensorCheck struct {
	Lines []CheckLine
	Rest  []Finding // the off-cycle comparison; empty where it cannot be made
	Why   string    // why it cannot
	Hints []string  // of sensors that seem to be in each other's place
}

// CheckLine is what has arrived of one fitted point.
type CheckLine struct {
	Name, Value, Unit string
	Age               Age
	Missing           string // what is wrong with it, "" where it arrives
}

// Finding is one thing that the comparison tells.
type Finding struct {
	Say string
	Odd bool
}

// CheckSpan is how far back the readings of a check reach.
const CheckSpan = 3 * time.Hour

// How a comparison at rest is made. A machine that has stood for an hour has met its pressures where
// nothing holds them apart, and what liquid it has is at the temperature of the coldest air around it.
const (
	restedFor = time.Hour
	fresh     = 15 * time.Minute
	airApart  = 3.0    // K: the coil and the sensor are not in the same air
	meetApart = 10_000 // Pa beyond what the sensors' accuracies explain
	swapped   = 2.0    // K
)

// CheckQuantities are the series that a check of a system reads.
func CheckQuantities(sys *dewline.System) []string {
	var all []string
	for _, f := range sys.Points {
		all = append(all, f.Point.String())
	}
	for _, d := range checkDerived(sys) {
		all = append(all, string(d))
	}
	return all
}

func checkDerived(sys *dewline.System) []dewline.Derived {
	high := dewline.LiquidPressureAbs
	if sys.HighSide() == dewline.DischargePressure {
		high = dewline.DischargePressureAbs
	}
	return []dewline.Derived{dewline.SuctionPressureAbs, high, dewline.SuctionDewTemp, dewline.LiquidBubbleTemp}
}

// NewSensorCheck reads the series of CheckQuantities.
func NewSensorCheck(sys *dewline.System, series dewline.Series, state dewline.SystemState, r Reader) SensorCheck {
	c := checker{sys: sys, series: series, r: r}
	check := SensorCheck{}
	for _, f := range sys.Points {
		check.Lines = append(check.Lines, c.line(f.Point))
	}
	check.Hints = c.hints(state)
	check.Rest, check.Why = c.rest(state)
	return check
}

type checker struct {
	sys    *dewline.System
	series dewline.Series
	r      Reader
}

// last returns the newest value of a quantity and when it was.
func (c checker) last(quantity string) (v float64, at dewline.Millis, ok bool) {
	for _, column := range c.series.Columns {
		if column.Quantity != quantity {
			continue
		}
		for i := len(column.Values) - 1; i >= 0; i-- {
			if !math.IsNaN(column.Values[i]) {
				return column.Values[i], c.series.Times[i], true
			}
		}
	}
	return 0, 0, false
}

func (c checker) line(p dewline.Point) CheckLine {
	line := CheckLine{Name: c.r.Name(p.String()), Value: NoValue}
	v, at, ok := c.last(p.String())
	if !ok {
		line.Missing = c.r.Say("nothing has arrived in the last {1}: look at the sensor, its wiring, and the name under which the gateway sends it", c.r.Span(CheckSpan))
		return line
	}
	line.Age = c.r.Age(at)
	unit := shownAs(p.Unit(), c.r.Idiom)
	switch p.Dimension() {
	case dewline.Boolean:
		if line.Value = c.r.Say("off"); v >= 0.5 {
			line.Value = c.r.Say("on")
		}
	case dewline.ModeValue:
		line.Value = c.r.Name(dewline.Mode(v).String())
	default:
		line.Unit, line.Value = unit.Word, Decimal(unit.value(v), checkDecimals(p.Dimension(), c.r.Idiom))
	}
	if due := max(fresh, 5*c.sys.Fitting(p).Sampling.Interval); c.r.Now.Sub(at.Time()) > due {
		line.Missing = c.r.Say("no reading for {1}", c.r.Span(c.r.Now.Sub(at.Time())))
	}
	return line
}

func checkDecimals(d dewline.Dimension, u Idiom) int {
	switch {
	case d == dewline.Pressure && u.System != si.US, d == dewline.Humidity, d == dewline.Percent, d == dewline.Count:
		return 0
	case d == dewline.Power:
		return 2
	}
	return 1
}

// hints look for what is in the place of another.
func (c checker) hints(state dewline.SystemState) (hints []string) {
	suction, _, ok1 := c.last(dewline.SuctionTemp.String())
	liquid, _, ok2 := c.last(dewline.LiquidTemp.String())
	if state.Running && ok1 && ok2 && suction > liquid+swapped {
		hints = append(hints, c.r.Say("It runs, and the suction line reads {1} warmer than the liquid line. On a running machine it is the colder one: look whether the two clamps are swapped.", kelvins(suction-liquid, c.r.Idiom)))
	}
	derived := checkDerived(c.sys)
	low, _, ok1 := c.last(string(derived[0]))
	high, _, ok2 := c.last(string(derived[1]))
	if state.Running && ok1 && ok2 && low > high {
		hints = append(hints, c.r.Say("It runs, and suction pressure reads higher than the high side: look whether the two pressure sensors are swapped."))
	}
	return hints
}

// rest compares what must agree on a machine that has stood.
func (c checker) rest(state dewline.SystemState) (all []Finding, why string) {
	switch stood, known := c.stood(); {
	case state.At == 0:
		return nil, c.r.Say("Nothing has been analysed yet.")
	case c.r.Now.Sub(state.At.Time()) > time.Hour:
		return nil, c.r.Say("The last analysed reading is older than an hour.")
	case state.Running:
		return nil, c.r.Say("It runs. When it has stood for an hour, both sides are compared with each other and with the air here.")
	case known && stood < restedFor:
		return nil, c.r.Say("It has stood for {1} only: pressures and lines need an hour to settle.", c.r.Span(stood))
	case !known:
		return nil, c.r.Say("Since when it stands is not known: it takes compressor on, current or power.")
	}
	derived := checkDerived(c.sys)
	low, _, ok1 := c.last(string(derived[0]))
	high, _, ok2 := c.last(string(derived[1]))
	if ok1 && ok2 {
		all = append(all, c.meet(low, high))
	}
	air, name, ok := c.coldestAir()
	if !ok {
		return all, ""
	}
	for _, side := range []struct {
		name string
		d    dewline.Derived
	}{{c.r.Say("The dew point of suction pressure"), derived[2]}, {c.r.Say("The bubble point of high-side pressure"), derived[3]}} {
		if v, _, ok := c.last(string(side.d)); ok {
			all = append(all, c.against(side.name, v, name, air, c.r.Say("Is the refrigerant the one that is enrolled, is the sensor's reference (gauge or absolute) right, and is there liquid left in it?")))
		}
	}
	if v, _, ok := c.last(dewline.LiquidTemp.String()); ok && c.sys.Fitted(dewline.OutdoorAirTemp) {
		if outdoor, _, ok := c.last(dewline.OutdoorAirTemp.String()); ok {
			all = append(all, c.against(c.r.Say("The liquid line"), v, c.r.Say("outdoor air"), outdoor, c.r.Say("Is the clamp tight, insulated, and out of the sun?")))
		}
	}
	return all, ""
}

// stood returns how long the compressor has stood at the newest reading of what tells that, at least.
func (c checker) stood() (time.Duration, bool) {
	for _, by := range []struct {
		point dewline.Point
		on    float64
	}{{dewline.CompressorOn, 0.5}, {dewline.CompressorCurrent, 0.5}, {dewline.CompressorPower, 50}} {
		for _, column := range c.series.Columns {
			if column.Quantity != by.point.String() {
				continue
			}
			var newest, oldest dewline.Millis
			for i := len(column.Values) - 1; i >= 0; i-- {
				if math.IsNaN(column.Values[i]) {
					continue
				}
				if column.Values[i] > by.on {
					break
				}
				newest, oldest = cmp.Or(newest, c.series.Times[i]), c.series.Times[i]
			}
			if newest != 0 {
				return newest.Sub(oldest), true
			}
		}
	}
	return 0, false
}

func (c checker) meet(low, high float64) Finding {
	a, _ := c.sys.Fitting(dewline.SuctionPressure).Accuracy()
	b, _ := c.sys.Fitting(c.sys.HighSide()).Accuracy()
	unit := shownAs("Pa", c.r.Idiom)
	apart := Decimal(unit.delta(math.Abs(high-low)), checkDecimals(dewline.Pressure, c.r.Idiom)) + "\u00a0" + unit.Word
	if math.Abs(high-low) <= a+b+meetApart {
		return Finding{Say: c.r.Say("The pressures have met: they are {1} apart, as far as their sensors can tell the same.", apart)}
	}
	return Finding{Odd: true, Say: c.r.Say("The pressures are {1} apart. Either something holds them (a solenoid valve, a pump-down, a valve that shuts tight, a crankcase heater), or a sensor is off or has another reference than is enrolled.", apart)}
}

func (c checker) against(name string, v float64, airName string, air float64, ask string) Finding {
	unit := shownAs("Cel", c.r.Idiom)
	say := c.r.Say("{1} is {2}, {3} {4}", name, Decimal(unit.value(v), 1)+"\u00a0"+unit.Word, airName, Decimal(unit.value(air), 1)+"\u00a0"+unit.Word)
	if math.Abs(v-air) <= airApart {
		return Finding{Say: c.r.Say("{1}: they agree.", say)}
	}
	return Finding{Odd: true, Say: c.r.Say("{1}: {2} apart. {3}", say, kelvins(math.Abs(v-air), c.r.Idiom), ask)}
}

// coldestAir returns the coldest air around the circuit that is measured.
func (c checker) coldestAir() (air float64, name string, ok bool) {
	for _, p := range []dewline.Point{dewline.OutdoorAirTemp, dewline.ReturnAirTemp, dewline.SpaceTemp} {
		if v, _, there := c.last(p.String()); there && (!ok || v < air) {
			air, name, ok = v, c.r.Name(p.String()), true
		}
	}
	if ok {
		name = c.r.Say("the coldest air around ({1})", name)
	}
	return air, name, ok
}
