package view

import (
	"net/url"
	"slices"
	"strings"
	"time"

	"dewline"
)

// OwnerHref is the address of an owner's page, of a month or "" for the one that is under way.
func OwnerHref(owner string, month dewline.Month) string {
	return address("/owners/"+url.PathEscape(owner), "month", string(month))
}

// ReportHref is the address of the report of an owner's month.
func ReportHref(owner string, month dewline.Month) string {
	return "/owners/" + url.PathEscape(owner) + "/reports/" + string(month) + ".pdf"
}

// OwnerSite is a site with its machines, as an owner reads of them.
type OwnerSite struct {
	Name  string
	Lines []OwnerLine
	Well  int // machines with nothing to look at that are not listed
}

// OwnerLine is a machine in one line.
type OwnerLine struct {
	Href, Name, Kind string
	Health           dewline.Health // whose mark it carries
	Stands           string
	Normal           bool
	Says, Why        string
	Run, Starts      string
	Energy, Excess   string
}

// OwnerWork is a visit, as an owner reads of it.
type OwnerWork struct {
	Day, Name, Href, Where string
	What, Moved, Verdict   string
	Proved                 bool
	Measures               []OwnerMeasure
	Pack                   string // the address of the closing pack, "" where there is no call
}

// OwnerMeasure is a quantity before and after a visit, in the reader's units.
type OwnerMeasure struct{ Name, Unit, Before, After, Expected string }

// OwnerRecord is what the refrigerant records say of an appliance.
type OwnerRecord struct{ Name, Where, Refrigerant, Charge, In, Out, Rate string }

// mostOwnerLines is how many machines an owner's page lists. Beyond it those that are well are counted.
const mostOwnerLines = 300

// standingHealths are the healths whose marks standings carry.
var standingHealths = map[dewline.Standing]dewline.Health{
	dewline.NeedsToday: dewline.HealthUrgent, dewline.NeedsSoon: dewline.HealthSoon, dewline.StandSilent: dewline.HealthSilent,
	dewline.DataDoubt: dewline.HealthDoubtful, dewline.UnderRepair: dewline.HealthUnderRepair, dewline.BeingProved: dewline.HealthUnderRepair,
	dewline.Drifting: dewline.HealthDrifting, dewline.Learning: dewline.HealthLearning,
}

// OwnerSites puts the machines of a month into lines, and says once what the figures of several lack.
func OwnerSites(m dewline.OwnerMonth, u Idiom) (all []OwnerSite, why []string) {
	of, shared := m.Why(u)
	for _, s := range m.Sites {
		site := OwnerSite{Name: s.Name}
		for _, x := range s.Machines {
			if m.Total.Machines > mostOwnerLines && x.Standing.Normal() {
				site.Well++
				continue
			}
			line := OwnerLine{Href: SystemHref(x.System), Name: x.Name, Kind: u.KindWord(x.Kind), Health: dewline.HealthWell, Stands: x.Standing.Words(u),
				Normal: x.Standing.Normal(), Says: x.Says, Why: of[x.System], Energy: x.Energy.Words(u), Excess: x.Excess.Words(u)}
			if h, ok := standingHealths[x.Standing]; ok {
				line.Health = h
			}
			line.Run, line.Starts = x.Use.Words(u)
			site.Lines = append(site.Lines, line)
		}
		all = append(all, site)
	}
	return all, shared
}

// OwnerWorks puts the visits of a month into words, the newest first.
func OwnerWorks(m dewline.OwnerMonth, r Reader) []OwnerWork {
	var all []OwnerWork
	for _, w := range slices.Backward(m.Works) {
		x := OwnerWork{Day: dayWord(w.Day, r.Idiom), Name: w.Name, Href: SystemHref(w.System), Where: w.Where, What: w.What, Verdict: w.Words(r), Proved: w.Verdict == dewline.Verified}
		if w.Charged+w.Recovered > 0 {
			x.Moved = r.Say("Refrigerant off the scale: {1} in, {2} out.", spaced(r.Mass(w.Charged, 2)), spaced(r.Mass(w.Recovered, 2)))
		}
		for _, q := range w.Measures {
			u := shownAs(q.Unit, r.Idiom)
			number := func(v *float64) string {
				if v == nil {
					return r.Say(dewline.NotKnown)
				}
				return Decimal(u.value(*v), 1)
			}
			band := open("")
			if q.Low != nil {
				band.Low = u.value(*q.Low)
			}
			if q.High != nil {
				band.High = u.value(*q.High)
			}
			x.Measures = append(x.Measures, OwnerMeasure{r.Name(q.Quantity), u.Word, number(q.Before), number(q.After), band.Words(r.Idiom)})
		}
		if w.Call != "" {
			x.Pack = "/api/v1/service-calls/" + url.PathEscape(w.Call) + "/closing-pack.pdf"
		}
		all = append(all, x)
	}
	return all
}

// OwnerRecords puts the refrigerant records into words, without those of appliances to which nothing
// was ever added, which are counted.
func OwnerRecords(m dewline.OwnerMonth, r Reader) (list []OwnerRecord, quiet int) {
	for _, x := range m.Records {
		if x.Rate == nil && x.Charged+x.Recovered == 0 && len(x.Dues) == 0 {
			quiet++
			continue
		}
		charge := r.Say(dewline.NotKnown)
		if x.FullCharge > 0 {
			charge = spaced(r.Idiom.Mass(x.FullCharge, 2))
		}
		list = append(list, OwnerRecord{x.Name, x.Where, x.Refrigerant, charge, spaced(r.Idiom.Mass(x.Charged, 2)), spaced(r.Idiom.Mass(x.Recovered, 2)), x.Words(r)})
	}
	return list, quiet
}

// OwnerChange is something that changed.
type OwnerChange struct{ Day, Name, Href, Where, What string }

// OwnerChanges puts what changed into lines, the newest first.
func OwnerChanges(m dewline.OwnerMonth, u Idiom) []OwnerChange {
	var all []OwnerChange
	for _, c := range slices.Backward(m.Changes) {
		all = append(all, OwnerChange{dayWord(c.Day, u), c.Name, SystemHref(c.System), c.Where, c.What})
	}
	return all
}

func dayWord(d dewline.Day, u Idiom) string { return u.Time(d.Time(), "2 January") }

// Days is a drawing of how long machines ran on each day.
type Days struct {
	Width, Height int
	Plot          Box
	Bars          string
	Hours         []Tick
	Names         []Tick // of days
	Rows          []DayRow
}

// DayRow is a day of it as a row.
type DayRow struct{ Day, Hours string }

// NewDays draws the days of all machines together, in both sizes. It is false where nothing is known.
func NewDays(m dewline.OwnerMonth, u Idiom) (ChartSet[Days], bool) {
	days := m.Days()
	if len(days) == 0 {
		return ChartSet[Days]{}, false
	}
	from, _ := m.Month.Span(time.UTC)
	end, _ := m.Month.Add(1).Span(time.UTC)
	count := int(end.Sub(from) / (24 * time.Hour))
	most := 1.0
	for _, day := range days {
		most = max(most, day.RunHours)
	}
	draw := func(width, height int) Days {
		d := Days{Width: width, Height: height, Plot: Box{X: 40, Y: 8, Width: float64(width) - 46, Height: float64(height) - 34}}
		y := scale{0, most * 1.08, d.Plot.Y + d.Plot.Height, d.Plot.Y}
		slot := d.Plot.Width / float64(count)
		var p path
		for _, day := range days {
			n := float64(day.Day.Time().Day() - 1)
			top := y.at(day.RunHours)
			p.rect(d.Plot.X+(n+0.14)*slot, top, 0.72*slot, d.Plot.Y+d.Plot.Height-top)
		}
		d.Bars = p.String()
		for _, at := range ticks(0, most*1.08, 3) {
			d.Hours = append(d.Hours, Tick{y.at(at), Decimal(at, 0)})
		}
		for n := range count {
			if n == 0 || (n+1)%5 == 0 {
				d.Names = append(d.Names, Tick{d.Plot.X + (float64(n)+0.5)*slot, Count(int64(n + 1))})
			}
		}
		return d
	}
	set := ChartSet[Days]{draw(760, 150), draw(360, 150)}
	for _, day := range days {
		set.Wide.Rows = append(set.Wide.Rows, DayRow{dayWord(day.Day, u), Decimal(day.RunHours, 1)})
	}
	return set, true
}

// MonthWord is a month in a sentence.
func MonthWord(m dewline.Month, u Idiom) string {
	from, _ := m.Span(time.UTC)
	return strings.ReplaceAll(u.Time(from.Time(), "January 2006"), " ", "\u00a0")
}
