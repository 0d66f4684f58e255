package notify

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"dewline"
	"dewline/alerts"
	"dewline/alerts/sqlstore"
)

// bigFleet has 500 sites of 40 systems.
func bigFleet() *dewline.Fleet {
	var sites []dewline.Site
	for i := range 500 {
		s := dewline.Site{ID: fmt.Sprint("site-", i), Name: fmt.Sprint("Site ", i), Owner: "city", Timezone: time.UTC}
		for j := range 40 {
			s.Systems = append(s.Systems, dewline.System{ID: dewline.NewSystemID(s.ID, fmt.Sprint("ac-", j)), Name: fmt.Sprint("Unit ", j)})
		}
		sites = append(sites, s)
	}
	return dewline.NewFleet([]dewline.Owner{{ID: "city", Name: "City"}}, sites)
}

func openStore(t testing.TB, path string, d dewline.Directory) *sqlstore.Store {
	t.Helper()
	s, err := sqlstore.Open(t.Context(), path, sqlstore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, p := range d.People {
		check(s.PutPerson(t.Context(), p))
	}
	for _, c := range d.Contacts {
		check(s.PutContact(t.Context(), c))
	}
	for _, r := range d.Rosters {
		check(s.PutRoster(t.Context(), r))
	}
	for _, p := range d.Plans {
		check(s.PutPlan(t.Context(), p))
	}
	return s
}

// TestStorm: a heat wave over 20,000 systems finds 2,000 within a minute. All alerts are stored in
// less than 10 s, each recipient gets one message, and each of the notices is accounted for.
func TestStorm(t *testing.T) {
	fleet := bigFleet()
	if n := len(fleet.Systems()); n != 20_000 {
		t.Fatal(n)
	}
	d := people()
	d.Plans = []dewline.ContactPlan{{ID: "all", Name: "All", Least: dewline.Watch, Steps: []dewline.PlanStep{
		{Contacts: []string{"ana-mail", "rui-mail", "eva-mail"}}, {After: 3600, Contacts: []string{"eva-mail"}}}}}
	store := openStore(t, filepath.Join(t.TempDir(), "dewline.db"), d)
	book, r := alerts.NewBook(), &radio{}
	at := noon
	c := courierFor(t, store, r, func(o *Options) {
		o.Fleet = func() *dewline.Fleet { return fleet }
		o.Now = func() time.Time { return at.Time() }
	})
	pass := func() {
		if err := c.Plan(t.Context()); err != nil {
			t.Fatal(err)
		}
		if err := c.Deliver(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	const findings, seconds = 2000, 60
	var storing, working time.Duration
	for s := range seconds {
		var list []dewline.Finding
		for i := s * findings / seconds; i < (s+1)*findings/seconds; i++ {
			list = append(list, dewline.Finding{
				System: fleet.Systems()[i*10].ID, Key: "machine", Condition: dewline.HighHead, Conditions: []dewline.Condition{dewline.HighHead},
				Severity: []dewline.Severity{dewline.Urgent, dewline.Soon, dewline.Watch}[i%3], Onset: at - 3600_000, Detected: at, At: at,
				Causes: []dewline.Cause{{Fault: dewline.CondenserAirflow, Probability: 1}}, Evidence: []string{"condensing 58.2 °C, 19.4 K over the outdoor air, expected 11.0 K"},
			})
		}
		began := time.Now()
		if err := store.SaveProgress(t.Context(), dewline.Progress{Version: 1, Alerts: book.Apply(list)}); err != nil {
			t.Fatal(err)
		}
		storing += time.Since(began)
		began = time.Now()
		pass()
		working += time.Since(began)
		at += 1000
	}
	for range 60 {
		pass()
		at += 10_000
	}
	t.Logf("2,000 alerts stored in %v; 60 s of planning took %v", storing.Round(time.Millisecond), working.Round(time.Millisecond))
	if storing > stormLimit {
		t.Errorf("storing took %v, want less than %v", storing, stormLimit)
	}
	page, err := store.AlertsIn(t.Context(), dewline.AlertFilter{})
	for stored := len(page.Alerts); ; stored += len(page.Alerts) {
		if err != nil {
			t.Fatal(err)
		}
		if page.Next == "" {
			if stored != findings {
				t.Errorf("%d alerts are stored, want %d", stored, findings)
			}
			break
		}
		page, err = store.AlertsIn(t.Context(), dewline.AlertFilter{After: page.Next})
	}
	got := map[string]int{}
	for _, m := range r.sent {
		got[m.Contact]++
		if want := "2000 alerts at 500 sites: 667 urgent, 667 soon, 666 watch"; m.Subject != want || m.Notices != findings {
			t.Errorf("%s: %q of %d notices, want %q", m.Contact, m.Subject, m.Notices, want)
		}
		if len(m.Text) > 20_000 || len(m.Payload) > 20_000 {
			t.Errorf("a message of %d and %d bytes", len(m.Text), len(m.Payload))
		}
	}
	if len(got) != 3 || got["ana-mail"] != 1 || got["rui-mail"] != 1 || got["eva-mail"] != 1 {
		t.Errorf("messages: %v, want one for each of three", got)
	}
	states := noticeStates(t, store)
	if states["sent"] != 3*findings || states["waiting if_unacknowledged"] != findings || len(states) != 2 {
		t.Errorf("notices: %v", states)
	}
}

// noticeStates counts all notices by state and reason.
func noticeStates(t *testing.T, store dewline.Outbox) map[string]int {
	t.Helper()
	states, f := map[string]int{}, dewline.NoticeFilter{}
	for {
		page, err := store.NoticesIn(t.Context(), f)
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range page.Notices {
			if n.Reason != "" && n.Why == "" {
				t.Errorf("%s does not say why", said(n))
			}
			key := string(n.State)
			if n.Reason != "" {
				key += " " + string(n.Reason)
			}
			states[key]++
		}
		if f.After = page.Next; page.Next == "" {
			return states
		}
	}
}
