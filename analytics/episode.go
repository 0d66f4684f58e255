package analytics

import (
	"cmp"
	"math"
	"slices"

	"dewline"
)

// episode is one underlying cause of one system, from its first finding to its end.
type episode struct {
	Key        string
	Onset      dewline.Millis
	Detected   dewline.Millis
	Conditions []dewline.Condition // that were found, gravest first
	Now        []dewline.Condition // of these, those that still last
	Severity   dewline.Severity
	Causes     []dewline.Cause // as told
	Weighed    []dewline.Cause // the mean over its windows, newer ones counting more, each detail for itself
	Forecast   *dewline.Forecast
	Evidence   []string
	ToldAt     dewline.Millis
	ToldZ      float64 // how far out the symptom that was furthest was then, in standard uncertainties
	NewTop     int32   // windows for which another cause has led
	Possible   bool    // it is but looked for in a machine that nobody knows yet
}

// watched says whether it is open and worth no more than a watch.
func (ep *episode) watched() bool { return ep != nil && ep.Severity == dewline.Watch }

// conditionOrder has the conditions as an alert ranks them, gravest first.
var conditionOrder = []dewline.Condition{
	dewline.Flooding, dewline.HotDischarge, dewline.HighHead, dewline.NotRunning, dewline.SpaceWarm, dewline.Freezing, dewline.Starving,
	dewline.ShortCycling, dewline.Hunting, dewline.CapacityLoss, dewline.EfficiencyLoss, dewline.ChargeDrift, dewline.SensorDoubt, dewline.Silent,
}

func gravest(a, b dewline.Condition) int {
	return slices.Index(conditionOrder, a) - slices.Index(conditionOrder, b)
}

// open returns the open episode of a key, nil if there is none.
func (y *system) open(key string) *episode {
	for i := range y.Episodes {
		if y.Episodes[i].Key == key {
			return &y.Episodes[i]
		}
	}
	return nil
}

// raise says that a condition holds: it opens an episode or joins the one that is open.
func (y *system) raise(e *Engine, key string, c dewline.Condition, s dewline.Severity, onset, at dewline.Millis, text string) {
	ep := y.open(key)
	if ep == nil {
		y.Episodes = append(y.Episodes, episode{Key: key, Onset: onset, Detected: at, Conditions: []dewline.Condition{c}, Now: []dewline.Condition{c}, Severity: s})
		ep = &y.Episodes[len(y.Episodes)-1]
		y.describe(e, ep, c, at, text)
		return
	}
	changed := ep.Possible // now there is more to say
	ep.Possible = false
	if !slices.Contains(ep.Now, c) {
		ep.Now = append(ep.Now, c)
	}
	if !slices.Contains(ep.Conditions, c) {
		ep.Conditions = append(ep.Conditions, c)
		slices.SortFunc(ep.Conditions, gravest)
		changed = true
	}
	if s.Rank() > ep.Severity.Rank() {
		ep.Severity, changed = s, true
	}
	if changed {
		y.describe(e, ep, c, at, text)
	}
}

// describe tells what is believed of an episode at the moment, for a condition that has come up.
func (y *system) describe(e *Engine, ep *episode, c dewline.Condition, at dewline.Millis, text string) {
	ep.Causes, ep.Evidence, ep.Forecast = y.causesFor(ep.Key, c), y.evidenceFor(ep.Key, text), y.forecast(c)
	ep.Weighed = slices.Clone(ep.Causes)
	y.tell(e, ep, 0, at)
}

// lower says that a condition is over. The episode ends with its last one.
func (y *system) lower(e *Engine, key string, c dewline.Condition, at dewline.Millis) {
	ep := y.open(key)
	if ep == nil {
		return
	}
	ep.Now = slices.DeleteFunc(ep.Now, func(x dewline.Condition) bool { return x == c })
	if len(ep.Now) > 0 {
		return
	}
	ep.Evidence = []string{"three steady windows on two days were free of it"}
	if ep.Possible && y.Track.Model.Learned() {
		ep.Evidence[0] = "no fault is likelier than none by three steady windows on two days, and the machine has been learned"
	}
	y.tell(e, ep, at, at)
	y.Episodes = slices.DeleteFunc(y.Episodes, func(x episode) bool { return x.Key == key })
}

// refresh brings the open machine episode up to what is believed now: at once when another cause has
// led for a while, otherwise once a day if anything of it has moved, and once a week. While nothing is believed, as after a
// repair, what was said stands.
func (y *system) refresh(e *Engine, at dewline.Millis) {
	ep, t := y.ofMachine(), &y.Track
	if ep == nil || ep.Key == unblamedKey && !ep.Possible || len(t.Causes) == 0 || t.Odds < 0 && !ep.Possible {
		return
	}
	ep.weigh(y.causesFor(ep.Key, ep.Conditions[0]))
	causes := ep.likeliest()
	if !same(causes, ep.Causes) {
		ep.NewTop++
	} else {
		ep.NewTop = 0
	}
	const aWhile = 2 // windows, after those that the mean takes
	turned, age := ep.NewTop >= aWhile, at-ep.ToldAt
	if p, ok := dewline.PointNamed(causes[0].Detail); ok && causes[0].Fault == dewline.SensorFault && ep.NewTop > 0 && ep.NewTop < manyWindows && !y.showsItself(p) {
		return // the windows alone speak for it, which did not before
	}
	if !turned && age < 24*hour {
		return
	}
	forecast := y.forecast(ep.Conditions[0])
	if !turned && age < 7*24*hour && !moved(causes, ep.Causes) && !grown(t.frame().Furthest(), ep.ToldZ) && !postponed(ep.Forecast, forecast, at) {
		return
	}
	ep.NewTop = 0
	ep.Causes, ep.Forecast = causes, forecast
	ep.Evidence = y.evidenceFor(ep.Key, "")
	y.tell(e, ep, 0, at)
}

// weigh adds what the newest windows say of the causes to what those before said: one strange window does not turn an alert.
func (ep *episode) weigh(causes []dewline.Cause) {
	const newest, least, most = 0.2, 0.005, 10
	for i := range ep.Weighed {
		ep.Weighed[i].Probability *= 1 - newest
	}
	for _, c := range causes {
		c.Probability *= newest
		if i := slices.IndexFunc(ep.Weighed, func(w dewline.Cause) bool { return w.Fault == c.Fault && w.Detail == c.Detail }); i >= 0 {
			ep.Weighed[i].Probability += c.Probability
		} else {
			ep.Weighed = append(ep.Weighed, c)
		}
	}
	slices.SortStableFunc(ep.Weighed, likelierFirst)
	ep.Weighed = slices.DeleteFunc(ep.Weighed[:min(len(ep.Weighed), most)], func(w dewline.Cause) bool { return w.Probability < least })
}

// likeliest returns the causes as an alert has them: each fault once, with its likeliest detail.
func (ep *episode) likeliest() []dewline.Cause {
	const mention = 0.02
	var list []dewline.Cause
	total := 0.0
	for _, w := range ep.Weighed { // the likeliest detail comes first
		if i := slices.IndexFunc(list, func(c dewline.Cause) bool {
			return c.Fault == w.Fault && (c.Fault != dewline.SensorFault || c.Detail == w.Detail)
		}); i >= 0 {
			list[i].Probability += w.Probability
		} else {
			list = append(list, w)
		}
		total += w.Probability
	}
	slices.SortStableFunc(list, likelierFirst)
	for len(list) > 2 && list[len(list)-1].Probability < mention*total {
		total -= list[len(list)-1].Probability
		list = list[:len(list)-1]
	}
	for i := range list {
		list[i].Probability /= total
	}
	hundredths(list)
	return list
}

func likelierFirst(a, b dewline.Cause) int { return cmp.Compare(b.Probability, a.Probability) }

func same(a, b []dewline.Cause) bool {
	return len(a) > 0 && len(b) > 0 && a[0].Fault == b[0].Fault && a[0].Detail == b[0].Detail
}

// moved says whether the likeliest cause's probability has moved by a tenth.
func moved(a, b []dewline.Cause) bool {
	return !same(a, b) || math.Abs(a[0].Probability-b[0].Probability) >= 0.1
}

// grown says whether how far out something is has changed by half.
func grown(now, told float64) bool { return now > 1.5*told || told > 1.5*now }

// postponed says whether a forecast is another one by now: the limit has been reached or no longer is, there is a day to name or no
// longer one, or it is another day by one at least, and by half of what is left.
func postponed(told, now *dewline.Forecast, at dewline.Millis) bool {
	if told == nil || now == nil {
		return told != now
	}
	if reached := now.DaysP50 <= 0; reached || told.DaysP50 <= 0 {
		return reached != (told.DaysP50 <= 0)
	}
	left := told.DaysP50 - float64(at-told.At)/float64(24*hour)
	return math.Abs(now.DaysP50-left) > max(1, now.DaysP50/2)
}

// tell makes a finding of an episode.
func (y *system) tell(e *Engine, ep *episode, cleared, at dewline.Millis) {
	ep.ToldAt, ep.ToldZ = at, y.Track.frame().Furthest()
	e.out.Findings = append(e.out.Findings, dewline.Finding{
		System: y.id, Key: ep.Key, Condition: ep.Conditions[0], Conditions: slices.Clone(ep.Conditions), Severity: ep.Severity,
		Onset: ep.Onset, Detected: ep.Detected, Cleared: cleared, At: at,
		Causes: asTold(ep, y.Track.NoFault), Forecast: ep.Forecast, Evidence: slices.Clone(ep.Evidence),
	})
}

// maybeNone is the share of none in what is but worth a watch: of such alerts on the fleets that this was tuned on, four
// to six of ten were of nothing that lasted, and fewer of a low charge, which does not come back.
func maybeNone(f dewline.Fault) float64 {
	switch f {
	case dewline.Undercharge:
		return 0.2
	case dewline.Restriction:
		return 0.4
	}
	return 0.45
}

// hardlyNone is how much of what the weighing leaves to none is left of it once a finding is to be acted on: it has
// lasted, and is far out.
const hardlyNone = 0.2

// asTold returns the causes as an alert has them: a copy, in which a watch leaves more room for none, and what is to be
// acted on less. noFault is what the newest weighing gives to none: the more it speaks against it, the less room.
func asTold(ep *episode, noFault float64) []dewline.Cause {
	list := slices.Clone(ep.Causes)
	if !isMachine(ep.Key) || len(list) == 0 || list[0].Fault == dewline.NoFault {
		return list
	}
	none := slices.IndexFunc(list, func(c dewline.Cause) bool { return c.Fault == dewline.NoFault })
	acting := ep.Severity != dewline.Watch
	if acting && (none < 0 || list[none].Probability < 0.15) {
		surer(list)
		return list
	}
	if none < 0 {
		none = len(list)
		list = append(list, dewline.Cause{Fault: dewline.NoFault})
	}
	was := list[none].Probability
	share := hardlyNone * was
	if !acting {
		// All of it from one in ten on, and least at one in ten thousand.
		share = max(was, maybeNone(list[0].Fault)*min(max((math.Log10(noFault)+4)/3, 0.4), 1))
	}
	for i := range list {
		list[i].Probability *= (1 - share) / (1 - was)
	}
	// It neither leads nor hides a second cause of weight.
	second := 1
	if none == 1 {
		second = 2
	}
	most := list[0].Probability
	if second < len(list) && list[second].Probability > 0.25*(1-share) {
		most = list[second].Probability
	}
	share = min(share, most-0.01)
	list[none].Probability = share
	total := 0.0
	for i := range list {
		total += list[i].Probability
	}
	for i := range list {
		list[i].Probability /= total
	}
	slices.SortStableFunc(list, likelierFirst)
	hundredths(list)
	if acting {
		surer(list)
	}
	return list
}

// surer gives the leading cause of what is to be acted on, which has lasted and is far out, a share of what the others
// have, all of it from three in five on and none below two in five: on the fleets that this was tuned on, such causes
// were right more often than the weighing of a moment says, where no other was near.
func surer(list []dewline.Cause) {
	const share = 0.45
	lead := &list[0]
	if lead.Fault == dewline.SensorFault {
		return
	}
	keep := 1 - share*min(max((lead.Probability-0.4)/0.2, 0), 1)
	for i := range list[1:] {
		list[i+1].Probability *= keep
	}
	hundredths(list)
}

const machineKey, unblamedKey = dewline.MachineKey, dewline.UnblamedKey

// isMachine says whether an episode of a key is of the machine itself.
func isMachine(key string) bool { return key == machineKey || key == unblamedKey }

// ofMachine returns the open episode of the machine itself, or else of what nothing is blamed for, nil if there is none.
func (y *system) ofMachine() *episode {
	if ep := y.open(machineKey); ep != nil {
		return ep
	}
	return y.open(unblamedKey)
}

// pass says that the machine passes a limit: a part of what is wrong with it, if something is.
func (y *system) pass(e *Engine, c dewline.Condition, s dewline.Severity, onset, at dewline.Millis, text string) {
	key := machineKey
	if y.open(machineKey) == nil && y.machineCauses(c, s == dewline.Watch)[0].Fault == dewline.NoFault {
		key = unblamedKey
	} else {
		y.blame(onset)
	}
	y.raise(e, key, c, s, onset, at, text)
}

// respect says that the machine no longer passes a limit.
func (y *system) respect(e *Engine, c dewline.Condition, at dewline.Millis) {
	y.lower(e, machineKey, c, at)
	y.lower(e, unblamedKey, c, at)
}

// causesFor returns the causes of an episode.
func (y *system) causesFor(key string, c dewline.Condition) []dewline.Cause {
	ep := y.open(key)
	switch key {
	case machineKey, unblamedKey:
		return y.machineCauses(c, ep.watched())
	case "leak":
		return []dewline.Cause{{Fault: dewline.Undercharge, Detail: dewline.RefrigerantDetector.String(), Probability: 0.9}, {Fault: dewline.SensorFault, Detail: dewline.RefrigerantDetector.String(), Probability: 0.1}}
	case "space":
		if ep := y.ofMachine(); ep != nil {
			return ep.Causes
		}
		if y.strained() {
			return strainedCauses()
		}
		return usualCauses(c, y.machine.System.Metering)
	}
	if p, ok := sensorOf(key); ok {
		if p == gateway {
			return []dewline.Cause{{Fault: dewline.Communication, Detail: p, Probability: 0.9}, {Fault: dewline.NoFault, Probability: 0.1}}
		}
		return y.sensorCauses(p)
	}
	return usualCauses(c, y.machine.System.Metering)
}

// goodButHot is how many of those whose discharge line passes its limit while nothing else speaks for a fault are good
// machines in hot weather, and goodButWet how many of those whose capillary gives liquid for hours, or whose fixed orifice does
// where the windows speak for nothing, or for nothing but too little air (on the fleets that this was tuned on).
const goodButHot, goodButWet = 0.85, 0.8

// machineCauses returns the causes of what is wrong with the machine itself: those that the windows speak for, if they
// speak for any. What comes and goes is not over when the newest show nothing, so what was said stands; a limit that
// is passed has its usual reasons; and many a good valve hunts.
func (y *system) machineCauses(c dewline.Condition, watched bool) []dewline.Cause {
	seen, usual := y.Track.Causes, usualCauses(c, y.machine.System.Metering)
	ep := y.ofMachine()
	switch {
	case len(seen) > 0 && seen[0].Fault != dewline.NoFault:
		return seen
	case ep != nil && len(ep.Causes) > 0 && ep.Causes[0].Fault != dewline.NoFault:
		return ep.Causes
	case len(seen) > 0 && !y.passed(c):
		return seen
	case c == dewline.Flooding:
		likely := blend(seen, usual)
		if metering := y.machine.System.Metering; watched && !metering.HoldsSuperheat() {
			switch { // hot and dry weather does what the usual causes do, and what too little air does
			case metering == dewline.Capillary:
				return excused(goodButWet, usual)
			case likely[0].Fault == dewline.EvaporatorAirflow, slices.Equal(likely, usual):
				return excused(goodButWet, likely)
			}
		}
		return likely
	case c == dewline.Hunting, len(seen) == 0, c == dewline.HighHead && y.Acute.CutOut.Hold.Open: // no window can speak of runs so short
		return usual
	case c == dewline.HotDischarge:
		return excused(goodButHot, usual)
	}
	return excused(0.5, usual)
}

// excused puts before the usual causes how likely it is that a good machine does that in hot weather.
func excused(none float64, usual []dewline.Cause) []dewline.Cause {
	list := []dewline.Cause{{Fault: dewline.NoFault, Probability: none}}
	for _, u := range usual {
		u.Probability *= 1 - none
		list = append(list, u)
	}
	hundredths(list)
	return list
}

// blend gives the usual causes of a condition, with half of their weight to those of them, and to the wrong
// sensors, that the windows speak for.
func blend(weighed, usual []dewline.Cause) []dewline.Cause {
	seen := 0.0
	speaks := func(c *dewline.Cause) bool {
		return c.Fault == dewline.SensorFault || c.Fault != dewline.NoFault && slices.ContainsFunc(usual, func(u dewline.Cause) bool { return u.Fault == c.Fault })
	}
	for i := range weighed {
		if speaks(&weighed[i]) {
			seen += weighed[i].Probability
		}
	}
	if seen == 0 {
		return usual
	}
	out := slices.Clone(usual)
	for i := range out {
		out[i].Probability /= 2
	}
	for i := range weighed {
		c := weighed[i]
		if !speaks(&c) {
			continue
		}
		c.Probability /= 2 * seen
		if k := slices.IndexFunc(out, func(u dewline.Cause) bool {
			return u.Fault == c.Fault && (u.Detail == c.Detail || u.Fault != dewline.SensorFault)
		}); k >= 0 {
			out[k].Probability += c.Probability
			out[k].Detail = c.Detail
		} else {
			out = append(out, c)
		}
	}
	slices.SortStableFunc(out, likelierFirst)
	hundredths(out)
	return out
}

// hundredths rounds probabilities to two decimals that sum to one; the likeliest takes what is left.
func hundredths(list []dewline.Cause) {
	left := 1.0
	for i := range list[1:] {
		p := &list[i+1].Probability
		*p = math.Round(*p*100) / 100
		left -= *p
	}
	list[0].Probability = math.Round(left*100) / 100
}

// sensorCauses are those of a doubt about one sensor.
func (y *system) sensorCauses(point string) []dewline.Cause {
	p := 0.6
	for i := range y.Watch.Doubts {
		if d := &y.Watch.Doubts[i]; nameOf(d.Point) == point {
			p = min(max(math.Round(d.Probability*100)/100, 0.5), 0.65)
		}
	}
	return []dewline.Cause{{Fault: dewline.SensorFault, Detail: point, Probability: p}, {Fault: dewline.NoFault, Probability: math.Round((1-p)*100) / 100}}
}

// strained says whether the machine has run without a pause for so long that a door or a defrost does not explain a
// space that is too warm: it does not do what it is there for.
func (y *system) strained() bool {
	const long = 2 * hour
	o, a, at := &y.Operate, &y.Acute, y.Frame.At
	return o.On && at-o.Since >= long && at-a.DoorAt >= long && at-a.DefrostAt >= long
}

// strainedCauses are those of a space that a machine does not get cold though it runs all the time (from memory).
func strainedCauses() []dewline.Cause {
	return []dewline.Cause{
		{Fault: dewline.Undercharge, Probability: 0.35}, {Fault: dewline.NoFault, Probability: 0.25}, {Fault: dewline.EvaporatorAirflow, Probability: 0.1}, {Fault: dewline.DefrostFault, Probability: 0.1},
		{Fault: dewline.CompressorLeakage, Probability: 0.1}, {Fault: dewline.CondenserAirflow, Probability: 0.1},
	}
}

// usualCauses are those of a condition that is seen before anything could be weighed (from memory).
func usualCauses(c dewline.Condition, metering dewline.Metering) []dewline.Cause {
	type list = []dewline.Cause
	switch c {
	case dewline.Flooding:
		if metering == dewline.Capillary { // nobody fits another, and no part of it moves; its charge is critical
			return list{{Fault: dewline.Overcharge, Probability: 0.4}, {Fault: dewline.EvaporatorAirflow, Probability: 0.25}, {Fault: dewline.Overfeed, Probability: 0.25}, {Fault: dewline.SensorFault, Probability: 0.1}}
		}
		return list{{Fault: dewline.Overfeed, Probability: 0.4}, {Fault: dewline.Overcharge, Probability: 0.25}, {Fault: dewline.EvaporatorAirflow, Probability: 0.25}, {Fault: dewline.SensorFault, Probability: 0.1}}
	case dewline.Hunting:
		// Many a good valve hunts at low load: so did nine of ten that this was tuned on.
		return list{{Fault: dewline.NoFault, Probability: 0.9}, {Fault: dewline.Overfeed, Probability: 0.06}, {Fault: dewline.Undercharge, Probability: 0.02}, {Fault: dewline.Restriction, Probability: 0.02}}
	case dewline.HighHead:
		return list{{Fault: dewline.CondenserAirflow, Probability: 0.6}, {Fault: dewline.Overcharge, Probability: 0.2}, {Fault: dewline.NonCondensables, Probability: 0.2}}
	case dewline.SpaceWarm:
		return list{{Fault: dewline.NoFault, Probability: 0.6}, {Fault: dewline.EvaporatorAirflow, Probability: 0.1}, {Fault: dewline.DefrostFault, Probability: 0.1}, {Fault: dewline.Undercharge, Probability: 0.1}, {Fault: dewline.CondenserAirflow, Probability: 0.1}}
	case dewline.HotDischarge:
		return list{{Fault: dewline.Undercharge, Probability: 0.4}, {Fault: dewline.CondenserAirflow, Probability: 0.3}, {Fault: dewline.CompressorLeakage, Probability: 0.2}, {Fault: dewline.SensorFault, Probability: 0.1}}
	case dewline.Freezing:
		return list{{Fault: dewline.EvaporatorAirflow, Probability: 0.5}, {Fault: dewline.Undercharge, Probability: 0.3}, {Fault: dewline.Restriction, Probability: 0.2}}
	case dewline.NotRunning:
		// What opens a safety switch is most often the head pressure, then a suction pressure that is too low.
		return list{{Fault: dewline.CondenserAirflow, Probability: 0.35}, {Fault: dewline.Undercharge, Probability: 0.25}, {Fault: dewline.NoFault, Probability: 0.2}, {Fault: dewline.Overcharge, Probability: 0.1}, {Fault: dewline.NonCondensables, Probability: 0.1}}
	case dewline.ShortCycling:
		// A thermostat or a machine too large, or a safety switch that stops it.
		return list{{Fault: dewline.NoFault, Probability: 0.6}, {Fault: dewline.Undercharge, Probability: 0.15}, {Fault: dewline.CondenserAirflow, Probability: 0.1}, {Fault: dewline.Overcharge, Probability: 0.1}, {Fault: dewline.Restriction, Probability: 0.05}}
	}
	return list{{Fault: dewline.NoFault, Probability: 1}}
}
