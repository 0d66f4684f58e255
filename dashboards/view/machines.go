package view

import (
	"cmp"
	"maps"
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
// installer or one fault.
type Group struct {
	ID, Name, Note string
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
	Text      string         // in name, id, site or tag; "" for every
	Tag       string
	Installer string
	Fault     dewline.Fault // the likeliest of an alert that has not ended
	By        Grouping
	Page      int // from 1
}

// Grouping is what the rows of a list are put together by.
type Grouping string

// The groupings of a list.
const (
	BySite      Grouping = ""
	ByInstaller Grouping = "installer"
	ByFault     Grouping = "fault"
)

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
	return address(FleetHref, "health", string(q.Health), "q", q.Text, "tag", q.Tag, "installer", q.Installer, "fault", string(q.Fault),
		"by", string(q.By), "page", pageNumber(q.Page))
}

// At returns the query for another page.
func (q Query) At(page int) Query { q.Page = page; return q }

// Matches says whether a system is on the list.
func (q Query) Matches(sys *dewline.System, site *dewline.Site, health dewline.Health, fault dewline.Fault) bool {
	switch {
	case q.Health != "" && q.Health != health, q.Fault != "" && q.Fault != fault,
		q.Installer != "" && q.Installer != sys.Installer, q.Tag != "" && !slices.Contains(sys.Tags, q.Tag):
		return false
	case q.Text == "":
		return true
	}
	text := strings.ToLower(q.Text)
	has := func(s string) bool { return strings.Contains(strings.ToLower(s), text) }
	return has(sys.Name) || has(string(sys.ID)) || site != nil && has(site.Name) || slices.ContainsFunc(sys.Tags, has)
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

// Shared is a link to machines that have something in common.
type Shared struct {
	Word, Href string
	Count      int
	Current    bool
}

// Commons counts what machines have in common.
type Commons struct {
	tags, installers map[string]int
	faults           map[dewline.Fault]int
	both             map[[2]string]int // installer and fault
}

// NewCommons returns an empty count.
func NewCommons() *Commons {
	return &Commons{map[string]int{}, map[string]int{}, map[dewline.Fault]int{}, map[[2]string]int{}}
}

// Add counts a machine with the likeliest fault of its alerts, "" without any.
func (c *Commons) Add(sys *dewline.System, fault dewline.Fault) {
	for _, t := range sys.Tags {
		c.tags[t]++
	}
	if sys.Installer != "" {
		c.installers[sys.Installer]++
	}
	if fault == "" {
		return
	}
	c.faults[fault]++
	if sys.Installer != "" {
		c.both[[2]string{sys.Installer, string(fault)}]++
	}
}

// mostShared is how many links a row of them has.
const mostShared = 12

func shared[K comparable](counts map[K]int, least int, link func(K, int) Shared) []Shared {
	var all []Shared
	for _, key := range slices.Collect(maps.Keys(counts)) {
		if counts[key] >= least {
			all = append(all, link(key, counts[key]))
		}
	}
	slices.SortFunc(all, func(a, b Shared) int { return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Word, b.Word)) })
	return all[:min(len(all), mostShared)]
}

// Tags are the tags that machines carry.
func (c *Commons) Tags(q Query) []Shared {
	return shared(c.tags, 1, func(tag string, n int) Shared {
		return Shared{tag, Query{Tag: tag, By: q.By}.Href(), n, q.Tag == tag}
	})
}

// Installers are those who installed more than one machine.
func (c *Commons) Installers(q Query) []Shared {
	return shared(c.installers, 2, func(name string, n int) Shared {
		return Shared{name, Query{Installer: name, By: q.By}.Href(), n, q.Installer == name}
	})
}

// Faults are those that more than one machine likely has.
func (c *Commons) Faults(q Query, u Idiom) []Shared {
	return shared(c.faults, 2, func(f dewline.Fault, n int) Shared {
		return Shared{u.FaultWord(f), Query{Fault: f, By: q.By}.Href(), n, q.Fault == f}
	})
}

// Repeated are the faults that more than one machine of the same installer likely has: what was done
// once the same way was perhaps done so elsewhere.
func (c *Commons) Repeated(u Idiom) []Shared {
	return shared(c.both, 2, func(k [2]string, n int) Shared {
		return Shared{k[0] + ": " + u.FaultWord(dewline.Fault(k[1])), Query{Installer: k[0], Fault: dewline.Fault(k[1])}.Href(), n, false}
	})
}

// GroupOf returns the name of the group into which a machine falls, and of its order.
func (q Query) GroupOf(sys *dewline.System, fault dewline.Fault, u Idiom) string {
	switch q.By {
	case ByInstaller:
		return cmp.Or(sys.Installer, u.Say("installer not stated"))
	case ByFault:
		if fault == "" {
			return u.Say("no fault is suspected")
		}
		return u.FaultWord(fault)
	}
	return ""
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
