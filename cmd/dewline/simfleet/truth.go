package simfleet

import (
	"cmp"
	"encoding/json"
	"errors"
	"io"
	"math"
	"slices"

	"dewline"
	"dewline/thermo/plant"
)

// Truth is one thing that is wrong with a system, in the contract's words; a system of a drawn fleet
// with nothing wrong has one Truth with the fault "none".
type Truth struct {
	System dewline.SystemID `json:"system"`
	ID     string           `json:"id,omitempty"`    // of a fault of a drawn fleet
	Class  []string         `json:"class,omitempty"` // "healthy" or "faulty", then what is awkward about the system
	Fault  string           `json:"fault"`
	Detail string           `json:"detail,omitempty"`

	// Severity is the plant's at its fullest; of a sensor K, Pa or %, per day of a drift, the factor of a unit, the
	// air's share of a clamp.
	Severity float64 `json:"severity"`

	Onset      dewline.Millis `json:"onset_ms"`
	Detectable dewline.Millis `json:"detectable_ms,omitempty"` // from then on it moves the readings by more than good sensors' doubt
	Harmful    dewline.Millis `json:"harmful_ms,omitempty"`    // from then on it wears the machine or takes over 15 % of its capacity
	Repaired   dewline.Millis `json:"repaired_ms,omitempty"`
	Pair       string         `json:"pair,omitempty"` // the ID of the other fault, where two are at once
	Note       string         `json:"note,omitempty"`
}

// Healthy says whether the truth is that nothing is wrong.
func (t *Truth) Healthy() bool { return t.Fault == "none" }

// WriteTruth writes truths as JSON, one a line.
func WriteTruth(w io.Writer, truth []Truth) error {
	e := json.NewEncoder(w)
	for i := range truth {
		if err := e.Encode(&truth[i]); err != nil {
			return err
		}
	}
	return nil
}

// ReadTruth reads what WriteTruth has written.
func ReadTruth(r io.Reader) (truth []Truth, err error) {
	d := json.NewDecoder(r)
	d.DisallowUnknownFields()
	for {
		var t Truth
		if err := d.Decode(&t); err == io.EOF {
			return truth, nil
		} else if err != nil {
			return nil, err
		}
		truth = append(truth, t)
	}
}

// judge finds when faults can be seen and when they do harm, by solving the machine with and without
// them under three sets of conditions that it meets in its span: in cool, usual and warm weather.
type judge struct {
	m          *plant.Machine
	comfort    bool
	conditions [3]plant.Conditions
	healthy    [3]plant.Steady
	ok         [3]bool // a healthy machine has a steady state there
	seen       seen
}

// seen is which features the fitted sensors show.
type seen struct{ discharge, returnAir, split bool }

// verdict is what a judge finds at one time.
type verdict struct {
	detectable, harmful bool
	stopped             bool // under some of the conditions a pressure switch opens
	solved              bool // the model has an answer
}

func (e *entry) judge(t *layout, see seen) *judge {
	j := &judge{m: e.m, comfort: e.kind.Comfort(), conditions: e.conditions(t), seen: see}
	for i, c := range j.conditions {
		st, err := j.m.Solve(c)
		j.healthy[i], j.ok[i] = st, err == nil
	}
	return j
}

// conditions returns a cool, a usual and a warm hour of the entry's running: the outdoor air's quantiles
// of 0.15, 0.5 and 0.9.
func (e *entry) conditions(t *layout) (all [3]plant.Conditions) {
	quantiles := [3]float64{0.15, 0.5, 0.9}
	if e.drawn != nil && len(e.drawn.met) > 8 {
		met := e.drawn.met
		for i, q := range quantiles {
			all[i] = met[int(q*float64(len(met)-1)+0.5)]
		}
		return all
	}
	var outdoor []float64
	comfort := e.kind.Comfort()
	for at := t.o.Start.Unix(); at < t.o.Present.Unix(); at += 7000 {
		local := math.Mod(float64(at)+3600, 86400) / 3600
		air := e.weather.At(float64(at))
		if comfort && (local < e.use.OpenH || local > e.use.CloseH || air.TempC < 15) {
			continue // it hardly cools then
		}
		outdoor = append(outdoor, air.TempC)
	}
	if len(outdoor) < 8 {
		outdoor = []float64{18, 22, 26}
	}
	slices.Sort(outdoor)
	rh := e.use.SpaceRH
	if comfort {
		rh = 50
	}
	for i, q := range quantiles {
		c := e.m.Rating()
		c.OutdoorC = outdoor[int(q*float64(len(outdoor)-1)+0.5)]
		c.OutdoorRatio = e.m.HumidityRatio(c.OutdoorC, 50)
		c.IndoorC = e.use.SetC
		c.IndoorRatio = e.m.HumidityRatio(c.IndoorC, rh)
		switch {
		case e.use.Variable:
			c.Speed = [3]float64{0.6, 0.75, 1}[i]
		case e.use.Staged:
			c.Speed = [3]float64{0.67, 0.67, 1}[i]
		}
		all[i] = c
	}
	return all
}

// survey runs the healthy machine through a cool, a usual and a warm day of the span and returns the
// conditions that its cooling meets, by the outdoor air. Rooms are drier or warmer than their set points
// suggest, and what a fault does hangs on it.
func (e *entry) survey(t *layout) (met []plant.Conditions) {
	start, present := float64(t.o.Start.Unix()), float64(t.o.Present.Unix())
	type noon struct{ at, tempC float64 }
	var noons []noon
	for at := start - math.Mod(start, 86400) + 12*3600; at < present || len(noons) == 0; at += 86400 {
		noons = append(noons, noon{at, e.weather.At(at).TempC})
	}
	slices.SortFunc(noons, func(a, b noon) int { return cmp.Compare(a.tempC, b.tempC) })
	days := make([]float64, 0, 3)
	for _, q := range [3]float64{0.15, 0.5, 0.9} {
		days = append(days, noons[int(q*float64(len(noons)-1)+0.5)].at)
	}
	slices.Sort(days)
	run := plant.NewRun(e.m, e.weather, e.used(), nil, 1)
	for _, at := range slices.Compact(days) {
		ran := 0
		for minute := -8 * 60; minute < 9*60; minute++ { // the morning sets the room
			now := run.Step(at + float64(minute)*60)
			if ran++; !now.On || now.Mode != plant.Cooling {
				ran = 0
			}
			if ran >= 15 && minute > -3*60 && minute%4 == 0 {
				met = append(met, plant.Conditions{OutdoorC: now.OutdoorC, OutdoorRatio: e.m.HumidityRatio(now.OutdoorC, 50),
					IndoorC: now.ReturnC, IndoorRatio: e.m.HumidityRatio(now.ReturnC, now.ReturnRH), Speed: now.Speed})
			}
		}
	}
	slices.SortStableFunc(met, func(a, b plant.Conditions) int { return cmp.Compare(a.OutdoorC, b.OutdoorC) })
	return met
}

// stops says whether a machine that has no steady state is stopped by a switch.
func stops(err error) bool {
	return errors.Is(err, plant.ErrHighPressure) || errors.Is(err, plant.ErrLowPressure)
}

// at judges faults: they can be seen where a feature moves under most of the conditions, and do harm
// where they do it under any.
func (j *judge) at(f plant.Faults) verdict {
	v := verdict{solved: true}
	moved, of := 0, 0
	for i, c := range j.conditions {
		if !j.ok[i] {
			continue
		}
		of++
		c.Faults = f
		st, err := j.m.Solve(c)
		if err != nil {
			v.harmful, v.stopped = true, true
			v.solved = v.solved && stops(err)
			moved++
			continue
		}
		if j.moved(&j.healthy[i], &st, c) {
			moved++
		}
		v.harmful = v.harmful || j.harms(&j.healthy[i], &st)
	}
	v.detectable = of > 0 && 2*moved > of
	return v
}

// Standard uncertainties of a difference between readings and what a learned model expects: good sensors
// (limits of error of 0.5 K of clamps and air, 1 K at the discharge; 8 and 20 kPa) and the scatter of a model, about
// that of steady values in published field data (0.3 to 0.8 K by feature, rounded).
const (
	clampK, airK, hotK = 0.29, 0.29, 0.58
	lowPa, highPa      = 4.6e3, 11.5e3
)

// heats says whether a heat pump still heats with faults; other machines need not.
func (j *judge) heats(f plant.Faults) bool {
	if !j.m.Spec.HeatPump {
		return true
	}
	c := j.m.HeatingRating()
	c.Faults = f
	_, err := j.m.Solve(c)
	return err == nil
}

// tripsInHeat says whether there is no steady state on a day that is 5 K hotter than the warm ones.
func (j *judge) tripsInHeat(f plant.Faults) bool {
	c := j.conditions[2]
	c.OutdoorC += 5
	c.Faults = f
	_, err := j.m.Solve(c)
	return err != nil
}

// moved says whether any feature that is seen has moved by more than twice its standard uncertainty.
func (j *judge) moved(a, b *plant.Steady, c plant.Conditions) bool {
	low := lowPa * (j.m.DewC(1.01*a.SuctionPa) - j.m.DewC(a.SuctionPa)) / (0.01 * a.SuctionPa)
	high := highPa * (j.m.BubbleC(1.01*a.LiquidPa) - j.m.BubbleC(a.LiquidPa)) / (0.01 * a.LiquidPa)
	out := func(difference float64, doubts ...float64) bool {
		sum := 0.0
		for _, d := range doubts {
			sum += d * d
		}
		return math.Abs(difference) > 2*math.Sqrt(sum)
	}
	discharge := func(s *plant.Steady) float64 { return s.DischargeK - j.m.DewC(s.DischargePa) }
	return out(b.SuperheatK-a.SuperheatK, low, clampK, 0.8) ||
		out(b.SubcoolingK-a.SubcoolingK, high, clampK, 0.4) ||
		out(b.CondensingK-a.CondensingK, high, airK, 0.55) ||
		j.seen.discharge && out(discharge(b)-discharge(a), high, hotK, 0.8) ||
		j.seen.returnAir && out(b.EvaporatingK-a.EvaporatingK, low, airK, 0.4) ||
		j.seen.split && out(b.SupplyC-a.SupplyC, airK, airK, 0.5)
}

// harms says whether a state wears the machine or fails its purpose where the healthy one does not: liquid
// at the compressor, more than 15 % of capacity gone, 8 K more head, a discharge line over 115 °C, a comfort coil below
// freezing.
func (j *judge) harms(a, b *plant.Steady) bool {
	floods := func(s *plant.Steady) bool { return s.SuctionQuality < 0.999 || s.SuperheatK < 1 }
	freezes := func(s *plant.Steady) bool { return j.m.EvaporatorOutletDewC(s) < 0 }
	return floods(b) && !floods(a) ||
		b.EvaporatorW < 0.85*a.EvaporatorW ||
		b.CondensingK > a.CondensingK+8 ||
		b.DischargeK > 388 && a.DischargeK < 388 ||
		j.comfort && freezes(b) && !freezes(a)
}

// sound says whether the healthy machine itself works as it should under all the conditions.
func (j *judge) sound() bool {
	for i := range j.healthy {
		s := &j.healthy[i]
		if !j.ok[i] || s.SuctionQuality < 1 || s.SuperheatK < 3 || s.SubcoolingK < 1 || s.DischargeK > 383 {
			return false
		}
		if j.comfort && j.m.EvaporatorOutletDewC(s) < 1 {
			return false
		}
	}
	return true
}

// when follows a course by days, beside others that are there too, and returns when it is first
// detectable and when harmful, 0 for never.
func (j *judge) when(c plant.Course, others []plant.Course, from, end float64) (detectable, harmful float64) {
	if c.Until > 0 {
		end = min(end, c.Until)
	}
	step := 86400.0
	if c.Shape != plant.Ramp && !slices.ContainsFunc(others, func(o plant.Course) bool { return o.Shape == plant.Ramp || o.From > c.From }) {
		step = max(end-from, step) // nothing changes
	}
	for t := max(c.From, from) + 60; t < end; t += step {
		var f plant.Faults
		severity := c
		if severity.Shape == plant.Intermittent { // when it is there, it is there in full
			severity.Shape = plant.Step
		}
		severity.Add(&f, t)
		for _, o := range others {
			o.Add(&f, t)
		}
		v := j.at(f)
		if detectable == 0 && (v.detectable || v.harmful) {
			detectable = t
		}
		if v.harmful {
			return detectable, t
		}
	}
	return detectable, 0
}

// Steady running of a hunting valve is no steady state: these are shares of a day's running.
const (
	huntsK     = 1.5  // standard deviation of superheat that is called hunting
	huntsToLow = 0.05 // share of the minutes under 1 K that does harm
)

// hunting runs a machine for a day with a fault and says whether it swings, and whether it swings to
// where liquid passes.
func (e *entry) hunting(t *layout, f plant.FaultKind, severity float64) verdict {
	from := float64(t.o.Start.Unix())
	use := e.use
	use.OpenH, use.CloseH, use.DoorsPerHour, use.DefrostEachH = 0, wholeDay, 0, 0
	run := plant.NewRun(e.m, e.weather, use, []plant.Course{{Fault: f, Severity: severity}}, 1)
	var n, sum, squares, low float64
	ran := 0
	for minute := range 1440 {
		now := run.Step(from + float64(minute)*60)
		if ran++; !now.On || now.Mode != plant.Cooling {
			ran = 0
		}
		if ran <= 15 {
			continue
		}
		sh := now.SuctionC - e.m.DewC(now.SuctionPa)
		n, sum, squares = n+1, sum+sh, squares+sh*sh
		if sh < 1 {
			low++
		}
	}
	if n < 30 {
		return verdict{}
	}
	return verdict{detectable: math.Sqrt(max(squares/n-sum/n*sum/n, 0)) > huntsK, harmful: low/n > huntsToLow, solved: true}
}
