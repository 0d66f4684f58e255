package diagnose

import (
	"cmp"
	"math"
	"slices"

	"dewline"
)

// Situation is what is known beside the residuals.
type Situation struct {
	Group     string
	Ice       float64 // how much of what closes the coil's air is a defrost that fails; 0 for one that works above freezing
	HeatPump  bool
	Superheat float64 // K, expected: what there is cannot fall further than to zero
	Below     float64 // K, how far the measured superheat lies below none, 0 where it does not; BelowU its standard uncertainty
	BelowU    float64
	Inherited bool    // the learned frame is from before the visit, so the absolute one must agree
	Visited   bool    // a visit changed the machine since the learned frame was made
	Beyond    bool    // an absolute limit is passed, which hardly happens without a reason
	Wet       bool    // and it is the one of liquid at the compressor, which a valve is there to keep away
	Flooded   bool    // a valve has let liquid through of late, under these conditions or others
	BoreDoubt bool    // the bore read off the part is not the one called for
	BoreRight bool    // the bore read off the part is the one called for
	Mixed     float64 // how likely the readings are means that it stood for a part of, beside that they are of running alone
	Standing  float64 // K, its saturation at rest above the coldest air; StandingU 0 where that is not known
	StandingU float64 // K, the standard uncertainty
	Sensors   []Sensor
}

// gas returns how much likelier the pressure at rest is with gas in the circuit that does not condense than without.
func (s *Situation) gas() float64 {
	if s.StandingU == 0 {
		return 1
	}
	return likelier(s.Standing, s.StandingU, standing, standingSD, mostGas)
}

// likelier returns how much likelier a value of standard uncertainty u is where it has a mean and strays by sd than where it is
// zero: by a factor of most at most, either way.
func likelier(v, u, mean, sd, most float64) float64 {
	with := math.Hypot(u, sd)
	a, b := (v-mean)/with, v/u
	return min(max(math.Exp((b*b-a*a)/2)*u/with, 1/most), most)
}

// subzero returns how rarely what is measured below no superheat is of a machine, in which there is none below it, and
// not of a sensor.
func (s *Situation) subzero() float64 {
	const least = 0.05 // from memory: lines and sensors have more ways to read wrong than are known
	if s.Below <= 0 || s.BelowU <= 0 {
		return 1
	}
	z := s.Below / s.BelowU
	return max(math.Exp(-z*z/2), least)
}

const (
	// standing is by how much a charge of air or nitrogen that matters lifts the saturation at rest, and standingSD how far
	// that strays: a tenth of the volume of a circuit at rest is 1 bar in 10, or 3 K of R-410A (Dalton's law; common practice calls
	// 10 psi above the chart too much).
	standing, standingSD = 3, 2 // K
	mostGas              = 25
)

// Weighed is a cause with what speaks for it.
type Weighed struct {
	Cause
	Probability float64
	Severity    float64 // mean of its posterior, in the unit of its signature
	Mean        Vector  // of the symptoms, as the cause at that severity would move them
	Start       float64 // share of the probability that it was there from the first day
}

// Judgement is the outcome of Weigh: causes in the order of their probabilities, which sum to one
// with NoFault.
type Judgement struct {
	Causes  []Weighed
	NoFault float64
	ice     float64 // as in Situation
}

// Top returns the likeliest cause, and whether it is likelier than none.
func (j *Judgement) Top() (Weighed, bool) {
	if len(j.Causes) == 0 || j.Causes[0].Probability < j.NoFault {
		return Weighed{}, false
	}
	return j.Causes[0], true
}

const (
	// perMachine is by how much of itself a signature differs from machine to machine beyond the
	// spread of the table: an allowance, because the table's machines are few and alike.
	perMachine = 0.35
	// between is into how many steps a signature's segments are divided.
	between = 2
)

// rain is how much less a wet condenser makes the symptoms of a healthy machine, as the scale of a half-normal
// distribution (common practice), and rainy how often a view falls into it.
var rain = Vector{OverAmbient: 3, LogPower: 0.06, Subcooling: 0.3}

const rainy = 0.1

// stoodPartly is what a mean shows less of where the machine stood for a quarter of it: pressures toward one another,
// lines and air toward what they are at rest (from the usual values of a running machine, common practice), as the scale of a
// half-normal distribution.
var stoodPartly = Vector{Superheat: -2, Subcooling: -1.5, SuctionDew: 3.5, OverAmbient: -3, AirSplit: -2.5, LogPower: -0.29}

// surest bounds what the absolute frame adds to a learned one that it must agree with.
const surest = 3

// errors are how large the error of a wrong sensor may be, in its spreads: most are small, and some are gross (common
// practice).
var errors = [...]struct{ share, times float64 }{{0.7, 1}, {0.3, 5}}

// further are the multiples of a signature's last level that it is continued to.
var further = [...]float64{1.4, 2, 3}

// Weigh weighs all causes. absolute is the residual against what is usual for such a machine,
// learned that against the machine's own healthy weeks, nil while there are none.
func Weigh(absolute, learned *Residual, sit *Situation) Judgement {
	var none Vector
	start0 := absolute.logLikelihood(&none, nil)
	later0 := 0.0
	if learned != nil {
		later0 = learned.logLikelihood(&none, nil)
	}
	var all []Weighed
	none0 := 1.0 // the odds of none
	// Rain and wind on the condenser are no fault: for hours it condenses lower, with less power.
	var wet Matrix
	wet.AddOuter(&rain, 1)
	none0 += rainy * (math.Exp(absolute.logLikelihood(&none, &wet)-start0)*absolute.below(&rain) - 1)
	if learned != nil {
		none0 += rainy * (math.Exp(learned.logLikelihood(&none, &wet)-later0)*learned.below(&rain) - 1)
	}
	if sit.Mixed > 0 {
		var part Matrix
		part.AddOuter(&stoodPartly, 1)
		none0 += sit.Mixed * (math.Exp(absolute.logLikelihood(&none, &part)-start0)*absolute.below(&stoodPartly) - 1)
		if learned != nil { // which was learned of such means, or of others
			none0 += sit.Mixed * (math.Exp(learned.logLikelihood(&none, &part)-later0) - 1)
		}
	}
	none0 = max(none0, 0.5)
	if sit.Beyond {
		none0 *= 0.1
	}
	if sit.Wet {
		none0 *= 0.2
	}
	total := none0
	add := func(w Weighed, start, later float64) {
		w.Probability = start + later
		if w.Probability > 0 {
			w.Start = start / w.Probability
		}
		total += w.Probability
		all = append(all, w)
	}
	gas, subzero := sit.gas(), sit.subzero()
	for _, sig := range Signatures(sit.Group) {
		if sig.Fault == dewline.ReversingValve && !sit.HeatPump {
			continue
		}
		p := priorOf(sig.Fault, sig.Detail, sig.Also)
		if bore := sig.Detail == "orifice_too_small" || sig.Detail == "orifice_too_large"; bore {
			switch {
			case sit.BoreDoubt:
				p = odds{0.2, 0.05, 0.2}
			case sit.BoreRight:
				p = odds{p.start / 10, p.later / 10, p.visited / 10}
			}
		}
		if sig.Fault == dewline.NonCondensables || sig.Also == dewline.NonCondensables {
			p = odds{p.start * gas, p.later * gas, p.visited * gas}
		}
		w := Weighed{Cause: Cause{Fault: sig.Fault, Detail: sig.Detail, Also: sig.Also}}
		start, later := sig.weigh(absolute, learned, sit, start0, later0, &w)
		if sit.Inherited {
			later *= min(start, surest)
		}
		start, later = p.start*start*subzero, p.after(sit.Visited)*later*subzero
		if sit.Flooded && sig.Detail == valveStuck {
			// Stuck where it is, it starves the coil of one load and floods that of another: what it does more is not known.
			w.Fault = dewline.Restriction
			add(w, (1-floods)*start, (1-floods)*later)
			w.Fault, start, later = dewline.Overfeed, floods*start, floods*later
		}
		add(w, start, later)
	}
	for i := range sit.Sensors {
		s := &sit.Sensors[i]
		p := sensorOdds
		if s.Suspected {
			p = odds{p.start * 40, p.later * 40, p.visited * 40}
		}
		w := Weighed{Cause: Cause{Fault: dewline.SensorFault, Detail: s.Point.String(), Point: s.Point}}
		start, later, r := 0.0, 0.0, absolute
		for _, e := range errors {
			var more Matrix
			more.AddOuter(&s.Direction, e.times*s.Spread*e.times*s.Spread)
			start += e.share * math.Exp(absolute.logLikelihood(&none, &more)-start0)
			if learned != nil {
				later += e.share * math.Exp(learned.logLikelihood(&none, &more)-later0)
				r = learned
			}
		}
		if sit.Inherited {
			later *= min(start, surest)
		}
		size, variance := r.along(&s.Direction)
		later *= s.atRest(size, variance) // what was wrong from the first day is in what it is compared with
		w.Severity = size
		for k, d := range s.Direction {
			w.Mean[k] = d * w.Severity
		}
		add(w, p.start*start, p.after(sit.Visited)*later)
	}
	for i := range all {
		all[i].Probability /= total
	}
	slices.SortStableFunc(all, func(a, b Weighed) int { return cmp.Compare(b.Probability, a.Probability) })
	return Judgement{ice: sit.Ice, Causes: all, NoFault: none0 / total}
}

func (o odds) after(visit bool) float64 {
	if visit {
		return o.visited
	}
	return o.later
}

// noticed is about what the noise of a window is.
var noticed = Vector{1, 1, 1, 1, 2, 0.7, 0.05}

// matters says whether a fault moves any symptom by what could be noticed. One that does not, as too much charge in a
// receiver, cannot be told from none, and must not be what is left where nothing fits.
func (v *Vector) matters() bool {
	for s := range v {
		if math.Abs(v[s]) >= noticed[s] {
			return true
		}
	}
	return false
}

// weigh returns the likelihood ratios to none of a signature in both frames, averaged over its
// severities, and fills in the severity and its mean.
func (sig *Signature) weigh(absolute, learned *Residual, sit *Situation, start0, later0 float64, w *Weighed) (start, later float64) {
	var weight, severity float64
	var mean Vector
	n := 0
	consider := func(l *Level) {
		m := l.Mean
		n++
		if !m.matters() {
			return
		}
		m[Superheat] = max(m[Superheat], -sit.Superheat-0.5)
		var more Matrix
		for s := range more {
			own := perMachine * m[s]
			more[s][s] = own*own + l.SD[s]*l.SD[s]
		}
		if d := m[DischargeExcess]; m[Superheat] < 0 && d < 0 { // liquid that comes back cools the discharge, by much or by little
			own, sd := perMachine*d, min(l.SD[DischargeExcess], -d/2)
			more[DischargeExcess][DischargeExcess] = own*own + sd*sd
		}
		a := math.Exp(absolute.logLikelihood(&m, &more) - start0)
		b := 0.0
		if learned != nil {
			b = math.Exp(learned.logLikelihood(&m, &more) - later0)
		}
		if (sit.Wet || sit.Flooded && sig.Detail != valveStuck) && m[Superheat] > noticed[Superheat] { // liquid does not come back of what dries the coil
			a, b = a*dries, b*dries
		}
		start += a
		later += b
		if learned != nil {
			a = b
		}
		weight += a
		severity += a * l.Severity
		for s := range mean {
			mean[s] += a * m[s]
		}
	}
	prev := Level{}
	for i := range len(sig.Levels) + len(further) {
		var level Level
		if i < len(sig.Levels) {
			level = sig.Levels[i]
		} else { // the table ends before machines do
			level = (&Level{}).toward(&sig.Levels[len(sig.Levels)-1], further[i-len(sig.Levels)])
		}
		for k := range between {
			l := prev.toward(&level, float64(k+1)/between)
			consider(&l)
		}
		prev = level
	}
	if sig.Fault == dewline.Overfeed && sig.Also == "" && !sit.Inherited { // a repair may take superheat from a machine that was starved
		for x := range dry {
			l := dryOverfeed(sig.Levels[0].Severity, sit.Superheat*float64(x+1)/dry)
			consider(&l)
		}
	}
	if weight > 0 {
		w.Severity = severity / weight
		for s := range mean {
			w.Mean[s] = mean[s] / weight
		}
	}
	if n == 0 {
		return 0, 0
	}
	return start / float64(n), later / float64(n)
}

// valveStuck is the detail of a valve that no longer moves.
const valveStuck = "valve_stuck"

// floods is how much of what a stuck valve does is called too much feed once it has let liquid through (from memory).
const floods = 0.85

// dries is how rarely a fault that raises the superheat lasts while liquid comes back.
const dries = 0.05

// dry is into how many steps the superheat is divided that a machine has to lose before liquid comes back.
const dry = 4

// dryOverfeed returns what a metering device does that passes too much while the coil still boils all of it: the
// superheat falls by so many kelvin, the coil gets warmer and the condenser gives up some of its liquid (the signs are those
// of published fault tables; how much is from memory). The machines of the table of signatures have so little superheat
// that liquid comes back with the first of it.
func dryOverfeed(severity, fallenK float64) Level {
	return Level{Severity: severity,
		Mean: Vector{Superheat: -fallenK, Subcooling: -0.1 * fallenK, SuctionDew: 0.15 * fallenK},
		SD:   Vector{Subcooling: 0.15 * fallenK, SuctionDew: 0.1 * fallenK, OverAmbient: 0.1 * fallenK, DischargeExcess: 0.5 + 0.1*fallenK, AirSplit: 0.08 * fallenK, LogPower: 0.004 * fallenK}}
}

// toward returns the level between l and to.
func (l *Level) toward(to *Level, x float64) Level {
	out := Level{Severity: l.Severity + x*(to.Severity-l.Severity)}
	for s := range out.Mean {
		out.Mean[s] = l.Mean[s] + x*(to.Mean[s]-l.Mean[s])
		out.SD[s] = l.SD[s] + x*(to.SD[s]-l.SD[s])
	}
	return out
}

// below returns by how much likelier a residual gets by a shift along d when the shift can only be downward: twice
// the share of its posterior below zero, where it is normal with standard deviation 1 beforehand. The covariance
// is taken as diagonal.
func (r *Residual) below(d *Vector) float64 {
	num, den := 0.0, 1.0
	for s := range d {
		if r.Has[s] && r.Cov[s][s] > 0 {
			num += d[s] * r.Mean[s] / r.Cov[s][s]
			den += d[s] * d[s] / r.Cov[s][s]
		}
	}
	return math.Erfc(num / math.Sqrt(2*den))
}

// along returns the size of an error in one direction that explains a residual best, by weighted
// least squares on the diagonal, and its variance.
func (r *Residual) along(d *Vector) (size, variance float64) {
	num, den := 0.0, 0.0
	for s := range d {
		if !r.Has[s] || !(r.Cov[s][s] > 0) {
			continue
		}
		num += d[s] * r.Mean[s] / r.Cov[s][s]
		den += d[s] * d[s] / r.Cov[s][s]
	}
	if den == 0 {
		return 0, 0
	}
	return num / den, 1 / den
}
