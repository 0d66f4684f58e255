package main

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"dewline"
	"dewline/cmd/dewline/simfleet"
)

// subject is one system with what was wrong with it and what was said of it.
type subject struct {
	id       dewline.SystemID
	seed     uint64
	simulate bool // seed means something
	kind     string
	metering string
	points   string // which set is fitted
	sampling string
	class    []string       // what is awkward about it, where the truth says it
	from, to dewline.Millis // the readings
	ran      *runLog        // nil where nobody knows when it ran
	visits   []dewline.Millis
	truths   []simfleet.Truth
	notes    []dewline.DayNote // those with a forecast
	said     []course
	plain    []course // by the fixed limits
	hasPlain bool
}

// course is an alert with what it said at which time.
type course struct {
	alert  dewline.Alert // as it stood last
	states []alertState  // oldest first, at least one
}

type alertState struct {
	at       dewline.Millis
	severity dewline.Severity
	causes   []dewline.Cause
	forecast *dewline.Forecast
}

// only is the course of an alert of which no more is known than how it stood last.
func only(a dewline.Alert) course {
	return course{a, []alertState{{a.Detected, a.Severity, a.Causes, a.Forecast}}}
}

// change adds what an alert says after a change.
func (c *course) change(a dewline.Alert, at dewline.Millis) {
	if len(c.states) == 0 {
		at = a.Detected
	} else {
		at = max(at, c.states[len(c.states)-1].at)
	}
	c.alert = a
	c.states = append(c.states, alertState{at, a.Severity, a.Causes, a.Forecast})
}

// silent says whether the alert is about readings that do not come.
func (c *course) silent() bool { return c.alert.Condition == dewline.Silent }

// actedOn returns when the alert first asked somebody to act: was soon or urgent.
func (c *course) actedOn() (dewline.Millis, bool) {
	for _, s := range c.states {
		if s.severity == dewline.Soon || s.severity == dewline.Urgent {
			return s.at, true
		}
	}
	return 0, false
}

// causesAt returns the causes that the alert gave at a time, likeliest first.
func (c *course) causesAt(at dewline.Millis) []dewline.Cause {
	held := c.states[0].causes
	for _, s := range c.states {
		if s.at <= at {
			held = s.causes
		}
	}
	held = slices.Clone(held)
	slices.SortStableFunc(held, func(a, b dewline.Cause) int { return cmp.Compare(b.Probability, a.Probability) })
	return held
}

const (
	day       = dewline.Millis(24 * 3600_000)
	month     = 30 * day
	afterward = 3 * day        // after a repair, alerts still belong to what was repaired
	settling  = 72 * time.Hour // a cause is judged this long after the detection
	together  = day            // faults of one machine that begin so close are one episode
	grace     = 24 * time.Hour // for a fault that is harmful from its onset
	atOnce    = time.Hour      // harmful that soon after the onset is harmful from the onset
	gradual   = 12 * time.Hour // detectable that much later than the onset is gradual
	again     = 7 * day        // an alert that returns within it flaps
	dayOneRun = 48 * time.Hour // of running, within which what was faulty from the first day is to be told
)

// episode is what was wrong with a system at a time: one fault, or several of the machine that began
// together.
type episode struct {
	faults                        []dewline.Fault
	truths                        []simfleet.Truth
	onset                         dewline.Millis
	detectable, harmful, repaired dewline.Millis // 0 for never
}

func (e *episode) sensor() bool        { return e.faults[0] == dewline.SensorFault }
func (e *episode) communication() bool { return e.faults[0] == dewline.Communication }
func (e *episode) machine() bool       { return !e.sensor() && !e.communication() }
func (e *episode) gradual() bool       { return e.detectable != 0 && e.detectable.Sub(e.onset) > gradual }

// abrupt says whether the fault that does the harm does so from its own onset: of two at once the other may have grown
// for weeks before it.
func (e *episode) abrupt() bool {
	return e.harmful != 0 && slices.ContainsFunc(e.truths, func(t simfleet.Truth) bool {
		return t.Harmful == e.harmful && t.Harmful.Sub(t.Onset) <= atOnce
	})
}

// name joins the faults.
func (e *episode) name() string {
	var names []string
	for _, f := range e.faults {
		names = append(names, string(f))
	}
	return strings.Join(names, "+")
}

// end is when alerts no longer belong to the episode.
func (e *episode) end(last dewline.Millis) dewline.Millis {
	if e.repaired == 0 {
		return max(last, e.onset)
	}
	return e.repaired + afterward
}

func (e *episode) covers(at, last dewline.Millis) bool { return at >= e.onset && at <= e.end(last) }

// judgedAt is when the cause that an alert gives is judged: some days after the detection, or when
// harm begins, if that is between.
func (e *episode) judgedAt(detected dewline.Millis) dewline.Millis {
	at := detected.Add(settling)
	if e.harmful > detected && e.harmful < at {
		return e.harmful
	}
	return at
}

// deadline is until when a harmful fault is found in time.
func (e *episode) deadline() dewline.Millis {
	if e.abrupt() {
		return e.harmful.Add(grace)
	}
	return e.harmful
}

// deadlineSeen is deadline, with the grace of what is harmful from its onset given too to what is harmful as soon
// as it can be seen: nobody could find it before.
func (e *episode) deadlineSeen() dewline.Millis {
	if e.detectable != 0 && e.harmful.Sub(e.detectable) <= atOnce {
		return e.harmful.Add(grace)
	}
	return e.deadline()
}

// episodes puts the truths of a system together, in the order of their onsets. What begins when the
// readings have ended is none.
func (s *subject) episodes() []episode {
	truths := slices.Clone(s.truths)
	slices.SortStableFunc(truths, func(a, b simfleet.Truth) int { return cmp.Compare(a.Onset, b.Onset) })
	var all []episode
	for _, t := range truths {
		if t.Fault == string(dewline.NoFault) || t.Onset > s.to || t.Repaired != 0 && t.Repaired < s.from {
			continue
		}
		e := episode{faults: []dewline.Fault{dewline.Fault(t.Fault)}, truths: []simfleet.Truth{t}, onset: t.Onset,
			detectable: t.Detectable, harmful: t.Harmful, repaired: t.Repaired}
		if n := len(all); n > 0 && e.machine() && all[n-1].machine() && (all[n-1].has(t.Pair) || max(e.onset, s.from)-max(all[n-1].onset, s.from) <= together) {
			all[n-1].join(e)
			continue
		}
		all = append(all, e)
	}
	return all
}

// has says whether the truth with an id is part of the episode.
func (e *episode) has(id string) bool {
	return id != "" && slices.ContainsFunc(e.truths, func(t simfleet.Truth) bool { return t.ID == id })
}

func (e *episode) join(o episode) {
	if !slices.Contains(e.faults, o.faults[0]) {
		e.faults = append(e.faults, o.faults[0])
	}
	e.truths = append(e.truths, o.truths...)
	e.detectable, e.harmful = earlier(e.detectable, o.detectable), earlier(e.harmful, o.harmful)
	if e.repaired != 0 && o.repaired != 0 {
		e.repaired = max(e.repaired, o.repaired)
	} else {
		e.repaired = 0
	}
}

// earlier returns the earlier of two times of which 0 is never.
func earlier(a, b dewline.Millis) dewline.Millis {
	if a == 0 || b == 0 {
		return max(a, b)
	}
	return min(a, b)
}

// outcome is an episode with the alerts that belong to it.
type outcome struct {
	episode
	matched []*course // detected while it was there
	own     []*course // of these, those that are about it rather than about another fault of the time
}

// first is the alert by which the episode was found, nil if it was not.
func (o *outcome) first() *course {
	switch {
	case len(o.own) > 0:
		return o.own[0]
	case len(o.matched) > 0:
		return o.matched[0]
	}
	return nil
}

// found returns when the episode was first alerted of, in whatever severity.
func (o *outcome) found() (dewline.Millis, bool) {
	if len(o.matched) == 0 {
		return 0, false
	}
	return o.matched[0].alert.Detected, true
}

// foundActing returns when an alert of the episode first asked somebody to act.
func (o *outcome) foundActing() (at dewline.Millis, ok bool) {
	for _, c := range o.matched {
		if t, yes := c.actedOn(); yes && (!ok || t < at) {
			at, ok = t, true
		}
	}
	return at, ok
}

// called returns the causes that the episode's alert gave when they are judged.
func (o *outcome) called() []dewline.Cause {
	c := o.first()
	return c.causesAt(o.judgedAt(c.alert.Detected))
}

// right says whether one of the first n causes is what was wrong.
func (e *episode) right(causes []dewline.Cause, n int) bool {
	return slices.ContainsFunc(causes[:min(n, len(causes))], func(c dewline.Cause) bool { return slices.Contains(e.faults, c.Fault) })
}

// verdict is a system with its alerts brought together with the truth.
type verdict struct {
	*subject
	outcomes []outcome
	alerts   []*course            // of machine and sensors, in the order of detection
	about    map[*course]*outcome // what each is about; no entry: nothing was wrong
	healthy  dewline.Millis       // of time
}

// match brings the alerts of a system together with its episodes.
func match(s *subject, said []course) verdict {
	v := verdict{subject: s, about: map[*course]*outcome{}}
	for _, e := range s.episodes() {
		v.outcomes = append(v.outcomes, outcome{episode: e})
	}
	order := make([]*course, len(said))
	for i := range said {
		order[i] = &said[i]
	}
	slices.SortStableFunc(order, func(a, b *course) int { return cmp.Compare(a.alert.Detected, b.alert.Detected) })
	for _, c := range order {
		if !c.silent() {
			v.alerts = append(v.alerts, c)
		}
		v.assign(c)
	}
	v.healthy = s.to - s.from - v.faultyTime()
	return v
}

// assign gives an alert to the episodes that cover it, and to the one that it is most likely about: a
// fault that it names first, or second, or else the newest.
func (v *verdict) assign(c *course) {
	var best *outcome
	rank := 0
	for i := range v.outcomes {
		o := &v.outcomes[i]
		at := c.alert.Detected
		if o.communication() != c.silent() || !o.covers(at, v.to) {
			continue
		}
		o.matched = append(o.matched, c)
		r := 1
		switch causes := c.causesAt(o.judgedAt(at)); {
		case o.right(causes, 1):
			r = 3
		case o.right(causes, 2):
			r = 2
		}
		if r >= rank {
			best, rank = o, r
		}
	}
	if best != nil {
		best.own = append(best.own, c)
		v.about[c] = best
	}
}

// faultyTime is how long anything was wrong with the machine or its sensors, with the days after a
// repair.
func (v *verdict) faultyTime() (sum dewline.Millis) {
	until := v.from
	for i := range v.outcomes { // in the order of onsets
		o := &v.outcomes[i]
		if o.communication() {
			continue
		}
		begin, end := max(o.onset, until), min(o.end(v.to), v.to)
		if end > begin {
			sum += end - begin
			until = end
		}
	}
	return sum
}

// flaps counts the alerts that came back soon after their end although nobody had been there.
func (v *verdict) flaps() (list []*course) {
	for i, c := range v.alerts {
		if slices.ContainsFunc(v.alerts[:i], func(p *course) bool { return v.flapped(p, c) }) {
			list = append(list, c)
		}
	}
	return list
}

func (v *verdict) flapped(p, c *course) bool {
	if p.alert.Cleared == 0 || c.alert.Detected < p.alert.Cleared || c.alert.Detected-p.alert.Cleared > again {
		return false
	}
	if c.alert.Follows != p.alert.ID && c.alert.Condition != p.alert.Condition && topFault(c.alert.Causes) != topFault(p.alert.Causes) {
		return false
	}
	visited := func(at dewline.Millis) bool { return at > p.alert.Detected && at <= c.alert.Detected }
	return !slices.ContainsFunc(v.visits, visited) && !slices.ContainsFunc(v.truths, func(t simfleet.Truth) bool { return visited(t.Repaired) })
}

// topFault is the likeliest cause.
func topFault(causes []dewline.Cause) dewline.Fault {
	if len(causes) == 0 {
		return dewline.NoFault
	}
	return slices.MaxFunc(causes, func(a, b dewline.Cause) int { return cmp.Compare(a.Probability, b.Probability) }).Fault
}

// runLog is how long a compressor ran, hour by hour.
type runLog struct {
	from dewline.Millis
	ran  []int32 // ms in each hour since from
}

const hour = dewline.Millis(3600_000)

// add notes that it ran from one time to another.
func (l *runLog) add(from, to dewline.Millis) {
	for from = max(from, l.from); from < to; {
		h := int((from - l.from) / hour)
		for len(l.ran) <= h {
			l.ran = append(l.ran, 0)
		}
		next := min(l.from+dewline.Millis(h+1)*hour, to)
		l.ran[h] += int32(next - from)
		from = next
	}
}

// between returns how long it ran between two times; within an hour its share is even.
func (l *runLog) between(from, to dewline.Millis) time.Duration {
	var sum dewline.Millis
	for from = max(from, l.from); from < to; {
		h := int((from - l.from) / hour)
		if h >= len(l.ran) {
			break
		}
		next := min(l.from+dewline.Millis(h+1)*hour, to)
		sum += dewline.Millis(l.ran[h]) * (next - from) / hour
		from = next
	}
	return time.Duration(sum) * time.Millisecond
}
