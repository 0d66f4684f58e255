package refrigerant

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"dewline"
)

// Ledger implements dewline.Ledger on a store. All fields but GWPs must be set.
type Ledger struct {
	Fleet    func() *dewline.Fleet
	Store    dewline.LedgerStore
	Visits   dewline.DeskStore
	Settings Settings
	GWPs     dewline.GWPs
	Now      func() dewline.Millis
}

// Account implements dewline.Ledger.
func (l *Ledger) Account(ctx context.Context, id dewline.SystemID) (dewline.RefrigerantAccount, error) {
	a, err := l.appliance(id)
	if err != nil {
		return dewline.RefrigerantAccount{}, err
	}
	return l.account(ctx, a)
}

func (l *Ledger) account(ctx context.Context, a Appliance) (dewline.RefrigerantAccount, error) {
	r, err := l.records(ctx, a)
	if err != nil {
		return dewline.RefrigerantAccount{}, err
	}
	return Reckon(a, r, l.Settings, l.GWPs, l.Now()), nil
}

func (l *Ledger) records(ctx context.Context, a Appliance) (r Records, err error) {
	ids := make([]dewline.SystemID, len(a.Systems))
	for i, s := range a.Systems {
		ids[i] = s.ID
	}
	if r.Entries, err = l.Store.LedgerEntries(ctx, ids...); err != nil {
		return r, err
	}
	err = l.Visits.LookAtDesk(ctx, "read what visits moved", func(tx dewline.DeskTx) error {
		r.Visits = nil
		for _, id := range ids {
			visits, err := tx.ClosedVisits(id, 0, 0)
			if err != nil {
				return err
			}
			r.Visits = append(r.Visits, visits...)
		}
		return nil
	})
	return r, err
}

func (l *Ledger) appliance(id dewline.SystemID) (Appliance, error) {
	fleet := l.Fleet()
	s, ok := fleet.System(id)
	if !ok {
		return Appliance{}, &dewline.Error{Code: dewline.NotFound, Op: fmt.Sprintf("refrigerant records of %q", id), Err: fmt.Errorf("no such system is enrolled")}
	}
	return l.applianceOf(fleet, s), nil
}

// applianceOf returns what a system is in the rules' words: its circuit, or its machine where the
// settings say so and one refrigerant is in all of it.
func (l *Ledger) applianceOf(fleet *dewline.Fleet, s *dewline.System) Appliance {
	a := Appliance{ID: string(s.ID), Systems: []*dewline.System{s}, Zone: time.UTC}
	if site, ok := fleet.Site(s.ID.Site()); ok && site.Timezone != nil {
		a.Zone = site.Timezone
	}
	circuits := fleet.Circuits(s)
	mixed := slices.ContainsFunc(circuits, func(c *dewline.System) bool { return c.Refrigerant != s.Refrigerant })
	if l.Settings.PerMachine && len(circuits) > 1 && !mixed {
		a.ID, a.Systems = s.ID.Site()+"/"+s.Machine, circuits
	}
	return a
}

// AddEntry implements dewline.Ledger.
func (l *Ledger) AddEntry(ctx context.Context, e dewline.LedgerEntry) (dewline.RefrigerantAccount, error) {
	now := l.Now()
	e.Entered = dewline.Stamp(now)
	if err := e.Validate(); err != nil {
		return dewline.RefrigerantAccount{}, err
	}
	if dewline.Millis(e.At) > now.Add(10*time.Minute) { // as far as clocks may differ
		return dewline.RefrigerantAccount{}, invalid(e, "it lies in the future: the ledger holds what has happened")
	}
	a, err := l.appliance(e.System)
	if err != nil {
		return dewline.RefrigerantAccount{}, err
	}
	before, err := l.account(ctx, a)
	if err != nil {
		return before, err
	}
	if err := refersTo(before, e); err != nil {
		return before, err
	}
	if err := l.Store.AddLedgerEntry(ctx, e); err != nil {
		return before, err
	}
	return l.account(ctx, a)
}

func invalid(e dewline.LedgerEntry, format string, args ...any) error {
	return &dewline.Error{Code: dewline.Invalid, Op: "ledger entry " + e.ID, Err: fmt.Errorf(format, args...)}
}

// refersTo checks that what an entry names is there: taking back an entry of another appliance, or one
// that takes back itself, would do nothing and look as if it did.
func refersTo(a dewline.RefrigerantAccount, e dewline.LedgerEntry) error {
	var found bool
	switch e.Kind {
	case dewline.LedgerVoid:
		found = slices.ContainsFunc(a.Entries, func(o dewline.LedgerEntry) bool { return o.ID == e.Of && o.Kind != dewline.LedgerVoid })
	case dewline.LedgerExclusion:
		found = slices.ContainsFunc(a.Additions, func(o dewline.Addition) bool {
			return o.Visit == e.Of || slices.Contains(o.Weighings, e.Of)
		})
	default:
		return nil
	}
	if !found {
		return invalid(e, "there is no %q in the records of %s that this could be about", e.Of, a.Appliance)
	}
	return nil
}

// DuesOf implements dewline.Ledger.
func (l *Ledger) DuesOf(ctx context.Context, site string) ([]dewline.Due, error) {
	s, ok := l.Fleet().Site(site)
	if !ok {
		return nil, &dewline.Error{Code: dewline.NotFound, Op: fmt.Sprintf("what is due at %q", site), Err: fmt.Errorf("no such site is enrolled")}
	}
	dues, seen := []dewline.Due{}, map[string]bool{}
	for i := range s.Systems {
		a, err := l.appliance(s.Systems[i].ID)
		if err != nil {
			return nil, err
		}
		if seen[a.ID] {
			continue
		}
		seen[a.ID] = true
		account, err := l.account(ctx, a)
		if err != nil {
			return nil, err
		}
		for _, d := range account.Dues {
			if d.State != dewline.DueDone {
				dues = append(dues, d)
			}
		}
	}
	slices.SortStableFunc(dues, func(a, b dewline.Due) int { return cmp.Or(cmp.Compare(a.By, b.By), cmp.Compare(a.System, b.System)) })
	return dues, nil
}
