package sensor

import (
	"math"
	"slices"

	"dewline"
	"dewline/analytics/cycle"
)

const (
	// nights are kept, one a day; believed from enoughNights on.
	nights       = 7 // their median follows four new ones
	enoughNights = 5
	nightsLast   = 75 // days
	recentNights = 4  // days of which a standing machine is told as it is now
	// stood is how long the machine must have stood before the spell that is read begins, and longStood
	// how long for lines to have the air's temperature.
	stood, longStood = 60 * 60, 180 * 60 // s
	still            = 2.0               // K that nothing may move by within the spell
	distance         = 1.0               // K, standard: sensor and coil are not in the same air, a clear sky cools the coil
	lineDistance     = 1.2               // K, standard, of a line
)

// numResting: transducers and the clamps of suction and liquid are checked at rest, and outdoor air.
const (
	numResting    = 6
	restSuctionT  = 3
	restLiquidT   = 4
	restOutdoor   = 5
	numTransducer = 3
)

// rest is what has been seen of the machine at rest.
type rest struct {
	Day     int32 // of the night that is open
	Coldest float32
	Open    night
	Nights  [nights]night
	Next    uint8
	PaPerK  float32 // saturation at the last night
	Glide   float32 // K, half of bubble to dew
	Found   [numResting]offset
}

// night is one reading at rest. NaN stands for what is missing.
type night struct {
	Day   int32                  // since 1970, 0: none
	Error [numTransducer]float32 // Pa, reading less the saturation pressure at the coldest air; without known air, less the first's
	Air   bool                   // the coldest air is known
	Line  [2]float32             // K, clamps beyond all air around
	Above float32                // K, liquid clamp less outdoor air, where that is the coldest
}

// offset is the error of one sensor as nights tell it: reading less truth.
type offset struct {
	Value, U      float32
	Wrong, WrongU float32 // the same, given that it is this sensor that is wrong
	Probability   float32 // that the sensor is wrong beyond its accuracy
	Nights        uint8
	Since, Sure   dewline.Millis
}

func (r *rest) forget(p dewline.Point) {
	k := restOf(p)
	if k < 0 {
		return
	}
	r.Found[k] = offset{}
	nan := float32(math.NaN())
	drop := func(n *night) {
		switch {
		case k < numTransducer:
			n.Error[k] = nan
		case k < restOutdoor:
			n.Line[k-restSuctionT] = nan
		default:
			n.Above, n.Air = nan, false
		}
	}
	drop(&r.Open)
	for i := range r.Nights {
		drop(&r.Nights[i])
	}
}

// restOf returns the number of a point among those that are checked at rest, -1 if it is none.
func restOf(p dewline.Point) int {
	switch p {
	case dewline.SuctionPressure, dewline.LiquidPressure, dewline.DischargePressure:
		return int(p - dewline.SuctionPressure)
	case dewline.SuctionTemp:
		return restSuctionT
	case dewline.LiquidTemp:
		return restLiquidT
	case dewline.OutdoorAirTemp:
		return restOutdoor
	}
	return -1
}

var restPoints = [numResting]dewline.Point{
	dewline.SuctionPressure, dewline.LiquidPressure, dewline.DischargePressure, dewline.SuctionTemp, dewline.LiquidTemp, dewline.OutdoorAirTemp,
}

// Offset returns what nights of rest say must be added to a reading of p to be right, and its standard
// uncertainty. It is known of pressures and of the clamps of suction and liquid, from five nights on.
func (w *Watch) Offset(p dewline.Point) (value, u float64, ok bool) {
	k := restOf(p)
	if k < 0 || w.State.Rest.Found[k].Nights < enoughNights {
		return 0, 0, false
	}
	o := &w.State.Rest.Found[k]
	return -float64(o.Value), float64(o.U), true
}

// Standing returns by how much the refrigerant's saturation temperature at the pressure of the standing machine is above the
// coldest air around it, K, with its standard uncertainty. It is known where both sides have met at one pressure on two
// nights or more since a time. More than the air explains is gas that does not condense.
func (w *Watch) Standing(m *cycle.Machine, since dewline.Millis) (above, u float64, ok bool) {
	r := &w.State.Rest
	var buf [nights + 1]float64
	v := buf[:0]
	take := func(n *night) {
		low, high := float64(n.Error[0]), float64(n.Error[1])
		uHigh := m.Uncertainty(dewline.LiquidPressure)
		if math.IsNaN(high) {
			high, uHigh = float64(n.Error[2]), m.Uncertainty(dewline.DischargePressure)
		}
		apart := 3 * math.Hypot(m.Uncertainty(dewline.SuctionPressure), uHigh)
		if n.Day != 0 && n.Air && dewline.Millis(n.Day)*24*hour >= since && math.Abs(high-low) <= apart {
			v = append(v, (low+high)/2/float64(r.PaPerK))
		}
	}
	newest := int32(math.MinInt32)
	for i := range r.Nights {
		newest = max(newest, r.Nights[i].Day)
	}
	for i := range r.Nights {
		if n := &r.Nights[i]; newest-n.Day < recentNights {
			take(n)
		}
	}
	take(&r.Open)
	if len(v) < 2 || !(r.PaPerK > 0) {
		return 0, 0, false
	}
	above, spread := medianSpread(v)
	own := m.Uncertainty(dewline.SuctionPressure) / float64(r.PaPerK) / math.Sqrt2
	return above, math.Hypot(math.Hypot(distance, m.Uncertainty(dewline.OutdoorAirTemp)), math.Hypot(math.Hypot(own, spread), float64(r.Glide)/math.Sqrt(3))), true
}

// rested takes a spell of rest. Of each day the coldest counts: then there is no sun on the machine.
func (w *Watch) rested(from, to dewline.Millis) {
	st := &w.State
	r := &st.Rest
	if day := int32(from / (24 * hour)); day != r.Day {
		if r.Open.Day != 0 {
			r.Nights[r.Next] = r.Open
			r.Next = (r.Next + 1) % nights
			w.weigh(r.Day, dewline.Millis(day)*24*hour)
		}
		r.Day, r.Open = day, night{}
	}
	sp := &st.Spell
	if sp.Defrost || w.machine.System.PumpDown || st.Gateway.Kind == FrozenGateway {
		return
	}
	if sp.Ran > 0 || sp.Idle < stood || sp.Stood < 90*60 {
		w.shortRest()
		return
	}
	n, cold, ok := w.night()
	if !ok || r.Open.Day != 0 && float32(cold) >= r.Coldest {
		return
	}
	n.Day = r.Day
	r.Open, r.Coldest = n, float32(cold)
}

// shortRest takes the difference of the transducers where a machine never stands for long. Through a fixed
// bore pressures meet within minutes, whatever they do then.
func (w *Watch) shortRest() {
	r := &w.State.Rest
	if r.Open.Day != 0 || w.machine.System.Metering.HoldsSuperheat() || w.machine.System.Metering == "" {
		return
	}
	nan := float32(math.NaN())
	n := night{Day: r.Day, Error: [numTransducer]float32{nan, nan, nan}, Line: [2]float32{nan, nan}, Above: nan}
	out, in := w.resting(outdoorT), w.indoor()
	abs, base := w.pressures()
	if base < 0 {
		return
	}
	two := false
	for k := base; k < numTransducer; k++ {
		if !math.IsNaN(abs[k]) && (k == base || w.met(abs[base], abs[k], k, out, in, min(out, in))) {
			n.Error[k] = float32(abs[k] - abs[base])
			two = two || k > base
		}
	}
	if two {
		r.Open, r.Coldest = n, float32(math.Inf(1)) // a night is better
	}
}

// resting returns the mean reading of a point at rest, NaN where there is none to be believed.
func (w *Watch) resting(i int) float64 {
	p := &w.State.Points[i]
	if p.RestN < fewest || p.Doubt.Sure != 0 || p.Doubt.Kind == Stuck {
		return math.NaN()
	}
	return float64(p.Rest)
}

// indoor returns the air at the indoor coil at rest.
func (w *Watch) indoor() float64 {
	in, space := w.resting(returnT), w.resting(spaceT)
	if math.IsNaN(in) || !w.machine.System.Kind.Comfort() && !math.IsNaN(space) {
		return space
	}
	return in
}

// pressures returns the absolute pressures at rest and the number of the first that there is, or -1.
func (w *Watch) pressures() (abs [numTransducer]float64, base int) {
	base = -1
	for k := range numTransducer {
		abs[k] = w.resting(k) + w.machine.Ambient(dewline.Point(k+1))
		if base < 0 && !math.IsNaN(abs[k]) {
			base = k
		}
	}
	return abs, base
}

// night reads the spell. The coldest coil gathers the refrigerant and sets the pressure.
func (w *Watch) night() (n night, cold float64, ok bool) {
	st := &w.State
	nan := float32(math.NaN())
	n = night{Error: [numTransducer]float32{nan, nan, nan}, Line: [2]float32{nan, nan}, Above: nan}
	calm := func(i int, perUnit float64) bool {
		p := &st.Points[i]
		return p.N == 0 || float64(p.Max-p.Min)*perUnit <= still
	}
	out, in := w.resting(outdoorT), w.indoor()
	comfort := w.machine.System.Kind.Comfort()
	if math.IsNaN(out) && math.IsNaN(in) || !calm(outdoorT, 0.7) {
		return n, 0, false
	}
	cold = out
	switch {
	case math.IsNaN(out):
		cold = in
	case math.IsNaN(in):
		// A room in use is hardly colder than 17 °C.
		n.Air = comfort && out < 15
	default:
		cold, n.Air = min(out, in), true
	}

	abs, base := w.pressures()
	if base < 0 {
		return n, 0, false
	}
	dew, bubble := w.saturation(abs[base])
	_, slope, _ := w.machine.Slopes(abs[base], abs[base])
	if math.IsNaN(dew) || slope <= 0 {
		return n, 0, false
	}
	for k := range numTransducer {
		if !calm(k, slope) || k > base && !math.IsNaN(abs[k]) && !w.met(abs[base], abs[k], k, out, in, cold) {
			return n, 0, false
		}
	}
	offBase := 0.0
	if n.Air {
		offBase = ((dew+bubble)/2 - cold) / slope
	}
	for k := range numTransducer {
		n.Error[k] = float32(offBase + abs[k] - abs[base])
	}
	st.Rest.PaPerK, st.Rest.Glide = float32(1/slope), float32((dew-bubble)/2)
	w.lines(&n, out, in)
	return n, cold, true
}

// lines compares the clamps with the air around them after a very long stop.
func (w *Watch) lines(n *night, out, in float64) {
	if w.State.Spell.Idle < longStood || math.IsNaN(out) || math.IsNaN(in) {
		return
	}
	for k, i := range [...]int{suctionT, liquidT} {
		p := &w.State.Points[i]
		if p.RestN < fewest || p.Doubt.Sure != 0 || p.Doubt.Kind == Stuck || float64(p.Max-p.Min) > still+1 {
			continue
		}
		v := float64(p.Rest)
		n.Line[k] = float32(v - min(max(v, min(out, in)), max(out, in)))
		if i == liquidT && out < in-2 {
			n.Above = float32(v - out)
		}
	}
}

// met says whether two pressures that have stopped moving have met, as far as their errors allow to
// tell. A valve that does not bleed leaves each side at the saturation pressure of its own coil.
func (w *Watch) met(low, high float64, k int, out, in, cold float64) bool {
	apart := high - low
	u := 3 * math.Hypot(w.machine.Uncertainty(dewline.SuctionPressure), w.machine.Uncertainty(dewline.Point(k+1)))
	if math.Abs(apart) <= u {
		return true
	}
	if math.Abs(apart) > 0.5*high {
		return false
	}
	lowC, highC := w.middle(low), w.middle(high)
	if w.machine.System.Metering.HoldsSuperheat() {
		warmHead := math.IsNaN(out) || out > cold+1 && highC > cold+1.5
		return apart < 0 || !warmHead && lowC > cold-5
	}
	// A fixed bore lets the pressures meet, unless a solenoid valve stands before it.
	return !(math.Abs(out-in) > 2 && math.Abs(highC-out) < 1.5 && math.Abs(lowC-in) < 1.5)
}

// weigh makes offsets of the nights. All transducers stand in the same pressure, whose error is common to
// them: the air's sensor, air in the circuit, a machine without charge. So one is wrong where it differs
// from the others, and the air tells which.
func (w *Watch) weigh(day int32, at dewline.Millis) {
	r := &w.State.Rest
	w.weighTransducers(day, at)
	sure := w.weighOutdoor(day, at)
	for k := range 2 {
		if sure && k == restLiquidT-restSuctionT {
			continue
		}
		var buf [nights]float64
		v := r.collect(&buf, day, func(n *night) float64 { return float64(n.Line[k]) })
		med, spread := medianSpread(v)
		u := math.Hypot(math.Hypot(lineDistance, w.machine.Uncertainty(restPoints[restSuctionT+k])), spread)
		o := &r.Found[restSuctionT+k]
		o.set(len(v), med, u)
		// An air sensor that is wrong makes both lines look wrong.
		o.Probability = 0
		if len(v) >= enoughNights && math.Abs(med) > 3+u && spread < 1.5 && r.Found[restOutdoor].Probability < 0.5 {
			o.Probability = 0.7
		}
		o.judge(at, r.oldest(), 0)
	}
}

// collect gathers a value of each night that is not too old.
func (r *rest) collect(buf *[nights]float64, day int32, f func(n *night) float64) []float64 {
	v := buf[:0]
	for i := range r.Nights {
		if n := &r.Nights[i]; n.Day != 0 && day-n.Day <= nightsLast {
			if x := f(n); !math.IsNaN(x) {
				v = append(v, x)
			}
		}
	}
	return v
}

// oldest returns the time of the oldest night kept.
func (r *rest) oldest() dewline.Millis {
	first := int32(math.MaxInt32)
	for i := range r.Nights {
		if d := r.Nights[i].Day; d != 0 {
			first = min(first, d)
		}
	}
	return dewline.Millis(first) * 24 * hour
}

func (o *offset) set(n int, value, u float64) {
	o.Nights = uint8(n)
	o.Value, o.U = 0, 0
	if n >= enoughNights {
		o.Value, o.U = float32(value), float32(u)
	}
	o.Wrong, o.WrongU = o.Value, o.U
}

func (o *offset) judge(at, first dewline.Millis, of float32) {
	switch {
	case o.Sure != 0 && o.Probability >= 0.2:
	case o.Probability >= 0.6 || of >= 0.75 && o.Probability >= 0.3: // one of them is, and it may be this
		o.Since, o.Sure = first, at
	default:
		o.Since, o.Sure = 0, 0
	}
}

// medianSpread returns the median and the standard deviation as the median absolute deviation tells it.
func medianSpread(v []float64) (median, spread float64) {
	if len(v) == 0 {
		return 0, math.Inf(1)
	}
	slices.Sort(v)
	median = middleOf(v)
	var dev [nights]float64
	d := dev[:len(v)]
	for i, x := range v {
		d[i] = math.Abs(x - median)
	}
	slices.Sort(d)
	return median, 1.4826 * middleOf(d)
}

func middleOf(sorted []float64) float64 {
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

// weighTransducers finds which transducer is wrong, if one is: hypotheses of none and of each, all errors
// normal, with the common error c integrated out. For errors y_k = o_k + c with variances v_k and U² of c
// the covariance is diag(v) + U² 11', whose inverse and determinant are known in closed form (Sherman
// and Morrison).
func (w *Watch) weighTransducers(day int32, at dewline.Millis) {
	r := &w.State.Rest
	var y, eps [numTransducer]float64
	var n [numTransducer]int
	var buf [nights]float64
	base := -1
	common := 1e9 // Pa: without known air nothing is known of it
	const repeats, fewestAir = 1500.0, 3
	spreadOf := func(spread float64, n int) float64 { return math.Hypot(repeats, 1.25*spread/math.Sqrt(float64(n))) }
	for k := range numTransducer {
		if base >= 0 {
			v := r.collect(&buf, day, func(n *night) float64 { return float64(n.Error[k] - n.Error[base]) })
			if n[k] = len(v); n[k] < enoughNights {
				n[k] = 0
				continue
			}
			med, spread := medianSpread(v)
			y[k], eps[k] = y[base]+med, spreadOf(spread, n[k])
			continue
		}
		if n[k] = len(r.collect(&buf, day, func(n *night) float64 { return float64(n.Error[k]) })); n[k] < enoughNights {
			n[k] = 0
			continue
		}
		base, eps[k] = k, repeats
		v := r.collect(&buf, day, func(n *night) float64 {
			if !n.Air {
				return math.NaN()
			}
			return float64(n.Error[k])
		})
		if len(v) >= fewestAir {
			med, spread := medianSpread(v)
			y[k] = med
			u := math.Hypot(math.Hypot(distance, w.machine.Uncertainty(dewline.OutdoorAirTemp)), float64(r.Glide)/math.Sqrt(3))
			common = math.Hypot(u*float64(r.PaPerK), spreadOf(spread, len(v)))
		}
	}

	const (
		priorWrong = 0.02 // of each transducer, at any time
		priorGas   = 0.02 // of air that stands in the high side alone, behind a valve or liquid
		none, gas  = numTransducer, numTransducer + 1
	)
	// What is common is small as long as there is liquid and no foreign gas, and may be anything else.
	const (
		farther  = 10
		priorFar = 0.1
		numCases = 2 * (numTransducer + 2)
	)
	var logs [numCases]float64
	var value, variance [numCases][numTransducer]float64
	for i := range logs {
		j, c0 := i/2, common
		log := math.Log(1 - priorFar)
		if i%2 == 1 {
			c0, log = farther*common, math.Log(priorFar)
		}
		if j < none && n[j] == 0 || j == gas && !(n[0] > 0 && max(y[1], y[2]) > y[0]) {
			logs[i] = math.Inf(-1)
			continue
		}
		var v, own [numTransducer]float64
		sum, sumY := 0.0, 0.0
		for k := range numTransducer {
			if n[k] == 0 {
				continue
			}
			own[k] = math.Pow(w.machine.Uncertainty(dewline.Point(k+1)), 2)
			if k == j || j == gas && k > 0 {
				own[k] = math.Pow(max(4*w.limit(k), 100_000), 2)
			}
			v[k] = own[k] + eps[k]*eps[k]
			sum += 1 / v[k]
			sumY += y[k] / v[k]
			log -= 0.5 * (math.Log(v[k]) + y[k]*y[k]/v[k])
		}
		c2 := c0 * c0 / (1 + c0*c0*sum) // variance of c
		log -= 0.5 * (math.Log1p(c0*c0*sum) - sumY*sumY*c2)
		switch j {
		case none:
			log += math.Log(1 - numTransducer*priorWrong - priorGas)
		case gas:
			log += math.Log(priorGas)
		default:
			log += math.Log(priorWrong)
		}
		logs[i] = log
		for k := range numTransducer {
			if n[k] == 0 || j == gas && k > 0 {
				continue
			}
			share := own[k] / v[k]
			value[i][k] = share * (y[k] - c2*sumY)
			variance[i][k] = share*eps[k]*eps[k] + share*share*c2
		}
	}
	most, total, weights := slices.Max(logs[:]), 0.0, logs
	for i := range weights {
		weights[i] = math.Exp(logs[i] - most)
		total += weights[i]
	}
	// over returns the sum of weights and the mean and variance of a sensor's error over cases from to.
	over := func(k, from, to int) (weight, mean, variance2 float64) {
		square := 0.0
		for i := from; i < to; i++ {
			weight += weights[i]
			mean += weights[i] * value[i][k]
			square += weights[i] * (variance[i][k] + value[i][k]*value[i][k])
		}
		if weight == 0 {
			return 0, 0, 0
		}
		mean /= weight
		return weight / total, mean, max(square/weight-mean*mean, eps[k]*eps[k])
	}
	sensors, _, _ := over(0, 0, 2*none)
	for k := range numTransducer {
		o := &r.Found[k]
		if base < 0 || n[k] == 0 {
			*o = offset{}
			continue
		}
		_, mean, v := over(k, 0, numCases)
		o.set(n[k], mean, math.Sqrt(v))
		own, mean, v := over(k, 2*k, 2*k+2)
		o.Wrong, o.WrongU, o.Probability = float32(mean), float32(math.Sqrt(v)), float32(own)
		o.judge(at, r.oldest(), float32(sensors))
	}
}

// weighOutdoor judges the outdoor air by what has its temperature after a night on which it is the coldest:
// the liquid line, and the refrigerant by its pressure. Where both are far from it and near each other, it
// is the air's sensor; where only the line is, it is the clamp, and the offset found is returned as sure.
func (w *Watch) weighOutdoor(day int32, at dewline.Millis) (clamp bool) {
	r := &w.State.Rest
	var buf [nights]float64
	o, l := &r.Found[restOutdoor], &r.Found[restLiquidT]
	v := r.collect(&buf, day, func(n *night) float64 {
		if !n.Air {
			return math.NaN()
		}
		return float64(n.Above)
	})
	n := len(v)
	line, spread := medianSpread(v)
	v = r.collect(&buf, day, func(n *night) float64 {
		if !n.Air || math.IsNaN(float64(n.Above)) {
			return math.NaN()
		}
		return float64(n.Error[0])
	})
	o.set(0, 0, 0)
	o.Probability = 0
	if n >= enoughNights && len(v) >= enoughNights && r.PaPerK > 0 {
		med, _ := medianSpread(v)
		sat := med / float64(r.PaPerK)
		u := math.Hypot(math.Hypot(lineDistance, w.machine.Uncertainty(dewline.LiquidTemp)), spread)
		if math.Abs(sat) < 2.5 {
			l.set(n, line, u)
			l.Probability, clamp = 0, true
			if math.Abs(line) > 3+u && math.Abs(line-sat) > 3 && spread < 1.5 {
				l.Probability = 0.7
			}
			l.judge(at, r.oldest(), 0)
		}
		o.set(n, -(line+sat)/2, math.Hypot(distance, spread))
		if math.Abs(line) > 3.5 && math.Abs(sat) > 3.5 && math.Abs(line-sat) < 2 && spread < 2 {
			o.Probability = 0.65
		}
	}
	o.judge(at, r.oldest(), 0)
	return clamp
}
