package notify

import (
	"slices"

	"dewline"
)

// recheck is how long a notice may rest when something else is expected to wake it.
const recheck = 3600_000

// Gather looks at the waiting notices of one contact. It makes a message of those whose time has
// come, or says for each what it waits for, or why it will not be sent.
func (p *Planner) Gather(contact string, waiting []dewline.Waiting, to dewline.Recipient, now dewline.Millis) dewline.NoticeWork {
	w := newWork()
	alerts := map[string]dewline.Alert{}
	var ready []*entry
	mature := false // at least one has waited for others already
	for _, x := range waiting {
		alerts[x.Alert.ID] = x.Alert
		e := w.know(x.Notice, false)
		if !p.stillFits(w, e, x.Alert, now) {
			continue
		}
		ready = append(ready, e)
		mature = mature || dewline.Millis(e.Due) <= now && slices.Contains(
			[]dewline.NoticeReason{dewline.BecauseGathering, dewline.BecauseApart, dewline.BecauseBehind}, e.Reason)
	}
	c, _ := p.Directory.Contact(contact)
	next := to.Last.Add(c.ApartFor())
	switch {
	case len(ready) == 0:
	case to.Pending:
		waitAll(ready, now+recheck, dewline.BecauseBehind, "an earlier message to this contact has not got through yet")
	case to.Last != 0 && now < next:
		waitAll(ready, next, dewline.BecauseApart, "a message went a short time ago; the next tells everything that came meanwhile")
	case !mature:
		for _, e := range ready {
			if dewline.Millis(e.Due) <= now {
				e.wait(now.Add(c.GatherFor()), dewline.BecauseGathering, "waits for others, so that one message tells all")
			}
		}
	default:
		m := p.message(c, ready, alerts, now)
		for _, e := range ready {
			e.State, e.Reason, e.Why, e.Message, e.changed = dewline.NoticeSending, "", "", m.ID, true
		}
		out := w.result(nil)
		out.Messages = []dewline.Message{m}
		return out
	}
	return w.result(nil)
}

func waitAll(list []*entry, due dewline.Millis, reason dewline.NoticeReason, why string) {
	for _, e := range list {
		e.wait(due, reason, why)
	}
}

// stillFits says whether a notice is still to be told now; if not, it is settled or waits on.
func (p *Planner) stillFits(w *work, e *entry, a dewline.Alert, now dewline.Millis) bool {
	site, owner := p.site(a)
	_, who, reason, why := p.reach(e.Contact, owner)
	plan, hasPlan := p.Directory.Plan(e.Plan)
	hasPlan = hasPlan && e.Step < len(plan.Steps)
	isEnd := e.Kind == dewline.NoticeEnded
	e.Person = who.ID
	switch {
	case reason != "":
		e.drop(now, reason, why)
	case a.State.Ended() && !isEnd:
		e.drop(now, dewline.BecauseEnded, "it was over before its time came")
	case !hasPlan && !isEnd:
		e.drop(now, dewline.BecausePlanChanged, "the plan has no such step any more")
	case e.Step > 0 && !isEnd && a.State != dewline.AlertOpen:
		e.drop(now, dewline.BecauseAcknowledged, string(a.State)+" before its time came")
	case len(p.held(a)) > 0:
		holds := p.held(a)
		e.wait(max(lastUntil(holds), now+1000), dewline.BecauseSuppressed, sentence(holds))
	case !hasPlan || e.Reason == dewline.BecauseGathering:
		return true
	default:
		return p.inHours(e, plan.Steps[e.Step], site, now) && (isEnd || p.onDuty(w, e, plan.Steps[e.Step], now))
	}
	return false
}

func (p *Planner) inHours(e *entry, step dewline.PlanStep, site dewline.Site, now dewline.Millis) bool {
	within := dewline.NextWithin(step.Hours, now, zoneOf(site))
	if within > now {
		e.wait(within, dewline.BecauseHours, "waits for the hours of the plan")
		return false
	}
	return true
}

// onDuty says whether the step still reaches the contact. Where somebody else is on duty by now,
// that one is told instead; where nobody is, who was to be told before is better than nobody.
func (p *Planner) onDuty(w *work, e *entry, step dewline.PlanStep, now dewline.Millis) bool {
	aimed := p.aim(step, now)
	if len(aimed) == 0 || slices.Contains(aimed, e.Contact) {
		return true
	}
	e.drop(now, dewline.BecauseOffDuty, "somebody else is on duty by now")
	for _, c := range aimed {
		to, _ := p.Directory.Contact(c)
		other := e.Notice
		other.ID = digest("n", e.Alert, "instead of "+e.ID, c)
		other.Contact, other.Person, other.Made, other.Settled = c, to.Person, dewline.Stamp(now), 0
		if slices.Contains(step.Contacts, c) {
			continue // has one of its own
		}
		w.know(other, true).wait(now.Add(to.GatherFor()), dewline.BecauseGathering, "on duty by now; waits for others, so that one message tells all")
	}
	return false
}
