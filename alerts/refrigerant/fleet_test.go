package refrigerant_test

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"dewline"
	"dewline/alerts/refrigerant"
	"dewline/thermo/si"
)

// shelf keeps entries and visits in memory, and counts how often it is asked.
type shelf struct {
	dewline.DeskStore
	dewline.DeskTx
	entries []dewline.LedgerEntry
	visits  []dewline.Visit
	asked   int
	err     error
}

func (s *shelf) AddLedgerEntry(context.Context, dewline.LedgerEntry) error { return s.err }

func (s *shelf) LedgerEntries(_ context.Context, ids ...dewline.SystemID) ([]dewline.LedgerEntry, error) {
	s.asked++
	return slices.DeleteFunc(slices.Clone(s.entries), func(e dewline.LedgerEntry) bool { return !slices.Contains(ids, e.System) }), s.err
}

func (s *shelf) LookAtDesk(_ context.Context, _ string, f func(dewline.DeskTx) error) error {
	s.asked++
	return f(s)
}

func (s *shelf) ClosedVisits(of dewline.SystemID, _, _ dewline.Millis) ([]dewline.Visit, error) {
	return slices.DeleteFunc(slices.Clone(s.visits), func(v dewline.Visit) bool { return of != "" && v.System != of }), nil
}

// TestFleetCSV: a row an appliance with what its account says, however hostile the names; of the sites that
// were asked for, and in a few reads however large the fleet is.
func TestFleetCSV(t *testing.T) {
	hostile := `=HYPERLINK("http://x.invalid","all")`
	market := dewline.Site{ID: "fish-market", Name: hostile, Owner: "foods", Address: "@SUM(1+1)", Systems: []dewline.System{
		{ID: store, Name: "-2+3", Kind: dewline.Packaged, Refrigerant: "R-448A", Charge: si.FromPounds(60)},
		{ID: "fish-market/case", Name: "Case", Kind: dewline.DisplayCase, Refrigerant: "R-290"}}}
	pier := dewline.Site{ID: "pier", Name: "Pier", Owner: "harbour"}
	for i := range 3000 {
		pier.Systems = append(pier.Systems, dewline.System{ID: dewline.SystemID(fmt.Sprintf("pier/m%d", i)), Name: "M", Kind: dewline.SplitAC, Refrigerant: "R-22"})
	}
	fleet := dewline.NewFleet([]dewline.Owner{{ID: "foods", Name: "+Foods"}, {ID: "harbour", Name: "Harbour"}}, []dewline.Site{market, pier})
	kept := &shelf{entries: []dewline.LedgerEntry{pounds("2030-12-03", 1), pounds("2031-06-01", 5)},
		visits: []dewline.Visit{{ID: "visit-0001", System: "pier/m7", Finished: at("2031-05-01", 9), Closed: at("2031-05-01", 10), Technician: "A. Pinto",
			Refrigerant: []dewline.Weighing{{Refrigerant: "R-22", Recovered: 1.25}}}}}
	l := &refrigerant.Ledger{Fleet: func() *dewline.Fleet { return fleet }, Store: kept, Visits: kept, Settings: refrigerant.DefaultSettings(), GWPs: known,
		Now: func() dewline.Millis { return dewline.Millis(at("2031-06-02", 18)) }}
	read := func(sites []string) (rows [][]string, cell func(appliance, column string) string) {
		t.Helper()
		body, err := l.FleetCSV(t.Context(), sites)
		if err != nil {
			t.Fatal(err)
		}
		if rows, err = csv.NewReader(strings.NewReader(string(body))).ReadAll(); err != nil {
			t.Fatal(err)
		}
		return rows, func(appliance, column string) string {
			t.Helper()
			i, c := slices.IndexFunc(rows, func(row []string) bool { return row[1] == appliance }), slices.Index(rows[0], column)
			if i < 0 || c < 0 {
				t.Fatalf("no %s of %s", column, appliance)
			}
			return rows[i][c]
		}
	}
	rows, cell := read(nil)
	if len(rows) != 1+2+3000+1 || rows[len(rows)-1][0] != "notice" || !strings.Contains(rows[len(rows)-1][3], "not legal advice") || kept.asked > 10 {
		t.Errorf("%d rows in %d reads, the last %q", len(rows), kept.asked, rows[len(rows)-1])
	}
	account := refrigerant.Reckon(refrigerant.Appliance{ID: string(store), Systems: []*dewline.System{&market.Systems[0]}}, refrigerant.Records{Entries: kept.entries},
		l.Settings, known, l.Now())
	dues := slices.DeleteFunc(account.Dues, func(d dewline.Due) bool { return d.State == dewline.DueDone })
	if len(dues) == 0 {
		t.Fatal("nothing is due after a leak of 16.9 %")
	}
	first := slices.MinFunc(dues, func(a, b dewline.Due) int { return strings.Compare(string(a.By), string(b.By)) })
	for column, want := range map[string]string{
		"systems": string(store), "name": "'-2+3", "site": "fish-market", "site_name": "'" + hostile, "address": "'@SUM(1+1)", "owner": "foods", "owner_name": "'+Foods",
		"refrigerant": "R-448A", "category": "comfort_cooling", "full_charge_kg": "27.2155", "full_charge_by": "manufacturer", "additions": "2", "charged_kg": "2.7216", "recovered_kg": "",
		"newest_addition": "2031-06-01", "added_kg": "2.268", "method": "annualizing", "annualizing_percent": "16.9", "annualizing_days": "180", "rolling_average_percent": "10.0",
		"rolling_average_since": "2030-06-01", "over_trigger_of": "40 CFR 84.106", "due": string(first.Kind), "due_by": string(first.By), "due_state": string(first.State), "due_rule": first.Rule,
	} {
		if got := cell(string(store), column); got != want {
			t.Errorf("%s: %q, want %q", column, got, want)
		}
	}
	if strings.Count(cell(string(store), "also_due"), " by ") != len(dues)-1 {
		t.Errorf("also due: %q of %d", cell(string(store), "also_due"), len(dues))
	}
	if got := cell("pier/m7", "recovered_kg"); got != "1.25" {
		t.Errorf("what a visit recovered: %q", got)
	}
	if got := cell("fish-market/case", "full_charge_kg") + cell("fish-market/case", "annualizing_percent") + cell("fish-market/case", "additions"); got != "0" {
		t.Errorf("what nobody has stated and nobody has filled: %q", got)
	}
	if rows, _ := read([]string{"fish-market"}); len(rows) != 1+2+1 {
		t.Errorf("of one site: %d rows", len(rows))
	}
	if rows, _ := read([]string{}); len(rows) != 1+1 {
		t.Errorf("of no site: %d rows", len(rows))
	}
	kept.err = errors.New("no disk")
	if _, err := l.FleetCSV(t.Context(), nil); err == nil {
		t.Error("what cannot be read is empty")
	}
}
