package view

import (
	"net/url"
	"slices"
	"strconv"
	"strings"

	"dewline"
)

// Row is one system in a list: one sentence, its waterline, and its numbers.
type Row struct {
	Href, Name, About string // About: "split air conditioner, R-410A"
	Site              string // "" where the list is grouped by it
	Health            dewline.Health
	Word              string // "under repair"
	Normal            bool   // well or learning: nothing to look at
	Sentence          string
	Glyph             Glyph
	Superheat         Measured
	Subcooling        Measured
	SuperExpect       string // "above 2.8"
	SubExpect         string
	Age               Age // of the newest reading
	Alerts            int // that have not ended
}

// NewRow makes a row.
func NewRow(sys *dewline.System, state dewline.SystemState, a Assessment, alerts int, f Fortnight, r Reader) Row {
	u := r.Idiom
	superheat, subcooling := ExpectedSuperheat(sys), ExpectedSubcooling(sys)
	sh, sc := reading(state, dewline.Superheat, u), reading(state, dewline.Subcooling, u)
	if stale(state, r.Now) {
		sh.Past, sc.Past = true, true
	}
	return Row{
		Href: SystemHref(sys.ID), Name: sys.Name, About: u.KindWord(sys.Kind) + ", " + sys.Refrigerant,
		Health: a.Health, Word: a.Word(u),
		Normal:    a.Health == dewline.HealthWell || a.Health == dewline.HealthLearning,
		Sentence:  Sentence(sys, state, a, u),
		Glyph:     NewGlyph(f, superheat, subcooling, u),
		Superheat: sh, Subcooling: sc,
		SuperExpect: superheat.In(u), SubExpect: subcooling.In(u),
		Age: r.Age(max(state.Received, state.At)), Alerts: alerts,
	}
}

// Group is the rows of one site, since a van drives to a site and not to a machine; or of one
// installer, one model or one fault.
type Group struct {
	ID, Name, Note string
	Href           string // to these machines alone
	Says           string // how they stand, "" where the rows say it
	Owner          string
	OwnerHref      string // the page of the owner, "" where there is none
	Rows           []Row
}

// HealthCount is how many systems have a health, as a filter of the list.
type HealthCount struct {
	Health  dewline.Health
	Word    string
	Count   int
	Href    string
	Current bool
	Normal  bool
}

// Query is which machines a list shows, as its address says.
type Query struct {
	Health    dewline.Health // "" for every
	Text      string         // see Matches; "" for every
	Site      string         // its id
	Tag       string
	Installer string
	Model     string
	Fault     dewline.Fault // the likeliest of an alert that has not ended
	By        Grouping
	Page      int // from 1
}

// Grouping is what the rows of a list are put together by.
type Grouping string

// The groupings of a list.
const (
	BySite      Grouping = ""
	ByWorst     Grouping = "worst" // by site, the one where it is worst first
	ByInstaller Grouping = "installer"
	ByModel     Grouping = "model"
	ByFault     Grouping = "fault"
)

// Groupings returns every grouping, in the order in which they are offered.
func Groupings() []Grouping { return []Grouping{BySite, ByWorst, ByInstaller, ByModel, ByFault} }

var groupingWords = map[Grouping]dewline.Phrase{BySite: "site", ByWorst: "site, worst first", ByInstaller: "installer", ByModel: "model", ByFault: "likely fault"}

// GroupingWord names a grouping.
func (u Idiom) GroupingWord(g Grouping) string { return wordOr(u, groupingWords, g) }

// OfSites says whether the groups are sites.
func (g Grouping) OfSites() bool { return g == BySite || g == ByWorst }

// FleetHref is the address of the list of machines.
const FleetHref = "/fleet"

// address joins what is stated to an address, in a fixed order.
func address(path string, pairs ...string) string {
	var parts []string
	for i := 0; i < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			parts = append(parts, pairs[i]+"="+url.QueryEscape(pairs[i+1]))
		}
	}
	if len(parts) == 0 {
		return path
	}
	return path + "?" + strings.Join(parts, "&")
}

func pageNumber(n int) string {
	if n > 1 {
		return strconv.Itoa(n)
	}
	return ""
}

// Href is the address of the list.
func (q Query) Href() string {
	return address(FleetHref, "health", string(q.Health), "q", q.Text, "site", q.Site, "tag", q.Tag, "installer", q.Installer, "model", q.Model, "fault", string(q.Fault),
		"by", string(q.By), "page", pageNumber(q.Page))
}

// At returns the query for another page.
func (q Query) At(page int) Query { q.Page = page; return q }

// Matches says whether a system of a site of an owner is on the list. A text is looked for in what people call
// a machine by: names, ids, model, refrigerant and tags, and where it is, whose, and who installed it.
func (q Query) Matches(sys *dewline.System, site *dewline.Site, owner string, health dewline.Health, fault dewline.Fault) bool {
	switch {
	case q.Site != "" && q.Site != site.ID, q.Model != "" && q.Model != sys.Model:
		return false
	case q.Health != "" && q.Health != health, q.Fault != "" && q.Fault != fault,
		q.Installer != "" && q.Installer != sys.Installer, q.Tag != "" && !slices.Contains(sys.Tags, q.Tag):
		return false
	case q.Text == "":
		return true
	}
	text := strings.ToLower(q.Text)
	has := func(s string) bool { return strings.Contains(strings.ToLower(s), text) }
	return slices.ContainsFunc([]string{sys.Name, string(sys.ID), sys.Model, sys.Refrigerant, sys.Installer, site.Name, site.Address, owner}, has) ||
		slices.ContainsFunc(sys.Tags, has)
}

// GroupOf returns the key of the group into which a machine falls: the id of its site, its installer or model,
// or its likely fault; "" where that is not known.
func (q Query) GroupOf(sys *dewline.System, fault dewline.Fault) string {
	switch q.By {
	case ByInstaller:
		return sys.Installer
	case ByModel:
		return sys.Model
	case ByFault:
		return string(fault)
	}
	return sys.ID.Site()
}

// GroupName names a group by its key.
func (q Query) GroupName(key string, u Idiom) string {
	switch {
	case key == "" && q.By == ByInstaller:
		return u.Say("installer not stated")
	case key == "" && q.By == ByModel:
		return u.Say("model not stated")
	case key == "" && q.By == ByFault:
		return u.Say("no fault is suspected")
	case q.By == ByFault:
		return u.FaultWord(dewline.Fault(key))
	}
	return key
}

// OfGroup is the query for the machines of one group.
func (q Query) OfGroup(key string) Query {
	to := Query{By: q.By}
	switch q.By {
	case ByInstaller:
		to.Installer = key
	case ByModel:
		to.Model = key
	case ByFault:
		to.Fault = dewline.Fault(key)
	default:
		to.Site = key
	}
	return to
}

// TopFault returns the likeliest fault of the gravest of some alerts, "" where there is none.
func TopFault(alerts []dewline.Alert) dewline.Fault {
	for i := range alerts {
		if alerts[i].Condition == dewline.Silent {
			continue
		}
		if c, ok := likeliest(&alerts[i]); ok {
			return c.Fault
		}
	}
	return ""
}

// likeliest returns the likeliest cause that is one: no fault is none.
func likeliest(a *dewline.Alert) (best dewline.Cause, ok bool) {
	for _, c := range a.Causes {
		if c.Fault != dewline.NoFault && c.Probability > best.Probability {
			best, ok = c, true
		}
	}
	return best, ok
}

// Counts returns the filters by health, the gravest first, those that no system has left out.
func Counts(counts map[dewline.Health]int, q Query, u Idiom) []HealthCount {
	var all []HealthCount
	for _, h := range healths {
		if counts[h.health] == 0 && q.Health != h.health {
			continue
		}
		all = append(all, HealthCount{
			Health: h.health, Word: h.word.Said(u), Count: counts[h.health],
			Href: q.withHealth(h.health).Href(), Current: q.Health == h.health,
			Normal: h.health == dewline.HealthWell || h.health == dewline.HealthLearning,
		})
	}
	return all
}

// withHealth is the query for the first page of another health.
func (q Query) withHealth(h dewline.Health) Query { q.Health, q.Page = h, 1; return q }
