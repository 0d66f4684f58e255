package storetest

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"

	"dewline"
)

// ledger: what is entered comes back as it was, in order, never changes, and gives up names.
func ledger(t *testing.T, open Opener) {
	s := opened(t, open)
	ctx := t.Context()
	entry := func(id string, system dewline.SystemID, at dewline.Millis, note string) dewline.LedgerEntry {
		return dewline.LedgerEntry{ID: id, System: system, Kind: dewline.LedgerWeighing, At: dewline.Stamp(at), By: "A. Pinto", Entered: dewline.Stamp(now),
			Visit: "v" + note, Refrigerant: "R-410A", Charged: 0.1 + 0.2, Recovered: 1e-3, Scale: true, Technician: "J. Morel", Certification: "U-123", Note: note}
	}
	var all []dewline.LedgerEntry
	for i, text := range hostile {
		all = append(all, entry(fmt.Sprintf("entry-%03d", i), hall, now+dewline.Millis(i%7), text))
	}
	whole := dewline.LedgerEntry{ID: "whole-0001", System: attic, Kind: dewline.LedgerFullCharge, At: dewline.Stamp(now), By: "A. Pinto", Entered: dewline.Stamp(now),
		FullCharge: 3.1, Method: dewline.ChargeByRange, Low: 3, High: 3.2, Category: dewline.ComfortCooling, Passed: true, AllRepaired: true,
		Reason: dewline.ExcludedSeasonal, Of: "x", Due: dewline.DueRepair, Until: "2031-08-01"}
	for _, e := range append(slices.Clone(all), whole, entry("other-0001", cold, now, "")) {
		must(t, s.AddLedgerEntry(ctx, e))
	}
	dewline.SortLedger(all)
	read := func(s Store, systems ...dewline.SystemID) []dewline.LedgerEntry {
		t.Helper()
		list, err := s.LedgerEntries(ctx, systems...)
		must(t, err)
		return list
	}
	want(t, "entries", read(s, hall), all)
	want(t, "entries of two", read(s, attic, hall), func() []dewline.LedgerEntry {
		both := append(slices.Clone(all), whole)
		dewline.SortLedger(both)
		return both
	}())
	want(t, "entries of none", len(read(s))+len(read(s, "quay-library/none")), 0)

	again := all[0]
	again.Entered++ // sent again, received later
	must(t, s.AddLedgerEntry(ctx, again))
	want(t, "entries after one was sent again", read(s, hall), all)
	again.Charged++
	wantCode(t, "another of the same id", s.AddLedgerEntry(ctx, again), dewline.Clash)
	want(t, "entries after another of the same id", read(s, hall), all)

	must(t, s.Anonymise(ctx, "J. Morel"))
	for _, e := range read(opened(t, open), hall) {
		if !strings.HasPrefix(e.Technician, dewline.NameRemoved) || e.By != "A. Pinto" || e.Certification != "U-123" {
			t.Fatalf("after J. Morel was taken out: %+v", e)
		}
	}
	ledgerAtOnce(t, s)
}

// ledgerAtOnce: of one id only one entry is kept, however many send it at the same time.
func ledgerAtOnce(t *testing.T, s Store) {
	var done sync.WaitGroup
	errs := make([]error, 8)
	for i := range errs {
		done.Go(func() {
			errs[i] = s.AddLedgerEntry(t.Context(), dewline.LedgerEntry{ID: "raced-0001", System: "fish-market/raced", Kind: dewline.LedgerRepair, At: dewline.Stamp(now), By: fmt.Sprint("N. ", i%2)})
		})
	}
	done.Wait()
	list, err := s.LedgerEntries(t.Context(), "fish-market/raced")
	must(t, err)
	kept := 0
	for _, err := range errs {
		if err == nil {
			kept++
		} else {
			wantCode(t, "the other one", err, dewline.Clash)
		}
	}
	if len(list) != 1 || kept != len(errs)/2 {
		t.Fatalf("%d entries, %d taken of %d: %v", len(list), kept, len(errs), errs)
	}
}

// calendarLinks: a token opens its link, until that is revoked for good.
func calendarLinks(t *testing.T, open Opener) {
	s := opened(t, open)
	ctx := t.Context()
	digest := func(token string) dewline.TokenDigest { return sha256.Sum256([]byte(token)) }
	one := dewline.CalendarLink{ID: "one", Technician: "J. Morel", Site: "quay-library", By: "A. Pinto", Made: dewline.Stamp(now)}
	two := dewline.CalendarLink{ID: "two", By: "A. Pinto", Made: dewline.Stamp(now - 1)}
	must(t, s.AddCalendarLink(ctx, one, digest("first")))
	must(t, s.AddCalendarLink(ctx, two, digest("second")))
	if err := s.AddCalendarLink(ctx, dewline.CalendarLink{ID: "three"}, digest("first")); err == nil {
		t.Fatal("two links have one token")
	}
	got, err := s.CalendarLinkOf(ctx, digest("first"))
	must(t, err)
	want(t, "link", got, one)
	_, err = s.CalendarLinkOf(ctx, digest("guess"))
	wantCode(t, "a token that was guessed", err, dewline.NotFound)

	one.Revoked, one.RevokedBy = dewline.Stamp(now+5), "K. Costa"
	for _, at := range []dewline.Millis{now + 5, now + 9} { // the second time changes nothing
		got, err = s.RevokeCalendarLink(ctx, "one", "K. Costa", at)
		must(t, err)
		want(t, "revoked", got, one)
	}
	_, err = s.RevokeCalendarLink(ctx, "none", "K. Costa", now)
	wantCode(t, "revoke what is not there", err, dewline.NotFound)
	list, err := opened(t, open).CalendarLinks(ctx)
	must(t, err)
	want(t, "links", list, []dewline.CalendarLink{two, one})
}
