package main

import (
	"cmp"
	"context"
	"math"
	"slices"
	"time"

	"dewline"
	"dewline/analytics/expect"
	"dewline/thermo"
	"dewline/thermo/si"
)

// What counts as half an hour of steady running, in roll-ups of quarter hours. The limits say that
// the machine runs evenly, not that it runs well: a flooded one is as steady as a sound one.
const (
	windowQuarters   = 2
	steadySuperheat  = 8.0 // K from lowest to highest in a quarter
	steadyCondensing = 4.0 // K
	runningRatio     = 1.4 // of pressures, where nothing says whether the compressor runs
)

// flooded is the superheat under which liquid may reach the compressor: 5 °F, common practice and the
// limit of the contract's forecast.
const flooded = 5 / 1.8

// suctionGain is what the gas may take up between coil and compressor (common practice).
const suctionGain = 3.0

// prover makes proofs of the roll-ups.
type prover struct{ s *service }

// ReadingNear implements dewline.Prover.
func (p prover) ReadingNear(ctx context.Context, id dewline.SystemID, point dewline.Point, at dewline.Millis) (float64, bool, error) {
	parts := p.s.running.Load()
	if parts == nil {
		return 0, false, nil
	}
	const near = 5 * time.Minute
	values, err := parts.readings.Read(ctx, id, point, at.Add(-near), at.Add(near), nil)
	if err != nil || len(values) == 0 {
		return 0, false, err
	}
	nearest := slices.MinFunc(values, func(a, b dewline.Value) int {
		return cmp.Compare(a.At.Sub(at).Abs(), b.At.Sub(at).Abs())
	})
	return nearest.Value, true, nil
}

// Prove implements dewline.Prover.
func (p prover) Prove(ctx context.Context, id dewline.SystemID, from, to dewline.Millis) (dewline.Proof, error) {
	proof := dewline.Proof{System: id, From: dewline.Stamp(from), To: dewline.Stamp(to), Measures: []dewline.Measure{}}
	fleet := p.s.fleet.Load()
	system, ok := fleet.System(id)
	if !ok {
		proof.Missing = "it is not enrolled any more"
		return proof, nil
	}
	site, _ := fleet.Site(id.Site())
	span := dewline.Millis(dewline.RollUpSpan.Milliseconds())
	from = (from + span - 1) / span * span // a quarter in which the work ended is of both machines
	q := quarters{}
	rolled, err := p.s.relational.ReadRollUps(ctx, id, provedBy, from, to)
	if err != nil {
		return proof, err
	}
	for i, name := range provedBy {
		q.add(name, rolled[i])
	}
	windows := q.windows()
	if len(windows) == 0 {
		proof.Missing = "it has not run steadily for half an hour yet"
		return proof, nil
	}
	days := map[dewline.Millis][]window{}
	for _, w := range windows {
		day := w.start / (24 * 3_600_000)
		days[day] = append(days[day], w)
	}
	proof.Windows, proof.Days = len(windows), len(days)
	proof.SteadyHours = float64(len(windows)) * windowQuarters * dewline.RollUpSpan.Hours()
	proof.Measures = append(proof.Measures,
		measure(windows, dewline.Superheat, func(w window) band { return superheatBand(system, float64(site.Altitude), w) }),
		measure(windows, dewline.Subcooling, func(window) band { return subcoolingBand(system) }))
	for _, name := range []dewline.Point{dewline.OutdoorAirTemp, dewline.ReturnAirTemp} {
		if m := measure(windows, dewline.Derived(name.String()), func(window) band { return band{} }); !math.IsNaN(m.Mean) {
			m.Unit = name.Unit()
			proof.Conditions = append(proof.Conditions, m)
		}
	}
	proof.Measures = slices.DeleteFunc(proof.Measures, func(m dewline.Measure) bool { return math.IsNaN(m.Mean) })
	proof.Slope = slopeOf(days)
	return proof, nil
}

// provedBy are the quantities that a proof reads.
var provedBy = []string{string(dewline.Superheat), string(dewline.Subcooling), string(dewline.CondensingTemp), string(dewline.PressureRatio),
	dewline.CompressorOn.String(), dewline.OutdoorAirTemp.String(), dewline.ReturnAirTemp.String()}

// quarters are roll-ups by their beginning and quantity.
type quarters map[dewline.Millis]map[string]dewline.RollUp

func (q quarters) add(name string, rows []dewline.RollUp) {
	for _, r := range rows {
		if q[r.Start] == nil {
			q[r.Start] = map[string]dewline.RollUp{}
		}
		q[r.Start][name] = r
	}
}

// steady says whether a machine ran evenly through a quarter.
func steady(rows map[string]dewline.RollUp) bool {
	superheat, ok := rows[string(dewline.Superheat)]
	condensing, also := rows[string(dewline.CondensingTemp)]
	return ok && also && running(rows) && superheat.Max-superheat.Min <= steadySuperheat && condensing.Max-condensing.Min <= steadyCondensing
}

func running(rows map[string]dewline.RollUp) bool {
	if on, ok := rows[dewline.CompressorOn.String()]; ok {
		return on.Min >= 1
	}
	ratio, ok := rows[string(dewline.PressureRatio)]
	return ok && ratio.Min >= runningRatio
}

// window is half an hour of steady running with the means over it.
type window struct {
	start dewline.Millis
	mean  map[string]float64
}

// windows returns the steady half hours, none of which overlap. The quarter after a start is left out:
// pressures have not settled.
func (q quarters) windows() []window {
	starts := make([]dewline.Millis, 0, len(q))
	for at := range q {
		starts = append(starts, at)
	}
	slices.Sort(starts)
	span := dewline.Millis(dewline.RollUpSpan.Milliseconds())
	var list []window
	var run []dewline.Millis
	for _, at := range starts {
		if len(run) > 0 && at-run[len(run)-1] != span || !steady(q[at]) {
			run = nil
		}
		if !steady(q[at]) || !running(q[at-span]) {
			continue
		}
		if run = append(run, at); len(run) == windowQuarters {
			list = append(list, q.window(run))
			run = nil
		}
	}
	return list
}

func (q quarters) window(run []dewline.Millis) window {
	w := window{run[0], map[string]float64{}}
	for _, name := range provedBy {
		sum, n := 0.0, 0
		for _, at := range run {
			if r, ok := q[at][name]; ok {
				sum += r.Mean
				n++
			}
		}
		if n == len(run) {
			w.mean[name] = sum / float64(n)
		}
	}
	return w
}

// band is where a quantity should be, and says where that comes from. Ends that are not known are 0.
type band struct {
	low, high float64
	why       string
}

// superheatBand is the published verifier's tolerance about the target: what the fleet file states for
// a valve, and for a fixed orifice what the published table gives for the air of that half hour.
func superheatBand(s *dewline.System, altitude float64, w window) band {
	if s.Metering.HoldsSuperheat() {
		if s.TargetSuperheat <= 0 {
			return band{low: flooded, why: "no target is stated: only that no liquid reaches the compressor"}
		}
		target := float64(s.TargetSuperheat)
		b := band{max(flooded, target-expect.SuperheatVerifier), target + expect.SuperheatVerifier, "the target stated, at the compressor"}
		if s.TargetSuperheatAt == dewline.AtCoil {
			b.high += suctionGain
			b.why = "the target stated at the coil, and what the suction line may add"
		}
		return b
	}
	outdoor, ok := w.mean[dewline.OutdoorAirTemp.String()]
	inside, also := w.mean[dewline.ReturnAirTemp.String()]
	if !ok || !also || !s.Kind.Comfort() {
		return band{low: flooded, why: "its target moves with air that is not measured: only that no liquid reaches the compressor"}
	}
	air, err := thermo.AmbientPressure(thermo.Gauge, si.Metre(altitude))
	if err != nil {
		return band{why: err.Error()}
	}
	target := expect.TargetSuperheatDry(outdoor, inside, float64(air))
	if !target.Valid {
		return band{why: target.Why}
	}
	tolerance := expect.SuperheatVerifier + target.SD
	return band{max(flooded/2, target.Value-tolerance), target.Value + tolerance, "the published target for this air"}
}

func subcoolingBand(s *dewline.System) band {
	if s.TargetSubcooling <= 0 {
		return band{why: "no target is stated"}
	}
	target := float64(s.TargetSubcooling)
	return band{target - expect.SubcoolingVerifier, target + expect.SubcoolingVerifier, "the target stated"}
}

// measure sums up a quantity over the windows. Its band is the mean of theirs, and Within counts each
// against its own. Mean is NaN where there is none.
func measure(windows []window, name dewline.Derived, bandOf func(window) band) dewline.Measure {
	m := dewline.Measure{Quantity: string(name), Unit: name.Unit(), Min: math.Inf(1), Max: math.Inf(-1), Mean: math.NaN()}
	var sum, low, high, n, inside, banded, withHigh float64
	for _, w := range windows {
		v, ok := w.mean[string(name)]
		if !ok {
			continue
		}
		n++
		sum += v
		m.Min, m.Max = min(m.Min, v), max(m.Max, v)
		b := bandOf(w)
		m.Why = cmp.Or(m.Why, b.why)
		if b.low == 0 && b.high == 0 {
			continue
		}
		banded++
		low += b.low
		if b.high != 0 {
			withHigh++
			high += b.high
		}
		if v >= b.low && (b.high == 0 || v <= b.high) {
			inside++
		}
	}
	if n == 0 {
		return m
	}
	m.Mean = sum / n
	if banded > 0 {
		low /= banded
		m.Low, m.Within = &low, inside/banded
		if withHigh == banded {
			high /= withHigh
			m.High = &high
		}
	}
	return m
}

// slopeOf returns how subcooling moves over the days' means, by least squares, nil for fewer than
// three days.
func slopeOf(days map[dewline.Millis][]window) *dewline.MeasureSlope {
	var x, y []float64
	for day, windows := range days {
		if m := measure(windows, dewline.Subcooling, func(window) band { return band{} }); !math.IsNaN(m.Mean) {
			x, y = append(x, float64(day)), append(y, m.Mean)
		}
	}
	n := float64(len(x))
	if n < 3 {
		return nil
	}
	var mx, my, sxx, sxy float64
	for i := range x {
		mx, my = mx+x[i]/n, my+y[i]/n
	}
	for i := range x {
		sxx += (x[i] - mx) * (x[i] - mx)
		sxy += (x[i] - mx) * (y[i] - my)
	}
	slope, rest := sxy/sxx, 0.0
	for i := range x {
		d := y[i] - my - slope*(x[i]-mx)
		rest += d * d
	}
	return &dewline.MeasureSlope{PerDay: slope, Uncertainty: math.Sqrt(rest / (n - 2) / sxx), SpanDays: slices.Max(x) - slices.Min(x)}
}
