package dashboards_test

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline"
	"dewline/dashboards"
	"dewline/dashboards/access"
	"dewline/dashboards/access/accesstest"
)

// contactBook keeps contacts, plans and rosters in memory.
type contactBook struct {
	*accesstest.Store
	d     dewline.Directory
	tried []string
}

func (b *contactBook) Directory(ctx context.Context) (dewline.Directory, error) {
	people, err := b.Store.Directory(ctx)
	b.d.People = people.People
	return b.d, err
}

func put[T any](list []T, v T, same func(T) bool) []T {
	return append(slices.DeleteFunc(slices.Clone(list), same), v)
}

func (b *contactBook) PutContact(_ context.Context, c dewline.Contact) error {
	b.d.Contacts = put(b.d.Contacts, c, func(x dewline.Contact) bool { return x.ID == c.ID })
	return c.Validate()
}

func (b *contactBook) PutPlan(_ context.Context, p dewline.ContactPlan) error {
	b.d.Plans = put(b.d.Plans, p, func(x dewline.ContactPlan) bool { return x.ID == p.ID })
	return p.Validate()
}

func (b *contactBook) PutRoster(_ context.Context, r dewline.Roster) error {
	b.d.Rosters = put(b.d.Rosters, r, func(x dewline.Roster) bool { return x.ID == r.ID })
	return r.Validate()
}

func (b *contactBook) RemoveContact(_ context.Context, id string) error {
	if slices.ContainsFunc(b.d.Plans, func(p dewline.ContactPlan) bool { return slices.Contains(p.Steps[0].Contacts, id) }) {
		return &dewline.Error{Code: dewline.Clash, Err: errors.New("a plan names it")}
	}
	b.d.Contacts = slices.DeleteFunc(b.d.Contacts, func(x dewline.Contact) bool { return x.ID == id })
	return nil
}

func (b *contactBook) RemovePlan(_ context.Context, id string) error {
	b.d.Plans = slices.DeleteFunc(b.d.Plans, func(x dewline.ContactPlan) bool { return x.ID == id })
	return nil
}

func (b *contactBook) RemoveRoster(_ context.Context, id string) error {
	b.d.Rosters = slices.DeleteFunc(b.d.Rosters, func(x dewline.Roster) bool { return x.ID == id })
	return nil
}

func (b *contactBook) Try(_ context.Context, contact string) error {
	if b.tried = append(b.tried, contact); strings.Contains(contact, "webhook") {
		return &dewline.Error{Code: dewline.Unavailable, Err: errors.New("the receiver <b>says 500")}
	}
	return nil
}

func (b *contactBook) NewSecret(context.Context, string) (string, error) {
	return "whsec_SHOWN-ONCE", nil
}

func bookYard(t testing.TB) (*yard, *contactBook) {
	t.Helper()
	y := yardOf(t, townFile)
	person := func(id string, role dewline.Role, owner string) dewline.Account {
		return dewline.Account{Person: dewline.Person{ID: id, Name: "Name of " + id, Role: role, Owner: owner}}
	}
	y.store = accesstest.New(person("ana", dewline.RoleTechnician, ""), person("marta", dewline.RoleOwner, "harbour"))
	book := &contactBook{Store: y.store}
	gate, err := access.New(access.Options{Store: y.store, Book: y.store, Now: func() time.Time { return noon }})
	if err != nil {
		t.Fatal(err)
	}
	y.pages, err = dashboards.New(dashboards.Options{Fleet: y.fleet, States: unheardOf{}, Enrolment: y, Gateways: y, Contacts: book, Courier: book,
		Now: func() time.Time { return noon }, Access: gate, Guest: as(visitor(dewline.RoleManager, ""))})
	if err != nil {
		t.Fatal(err)
	}
	return y, book
}

func TestContactsPage(t *testing.T) {
	y, book := bookYard(t)
	post := func(form string, code int) string {
		t.Helper()
		values, err := url.ParseQuery(form)
		if err != nil {
			t.Fatal(err)
		}
		w := y.send("/setup/contacts", values)
		if w.Code != code {
			t.Errorf("%s: %d, want %d\n%s", form, w.Code, code, w.Body)
		}
		return w.Body.String()
	}
	if body := y.get("/setup/contacts").Body.String(); !strings.Contains(body, "There is no plan: nobody is told of anything") {
		t.Error("the page does not say that nobody is told")
	}
	post("do=contact&person=marta&channel=email&address=marta@example.org&monthly=on", http.StatusSeeOther)
	post("do=contact&person=ana&channel=webhook&address=https://example.org/hook", http.StatusSeeOther)
	post("do=contact&person=ana&channel=webhook&address=https://example.org/other", http.StatusSeeOther)
	if did := y.did(t); did != "ana-webhook-2 contact" {
		t.Errorf("the audit log says %q", did)
	}
	if c, ok := book.d.Contact("marta-email"); !ok || !c.Monthly {
		t.Errorf("kept: %+v", book.d.Contacts)
	}
	for form, says := range map[string]string{
		"do=contact&person=ana&channel=email&address=%22%3E%3Cscript%3E":           "&#34;&gt;&lt;script&gt;",
		"do=contact&person=ana&channel=email&address=ana@example.org&monthly=on":   "for owners",
		"do=contact&person=nobody&channel=email&address=x@example.org":             "choose whose",
		"do=contact&person=ana&channel=pigeon&address=x":                           "pigeon",
		"do=contact&person=ana&channel=email&address=a@example.org%0d%0aBcc:x@y.z": "one line",
		"do=fly":                          "choose what to do",
		"do=plan&name=Night&least=urgent": "tells nobody",
		"do=plan&name=Night&least=urgent&step.1.contact=gone":                            "not there any more",
		"do=plan&name=&least=urgent&step.1.contact=marta-email":                          "name",
		"do=plan&name=Night&least=loud&step.1.contact=marta-email":                       "loud",
		"do=plan&name=Night&least=urgent&step.1.contact=marta-email&step.1.minutes=soon": "whole number",
		"do=plan&name=Night&least=urgent&step.1.contact=marta-email&step.1.from=7":       "write times as",
		"do=roster&name=Duty&people=ana,zoe&first=2031-07-07&handover=08:00&days=7":      "zoe",
		"do=roster&name=Duty&people=ana&first=soon&handover=08:00&days=7":                "2031-07-07",
		"do=roster&name=Duty&people=ana&first=2031-07-07&handover=08:00&days=many":       "whole number",
	} {
		body := post(form, http.StatusUnprocessableEntity)
		if !strings.Contains(body, says) || strings.Contains(body, `"><script>`) {
			t.Errorf("%s: the page lacks %q", form, says)
		}
	}
	post("do=test&id=nobody", http.StatusNotFound)
	if body := post("do=test&id=marta-email", http.StatusOK); !strings.Contains(body, "has taken the test") {
		t.Error("the page does not say that the test arrived")
	}
	if body := post("do=test&id=ana-webhook", http.StatusOK); !strings.Contains(body, "did not arrive: the receiver &lt;b&gt;says 500") {
		t.Errorf("the page does not say that the test failed:\n%s", body)
	}
	if body := post("do=secret&id=ana-webhook", http.StatusOK); !strings.Contains(body, "whsec_SHOWN-ONCE") {
		t.Error("the secret is not shown")
	}
	post("do=off&id=ana-webhook", http.StatusSeeOther)
	if c, _ := book.d.Contact("ana-webhook"); c.Off == "" || c.Address != "https://example.org/hook" {
		t.Errorf("switched off: %+v", c)
	}
	post("do=on&id=ana-webhook", http.StatusSeeOther)
	post("do=not-monthly&id=marta-email", http.StatusSeeOther)
	if c, _ := book.d.Contact("marta-email"); c.Monthly {
		t.Error("the monthly report still goes there")
	}

	post("do=roster&name=Van duty&people=ana, marta&first=2031-06-30&handover=08:00&days=7&timezone=Europe/Lisbon", http.StatusSeeOther)
	post("do=plan&name=Nights&least=soon&ends=on&site=pier&step.1.contact=ana-webhook&step.1.minutes=0&step.2.roster=van-duty&step.2.minutes=30&step.2.from=18:00&step.2.to=07:00&step.2.day=sat&step.2.day=sun", http.StatusSeeOther)
	p, ok := book.d.Plan("nights")
	if !ok || len(p.Steps) != 2 || p.Steps[1].After != 1800 || p.Steps[1].Hours[0].Days[1] != "sun" || !p.Ends || p.Sites[0] != "pier" {
		t.Fatalf("kept: %+v", p)
	}
	body := y.get("/setup/contacts?plan=nights").Body.String()
	for _, says := range []string{"Of alerts that are soon or graver, at pier; and of their end.", "After 30 min without an acknowledgement: whoever is on duty in Van duty; only 18:00 to 07:00 Sat, Sun", "On duty now: Name of ana", `value="nights"`, `value="30"`} {
		if !strings.Contains(body, says) {
			t.Errorf("the page lacks %q", says)
		}
	}
	post("do=remove-contact&id=ana-webhook", http.StatusConflict)
	post("do=remove-plan&id=nights", http.StatusSeeOther)
	post("do=remove-contact&id=ana-webhook", http.StatusSeeOther)
	if did := y.did(t); did != "ana-webhook contact removed" {
		t.Errorf("the audit log says %q", did)
	}
}
