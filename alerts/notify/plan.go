package notify

import (
	"crypto/sha256"
	"encoding/base32"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewline"
)

// Planner decides who hears of what. It is made for one pass and has no effects.
type Planner struct {
	Fleet     *dewline.Fleet
	Directory dewline.Directory
	Held      func(dewline.Alert) []dewline.Hold // what keeps an alert's notices back now; nil for nothing
	Link      string                             // where pages are, such as https://dewline.example.org; "" for no links
}

// work collects notices of one pass, so that one which is made and changed in it is stored once.
type work struct {
	list  []*entry
	byID  map[string]*entry
	alert map[string][]*entry
}

type entry struct {
	dewline.Notice
	isNew, changed bool
}

func newWork() *work { return &work{byID: map[string]*entry{}, alert: map[string][]*entry{}} }

func (w *work) know(n dewline.Notice, isNew bool) *entry {
	if e, known := w.byID[n.ID]; known {
		return e
	}
	e := &entry{Notice: n, isNew: isNew}
	w.list, w.byID[n.ID] = append(w.list, e), e
	w.alert[n.Alert] = append(w.alert[n.Alert], e)
	return e
}

func (w *work) result(planned []dewline.News) dewline.NoticeWork {
	out := dewline.NoticeWork{Planned: planned}
	for _, e := range w.list {
		switch {
		case e.isNew:
			out.Add = append(out.Add, e.Notice)
		case e.changed:
			out.Change = append(out.Change, e.Notice)
		}
	}
	return out
}

func (e *entry) wait(due dewline.Millis, reason dewline.NoticeReason, why string) {
	e.State, e.Due, e.Reason, e.Why, e.changed = dewline.NoticeWaiting, dewline.Stamp(due), reason, why, true
}

func (e *entry) drop(now dewline.Millis, reason dewline.NoticeReason, why string) {
	if held := e.Why; e.Reason == dewline.BecauseSuppressed && held != "" {
		why += "; it was held back before: " + held
	}
	e.State, e.Reason, e.Why, e.Settled, e.changed = dewline.NoticeNotSent, reason, why, dewline.Stamp(now), true
}

// News makes the notices that news asks for, and settles those that it makes pointless.
func (p *Planner) News(list []dewline.News, now dewline.Millis) dewline.NoticeWork {
	w := newWork()
	for _, n := range list {
		for _, known := range n.Notices {
			w.know(known, false)
		}
		p.tell(w, n, now)
	}
	return w.result(list)
}

// tell plans for one piece of news.
func (p *Planner) tell(w *work, n dewline.News, now dewline.Millis) {
	kind := kindOf(n)
	for _, e := range w.alert[n.Alert.ID] {
		if e.State != dewline.NoticeWaiting {
			continue
		}
		switch {
		case n.Alert.State == dewline.AlertResolved:
			e.drop(now, dewline.BecauseEnded, "it was over before its time came")
		case n.Alert.State == dewline.AlertDismissed:
			e.drop(now, dewline.BecauseAcknowledged, "dismissed: "+n.Why)
		case kind == dewline.NoticeWorsened || kind == dewline.NoticeReopened:
			e.drop(now, dewline.BecauseSuperseded, "the alert has "+string(kind)+" meanwhile, which is told instead")
		case e.Step > 0 && n.Alert.State != dewline.AlertOpen:
			e.drop(now, dewline.BecauseAcknowledged, string(n.Alert.State)+" before its time came")
		}
	}
	switch kind {
	case "":
	case dewline.NoticeEnded:
		p.tellEnd(w, n, now)
	default:
		p.tellAll(w, n, kind, now)
	}
}

// kindOf returns what there is to tell, "" for nothing.
func kindOf(n dewline.News) dewline.NoticeKind {
	state, before := n.Alert.State, n.Before
	switch {
	case before == nil && state.Ended():
		return ""
	case before == nil:
		return dewline.NoticeOpened
	case state == dewline.AlertResolved && before.State != state:
		return dewline.NoticeEnded
	case state.Ended():
		return ""
	case state == dewline.AlertOpen && before.State != state:
		return dewline.NoticeReopened
	case n.Alert.Severity.Rank() > before.Severity.Rank():
		return dewline.NoticeWorsened
	}
	return ""
}

// tellAll follows every plan that fits the alert.
func (p *Planner) tellAll(w *work, n dewline.News, kind dewline.NoticeKind, now dewline.Millis) {
	site, owner := p.site(n.Alert)
	fits := false
	for _, plan := range p.Directory.Plans {
		if !plan.Fits(owner, n.Alert.Site, n.Alert.Severity) {
			continue
		}
		fits = true
		for i, step := range plan.Steps {
			if i > 0 && n.Alert.State != dewline.AlertOpen {
				break // somebody is on it: the first step hears that it got worse, nobody is called out
			}
			due := now.Add(step.After.Duration())
			contacts := p.aim(step, due)
			if len(contacts) == 0 {
				e := w.know(newNotice(n, kind, plan.ID, i, "", now), true)
				e.drop(now, dewline.BecauseNobody, fmt.Sprintf("step %d of plan %s reaches nobody: nobody is on duty, or who is has no address", i+1, plan.ID))
			}
			for _, c := range contacts {
				e := w.know(newNotice(n, kind, plan.ID, i, c, now), true)
				p.first(e, n.Alert, site, owner, step, due, now)
			}
		}
	}
	if !fits {
		e := w.know(newNotice(n, kind, "", 0, "", now), true)
		e.drop(now, dewline.BecauseNoPlan, fmt.Sprintf("no plan asks for %s alerts of %s", n.Alert.Severity, site.Name))
	}
}

// tellEnd tells those who heard of the alert, where their plan says so.
func (p *Planner) tellEnd(w *work, n dewline.News, now dewline.Millis) {
	site, owner := p.site(n.Alert)
	told := map[string]bool{}
	for _, e := range slices.Clone(w.alert[n.Alert.ID]) {
		plan, ok := p.Directory.Plan(e.Plan)
		if !ok || !plan.Ends || e.Kind == dewline.NoticeEnded || told[e.Contact] || e.State != dewline.NoticeSent && e.State != dewline.NoticeSending {
			continue
		}
		told[e.Contact] = true
		var step dewline.PlanStep
		if e.Step < len(plan.Steps) {
			step.Hours = plan.Steps[e.Step].Hours
		}
		p.first(w.know(newNotice(n, dewline.NoticeEnded, e.Plan, e.Step, e.Contact, now), true), n.Alert, site, owner, step, now, now)
	}
}

func newNotice(n dewline.News, kind dewline.NoticeKind, plan string, step int, contact string, now dewline.Millis) dewline.Notice {
	return dewline.Notice{
		ID:    digest("n", n.Alert.ID, fmt.Sprint(n.Change), string(kind), plan, fmt.Sprint(step), contact),
		Alert: n.Alert.ID, Change: n.Change, Kind: kind, Severity: n.Alert.Severity, Plan: plan, Step: step, Contact: contact, News: n.Why,
		Made: dewline.Stamp(now), Due: dewline.Stamp(now), State: dewline.NoticeWaiting,
	}
}

// digest makes an id of its parts, none of which holds a line feed.
func digest(prefix string, parts ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(parts, "\n")))
	return prefix + strings.ToLower(base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(sum[:15]))
}

// site returns the alert's site and the id of its owner. A site that is enrolled no more has its id
// for a name, and no owner.
func (p *Planner) site(a dewline.Alert) (dewline.Site, string) {
	if p.Fleet != nil {
		if s, ok := p.Fleet.Site(a.Site); ok {
			return *s, s.Owner
		}
	}
	return dewline.Site{ID: a.Site, Name: a.Site, Timezone: time.UTC}, ""
}

// aim returns the contacts that a step reaches at a time.
func (p *Planner) aim(step dewline.PlanStep, at dewline.Millis) []string {
	contacts := slices.Clone(step.Contacts)
	if r, ok := p.Directory.Roster(step.Roster); ok {
		onDuty := r.OnDuty(at)
		for _, c := range p.Directory.Contacts {
			if c.Person == onDuty && !slices.Contains(contacts, c.ID) {
				contacts = append(contacts, c.ID)
			}
		}
	}
	return contacts
}

// reach returns the contact and its person, or why nothing may go there.
func (p *Planner) reach(contact, owner string) (c dewline.Contact, who dewline.Person, reason dewline.NoticeReason, why string) {
	c, ok := p.Directory.Contact(contact)
	if !ok {
		return c, who, dewline.BecauseContactOff, "the contact was removed"
	}
	who, ok = p.Directory.Person(c.Person)
	switch {
	case c.Off != "":
		return c, who, dewline.BecauseContactOff, "nothing is sent to this contact: " + c.Off
	case !ok || who.Anonymised != 0:
		return c, who, dewline.BecauseContactOff, "the contact belongs to nobody"
	case who.Owner != "" && who.Owner != owner:
		return c, who, dewline.BecauseOtherOwner, "the person may hear of the machines of " + who.Owner + " only"
	}
	return c, who, "", ""
}

// first settles what a new notice waits for.
func (p *Planner) first(e *entry, a dewline.Alert, site dewline.Site, owner string, step dewline.PlanStep, due, now dewline.Millis) {
	c, who, reason, why := p.reach(e.Contact, owner)
	e.Person = who.ID
	within := dewline.NextWithin(step.Hours, due, zoneOf(site))
	holds := p.held(a)
	switch {
	case reason != "":
		e.drop(now, reason, why)
	case len(holds) > 0:
		e.wait(max(within, lastUntil(holds)), dewline.BecauseSuppressed, sentence(holds))
	case due > now:
		e.wait(within, dewline.BecauseStep, "goes when nobody has acknowledged by then")
	case within > due:
		e.wait(within, dewline.BecauseHours, "waits for the hours of the plan")
	default:
		e.wait(due.Add(c.GatherFor()), dewline.BecauseGathering, "waits for others, so that one message tells all")
	}
}

func (p *Planner) held(a dewline.Alert) []dewline.Hold {
	if p.Held == nil {
		return nil
	}
	return p.Held(a)
}

func lastUntil(holds []dewline.Hold) dewline.Millis {
	last := slices.MaxFunc(holds, func(a, b dewline.Hold) int { return int(a.Until - b.Until) })
	return dewline.Millis(last.Until)
}

// sentence explains holds without the names of people, which could not be taken away again here.
func sentence(holds []dewline.Hold) string {
	texts := make([]string, len(holds))
	for i, h := range holds {
		h.By = ""
		texts[i] = h.String()
	}
	return strings.Join(texts, "; ")
}

func zoneOf(s dewline.Site) *time.Location {
	if s.Timezone == nil {
		return time.UTC
	}
	return s.Timezone
}
