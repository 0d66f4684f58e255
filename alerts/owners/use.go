package owners

import (
	"math"
	"slices"
	"time"

	"dewline"
	"dewline/thermo/si"
)

// step is the time between two looks at a machine: shorter than any run that a compressor survives.
const step = time.Minute

// hold is how long a reading stands for what follows it. After that nothing is known.
const hold = 15 * time.Minute

// signal is a quantity that tells whether a compressor runs, and what it lies above while it does. The
// limits are those of analytics: a crankcase heater draws less.
type signal struct {
	quantity string
	above    float64
	words    string
}

// signalOf returns the best signal that is fitted.
func signalOf(s *dewline.System) signal {
	for _, p := range []struct {
		point dewline.Point
		above float64
		words string
	}{
		{dewline.CompressorOn, 0.5, "the compressor's own contact"},
		{dewline.CompressorCurrent, 1, "the compressor's current"},
		{dewline.CompressorPower, 150, "the compressor's power"},
		{dewline.CompressorSpeed, 0, "the compressor's speed"},
	} {
		if s.Fitted(p.point) {
			return signal{p.point.String(), p.above, p.words}
		}
	}
	return signal{string(dewline.PressureRatio), 1.5, "its pressures"}
}

// quantities are what the use of a machine is counted from.
func quantities(s *dewline.System) []string {
	list := []string{signalOf(s).quantity}
	if s.Fitted(dewline.OperatingMode) {
		list = append(list, dewline.OperatingMode.String())
	}
	switch {
	case s.Fitted(dewline.CompressorPower) && list[0] != dewline.CompressorPower.String():
		list = append(list, dewline.CompressorPower.String())
	case !s.Fitted(dewline.CompressorPower) && s.CompressorMap != nil && s.CompressorMap.Power.Stated():
		list = append(list, string(dewline.SuctionDewTemp), string(dewline.CondensingTemp))
	}
	return list
}

// trouble is a stretch in which a fault lasted, and what it costs.
type trouble struct {
	from, to dewline.Millis
	faults   []dewline.Fault
	figure   Figure // Low 0 where nothing fits
	missing  string
}

// counter counts one machine's use, minute by minute.
type counter struct {
	system   *dewline.System
	signal   signal
	zone     *time.Location
	troubles []trouble

	at    dewline.Millis // of the minute
	held  map[string]held
	was   bool // it ran the minute before
	known bool // and whether that is known

	heard, run, metered, faulty int // minutes; metered: running ones with a power
	starts                      int
	days                        map[dewline.Day]int
	joules, low, high           float64
	missing                     string // of the cost of faults
	seen                        []trouble
}

type held struct {
	at    dewline.Millis
	value float64
}

func newCounter(s *dewline.System, zone *time.Location, troubles []trouble) *counter {
	return &counter{system: s, signal: signalOf(s), zone: zone, troubles: troubles, held: map[string]held{}, days: map[dewline.Day]int{}}
}

// add counts a stretch of minute means. Stretches come one after the other.
func (c *counter) add(s dewline.Series, from, to dewline.Millis) {
	row := 0
	for at := from; at < to; at = at.Add(step) {
		for ; row < len(s.Times) && s.Times[row] <= at; row++ {
			for _, column := range s.Columns {
				if v := column.Values[row]; !math.IsNaN(v) {
					c.held[column.Quantity] = held{s.Times[row], v}
				}
			}
		}
		c.at = at
		c.minute()
	}
}

func (c *counter) get(quantity string) (float64, bool) {
	h, ok := c.held[quantity]
	return h.value, ok && c.at.Sub(h.at) < hold
}

func (c *counter) minute() {
	v, known := c.get(c.signal.quantity)
	runs := known && v > c.signal.above
	if known {
		c.heard++
	}
	if runs {
		c.run++
		c.days[dewline.DayOf(c.at, c.zone)]++
		if c.known && !c.was {
			c.starts++
		}
		c.energy()
	}
	c.was, c.known = runs, known
}

// energy counts a running minute's energy, and what of it a fault costs.
func (c *counter) energy() {
	power, ok := c.power()
	if ok {
		c.metered++
		c.joules += power * step.Seconds()
	}
	t := c.troubled()
	if t == nil {
		return
	}
	c.faulty++
	switch {
	case !ok:
		c.missing = string(dewline.Phrase("its energy is not known"))
	case t.missing != "":
		c.missing = t.missing
	default:
		c.low += Excess(power*step.Seconds(), t.figure.Low)
		c.high += Excess(power*step.Seconds(), t.figure.High)
	}
}

// power returns what the compressor takes in W: as measured, or as the maker's map gives it.
func (c *counter) power() (float64, bool) {
	if c.system.Fitted(dewline.CompressorPower) {
		return c.get(dewline.CompressorPower.String())
	}
	if c.system.CompressorMap == nil || !c.system.CompressorMap.Power.Stated() {
		return 0, false
	}
	suction, ok1 := c.get(string(dewline.SuctionDewTemp))
	condensing, ok2 := c.get(string(dewline.CondensingTemp))
	if !ok1 || !ok2 {
		return 0, false
	}
	w := c.system.CompressorMap.Power.At(si.FromCelsius(suction), si.FromCelsius(condensing))
	return w, w > 0 // outside of its envelope a polynomial may give anything
}

// troubled returns the costliest fault of the minute, nil where none lasts. The figures are of cooling:
// a heat pump that does not say what it does, or that heats, has a fault of unknown cost.
func (c *counter) troubled() *trouble {
	var worst *trouble
	for i := range c.troubles {
		t := &c.troubles[i]
		if t.from <= c.at && c.at < t.to && (worst == nil || t.figure.High > worst.figure.High) {
			worst = t
		}
	}
	if worst == nil {
		return nil
	}
	if !slices.ContainsFunc(c.seen, func(t trouble) bool { return t.from == worst.from && slices.Equal(t.faults, worst.faults) }) {
		c.seen = append(c.seen, *worst)
	}
	if worst.missing == "" && c.system.Kind == dewline.HeatPump {
		if mode, ok := c.get(dewline.OperatingMode.String()); !ok || dewline.Mode(math.Round(mode)) != dewline.ModeCooling {
			heats := *worst
			heats.missing = string(dewline.Phrase("it heats too, or does not say that it cools, and the published figures are of cooling"))
			return &heats
		}
	}
	return worst
}

func hours(minutes int) float64 { return float64(minutes) / 60 }

const kWh = 3.6e6 // J

// use returns how much the machine ran.
func (c *counter) use(from, to dewline.Millis) dewline.OwnerUse {
	u := dewline.OwnerUse{HeardHours: hours(c.heard), SpanHours: to.Sub(from).Hours(), By: c.signal.words}
	if c.heard == 0 {
		u.Missing = string(dewline.Phrase("no reading tells whether it ran"))
		return u
	}
	run, starts := hours(c.run), c.starts
	u.RunHours, u.Starts = &run, &starts
	for day := dewline.DayOf(from, c.zone); day <= dewline.DayOf(to-1, c.zone); day = day.Add(1) {
		u.Days = append(u.Days, dewline.OwnerDay{Day: day, RunHours: hours(c.days[day])})
	}
	return u
}

// taken returns what the compressor took. Of a machine that was heard and never ran that is nothing.
func (c *counter) taken() (e dewline.OwnerEnergy) {
	metered := c.system.Fitted(dewline.CompressorPower)
	mapped := c.system.CompressorMap != nil && c.system.CompressorMap.Power.Stated()
	switch {
	case metered:
		e.By = string(dewline.Phrase("measured"))
	case mapped:
		e.By = string(dewline.Phrase("estimated from the maker's table of its compressor"))
	default:
		e.Missing = string(dewline.Phrase("no power is measured, and no rated power is stated"))
		return e
	}
	switch {
	case c.heard == 0:
		e.By, e.Missing = "", string(dewline.Phrase("no reading tells whether it ran"))
	case c.run > 0 && c.metered == 0:
		e.By, e.Missing = "", string(dewline.Phrase("no power was read while it ran"))
	case c.metered < c.run:
		e.By += ", while power was known: " + whole(hours(c.metered)) + " of " + whole(hours(c.run)) + " h that it ran"
	}
	if e.Missing == "" {
		total := c.joules / kWh
		e.KWh = &total
	}
	return e
}

// excess returns what faults cost.
func (c *counter) excess() dewline.OwnerExcess {
	x := dewline.OwnerExcess{Hours: hours(c.faulty), Missing: c.missing}
	for _, t := range c.seen {
		for _, f := range t.faults {
			if !slices.Contains(x.Faults, f) {
				x.Faults = append(x.Faults, f)
			}
		}
		for _, s := range t.figure.Sources {
			if !slices.Contains(x.Sources, s) {
				x.Sources = append(x.Sources, s)
			}
		}
	}
	if len(c.troubles) > 0 && c.heard == 0 {
		x.Missing = string(dewline.Phrase("no reading tells whether it ran"))
	}
	if len(c.troubles) > 0 && x.Missing == "" {
		low, high := c.low/kWh, c.high/kWh
		x.LowKWh, x.HighKWh = &low, &high
	} else {
		x.Sources = nil
	}
	return x
}
