package refrigerant

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dewline"
	"dewline/thermo/si"
)

// Appliance is what a leak rate is of: one circuit (82.152 takes each independent circuit for an
// appliance by itself), or the circuits of a machine where the settings take them together.
type Appliance struct {
	ID      string // the circuit's, or the machine's
	Systems []*dewline.System
	Zone    *time.Location // whose days count
}

// Records are what is known of an appliance.
type Records struct {
	Entries []dewline.LedgerEntry
	Visits  []dewline.Visit // closed
}

// Reckon returns the account of an appliance as of now. Entries that are no weights off a scale move
// nothing.
func Reckon(a Appliance, r Records, s Settings, gwps dewline.GWPs, now dewline.Millis) dewline.RefrigerantAccount {
	k := &reckoning{appliance: a, settings: s, zone: cmp.Or(a.Zone, time.UTC), now: now}
	k.entries = k.all(r)
	k.account = dewline.RefrigerantAccount{
		Appliance: a.ID, Refrigerant: a.Systems[0].Refrigerant, Method: s.method(a.Systems[0].ID.Site()), Entries: k.entries,
		Rates: []dewline.LeakRate{}, Dues: []dewline.Due{}, Notice: Notice,
	}
	for _, system := range a.Systems {
		k.account.Systems = append(k.account.Systems, system.ID)
	}
	k.live = k.withoutVoids()
	k.setCategory()
	k.account.FullCharge, k.account.ChargeBy, k.account.ChargeNote = k.charge(now)
	k.account.Additions = k.additions()
	rule := k.setRules(gwps)
	k.setRates(rule)
	k.setDues(rule)
	return k.account
}

type reckoning struct {
	appliance Appliance
	settings  Settings
	zone      *time.Location
	now       dewline.Millis
	entries   []dewline.LedgerEntry // everything
	live      []dewline.LedgerEntry // without what was taken back
	account   dewline.RefrigerantAccount
}

func (k *reckoning) day(at dewline.Stamp) dewline.Day {
	return dewline.DayOf(dewline.Millis(at), k.zone)
}

func (k *reckoning) remark(format string, args ...any) {
	k.account.Remarks = append(k.account.Remarks, fmt.Sprintf(format, args...))
}

// all returns the entries with those that visits make.
func (k *reckoning) all(r Records) []dewline.LedgerEntry {
	list := slices.Clone(r.Entries)
	for _, v := range r.Visits {
		for i, w := range v.Refrigerant {
			at := w.At
			if at == 0 {
				at = v.Finished
			}
			list = append(list, dewline.LedgerEntry{
				ID: fmt.Sprintf("%s/%d", v.ID, i+1), System: v.System, Kind: dewline.LedgerWeighing, At: at, By: v.Technician, Entered: v.Closed,
				Visit: k.visitKey(v), Refrigerant: w.Refrigerant, Charged: w.Charged, Recovered: w.Recovered, Scale: true,
				Technician: v.Technician, Certification: v.Certification, Note: w.Note, Of: v.ID,
			})
		}
	}
	dewline.SortLedger(list)
	return list
}

// visitKey is what weighings have in common that are one addition: the visit of a circuit, or the day
// of a call at a machine, whose circuits have visits of their own.
func (k *reckoning) visitKey(v dewline.Visit) string {
	if len(k.appliance.Systems) == 1 || v.Call == "" {
		return v.ID
	}
	return v.Call + " " + string(k.day(v.Finished))
}

func (k *reckoning) withoutVoids() []dewline.LedgerEntry {
	void := map[string]bool{}
	for _, e := range k.entries {
		if e.Kind == dewline.LedgerVoid {
			void[e.Of] = true
		}
	}
	return slices.DeleteFunc(slices.Clone(k.entries), func(e dewline.LedgerEntry) bool {
		return e.Kind == dewline.LedgerVoid || void[e.ID]
	})
}

// last returns the newest entry of a kind at a time or before.
func (k *reckoning) last(at dewline.Millis, is func(dewline.LedgerEntry) bool) (dewline.LedgerEntry, bool) {
	for _, e := range slices.Backward(k.live) {
		if dewline.Millis(e.At) <= at && is(e) {
			return e, true
		}
	}
	return dewline.LedgerEntry{}, false
}

func (k *reckoning) setCategory() {
	k.account.Category = dewline.CommercialRefrigeration
	if k.appliance.Systems[0].Kind.Comfort() {
		k.account.Category = dewline.ComfortCooling
	}
	if e, ok := k.last(k.now, func(e dewline.LedgerEntry) bool { return e.Kind == dewline.LedgerCategory }); ok {
		k.account.Category = e.Category
	}
}

// charge returns the full charge as of a time: the sum of the circuits', each as it was last
// determined, or as its data plate says. A circuit without one leaves the sum unknown.
func (k *reckoning) charge(at dewline.Millis) (sum si.Kilogram, by dewline.ChargeMethod, note string) {
	for _, system := range k.appliance.Systems {
		charge, method, text := system.Charge, dewline.ChargeByMaker, "the data plate's, from the fleet file"
		if e, ok := k.last(at, func(e dewline.LedgerEntry) bool {
			return e.Kind == dewline.LedgerFullCharge && e.System == system.ID
		}); ok {
			charge, method, text = e.FullCharge, e.Method, e.Note
		}
		if charge == 0 {
			return 0, "", ""
		}
		sum += charge
		by, note = method, text
	}
	return sum, by, note
}

// settled takes away what adding decimals leaves in the last bits: what came out and went in again must
// be nothing at all. It is far finer than a scale, lest pounds that were weighed become other pounds.
func settled(m si.Kilogram) si.Kilogram { return si.Kilogram(math.Round(float64(m)*1e9) / 1e9) }

// additions joins the weighings of each visit, oldest first.
func (k *reckoning) additions() []dewline.Addition {
	places := map[string]int{}
	list := []dewline.Addition{}
	for _, e := range k.live {
		if e.Kind != dewline.LedgerWeighing || !e.Scale {
			continue
		}
		key := cmp.Or(e.Visit, string(k.day(e.At)))
		i, known := places[key]
		if !known {
			i = len(list)
			places[key] = i
			list = append(list, dewline.Addition{Visit: e.Visit})
		}
		a := &list[i]
		a.Day, a.At = k.day(e.At), e.At // the last weighing's
		if !strings.Contains(a.Refrigerant, e.Refrigerant) {
			a.Refrigerant = strings.TrimPrefix(a.Refrigerant+", "+e.Refrigerant, ", ")
		}
		a.Charged, a.Recovered = a.Charged+e.Charged, a.Recovered+e.Recovered
		a.Weighings = append(a.Weighings, e.ID)
		if e.Of != "" && !slices.Contains(a.Weighings, e.Of) {
			a.Weighings = append(a.Weighings, e.Of) // the visit
		}
	}
	for i := range list {
		a := &list[i]
		a.Charged, a.Recovered = settled(a.Charged), settled(a.Recovered)
		a.Net = settled(a.Charged - a.Recovered)
		k.exclude(a)
		if a.Refrigerant != k.account.Refrigerant {
			k.remark("%s: %s was moved, and the appliance holds %s", a.Day, a.Refrigerant, k.account.Refrigerant)
		}
	}
	slices.SortStableFunc(list, func(a, b dewline.Addition) int { return cmp.Compare(a.At, b.At) })
	return list
}

func (k *reckoning) exclude(a *dewline.Addition) {
	for _, e := range k.live {
		if e.Kind == dewline.LedgerExclusion && (e.Of == a.Visit || slices.Contains(a.Weighings, e.Of)) {
			a.Excluded = e.Reason
		}
	}
}

// setRules finds the rule for the refrigerant and how the appliance stands to it.
func (k *reckoning) setRules(gwps dewline.GWPs) Rule {
	s, refrigerant := k.settings, k.account.Refrigerant
	if slices.Contains(s.Ozone, refrigerant) {
		other := dewline.RuleStanding{Rule: s.HFCRule.Name, Why: refrigerant + " depletes ozone and so has a rule of its own"}
		k.account.Rules = []dewline.RuleStanding{s.OzoneRule.standing(k.account.Category, k.account.FullCharge), other}
		return s.OzoneRule
	}
	standing := s.HFCRule.standing(k.account.Category, k.account.FullCharge)
	gwp, known := 0.0, false
	if gwps != nil {
		gwp, known = gwps.GWP(refrigerant)
	}
	switch {
	case known && gwp <= s.HFCRule.AboveGWP:
		standing = dewline.RuleStanding{Rule: s.HFCRule.Name, Why: fmt.Sprintf("the global warming potential of %s, %.0f, is not above %.0f", refrigerant, gwp, s.HFCRule.AboveGWP)}
	case !known && standing.Applies:
		standing.Why += "; the global warming potential of " + refrigerant + " is not known here and taken to be above the limit"
	}
	other := dewline.RuleStanding{Rule: s.OzoneRule.Name, Why: refrigerant + " holds no class I or II substance"}
	k.account.Rules = []dewline.RuleStanding{standing, other}
	return s.HFCRule
}
