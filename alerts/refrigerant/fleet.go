package refrigerant

import (
	"cmp"
	"context"
	"slices"
	"strings"

	"dewline"
	"dewline/alerts/export"
	"dewline/thermo/si"
)

// entriesAtOnce is of how many systems entries are read by one statement.
const entriesAtOnce = 1000

// FleetCSV implements dewline.Ledger.
func (l *Ledger) FleetCSV(ctx context.Context, sites []string) ([]byte, error) {
	fleet := l.Fleet()
	var all []Appliance
	var ids []dewline.SystemID
	seen := map[string]bool{}
	for i := range fleet.Sites {
		site := &fleet.Sites[i]
		if sites != nil && !slices.Contains(sites, site.ID) {
			continue
		}
		for j := range site.Systems {
			s := &site.Systems[j]
			ids = append(ids, s.ID)
			if a := l.applianceOf(fleet, s); !seen[a.ID] {
				seen[a.ID] = true
				all = append(all, a)
			}
		}
	}
	of, err := l.recordsOfMany(ctx, ids)
	if err != nil {
		return nil, err
	}
	accounts := make([]dewline.RefrigerantAccount, len(all))
	for i, a := range all {
		var r Records
		for _, s := range a.Systems {
			r.Entries, r.Visits = append(r.Entries, of[s.ID].Entries...), append(r.Visits, of[s.ID].Visits...)
		}
		accounts[i] = Reckon(a, r, l.Settings, l.GWPs, l.Now())
	}
	return FleetCSV(accounts, fleet), nil
}

// recordsOfMany reads the records of many systems in a few statements: one by one, those of a large fleet
// take longer than an answer may.
func (l *Ledger) recordsOfMany(ctx context.Context, ids []dewline.SystemID) (map[dewline.SystemID]Records, error) {
	of := make(map[dewline.SystemID]Records, len(ids))
	for some := range slices.Chunk(ids, entriesAtOnce) {
		entries, err := l.Store.LedgerEntries(ctx, some...)
		if err != nil {
			return nil, err
		}
		for _, e := range entries {
			r := of[e.System]
			r.Entries = append(r.Entries, e)
			of[e.System] = r
		}
	}
	var visits []dewline.Visit
	err := l.Visits.LookAtDesk(ctx, "read what visits moved", func(tx dewline.DeskTx) (err error) {
		visits, err = tx.ClosedVisits("", 0, 0)
		return err
	})
	for _, v := range visits {
		if len(v.Refrigerant) > 0 {
			r := of[v.System]
			r.Visits = append(r.Visits, v)
			of[v.System] = r
		}
	}
	return of, err
}

// FleetCSV returns a row for each account. Amounts are in kg and, but for the charge, over all that is
// recorded; leak rates are those of the newest addition. What is due next has columns of its own, whatever
// else is due stands in one.
func FleetCSV(accounts []dewline.RefrigerantAccount, fleet *dewline.Fleet) []byte {
	t := export.New("record", "appliance", "systems", "name", "site", "site_name", "address", "owner", "owner_name", "refrigerant", "category",
		"full_charge_kg", "full_charge_by", "additions", "charged_kg", "recovered_kg", "newest_addition", "added_kg", "method",
		"annualizing_percent", "annualizing_days", "annualizing_missing", "rolling_average_percent", "rolling_average_since", "rolling_average_missing",
		"over_trigger_of", "due", "due_by", "due_state", "due_rule", "also_due", "remarks")
	for _, a := range accounts {
		t.Row(append(placed(a, fleet), append(moved(a), due(a)...)...)...)
	}
	t.Row(export.Text("notice"), export.Cell{}, export.Cell{}, export.Text(Notice))
	return t.Bytes()
}

// placed are the cells that say what an appliance is, and where.
func placed(a dewline.RefrigerantAccount, fleet *dewline.Fleet) []export.Cell {
	var ids, names []string
	for _, id := range a.Systems {
		ids = append(ids, string(id))
		if s, ok := fleet.System(id); ok {
			names = append(names, s.Name)
		}
	}
	site, ok := fleet.Site(a.Systems[0].Site())
	if !ok {
		site = &dewline.Site{}
	}
	owner, ok := fleet.Owner(site.Owner)
	if !ok {
		owner = &dewline.Owner{}
	}
	return []export.Cell{export.Text("appliance"), export.Text(a.Appliance), joined(ids), joined(names), export.Text(site.ID), export.Text(site.Name), export.Text(site.Address),
		export.Text(owner.ID), export.Text(owner.Name), export.Text(a.Refrigerant), export.Text(a.Category), mass(a.FullCharge), export.Text(a.ChargeBy)}
}

// moved are the cells that say what went in and out, and how much leaks.
func moved(a dewline.RefrigerantAccount) []export.Cell {
	var charged, recovered si.Kilogram
	for _, v := range a.Additions {
		charged, recovered = charged+v.Charged, recovered+v.Recovered
	}
	cells := []export.Cell{export.Number(float64(len(a.Additions)), 0), mass(charged), mass(recovered)}
	var r dewline.LeakRate
	if n := len(a.Rates); n > 0 {
		r = a.Rates[n-1]
	}
	return append(cells, export.Text(r.Day), mass(r.Added), export.Text(a.Method),
		percent(r.Annualizing), days(r.Annualizing), export.Text(r.Annualizing.Missing),
		percent(r.Rolling), export.Text(r.Rolling.Since), export.Text(r.Rolling.Missing), joined(r.Over))
}

// due are the cells that say what is due, the earliest first.
func due(a dewline.RefrigerantAccount) []export.Cell {
	dues := slices.DeleteFunc(slices.Clone(a.Dues), func(d dewline.Due) bool { return d.State == dewline.DueDone })
	slices.SortStableFunc(dues, func(a, b dewline.Due) int { return cmp.Compare(a.By, b.By) })
	cells := make([]export.Cell, 4)
	var also []string
	for i, d := range dues {
		if i == 0 {
			cells = []export.Cell{export.Text(d.Kind), export.Text(d.By), export.Text(d.State), export.Text(d.Rule)}
			continue
		}
		also = append(also, string(d.Kind)+" by "+string(d.By)+" ("+string(d.State)+", "+d.Rule+")")
	}
	return append(cells, joined(also), joined(a.Remarks))
}

func joined(texts []string) export.Cell { return export.Text(strings.Join(texts, "; ")) }
