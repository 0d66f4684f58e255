package storetest

import (
	"fmt"
	"testing"

	"dewline"
)

func person(id string) dewline.Person {
	return dewline.Person{
		ID: id, Name: "Name of " + id, Role: dewline.RoleTechnician, Units: dewline.USUnits, Language: "de", Timezone: "Europe/Lisbon",
		Certifications: []dewline.Certification{{Name: "refrigerant", Number: "R-1", Until: dewline.Stamp(now)}},
	}
}

func contact(id, person string) dewline.Contact {
	return dewline.Contact{ID: id, Person: person, Channel: dewline.ByMail, Address: id + "@example.org", Gather: 60, Apart: 600}
}

// directoryOf stores two people with a contact each, a roster and a plan.
func directoryOf(t *testing.T, s Store) dewline.Directory {
	t.Helper()
	hook := dewline.Contact{
		ID: "b-hook", Person: "b", Channel: dewline.ByWebhook, Address: "https://hooks.example.org/x?y=1",
		Secrets: []dewline.Secret{{Key: "whsec_new"}, {Key: "whsec_old", Until: dewline.Stamp(now)}},
	}
	d := dewline.Directory{
		People:   []dewline.Person{person("a"), person("b")},
		Contacts: []dewline.Contact{contact("a-mail", "a"), hook},
		Rosters: []dewline.Roster{{ID: "week", Name: "Week", Timezone: "Europe/Lisbon", People: []string{"a", "b"}, First: "2031-06-30", Handover: "08:00", Days: 7,
			Swaps: []dewline.Swap{{Person: "b", From: dewline.Stamp(now), To: dewline.Stamp(now + 1)}}}},
		Plans: []dewline.ContactPlan{{ID: "all", Name: "All", Owners: []string{"city"}, Sites: []string{"quay-library"}, Least: dewline.Soon, Ends: true,
			Steps: []dewline.PlanStep{{Contacts: []string{"a-mail"}}, {After: 3600, Roster: "week", Hours: []dewline.Hours{{Days: []string{"mon"}, From: "07:00", To: "17:00"}}}}}},
	}
	for _, p := range d.People {
		must(t, s.PutPerson(t.Context(), p))
	}
	for _, c := range d.Contacts {
		must(t, s.PutContact(t.Context(), c))
	}
	must(t, s.PutRoster(t.Context(), d.Rosters[0]))
	must(t, s.PutPlan(t.Context(), d.Plans[0]))
	return d
}

func directory(t *testing.T, open Opener) {
	s, ctx := opened(t, open), t.Context()
	want(t, "a new store's directory", must1(s.Directory(ctx))(t), dewline.Directory{})
	d := directoryOf(t, s)
	want(t, "directory", must1(s.Directory(ctx))(t), d)
	d.People[0].Name, d.Plans[0].Name = hostile[0], hostile[9]
	must(t, s.PutPerson(ctx, d.People[0]))
	must(t, s.PutPlan(ctx, d.Plans[0]))
	want(t, "replaced", must1(s.Directory(ctx))(t), d)
	want(t, "opened again", must1(opened(t, open).Directory(ctx))(t), d)

	must(t, s.RemovePlan(ctx, "all"))
	must(t, s.RemoveRoster(ctx, "week"))
	must(t, s.RemoveContact(ctx, "b-hook"))
	want(t, "removed", must1(s.Directory(ctx))(t), dewline.Directory{People: d.People, Contacts: d.Contacts[:1]})
	wantCode(t, "removed twice", s.RemovePlan(ctx, "all"), dewline.NotFound)
}

// directoryWhole: what is named is there, and what cannot be used is not taken.
func directoryWhole(t *testing.T, open Opener) {
	s, ctx := opened(t, open), t.Context()
	d := directoryOf(t, s)
	wantCode(t, "a contact in a plan", s.RemoveContact(ctx, "a-mail"), dewline.Clash)
	wantCode(t, "a roster in a plan", s.RemoveRoster(ctx, "week"), dewline.Clash)
	wantCode(t, "a contact of nobody", s.PutContact(ctx, contact("x", "nobody")), dewline.Invalid)
	roster, plan := d.Rosters[0], d.Plans[0]
	roster.Swaps = []dewline.Swap{{Person: "nobody", From: 1, To: 2}}
	wantCode(t, "a roster of nobody", s.PutRoster(ctx, roster), dewline.Invalid)
	plan.Steps = []dewline.PlanStep{{Contacts: []string{"nothing"}}}
	wantCode(t, "a plan for nobody", s.PutPlan(ctx, plan), dewline.Invalid)
	plan.Steps = []dewline.PlanStep{{Roster: "nothing"}}
	wantCode(t, "a plan with no roster", s.PutPlan(ctx, plan), dewline.Invalid)
	injected := person("a")
	injected.Name = "Ana\r\nBcc: all@example.org"
	wantCode(t, "a name of two lines", s.PutPerson(ctx, injected), dewline.Invalid)
	want(t, "unchanged", must1(s.Directory(ctx))(t), d)
}

func anonymised(t *testing.T, open Opener) {
	s, ctx := opened(t, open), t.Context()
	directoryOf(t, s)
	a := alert(hall, dewline.Overfeed, now)
	must(t, s.PutAlerts(ctx, byDewline(now, "wet", a)))
	n, m := notice("n1", a.ID, "a-mail"), message("m1", "a-mail")
	n.State, n.Message = dewline.NoticeSending, m.ID
	must(t, s.SaveNotices(ctx, dewline.NoticeWork{Add: []dewline.Notice{n}, Messages: []dewline.Message{m}}))

	acknowledged := a
	acknowledged.State = dewline.AlertAcknowledged
	must(t, s.PutAlerts(ctx, []dewline.AlertChange{{Change: dewline.Change{By: "Name of a", At: now, Why: "seen"}, Alert: acknowledged}}))
	want(t, "who did it, as news", must1(s.Unplanned(ctx, 10))(t)[1].By, "Name of a")

	must(t, s.AnonymisePerson(ctx, "a", now))
	if by := must1(s.AlertHistory(ctx, a.ID))(t)[1].By; by == "" || contains(by, "Name of a") {
		t.Errorf("the history says that %q did it", by)
	}
	d := must1(s.Directory(ctx))(t)
	gone, _ := d.Person("a")
	want(t, "person", gone, dewline.Person{ID: "a", Role: dewline.RoleTechnician, Units: dewline.USUnits, Timezone: "Europe/Lisbon", Anonymised: dewline.Stamp(now)})
	c, _ := d.Contact("a-mail")
	want(t, "address", c.Address, "")
	if c.Off == "" {
		t.Error("messages still go to a contact without an address")
	}
	kept := must1(s.MessageByID(ctx, "m1"))(t)
	want(t, "words", kept.Subject+kept.Text+kept.HTML+kept.Short, "")
	page := must1(s.NoticesIn(ctx, dewline.NoticeFilter{}))(t)
	want(t, "record", page.Notices, []dewline.Notice{n})

	must(t, s.AnonymisePerson(ctx, "a", now+1)) // for good: nothing more to do
	wantCode(t, "a name again", s.PutPerson(ctx, person("a")), dewline.Clash)
	wantCode(t, "an address again", s.PutContact(ctx, contact("a-mail", "a")), dewline.Invalid)
	wantCode(t, "nobody", s.AnonymisePerson(ctx, "nobody", now), dewline.NotFound)
	all := fmt.Sprintf("%+v %+v %+v", must1(s.Directory(ctx))(t), must1(s.Unplanned(ctx, 10))(t), must1(s.NoticesIn(ctx, dewline.NoticeFilter{}))(t))
	for _, trace := range []string{"Name of a", "a-mail@example.org"} {
		if contains(all, trace) {
			t.Errorf("%q is still there: %s", trace, all)
		}
	}
}
