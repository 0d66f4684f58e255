package refrigerant

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"dewline"
	"dewline/thermo/si"
)

// setDues works out what the rule asks for.
func (k *reckoning) setDues(rule Rule) {
	standing := k.account.Rules[0]
	if !standing.Applies {
		return
	}
	var over []dewline.LeakRate
	for _, r := range k.account.Rates {
		if len(r.Over) > 0 {
			over = append(over, r)
		}
	}
	for _, r := range over {
		k.repairs(rule, r, *standing.Trigger)
	}
	if len(over) > 0 {
		k.inspections(rule, over[len(over)-1])
	}
	k.chronic(rule)
	slices.SortStableFunc(k.account.Dues, func(a, b dewline.Due) int {
		return cmp.Or(cmp.Compare(a.By, b.By), slices.Index(dewline.DueKinds(), a.Kind)-slices.Index(dewline.DueKinds(), b.Kind))
	})
}

// repairs is what follows an addition whose leak rate is above the trigger: repair and a first test,
// a follow-up test, and a retrofit where it cannot be repaired.
func (k *reckoning) repairs(rule Rule, r dewline.LeakRate, trigger float64) {
	because := fmt.Sprintf("leak rate %s on %s, above %s", percentText(*r.Figure(k.account.Method).Percent), r.Day, percentText(trigger))
	after := func(kind dewline.LedgerKind, at dewline.Stamp) func(dewline.LedgerEntry) bool {
		return func(e dewline.LedgerEntry) bool {
			return e.Kind == kind && e.At >= at && (kind == dewline.LedgerRepair || e.Passed)
		}
	}
	by := k.extended(dewline.DueRepair, r.At, r.Day.Add(rule.RepairDays))
	initial, tested := k.first(after(dewline.LedgerInitial, r.At))
	repair, repaired := k.first(after(dewline.LedgerRepair, r.At))
	if tested && (!repaired || initial.At < repair.At) { // a repair that was tested was made
		repair, repaired = initial, true
	}
	k.due(rule, dewline.DueRepair, because, by, repair, repaired)
	k.due(rule, dewline.DueInitial, because, k.extended(dewline.DueInitial, r.At, by), initial, tested)
	followed := false
	if tested {
		var test dewline.LedgerEntry
		test, followed = k.first(after(dewline.LedgerFollowUp, initial.At))
		k.due(rule, dewline.DueFollowUp, "a repair that passed its first test on "+string(k.day(initial.At)),
			k.extended(dewline.DueFollowUp, initial.At, k.day(initial.At).Add(rule.FollowUpDays)), test, followed)
	}
	failed, hasFailed := k.last(k.now, func(e dewline.LedgerEntry) bool {
		return e.Kind == dewline.LedgerFollowUp && e.At >= r.At && !e.Passed
	})
	today := dewline.DayOf(k.now, k.zone)
	switch {
	case followed:
	case hasFailed:
		k.due(rule, dewline.DueRetrofit, "the follow-up test of "+string(k.day(failed.At))+" failed: repair again, or have a plan to retrofit or retire",
			k.extended(dewline.DueRetrofit, r.At, k.day(failed.At).Add(rule.RetrofitDays)), dewline.LedgerEntry{}, false)
	case !tested && today > by:
		k.due(rule, dewline.DueRetrofit, "not repaired by "+string(by)+": repair, or have a plan to retrofit or retire",
			k.extended(dewline.DueRetrofit, r.At, by.Add(rule.RetrofitDays)), dewline.LedgerEntry{}, false)
	}
}

// inspections follow the last addition above the trigger, quarterly or yearly, until a year has gone
// by without another.
func (k *reckoning) inspections(rule Rule, r dewline.LeakRate) {
	months, every := 12, "a year"
	c := k.account.Category
	if (c == dewline.CommercialRefrigeration || c == dewline.IndustrialProcess) && k.account.FullCharge >= rule.Quarterly-1e-9 {
		months, every = 3, "a quarter"
	}
	var made []dewline.LedgerEntry
	for _, e := range k.live {
		if e.Kind == dewline.LedgerInspection && e.At >= r.At {
			made = append(made, e)
		}
	}
	for n := range 12 / months {
		by := dewline.Day(r.Day.Time().AddDate(0, (n+1)*months, 0).Format("2006-01-02"))
		var done dewline.LedgerEntry
		if n < len(made) {
			done = made[n]
		}
		k.due(rule, dewline.DueInspection, "once "+every+" after the leak rate of "+string(r.Day),
			k.extended(dewline.DueInspection, r.At, by), done, n < len(made))
	}
}

// chronic adds the report of an appliance that lost more than its charge in a calendar year.
func (k *reckoning) chronic(rule Rule) {
	lost := map[int]si.Kilogram{}
	for _, a := range k.account.Additions {
		if a.Net > 0 && a.Excluded == "" && a.Day >= rule.From {
			lost[a.Day.Time().Year()] += a.Net
		}
	}
	for _, year := range slices.Sorted(maps.Keys(lost)) {
		percent := RollingPercent(lost[year], k.account.FullCharge)
		if rule.Chronic <= 0 || percent < rule.Chronic {
			continue
		}
		by := dewline.Day(fmt.Sprintf("%04d-03-01", year+1))
		sent, ok := k.first(func(e dewline.LedgerEntry) bool {
			return e.Kind == dewline.LedgerReport && k.day(e.At) >= dewline.Day(fmt.Sprintf("%04d-01-01", year+1))
		})
		k.due(rule, dewline.DueReport, fmt.Sprintf("%s of the full charge was added in %d", percentText(percent), year), by, sent, ok)
	}
}

// first returns the oldest entry that is it.
func (k *reckoning) first(is func(dewline.LedgerEntry) bool) (dewline.LedgerEntry, bool) {
	if i := slices.IndexFunc(k.live, is); i >= 0 {
		return k.live[i], true
	}
	return dewline.LedgerEntry{}, false
}

// extended returns the day to which something was extended after a time, or by where it was not.
func (k *reckoning) extended(kind dewline.DueKind, since dewline.Stamp, by dewline.Day) dewline.Day {
	if e, ok := k.last(k.now, func(e dewline.LedgerEntry) bool {
		return e.Kind == dewline.LedgerExtension && e.Due == kind && e.At >= since
	}); ok {
		return e.Until
	}
	return by
}

// due adds what is due. Of a kind that is still open the earliest stands for all.
func (k *reckoning) due(rule Rule, kind dewline.DueKind, because string, by dewline.Day, done dewline.LedgerEntry, isDone bool) {
	d := dewline.Due{System: k.account.Systems[0], Kind: kind, Rule: rule.Name, Because: because, By: by, State: dewline.DueOpen}
	switch {
	case isDone:
		d.State, d.Done = dewline.DueDone, k.day(done.At)
	case dewline.DayOf(k.now, k.zone) > by:
		d.State = dewline.DueOverdue
	}
	if !isDone && kind != dewline.DueInspection && kind != dewline.DueReport &&
		slices.ContainsFunc(k.account.Dues, func(o dewline.Due) bool { return o.Kind == kind && o.State != dewline.DueDone }) {
		return
	}
	k.account.Dues = append(k.account.Dues, d)
}
