package view

import (
	"cmp"
	"math"
	"slices"

	"dewline"
)

// AlertQuery is which alerts the dispatcher's list shows, as its address says.
type AlertQuery struct {
	Severity dewline.Severity // "" for every, as with the others
	Site     string
	Owner    string
	Cause    dewline.Fault // the likeliest
	State    string        // of an alert, or StateShelved
	Page     int           // from 1
}

// StateShelved is the state by which an address asks for alerts that somebody has put aside. It is
// none of the contract's: an alert keeps its own while it is shelved.
const StateShelved = "shelved"

// Href is the address of the list.
func (q AlertQuery) Href() string {
	return address("/", "severity", string(q.Severity), "site", q.Site, "owner", q.Owner, "cause", string(q.Cause), "state", q.State, "page", pageNumber(q.Page))
}

// At returns the query for another page.
func (q AlertQuery) At(page int) AlertQuery { q.Page = page; return q }

// Narrowed says whether the list leaves anything out.
func (q AlertQuery) Narrowed() bool { return q.At(0) != AlertQuery{} }

// Matches says whether an alert is on the list. Shelved ones are out of sight until they are asked for.
func (q AlertQuery) Matches(a *dewline.Alert, owner string, shelved bool) bool {
	if shelved != (q.State == StateShelved) {
		return false
	}
	return (q.Severity == "" || q.Severity == a.Severity) && (q.Site == "" || q.Site == a.Site) && (q.Owner == "" || q.Owner == owner) &&
		(q.Cause == "" || q.Cause == causeOf(a)) && (q.State == "" || shelved || q.State == string(a.State))
}

func causeOf(a *dewline.Alert) dewline.Fault {
	c, _ := likeliest(a)
	return c.Fault
}

// Filter is one thing by which the dispatcher's list is narrowed.
type Filter struct {
	Name, Label string
	Choices     []Choice
}

// Choice is one value of a filter.
type Choice struct {
	Value, Word string
	Count       int
	Current     bool
}

// Filters offers what the alerts that have not ended can be narrowed by.
func Filters(alerts []dewline.Alert, fleet *dewline.Fleet, shelved func(id string) bool, q AlertQuery, u Idiom) []Filter {
	severity, state, cause, owner, site := newTally(), newTally(), newTally(), newTally(), newTally()
	for i := range alerts {
		a := &alerts[i]
		if shelved(a.ID) {
			state.add(StateShelved, u.Say("shelved"))
			continue
		}
		severity.add(string(a.Severity), wordOr(u, severityWords, a.Severity))
		state.add(string(a.State), u.StateWordOf(a))
		if f := causeOf(a); f != "" {
			cause.add(string(f), u.FaultWord(f))
		}
		name := a.Site
		if s, ok := fleet.Site(a.Site); ok {
			name = s.Name
			if o, ok := fleet.Owner(s.Owner); ok {
				owner.add(o.ID, o.Name)
			}
		}
		site.add(a.Site, name)
	}
	return []Filter{
		severity.filter(u, "severity", u.Say("How soon"), string(q.Severity), func(c Choice) int { return -dewline.Severity(c.Value).Rank() }),
		state.filter(u, "state", u.Say("Stands"), q.State, nil),
		cause.filter(u, "cause", u.Say("Likely cause"), string(q.Cause), nil),
		site.filter(u, "site", u.Say("Site"), q.Site, nil),
		owner.filter(u, "owner", u.Say("Owner"), q.Owner, nil),
	}
}

type tally map[string]*Choice

func newTally() tally { return tally{} }

func (t tally) add(value, word string) {
	if c, ok := t[value]; ok {
		c.Count++
		return
	}
	t[value] = &Choice{Value: value, Word: word, Count: 1}
}

func (t tally) filter(u Idiom, name, label, current string, order func(Choice) int) Filter {
	f := Filter{Name: name, Label: label}
	if _, ok := t[current]; current != "" && !ok {
		t[current] = &Choice{Value: current, Word: u.Name(current)} // an address of yesterday still says what it asks for
	}
	for _, c := range t {
		c.Current = c.Value == current
		f.Choices = append(f.Choices, *c)
	}
	slices.SortFunc(f.Choices, func(a, b Choice) int {
		first := 0
		if order != nil {
			first = cmp.Compare(order(a), order(b))
		}
		return cmp.Or(first, cmp.Compare(a.Word, b.Word), cmp.Compare(a.Value, b.Value))
	})
	return f
}

// SortForDesk puts alerts in the order in which people take them up: by severity, then by when
// their limit is reached, then by how much hangs on the machine, then the older first.
func SortForDesk(alerts []*dewline.Alert, fleet *dewline.Fleet) {
	slices.SortStableFunc(alerts, func(a, b *dewline.Alert) int {
		return cmp.Or(
			cmp.Compare(b.Severity.Rank(), a.Severity.Rank()), cmp.Compare(daysLeft(a), daysLeft(b)),
			cmp.Compare(importance(b, fleet), importance(a, fleet)), cmp.Compare(a.Onset, b.Onset), cmp.Compare(a.ID, b.ID))
	})
}

// daysLeft is how long until the limit, infinite without a forecast.
func daysLeft(a *dewline.Alert) float64 {
	if a.Forecast == nil {
		return math.Inf(1)
	}
	return a.Forecast.DaysP50
}

// importance is how much hangs on the machine of an alert; of a whole site, on its weightiest.
func importance(a *dewline.Alert, fleet *dewline.Fleet) int {
	most := 0
	for _, id := range a.Systems {
		if s, ok := fleet.System(id); ok {
			most = max(most, s.Importance.Rank())
		}
	}
	return most
}

// AlertGroup is the alerts of one site.
type AlertGroup struct {
	Site, Name, Note string
	Lines            []AlertLine
}

// GroupBySite puts sorted alerts together by site: the site of the most pressing one comes first.
func GroupBySite(alerts []*dewline.Alert) [][]*dewline.Alert {
	at := map[string]int{}
	var groups [][]*dewline.Alert
	for _, a := range alerts {
		i, known := at[a.Site]
		if !known {
			i = len(groups)
			at[a.Site] = i
			groups = append(groups, nil)
		}
		groups[i] = append(groups[i], a)
	}
	return groups
}

// InHand says whether somebody is at it: the repair is under way or being proved.
func InHand(a *dewline.Alert) bool {
	return a.State == dewline.AlertDispatched || a.State == dewline.AlertVerifying
}
