package alerts

import (
	"cmp"
	"context"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"

	"dewline"
)

// followWithin is how soon after its end a condition that comes back is a return of the old alert.
const followWithin = 30 * 24 * time.Hour

// Book turns findings into alerts. It holds the open alerts, one for each system and underlying cause,
// and the newest ended one, so that a return is seen to follow it. It is not safe for concurrent use.
//
// A Book knows what alerts say and not where they stand: what people have done with one meanwhile is in
// the store, which joins the two as it takes a Book's changes (see dewline.Progress). A return can only
// follow what readings ended, so an alert that somebody dismissed goes on in silence until then.
type Book struct {
	// Fleet is what is enrolled, which decides of what there are alerts and how much hangs on a machine;
	// nil where every finding counts, with its own severity. See Leave.
	Fleet *dewline.Fleet

	open  map[subject]dewline.Alert
	ended map[subject]dewline.Alert
}

// subject is what an alert is about.
type subject struct {
	of  dewline.SystemID // a system's id, or a site's for a whole site
	key string           // see dewline.CauseKey
}

// NewBook returns an empty book.
func NewBook() *Book {
	return &Book{open: map[subject]dewline.Alert{}, ended: map[subject]dewline.Alert{}}
}

// LoadBook returns the book of the alerts in a store.
func LoadBook(ctx context.Context, store dewline.Alerts) (*Book, error) {
	b := NewBook()
	filter := dewline.AlertFilter{}
	for {
		page, err := store.AlertsIn(ctx, filter)
		if err != nil {
			return nil, fmt.Errorf("load alerts: %w", err)
		}
		for _, a := range page.Alerts {
			b.keep(b.subjectOf(a), a)
		}
		if page.Next == "" {
			return b, nil
		}
		filter.After = page.Next
	}
}

func (b *Book) keep(s subject, a dewline.Alert) {
	if a.Cleared == 0 {
		b.open[s] = a
		return
	}
	if b.open[s].ID == a.ID {
		delete(b.open, s)
	}
	if old, ok := b.ended[s]; !ok || old.Cleared <= a.Cleared {
		b.ended[s] = a
	}
}

// subjectOf returns what an alert of a store is about, as far as it tells: of two that are open of a machine at once, the
// second has what the first has left.
func (b *Book) subjectOf(a dewline.Alert) subject {
	of := a.System
	if of == "" {
		of = dewline.SystemID(a.Site)
	}
	s := subject{of, dewline.CauseKey(a.Conditions, a.Causes)}
	if _, taken := b.open[s]; taken && a.Cleared == 0 {
		s = s.other()
	}
	return s
}

// other returns the other subject that an alert of a machine itself may be of: what nothing is blamed for may turn out to be a
// fault, and its alert goes on.
func (s subject) other() subject {
	switch s.key {
	case dewline.MachineKey:
		s.key = dewline.UnblamedKey
	case dewline.UnblamedKey:
		s.key = dewline.MachineKey
	}
	return s
}

// turn sees to it that the alert of a finding is under the subject of that, though it has been of the other.
func (b *Book) turn(s subject, f dewline.Finding) {
	is := func(s subject) bool {
		a, ok := b.open[s]
		return ok && a.Onset == f.Onset && a.Detected == f.Detected
	}
	other := s.other()
	if is(s) || !is(other) {
		return
	}
	a, taken := b.open[s]
	b.open[s] = b.open[other]
	if delete(b.open, other); taken {
		b.open[other] = a
	}
}

// Apply takes findings in the order in which they were made and returns the alerts that they
// opened, changed or ended.
func (b *Book) Apply(findings []dewline.Finding) []dewline.AlertChange {
	var changes []dewline.AlertChange
	for _, f := range findings {
		if b.Fleet != nil && !enrolled(b.Fleet, append(slices.Clip(f.Systems), f.System)) {
			continue // it was taken out of the fleet after it was found
		}
		if s, c, ok := b.apply(f); ok {
			b.keep(s, c.Alert)
			changes = append(changes, c)
		}
	}
	return changes
}

func (b *Book) apply(f dewline.Finding) (s subject, c dewline.AlertChange, ok bool) {
	a := dewline.Alert{
		System: f.System, Systems: f.Systems, Condition: f.Condition, Conditions: f.Conditions,
		Severity: f.Severity, State: dewline.AlertOpen, Onset: f.Onset, Detected: f.Detected,
		Causes: f.Causes, Forecast: f.Forecast,
	}
	if f.System != "" {
		a.Site, a.Systems = f.System.Site(), []dewline.SystemID{f.System}
		s = subject{f.System, f.Key}
	} else if len(f.Systems) > 0 {
		a.Site = f.Systems[0].Site()
		s = subject{dewline.SystemID(a.Site), f.Key}
	} else {
		return s, c, false
	}
	b.turn(s, f)
	why := strings.Join(f.Evidence, "; ")
	open, isOpen := b.open[s]
	if b.toldAgain(s, f) {
		return s, c, false
	}
	switch {
	case f.Cleared != 0 && !isOpen:
		return s, c, false // ended already
	case f.Cleared != 0:
		open.Cleared, open.State = f.Cleared, dewline.AlertResolved
		return s, dewline.AlertChange{Change: dewline.Change{By: dewline.ByDewline, At: f.Cleared, Why: cmp.Or(why, "the condition is over")}, Alert: open}, true
	case isOpen:
		before := open.Severity
		open.Condition, open.Conditions, open.Severity = f.Condition, f.Conditions, f.Severity
		open.Causes, open.Forecast = f.Causes, f.Forecast
		open.Severity = raised(open, before, b.Fleet)
		if reflect.DeepEqual(open, b.open[s]) {
			return s, c, false
		}
		return s, dewline.AlertChange{Change: dewline.Change{By: dewline.ByDewline, At: f.At, Why: cmp.Or(why, "new evidence")}, Alert: open}, true
	}
	a.ID = dewline.AlertID(s.of, topCause(f.Causes), f.Onset)
	a.Severity = raised(a, a.Severity, b.Fleet)
	if old, ok := b.ended[s]; ok {
		if old.ID == a.ID {
			return s, c, false // told again after a restart
		}
		if f.Onset.Sub(old.Cleared) <= followWithin {
			a.Follows = old.ID
		}
	}
	return s, dewline.AlertChange{Change: dewline.Change{By: dewline.ByDewline, At: f.At, Why: cmp.Or(why, nothing(a))}, Alert: a}, true
}

// nothing says what is known of a silence: of a whole site's no more than that of one machine.
func nothing(a dewline.Alert) string {
	if a.System != "" {
		return "nothing has come since the last reading"
	}
	return fmt.Sprintf("nothing has come from any of %d machines since the last reading: a power cut and a lost connection look the same until they are heard again", len(a.Systems))
}

// toldAgain says whether a finding is about a time before what the book knows: an engine that begins
// again from its states tells the end of an old episode before the beginning of the one that is open.
func (b *Book) toldAgain(s subject, f dewline.Finding) bool {
	if f.At == 0 {
		return false
	}
	if open, ok := b.open[s]; ok {
		return f.At < open.Detected
	}
	ended, ok := b.ended[s]
	return ok && f.At < ended.Cleared
}

func topCause(causes []dewline.Cause) dewline.Fault {
	if len(causes) == 0 {
		return dewline.NoFault
	}
	top := slices.MaxFunc(causes, func(a, b dewline.Cause) int { return cmp.Compare(a.Probability, b.Probability) })
	return top.Fault
}

// Sort puts alerts in the order of the contract: by detected, system, id.
func Sort(list []dewline.Alert) {
	slices.SortFunc(list, func(a, b dewline.Alert) int {
		return cmp.Or(cmp.Compare(a.Detected, b.Detected), cmp.Compare(a.System, b.System), cmp.Compare(a.ID, b.ID))
	})
}
