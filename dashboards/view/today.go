package view

import (
	"net/url"
	"strconv"
	"strings"
	"time"

	"dewline"
)

// Row is one system in a list: one sentence, its waterline, and its numbers.
type Row struct {
	Href, Name, About string // About: "split air conditioner, R-410A"
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
func NewRow(sys *dewline.System, state dewline.SystemState, a Assessment, alerts int, f Fortnight, now time.Time, zone *time.Location) Row {
	superheat, subcooling := ExpectedSuperheat(sys), ExpectedSubcooling(sys)
	sh, sc := reading(state, dewline.Superheat), reading(state, dewline.Subcooling)
	if stale(state, now) {
		sh.Past, sc.Past = true, true
	}
	return Row{
		Href: SystemHref(sys.ID), Name: sys.Name, About: KindWord(sys.Kind) + ", " + sys.Refrigerant,
		Health: a.Health, Word: HealthWord(a.Health),
		Normal:    a.Health == dewline.HealthWell || a.Health == dewline.HealthLearning,
		Sentence:  Sentence(sys, state, a),
		Glyph:     NewGlyph(f, superheat, subcooling),
		Superheat: sh, Subcooling: sc,
		SuperExpect: superheat.String(), SubExpect: subcooling.String(),
		Age: AgeOf(max(state.Received, state.At), now, zone), Alerts: alerts,
	}
}

// SiteGroup is the rows of one site: a van drives to a site, not to a machine.
type SiteGroup struct {
	ID, Name, Owner, Zone string
	Rows                  []Row
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

// Query is what a list shows, as its address says.
type Query struct {
	Health dewline.Health // "" for every
	Text   string         // in name, id, site or tag; "" for every
	Page   int            // from 1
}

// Href is the address of the list.
func (q Query) Href() string {
	var parts []string
	if q.Health != "" {
		parts = append(parts, "health="+string(q.Health))
	}
	if q.Text != "" {
		parts = append(parts, "q="+url.QueryEscape(q.Text))
	}
	if q.Page > 1 {
		parts = append(parts, "page="+strconv.Itoa(q.Page))
	}
	if len(parts) == 0 {
		return "/"
	}
	return "/?" + strings.Join(parts, "&")
}

// At returns the query for another page.
func (q Query) At(page int) Query { q.Page = page; return q }

// Matches says whether a system is on the list.
func (q Query) Matches(sys *dewline.System, site *dewline.Site, health dewline.Health) bool {
	if q.Health != "" && q.Health != health {
		return false
	}
	if q.Text == "" {
		return true
	}
	text := strings.ToLower(q.Text)
	has := func(s string) bool { return strings.Contains(strings.ToLower(s), text) }
	if has(sys.Name) || has(string(sys.ID)) || site != nil && has(site.Name) {
		return true
	}
	for _, tag := range sys.Tags {
		if has(tag) {
			return true
		}
	}
	return false
}

// Headline says in one sentence what the day asks for.
func Headline(counts map[dewline.Health]int, total int) string {
	var parts []string
	say := func(h dewline.Health, one, many string) {
		if n := counts[h]; n > 0 {
			parts = append(parts, plural(n, one, many))
		}
	}
	say(dewline.HealthUrgent, "machine needs someone today", "machines need someone today")
	say(dewline.HealthSoon, "this week", "this week")
	say(dewline.HealthSilent, "is silent", "are silent")
	say(dewline.HealthDoubtful, "gives data in doubt", "give data in doubt")
	say(dewline.HealthUnderRepair, "is under repair", "are under repair")
	say(dewline.HealthDrifting, "drifts", "drift")
	rest := counts[dewline.HealthWell] + counts[dewline.HealthLearning]
	switch {
	case len(parts) == 0 && counts[dewline.HealthWell] == 0:
		return plural(total, "machine is", "machines are") + " learning what is normal."
	case len(parts) == 0 && counts[dewline.HealthLearning] > 0:
		return "Nothing needs you. " + sentenceCase(plural(counts[dewline.HealthWell], "machine is well", "machines are well")+
			", "+plural(counts[dewline.HealthLearning], "is learning", "are learning"))
	case len(parts) == 0:
		return "Nothing needs you. " + sentenceCase(wholeFleet(total))
	}
	text := sentenceCase(strings.Join(parts, ", "))
	if rest > 0 {
		text += " Nothing is asked of the other " + Count(int64(rest)) + "."
	}
	return text
}

func wholeFleet(total int) string {
	switch total {
	case 1:
		return "the one machine is well"
	case 2:
		return "both machines are well"
	}
	return "all " + Count(int64(total)) + " machines are well"
}

// Counts returns the filters by health, the gravest first, those that no system has left out.
func Counts(counts map[dewline.Health]int, q Query) []HealthCount {
	var all []HealthCount
	for _, h := range healths {
		if counts[h.health] == 0 && q.Health != h.health {
			continue
		}
		all = append(all, HealthCount{
			Health: h.health, Word: h.word, Count: counts[h.health],
			Href: Query{Health: h.health, Text: q.Text}.Href(), Current: q.Health == h.health,
			Normal: h.health == dewline.HealthWell || h.health == dewline.HealthLearning,
		})
	}
	return all
}
