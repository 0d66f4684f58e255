package analytics

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"dewline"
)

const (
	// siteGrace is how long after one system fell silent the others of its site may take to be
	// counted with it as one silence of the site.
	siteGrace = dewline.Millis(10 * 60_000)
	// goodHour is how long readings must come again before a silence is over.
	goodHour = dewline.Millis(3_600_000)
	// restartWithin is how soon after its return a machine starts that had lost its power: restart delays
	// are some minutes (common practice).
	restartWithin = 15 * minute
	// byChance is how likely a machine that never lost its power stands when it is heard again and starts
	// so soon: two starts an hour, standing half of the time (an assumption).
	byChance = 0.3
	// awaitWithin is how far behind the newest reading of all a system may be for its site to be judged together
	// with it: one with a wrong clock must not keep the silence of its neighbours to itself.
	awaitWithin = 24 * hour
)

// gap is a stretch without readings that was long enough to be a silence.
type gap struct {
	Onset    dewline.Millis // the last reading before it
	Detected dewline.Millis // when it had lasted long enough
	Resumed  dewline.Millis // the first reading after it, 0 while it lasts
	Cleared  dewline.Millis // the end of the good hour after it, 0 before
	Told     bool           // a finding of its own or of its site says so
	Site     dewline.Millis // the onset of the site's finding that it belongs to, 0 for none
	Stood    bool           // the compressor stood when it was heard again
	Began    dewline.Millis // when it started then, -1 where it ran already, 0 before
	Cut      bool           // the site's finding says that it looks like a power cut
}

func (g *gap) covers(at dewline.Millis) bool {
	return g.Detected <= at && (g.Resumed == 0 || g.Resumed > at)
}

// silent appends a gap, unless it is known or prolongs one whose good hour was not over.
func (y *system) silent(onset, detected, resumed dewline.Millis) {
	if n := len(y.Silences); n > 0 {
		last := &y.Silences[n-1]
		if last.Onset == onset || last.Cleared == 0 {
			last.Resumed, last.Stood, last.Began = resumed, false, 0
			return
		}
	}
	y.Silences = append(y.Silences, gap{Onset: onset, Detected: detected, Resumed: resumed})
}

// spoke notes that the system was heard at the time at.
func (y *system) spoke(at dewline.Millis) {
	n := len(y.Silences)
	if n == 0 {
		return
	}
	g := &y.Silences[n-1]
	if g.Resumed == 0 {
		g.Resumed = at
	}
	if o := &y.Operate; g.Began == 0 && o.Known && o.Prev >= g.Resumed {
		switch {
		case !o.On:
			g.Stood = true
		case g.Stood:
			g.Began = o.Since
		default:
			g.Began = -1
		}
	}
	if g.Cleared == 0 && at-g.Resumed >= goodHour {
		g.Cleared = g.Resumed + goodHour
	}
}

// sweep judges silence at the event time now, up to which all readings have come.
func (e *Engine) sweep(now dewline.Millis) {
	e.swept = now
	for _, y := range e.systems {
		last := max(y.buffer.Newest(), y.Frame.At)
		if last == 0 {
			continue
		}
		// A system whose backlog is still coming in has old readings and is not silent. Where
		// readings come within the allowance the second condition follows from the first.
		limit := y.silentAfter(e.opt)
		if now-last < limit || e.newest-y.heard < limit {
			continue
		}
		// Readings that waited for late ones will not get any; what they say is said now.
		y.advance(e, y.buffer.Newest())
		y.silent(last, last+y.silentAfter(e.opt), 0)
	}
	var moments []dewline.Millis
	for _, systems := range e.sites {
		moments = decisive(systems, now, moments[:0])
		for _, at := range moments {
			if !e.known(systems, at) {
				break // it is told later, and says the same then
			}
			e.tellSite(systems, at)
		}
	}
}

// known says whether it is decided which systems of a site are silent at the time at. While the readings of one are
// still on their way, as a backlog is, it is not: told now, one silence of a site would become one of each system.
func (e *Engine) known(systems []*system, at dewline.Millis) bool {
	for _, y := range systems {
		last := y.Frame.At
		waits := last != 0 && last+y.silentAfter(e.opt) <= at && e.newest-last < awaitWithin
		if n := len(y.Silences); waits && (n == 0 || y.Silences[n-1].Resumed != 0) {
			return false
		}
	}
	return true
}

// decisive appends, in their order, the times up to now at which something is to be told of a site's
// silences. After a crash or with a backlog there are many: told all at once, the end of the first
// silence would be taken for that of the last.
func decisive(systems []*system, now dewline.Millis, dst []dewline.Millis) []dewline.Millis {
	for _, y := range systems {
		for i := range y.Silences {
			g := &y.Silences[i]
			if at := g.Detected + siteGrace; !g.Told && at <= now {
				dst = append(dst, at)
			}
			if !g.Cut && g.Began > 0 && g.Began <= now {
				dst = append(dst, g.Began)
			}
			if g.Cleared != 0 && g.Cleared <= now {
				dst = append(dst, g.Cleared)
			}
		}
	}
	slices.Sort(dst)
	return slices.Compact(dst)
}

// tellSite makes findings of the silences of one site that can be judged at now.
func (e *Engine) tellSite(systems []*system, now dewline.Millis) {
	type entry struct {
		y *system
		g *gap
	}
	var due []entry
	for _, y := range systems {
		for i := range y.Silences {
			if g := &y.Silences[i]; !g.Told && g.Detected+siteGrace <= now {
				due = append(due, entry{y, g})
			}
		}
	}
	slices.SortFunc(due, func(a, b entry) int {
		return cmp.Or(cmp.Compare(a.g.Detected, b.g.Detected), cmp.Compare(a.y.id, b.y.id))
	})
	for _, d := range due {
		if d.g.Told {
			continue
		}
		if members := allSilent(systems, d.g.Detected+siteGrace); members != nil {
			e.openSite(systems, members)
			continue
		}
		d.g.Told = true
		e.find(d.y, d.g, d.g.Detected, 0)
	}
	e.tellCut(systems, now)
	e.closeSite(systems, now)
	for _, y := range systems {
		for i := range y.Silences {
			if g := &y.Silences[i]; g.Told && g.Site == 0 && g.Cleared != 0 && g.Cleared <= now {
				e.find(y, g, g.Detected, g.Cleared)
				g.Onset = 0 // done
			}
		}
		y.Silences = slices.DeleteFunc(y.Silences, func(g gap) bool { return g.Onset == 0 })
	}
}

// allSilent returns the gaps that make a whole site of several systems silent at the time at, or nil.
func allSilent(systems []*system, at dewline.Millis) []*gap {
	var members []*gap
	for _, y := range systems {
		if y.buffer.Newest() == 0 && y.Frame.At == 0 {
			continue // never heard: nothing fell silent
		}
		i := slices.IndexFunc(y.Silences, func(g gap) bool { return g.covers(at) })
		if i < 0 {
			return nil
		}
		members = append(members, &y.Silences[i])
	}
	if len(members) < 2 {
		return nil
	}
	return members
}

// openSite makes one finding of the silence of a site. Its onset is the site's last reading.
func (e *Engine) openSite(systems []*system, members []*gap) {
	f := silence(0, 0, 0)
	for _, g := range members {
		if g.Told {
			// One of them has its own finding already: the site's would say it twice.
			for _, m := range members {
				if !m.Told {
					m.Told = true
					e.find(ownerOf(systems, m), m, m.Detected, 0)
				}
			}
			return
		}
		f.Onset, f.Detected = max(f.Onset, g.Onset), max(f.Detected, g.Detected)
	}
	for _, y := range systems {
		if y.buffer.Newest() != 0 || y.Frame.At != 0 {
			f.Systems = append(f.Systems, y.id)
		}
	}
	slices.Sort(f.Systems)
	for _, g := range members {
		g.Told, g.Site = true, f.Onset
	}
	f.At = f.Detected
	e.out.Findings = append(e.out.Findings, f)
}

func ownerOf(systems []*system, g *gap) *system {
	for _, y := range systems {
		for i := range y.Silences {
			if &y.Silences[i] == g {
				return y
			}
		}
	}
	return nil
}

// tellCut says of a silent site that it looks like a power cut, where all of its machines came back
// together, stood then and started soon. From the silence itself a power cut cannot be told from a lost
// connection.
func (e *Engine) tellCut(systems []*system, now dewline.Millis) {
	var members []*gap
	f := silence(0, 0, 0)
	var first, last dewline.Millis // of the returns
	for _, y := range systems {
		for i := range y.Silences {
			g := &y.Silences[i]
			if g.Site == 0 {
				continue
			}
			if g.Cut || g.Began <= 0 || g.Began > now || g.Began-g.Resumed > restartWithin {
				return
			}
			if first == 0 || g.Resumed < first {
				first = g.Resumed
			}
			last, f.At = max(last, g.Resumed), max(f.At, g.Began)
			f.Onset, f.Detected = g.Site, max(f.Detected, g.Detected)
			f.Systems, members = append(f.Systems, y.id), append(members, g)
		}
	}
	if len(members) < 2 || last-first > siteGrace {
		return
	}
	slices.Sort(f.Systems)
	f.Causes = cutCauses(len(members))
	f.Evidence = []string{fmt.Sprintf("it looks like a power cut: all %d machines fell silent together, stood when they were heard again, and started within %.0f min of it",
		len(members), math.Ceil(f.At.Sub(first).Minutes()))}
	for _, g := range members {
		g.Cut = true
	}
	e.out.Findings = append(e.out.Findings, f)
}

// cutCauses weighs a power cut against a lost connection, which are taken for equally likely beforehand.
func cutCauses(machines int) []dewline.Cause {
	chance := math.Pow(byChance, float64(machines))
	return []dewline.Cause{{Fault: dewline.Communication, Detail: dewline.PowerCut, Probability: 1 / (1 + chance)}, {Fault: dewline.Communication, Probability: chance / (1 + chance)}}
}

// closeSite ends a site's finding at the first good hour of one of its systems. Those that are
// still silent then have findings of their own from there on.
func (e *Engine) closeSite(systems []*system, now dewline.Millis) {
	var onset, first, detected dewline.Millis
	var ids []dewline.SystemID
	cut := false
	for _, y := range systems {
		for i := range y.Silences {
			g := &y.Silences[i]
			if g.Site == 0 {
				continue
			}
			ids = append(ids, y.id)
			cut = cut || g.Cut
			onset, detected = g.Site, max(detected, g.Detected)
			if g.Cleared != 0 && g.Cleared <= now && (first == 0 || g.Cleared < first) {
				first = g.Cleared
			}
		}
	}
	if first == 0 {
		return
	}
	slices.Sort(ids)
	f := silence(onset, detected, first)
	f.Systems = ids
	if cut {
		f.Causes = cutCauses(len(ids))
	}
	e.out.Findings = append(e.out.Findings, f)
	for _, y := range systems {
		for i := range y.Silences {
			g := &y.Silences[i]
			switch {
			case g.Site == 0:
			case g.Resumed != 0 && g.Resumed <= first:
				g.Onset = 0 // done
			default:
				g.Site = 0
				e.find(y, g, first, 0)
				g.Detected = first
			}
		}
	}
}

func (e *Engine) find(y *system, g *gap, detected, cleared dewline.Millis) {
	f := silence(g.Onset, detected, cleared)
	f.System = y.id
	e.out.Findings = append(e.out.Findings, f)
}

// silence is the finding of a silence whose systems are still to be named.
func silence(onset, detected, cleared dewline.Millis) dewline.Finding {
	conditions := []dewline.Condition{dewline.Silent}
	causes := []dewline.Cause{{Fault: dewline.Communication, Probability: 1}}
	return dewline.Finding{
		Key: dewline.CauseKey(conditions, causes), Condition: dewline.Silent, Conditions: conditions, Severity: dewline.Soon,
		Causes: causes, Onset: onset, Detected: detected, Cleared: cleared, At: max(detected, cleared),
	}
}
