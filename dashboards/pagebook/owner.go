package pagebook

import (
	"context"
	"fmt"

	"dewline"
)

// standings are how the machines of stories stand for their owners.
var standings = map[story]struct {
	standing dewline.Standing
	says     string
}{
	flooding:     {dewline.NeedsToday, "The compressor is at risk, since 1 July."},
	starving:     {dewline.NeedsSoon, "It cools less than it should, since 28 June."},
	losingCharge: {dewline.Drifting, "Its readings drift from what they were, since 29 June."},
	doubtful:     {dewline.DataDoubt, "One of the sensors cannot be believed, since 2 July. What it shows is not to be relied on until that is settled."},
	silent:       {dewline.StandSilent, "No reading arrives, since 2 July. Nothing is known of it since."},
	unheard:      {dewline.StandSilent, "No reading tells whether it ran: nothing is known of it."},
	learning:     {dewline.Learning, "Nothing speaks against it; Dewline still learns what is normal for it."},
	underRepair:  {dewline.UnderRepair, "A visit is under way: it cools less than it should, since 30 June."},
	beingProved:  {dewline.BeingProved, "Repaired; its readings of the coming days decide whether that holds. Before: it does not run evenly, since 27 June."},
	proved:       {dewline.StandProved, "Well again: the repair is proved by its readings. What was seen is over since 30 June: its readings drift from what they were."},
}

// OwnerMonth tells of a month as the real thing does, out of the stories. What only the real thing can
// know, who may see an owner, it leaves to the pages.
func (b *Book) OwnerMonth(_ context.Context, id string, month dewline.Month) (dewline.OwnerMonth, error) {
	if b.Err != nil {
		return dewline.OwnerMonth{}, b.Err
	}
	owner, ok := b.Fleet.Owner(id)
	if !ok {
		return dewline.OwnerMonth{}, &dewline.Error{Code: dewline.NotFound, Op: "month of an owner"}
	}
	m := dewline.OwnerMonth{
		Owner: id, Name: owner.Name, Month: month, Made: dewline.Stamp(b.before(0)), Over: true, Caution: dewline.Caution,
		Notes: []string{"Energy is that of compressors alone, without fans, heaters and controls, over the hours that were heard."},
	}
	for i := range b.Fleet.Sites {
		if site := &b.Fleet.Sites[i]; site.Owner == id {
			b.ownerSite(&m, site)
		}
	}
	m.Total.PerKWh, m.Total.Currency = 0.24, "EUR"
	cost, low, high := m.Total.KWh*0.24, m.Total.LowKWh*0.24, m.Total.HighKWh*0.24
	m.Total.Cost = &cost
	if m.Total.Faulty > m.Total.Unknown {
		m.Total.ExcessLow, m.Total.ExcessTop = &low, &high
	}
	return m, nil
}

func (b *Book) ownerSite(m *dewline.OwnerMonth, site *dewline.Site) {
	from, to := m.Month.Span(site.Timezone)
	if now := b.before(0); to > now {
		to, m.Over = now, false
	}
	m.AsOf = max(m.AsOf, dewline.Stamp(to))
	s := dewline.OwnerSite{Site: site.ID, Name: site.Name, Timezone: site.Timezone.String(), From: dewline.Stamp(from), To: dewline.Stamp(to)}
	for i := range site.Systems {
		sys := &site.Systems[i]
		x := dewline.OwnerMachine{System: sys.ID, Name: sys.Name, Kind: sys.Kind, Refrigerant: sys.Refrigerant, Standing: dewline.StandWell, Says: "Well."}
		if known, ok := standings[b.stories[sys.ID]]; ok {
			x.Standing, x.Says = known.standing, known.says
		}
		b.ownerUse(m, &x, sys, site, from, to)
		s.Machines = append(s.Machines, x)
		b.ownerStory(m, sys, site, to)
	}
	m.Sites = append(m.Sites, s)
}

// ownerUse makes up run hours of a machine, and energy where its page of the book has a power.
func (b *Book) ownerUse(m *dewline.OwnerMonth, x *dewline.OwnerMachine, sys *dewline.System, site *dewline.Site, from, to dewline.Millis) {
	m.Total.Machines++
	x.Use.SpanHours = to.Sub(from).Hours()
	if b.stories[sys.ID] == unheard {
		x.Use.Missing, x.Energy.Missing = "no reading tells whether it ran", "no reading tells whether it ran"
		return
	}
	x.Use.HeardHours = x.Use.SpanHours
	if b.stories[sys.ID] == silent {
		x.Use.HeardHours -= 2.5
	}
	run, starts := 0.0, int(x.Use.SpanHours*1.5)
	for day := dewline.DayOf(from, site.Timezone); day <= dewline.DayOf(to-1, site.Timezone); day = day.Add(1) {
		d := dewline.OwnerDay{Day: day, RunHours: 9 + 4*noise(sys.ID, dewline.MillisOf(day.Time()), "run")}
		x.Use.Days = append(x.Use.Days, d)
		run += d.RunHours
	}
	x.Use.RunHours, x.Use.Starts, x.Use.By = &run, &starts, "the compressor's own contact"
	if sys.Capacity == 0 {
		x.Energy.Missing = "no power is measured, and no rated power is stated"
	} else {
		kWh := run * float64(sys.Capacity) / 3.4 / 1000
		x.Energy = dewline.OwnerEnergy{KWh: &kWh, By: "measured"}
		m.Total.KWh, m.Total.Measured = m.Total.KWh+kWh, m.Total.Measured+1
	}
	switch story := b.stories[sys.ID]; {
	case story == losingCharge:
		low, high := 0.0, 0.05**x.Energy.KWh
		x.Excess = dewline.OwnerExcess{Hours: run / 3, Faults: []dewline.Fault{dewline.Undercharge}, LowKWh: &low, HighKWh: &high, Sources: []string{"charge correlation of NIST, a heat pump with TXV at 35 °C outdoors, 70 % of the charge"}}
		m.Total.Faulty, m.Total.HighKWh = m.Total.Faulty+1, m.Total.HighKWh+high
	case story == flooding || story == starving:
		x.Excess = dewline.OwnerExcess{Hours: run / 4, Faults: []dewline.Fault{dewline.Overfeed}, Missing: "no figure that would fit is published for this fault: " + dewline.Overfeed.ForOwner()}
		m.Total.Faulty, m.Total.Unknown = m.Total.Faulty+1, m.Total.Unknown+1
	}
}

// ownerStory adds what happened to a machine.
func (b *Book) ownerStory(m *dewline.OwnerMonth, sys *dewline.System, site *dewline.Site, to dewline.Millis) {
	at := func(what string) dewline.OwnerChange {
		return dewline.OwnerChange{Day: dewline.DayOf(to-1, site.Timezone), At: dewline.Stamp(to - 1), Site: site.ID, Where: site.Name, System: sys.ID, Name: sys.Name, What: what}
	}
	advise := func(what string) {
		m.Advice = append(m.Advice, dewline.OwnerAdvice{Site: site.ID, Where: site.Name, System: sys.ID, Name: sys.Name, What: what})
	}
	record := dewline.OwnerRecord{Appliance: string(sys.ID), Name: sys.Name, Where: site.Name, Refrigerant: sys.Refrigerant, FullCharge: sys.Charge, Method: dewline.Annualizing}
	switch b.stories[sys.ID] {
	case flooding:
		m.Changes = append(m.Changes, at("Seen: the compressor is at risk."))
		advise("Agree a visit for today, if none is agreed.")
	case losingCharge:
		m.Changes = append(m.Changes, at("Seen: its readings drift from what they were."))
		advise("Agree that it is looked at with the next visit. Left as it is, it may reach the limit that hurts in 6 to 20 days.")
	case underRepair:
		advise("Agree the visit of Friday 4 July, 09:00 to 12:00 and who gives access.")
	case proved:
		before, after, low, high, percent := 1.4, 5.2, 3.3, 6.7, 31.2
		m.Works = append(m.Works, dewline.OwnerWork{OwnerChange: at("Found: too little refrigerant; flare changed or adjusted."), Call: "call-" + sys.ID.System(), Verdict: dewline.Verified,
			Why: []string{"subcooling is within its band in 43 windows on 5 days"}, Charged: 1.4, Recovered: 1.05,
			Measures: []dewline.OwnerMeasure{{Quantity: "subcooling", Unit: "K", Before: &before, After: &after, Low: &low, High: &high}}})
		record.Charged, record.Recovered, record.Notice = 1.4, 1.05, "This is not legal advice."
		record.Rate = &dewline.LeakRate{Day: dewline.DayOf(to-1, site.Timezone), Annualizing: dewline.LeakFigure{Percent: &percent}}
		m.Changes = append(m.Changes, at(fmt.Sprintf("Over: %s.", dewline.ChargeDrift.ForOwner())))
	}
	m.Records = append(m.Records, record)
}
