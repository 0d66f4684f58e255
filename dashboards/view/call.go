package view

import (
	"cmp"
	"math"
	"net/url"
	"slices"
	"strings"
	"time"

	"dewline"
	"dewline/thermo/si"
)

var callStateWords = map[dewline.CallState]dewline.Phrase{
	dewline.CallNew: "needs a technician", dewline.CallAssigned: "assigned", dewline.CallScheduled: "planned", dewline.CallOnTheWay: "on the way",
	dewline.CallOnSite: "on site", dewline.CallDone: "being proved", dewline.CallProved: "proved", dewline.CallReturned: "came back: not proved",
	dewline.CallCancelled: "cancelled",
}

// CallStateWord returns the word that people read for where a service call stands.
func (u Idiom) CallStateWord(s dewline.CallState) string { return wordOr(u, callStateWords, s) }

var priorityWords = map[dewline.Priority]dewline.Phrase{
	dewline.P1: "now", dewline.P2: "within a day", dewline.P3: "within two weeks", dewline.P4: "with the next visit",
}

// priorityHealth is the mark of a priority.
var priorityHealth = map[dewline.Priority]dewline.Health{
	dewline.P1: dewline.HealthUrgent, dewline.P2: dewline.HealthUrgent, dewline.P3: dewline.HealthSoon, dewline.P4: dewline.HealthDrifting,
}

// CallHref is the address of a service call.
func CallHref(id string) string { return "/calls/" + url.PathEscape(id) }

// VisitHref is the address at which a visit is recorded.
func VisitHref(call string, id dewline.SystemID) string {
	return CallHref(call) + "/visit/" + string(id)
}

// PhotoHref is the address of a picture of a visit.
func PhotoHref(visit, digest string) string {
	return "/api/v1/visits/" + url.PathEscape(visit) + "/photos/" + url.PathEscape(digest)
}

// CallLine is one service call as a row of a list.
type CallLine struct {
	ID, Href   string
	Health     dewline.Health // the mark; well where nobody has to hurry
	Priority   string         // "within a day", "" where it does not matter any more
	State      string
	Place      string // the site's name
	Systems    []string
	Likely     string // "Likely: the metering device passes too much (72 %)."
	Bring      string
	Technician string
	Planned    string // "2 Jul 09:00 to 11:00"
	Note       string
	Callback   bool     // it follows a call whose repair did not last
	Visits     []string // where its visits are recorded
}

// NewCallLine puts a service call into words.
func NewCallLine(c dewline.ServiceCall, fleet *dewline.Fleet, r Reader) CallLine {
	l := CallLine{ID: c.ID, Href: CallHref(c.ID), Health: dewline.HealthWell, State: r.CallStateWord(c.State), Place: c.Site,
		Technician: c.Technician, Note: c.Note, Callback: c.Follows != "", Planned: planned(c, r)}
	if site, ok := fleet.Site(c.Site); ok {
		l.Place = site.Name
	}
	if !c.State.Ended() && c.State != dewline.CallDone {
		l.Priority, l.Health = wordOr(r.Idiom, priorityWords, c.Priority), cmp.Or(priorityHealth[c.Priority], dewline.HealthWell)
	}
	for _, id := range c.Systems {
		l.Systems = append(l.Systems, systemName(fleet, id))
		if !c.State.Ended() {
			l.Visits = append(l.Visits, VisitHref(c.ID, id))
		}
	}
	var likely []string
	for _, b := range c.Briefs {
		if first, ok := likeliestOf(b.Causes); ok {
			likely = append(likely, r.likelyWords(first))
		}
	}
	if len(likely) > 0 {
		l.Likely = r.Say("Likely: {1}.", strings.Join(likely, "; "))
	}
	var bring []string
	for _, item := range c.Bring {
		if l.Priority != "" { // somebody is still to go
			bring = append(bring, bringWords(item, r.Idiom))
		}
	}
	l.Bring = strings.Join(bring, ", ")
	return l
}

func likeliestOf(causes []dewline.Cause) (first dewline.Cause, ok bool) {
	for _, c := range causes {
		if !ok || c.Probability > first.Probability {
			first, ok = c, true
		}
	}
	return first, ok
}

func systemName(fleet *dewline.Fleet, id dewline.SystemID) string {
	if s, ok := fleet.System(id); ok && s.Name != "" {
		return s.Name
	}
	return string(id)
}

func planned(c dewline.ServiceCall, r Reader) string {
	if c.From == 0 {
		return ""
	}
	from, to := r.In(dewline.Millis(c.From)), r.In(dewline.Millis(c.To))
	until := r.Time(to, "Mon 2 Jan 15:04")
	if from.YearDay() == to.YearDay() && from.Year() == to.Year() {
		until = to.Format("15:04")
	}
	return r.Say("{1} to {2}", r.Time(from, "Mon 2 Jan 15:04"), until)
}

// CallGroup is calls of a list that stand alike, or are planned for one day.
type CallGroup struct {
	Title string
	Lines []CallLine
}

// SortCalls puts calls in the order in which they are gone to: by when they are planned, then by how soon
// they are due, then by place.
func SortCalls(calls []dewline.ServiceCall, fleet *dewline.Fleet) {
	when := func(c dewline.ServiceCall) dewline.Stamp {
		if c.From == 0 {
			return math.MaxInt64
		}
		return c.From
	}
	name := func(c dewline.ServiceCall) string {
		if s, ok := fleet.Site(c.Site); ok {
			return s.Name
		}
		return c.Site
	}
	slices.SortStableFunc(calls, func(a, b dewline.ServiceCall) int {
		return cmp.Or(cmp.Compare(when(a), when(b)), cmp.Compare(a.Priority, b.Priority), cmp.Compare(name(a), name(b)), cmp.Compare(a.Made, b.Made), cmp.Compare(a.ID, b.ID))
	})
}

// GroupCalls sorts calls into those that wait for a decision, those under way, those planned by day, those
// without a day, and those that are done. The reader's zone is that of the call.
func (u Idiom) GroupCalls(calls []dewline.ServiceCall, line func(dewline.ServiceCall) CallLine, day func(dewline.ServiceCall) string) []CallGroup {
	var order []string
	groups := map[string][]CallLine{}
	put := func(title string, c dewline.ServiceCall) {
		if _, known := groups[title]; !known {
			order = append(order, title)
		}
		groups[title] = append(groups[title], line(c))
	}
	stages := []func(dewline.ServiceCall) string{
		func(c dewline.ServiceCall) string {
			return titleIf(c.State == dewline.CallNew || c.State == dewline.CallReturned, u.Say("Waits for the dispatcher"))
		},
		func(c dewline.ServiceCall) string {
			return titleIf(c.State == dewline.CallOnTheWay || c.State == dewline.CallOnSite, u.Say("Under way"))
		},
		func(c dewline.ServiceCall) string {
			return titleIf(c.State == dewline.CallScheduled && c.From != 0, day(c))
		},
		func(c dewline.ServiceCall) string {
			return titleIf(c.State == dewline.CallAssigned || c.State == dewline.CallScheduled && c.From == 0, u.Say("Assigned, no time yet"))
		},
		func(c dewline.ServiceCall) string {
			return titleIf(c.State == dewline.CallDone, u.Say("Being proved by readings"))
		},
		func(c dewline.ServiceCall) string { return titleIf(c.State.Ended(), u.Say("Ended")) },
	}
	for _, stage := range stages {
		for _, c := range calls {
			if title := stage(c); title != "" {
				put(title, c)
			}
		}
	}
	all := make([]CallGroup, len(order))
	for i, title := range order {
		all[i] = CallGroup{title, groups[title]}
	}
	return all
}

func titleIf(is bool, title string) string {
	if is {
		return title
	}
	return ""
}

// BringLine is something to bring, against what the van has.
type BringLine struct {
	What, Why, InVan string
	Short            bool
}

// BringLines holds what a call asks for against the technician's van.
func BringLines(items []dewline.StockItem, u Idiom) []BringLine {
	var all []BringLine
	for _, item := range items {
		l := BringLine{What: sentenceWord(bringWords(item, u)), Why: InUnits(u.kept(item.Why), u)}
		if item.InVan != nil {
			switch {
			case *item.InVan <= 0:
				l.InVan, l.Short = u.Say("Not in the van"), true
			case *item.InVan < item.Amount:
				l.InVan, l.Short = u.Say("The van has {1}", amountWords(*item.InVan, item.Unit, u)), true
			default:
				l.InVan = u.Say("In the van")
			}
		}
		all = append(all, l)
	}
	return all
}

func bringWords(item dewline.StockItem, u Idiom) string {
	what := InUnits(u.kept(cmp.Or(item.What, underscores(item.Key))), u)
	if strings.HasPrefix(item.Unit, "kg") && item.Amount > 0 {
		return amountWords(item.Amount, item.Unit, u) + " " + what
	}
	return what
}

func amountWords(v float64, unit string, u Idiom) string {
	rest, isMass := strings.CutPrefix(unit, "kg")
	if isMass {
		return massWords(si.Kilogram(v), u) + rest
	}
	return strings.TrimSpace(Decimal(v, 0) + " " + unit)
}

// About says what a machine is: "split air conditioner, R-410A, fixed orifice".
func (u Idiom) About(sys *dewline.System) string {
	return u.KindWord(sys.Kind) + ", " + sys.Refrigerant + ", " + u.MeteringWord(sys.Metering)
}

// CallBrief is what a technician should know of one alert before the visit.
type CallBrief struct {
	System    string
	Href      string // of the machine
	VisitHref string
	About     string // "split air conditioner, R-410A, fixed orifice"
	What      string // "Flooding: liquid is reaching the compressor. Since 1 Jul 10:00."
	Health    dewline.Health
	Word      string
	Now       []string // superheat and subcooling as they are
	Causes    []CauseBar
	Settles   string
	Checks    []string
	Limits    []string
	Cautions  VisitCautions
	Before    string // what the last visit found and did, "" without one
}

// NewCallBrief puts a brief into words. The system is nil where it is not enrolled any more.
func NewCallBrief(c dewline.ServiceCall, b dewline.Brief, sys *dewline.System, r Reader) CallBrief {
	out := CallBrief{
		System: string(b.System), What: conditionSays(b.Condition, r.Idiom) + " " + r.Say("Since {1}.", r.Clock(dewline.Millis(b.Onset))),
		Health: severityHealth(b.Severity), Word: wordOr(r.Idiom, severityWords, b.Severity), Settles: sentenceCase(r.Say(b.Settles)), Checks: r.all(b.Checks),
	}
	ranked := slices.SortedStableFunc(slices.Values(b.Causes), func(x, y dewline.Cause) int { return cmp.Compare(y.Probability, x.Probability) })
	for _, cause := range ranked {
		out.Causes = append(out.Causes, CauseBar{sentenceWord(r.causeWords(cause)), percent(cause.Probability), 100 * min(1, max(0, cause.Probability))})
	}
	for _, l := range b.Limits {
		out.Limits = append(out.Limits, sentenceWord(InUnits(underscores(l), r.Idiom)))
	}
	if sys == nil {
		return out
	}
	out.System, out.Href, out.VisitHref = sys.Name, SystemHref(sys.ID), VisitHref(c.ID, sys.ID)
	out.About = r.About(sys)
	out.Cautions = CautionsFor(sys, r.Idiom)
	return out
}

func severityHealth(s dewline.Severity) dewline.Health {
	switch s {
	case dewline.Urgent:
		return dewline.HealthUrgent
	case dewline.Soon:
		return dewline.HealthSoon
	}
	return dewline.HealthDrifting
}

// CallSteps are the changes of a call, oldest first.
func CallSteps(history []dewline.CallChange, r Reader) []Step {
	all := make([]Step, len(history))
	for i, h := range history {
		all[i] = Step{r.Age(h.At), h.By, r.CallStateWord(h.Call.State), InUnits(underscores(h.Why), r.Idiom)}
	}
	return all
}

// Proving is how far the proof of a repair has come.
type Proving struct {
	Word     string
	Health   dewline.Health
	Sentence string
	Why      []string
	Rows     []ProofRow
	At       Age
}

// ProofRow is a quantity before and after the work.
type ProofRow struct{ System, Quantity, Expected, Before, After string }

// NewProving puts a verification into words. Its sentences come with the names of machines.
func NewProving(v dewline.Verification, fleet *dewline.Fleet, r Reader) Proving {
	p := Proving{At: r.Age(dewline.Millis(v.At))}
	switch v.Verdict {
	case dewline.Verified:
		p.Word, p.Health, p.Sentence = r.CallStateWord(dewline.CallProved), dewline.HealthWell, r.Say("The readings prove the repair.")
	case dewline.NotVerified:
		p.Word, p.Health, p.Sentence = r.Say("not proved"), dewline.HealthSoon, r.Say("The readings do not prove the repair: the call is the dispatcher's again.")
	default:
		p.Word, p.Health, p.Sentence = r.CallStateWord(dewline.CallDone), dewline.HealthUnderRepair, r.Say("The machine is being proved by its readings. That takes days; nobody has to do anything for it. What is still needed, and what is met already:")
	}
	for _, why := range v.Why {
		for _, proof := range slices.Concat(v.After, v.Before) {
			why = strings.ReplaceAll(why, string(proof.System), systemName(fleet, proof.System))
		}
		p.Why = append(p.Why, sentenceCase(InUnits(underscores(why), r.Idiom)))
	}
	for _, after := range v.After {
		before := dewline.Proof{}
		if i := slices.IndexFunc(v.Before, func(b dewline.Proof) bool { return b.System == after.System }); i >= 0 {
			before = v.Before[i]
		}
		for _, m := range slices.Concat(after.Measures, after.Conditions) {
			was := NoValue
			for _, b := range slices.Concat(before.Measures, before.Conditions) {
				if b.Quantity == m.Quantity {
					was = measureWords(b, r.Idiom)
				}
			}
			p.Rows = append(p.Rows, ProofRow{systemName(fleet, after.System), sentenceWord(r.Name(m.Quantity)), measureBand(m, r.Idiom), was, measureWords(m, r.Idiom)})
		}
	}
	return p
}

func measureWords(m dewline.Measure, u Idiom) string {
	s := shownAs(m.Unit, u)
	return Decimal(s.value(m.Mean), 1) + "\u00a0" + s.Word + " (" + u.Say("{1} to {2}", Decimal(s.value(m.Min), 1), Decimal(s.value(m.Max), 1)) + ")"
}

func measureBand(m dewline.Measure, u Idiom) string {
	b := open("")
	s := shownAs(m.Unit, u)
	if m.Low != nil {
		b.Low = s.value(*m.Low)
	}
	if m.High != nil {
		b.High = s.value(*m.High)
	}
	if !b.Stated() {
		return NoValue
	}
	return b.Words(u) + "\u00a0" + s.Word
}

// CallFilters offers by whom and by where they stand calls can be narrowed.
func CallFilters(calls []dewline.ServiceCall, technician, state string, u Idiom) (technicians, states []Choice) {
	who, where := newTally(), newTally()
	for _, c := range calls {
		if c.Technician != "" {
			who.add(c.Technician, c.Technician)
		}
		where.add(string(c.State), u.CallStateWord(c.State))
	}
	if technician != "" { // as it is written, whatever calls there are
		if _, known := who[technician]; !known {
			who[technician] = &Choice{Value: technician, Word: technician}
		}
	}
	order := func(c Choice) int { return slices.Index(dewline.CallStates(), dewline.CallState(c.Value)) }
	return who.filter(u, "technician", "", technician, nil).Choices, where.filter(u, "state", "", state, order).Choices
}

// CallsHeadline says how many calls wait.
func (u Idiom) CallsHeadline(open int, technician string) string {
	count := Count(int64(open))
	switch {
	case open == 0 && technician == "":
		return u.Say("No service call waits.")
	case open == 0:
		return u.Say("No service call waits for {1}.", technician)
	case technician == "":
		return u.SayN(open, "1 service call.", "{1} service calls.", count)
	}
	return u.SayN(open, "1 service call for {2}.", "{1} service calls for {2}.", count, technician)
}

// DayTitle names the day of a time at a site.
func DayTitle(at dewline.Millis, r Reader) string {
	zone := cmp.Or(r.Zone, time.UTC)
	t, today := at.Time().In(zone), r.Now.In(zone)
	midnight := func(t time.Time) time.Time { return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC) }
	switch days := int(midnight(t).Sub(midnight(today)) / (24 * time.Hour)); {
	case days == 0:
		return r.Say("Today")
	case days == 1:
		return r.Say("Tomorrow")
	case days < 0:
		return r.Say("Was planned for {1}", r.Time(t, "Monday 2 January"))
	}
	return r.Time(t, "Monday 2 January")
}

// CallAbout says in a sentence where a call stands.
func CallAbout(c dewline.ServiceCall, r Reader) string {
	text := r.CallStateWord(c.State)
	switch when := planned(c, r); {
	case when != "" && c.State == dewline.CallScheduled:
		text = r.Say("planned for {1}", when)
	case when != "":
		text += ", " + r.Say("planned for {1}", when)
	}
	if c.Technician != "" {
		text += ", " + c.Technician
	}
	return sentenceCase(text) + " " + r.Say("Made {1}.", r.Clock(dewline.Millis(c.Made)))
}

// CalendarLine is a link to a calendar.
type CalendarLine struct {
	ID, Whose, Made string
}

// CalendarLines are the links that still open something, of one technician or of all.
func CalendarLines(links []dewline.CalendarLink, technician string, r Reader) (all []CalendarLine) {
	for _, l := range links {
		if l.Revoked == 0 && (technician == "" || strings.EqualFold(l.Technician, technician)) {
			all = append(all, CalendarLine{l.ID, cmp.Or(l.Technician, r.Say("everybody")), r.Say("{1} by {2}", r.Clock(dewline.Millis(l.Made)), l.By)})
		}
	}
	return all
}
