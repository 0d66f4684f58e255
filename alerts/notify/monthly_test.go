package notify

import (
	"context"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"net/mail"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"dewline"
)

// monthly are people of whom three get reports, and others must not: a dispatcher, an owner's second
// address that did not ask, and one that is switched off.
func monthly() dewline.Directory {
	d := people()
	d.People = append(d.People, dewline.Person{ID: "cleo", Name: "Cleo", Role: dewline.RoleOwner, Owner: "city", Units: dewline.USUnits})
	contact := func(id, person, off string, wants bool) dewline.Contact {
		return dewline.Contact{ID: id, Person: person, Channel: dewline.ByMail, Address: id + "@example.org", Off: off, Monthly: wants}
	}
	for i := range d.Contacts {
		d.Contacts[i].Monthly = d.Contacts[i].ID == "otto-mail" || d.Contacts[i].ID == "ana-mail"
	}
	d.Contacts = append(d.Contacts, contact("cleo-mail", "cleo", "", true), contact("cleo-home", "cleo", "", false), contact("cleo-old", "cleo", "gone", true))
	return d
}

func fake(_ context.Context, owner string, month dewline.Month, u dewline.Units) (dewline.Paper, error) {
	return dewline.Paper{Name: owner + "-" + string(month) + ".pdf", Type: "application/pdf", Body: fmt.Appendf(nil, "%%PDF %s %s %s", owner, month, u)}, nil
}

// running is a courier that a test starts and ends, as a service is.
func running(t *testing.T, store Store, r Sender, reports Reports) (end func()) {
	c := courierFor(t, store, r, func(o *Options) { o.Reports, o.Link, o.Every = reports, "https://dewline.example.org", 30*time.Second })
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { c.Run(ctx); close(done) }()
	return func() { cancel(); <-done }
}

// until sleeps until a time of the bubble, which begins on 1 January 2000.
func until(t *testing.T, when string) {
	t.Helper()
	at, err := time.Parse("2006-01-02 15:04", when)
	if err != nil {
		t.Fatal(err)
	}
	time.Sleep(time.Until(at))
	synctest.Wait()
}

func got(r *radio) (list []string) {
	for i, m := range r.sent {
		list = append(list, fmt.Sprintf("%s %s %s", r.at[i].UTC().Truncate(10*time.Minute).Format("01-02 15:04"), m.Contact, m.Files[0].Name))
	}
	slices.Sort(list)
	return list
}

// TestMonthsTurn: reports go on the first at seven, in the site's time, once for each who wants them,
// though the service ends and starts about the turn; what was down is made good for.
func TestMonthsTurn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store, r := newMemory(monthly()), &radio{}
		until(t, "2000-01-20 12:00")
		end := running(t, store, r, fake)
		until(t, "2000-01-20 13:00") // who is new to it gets the last month's
		if list := got(r); !slices.Equal(list, []string{"01-20 12:00 cleo-mail city-1999-12.pdf", "01-20 12:00 otto-mail market-1999-12.pdf"}) {
			t.Fatalf("at first: %q", list)
		}
		r.sent, r.at = nil, nil
		until(t, "2000-02-01 06:59")
		if len(r.sent) != 0 {
			t.Fatalf("too early: %q", got(r))
		}
		end()
		end = running(t, store, r, fake) // a restart right before
		until(t, "2000-02-01 07:30")
		end()
		end = running(t, store, r, fake) // and right after
		until(t, "2000-02-28 23:00")
		if list := got(r); !slices.Equal(list, []string{"02-01 07:00 cleo-mail city-2000-01.pdf", "02-01 07:00 otto-mail market-2000-01.pdf"}) {
			t.Errorf("the turn to February: %q", list)
		}
		end()
		r.sent, r.at = nil, nil
		until(t, "2000-03-02 10:00") // down over the next turn
		end = running(t, store, r, fake)
		until(t, "2000-03-20 00:00")
		if list := got(r); !slices.Equal(list, []string{"03-02 10:00 cleo-mail city-2000-02.pdf", "03-02 10:00 otto-mail market-2000-02.pdf"}) {
			t.Errorf("the turn to March: %q", list)
		}
		end()
		for _, m := range r.sent {
			if m.Contact == "cleo-mail" && (string(m.Files[0].Body) != "%PDF city 2000-02 us" || !strings.Contains(m.Text, "February 2000 on the equipment of City") ||
				!strings.Contains(m.Text, "https://dewline.example.org/owners/city?month=2000-02") || !strings.Contains(m.Text, dewline.Caution)) {
				t.Errorf("%s\n%s", m.Files[0].Body, m.Text)
			}
		}
	})
}

// TestReportGoesUntilTaken: an ending of the service between the making and the taking makes the same
// message go again; a report that cannot be made is tried until it can.
func TestReportGoesUntilTaken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := monthly()
		d.Contacts = slices.DeleteFunc(d.Contacts, func(c dewline.Contact) bool { return c.ID != "otto-mail" })
		d.Plans = nil
		store := newMemory(d)
		var broken atomic.Bool
		broken.Store(true)
		r := &radio{answer: func(n int, _ dewline.Contact, _ dewline.Message) error {
			if n < 3 {
				return errors.New("no answer")
			}
			return nil
		}}
		until(t, "2000-01-10 12:00")
		end := running(t, store, r, func(ctx context.Context, owner string, m dewline.Month, u dewline.Units) (dewline.Paper, error) {
			if broken.Load() {
				return dewline.Paper{}, errors.New("the store does not answer")
			}
			return fake(ctx, owner, m, u)
		})
		time.Sleep(10*time.Minute + 20*time.Second) // between two looks
		broken.Store(false)
		time.Sleep(90 * time.Second)
		synctest.Wait()
		end()
		if n := len(r.sent); n != 1 && n != 2 {
			t.Fatalf("%d attempts before the end", len(r.sent))
		}
		end = running(t, store, r, func(context.Context, string, dewline.Month, dewline.Units) (dewline.Paper, error) {
			t.Error("a report that is in the outbox is made anew")
			return dewline.Paper{}, nil
		})
		time.Sleep(48 * time.Hour)
		synctest.Wait()
		end()
		if len(r.sent) != 3 || r.sent[0].ID != r.sent[2].ID || string(r.sent[0].Files[0].Body) != string(r.sent[2].Files[0].Body) {
			t.Errorf("%d attempts, %s and %s", len(r.sent), r.sent[0].ID, r.sent[len(r.sent)-1].ID)
		}
	})
}

// TestReportWaitsItsTurn: while an alert is on its way to a contact, a report does not overtake it, and
// while a report is, alerts wait for it; the store would refuse a second message under way.
func TestReportWaitsItsTurn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := monthly()
		d.Plans = []dewline.ContactPlan{{ID: "all", Name: "All", Least: dewline.Watch, Steps: []dewline.PlanStep{{Contacts: []string{"otto-mail"}}}}}
		store := newMemory(d)
		var down atomic.Bool
		down.Store(true)
		r := &radio{answer: func(int, dewline.Contact, dewline.Message) error {
			if down.Load() {
				return errors.New("no answer")
			}
			return nil
		}}
		until(t, "2000-02-01 06:50")
		store.put(opened(alertOf("fish-market/cold-room", dewline.Urgent)))
		store.mu.Lock()
		store.messages["old"] = dewline.Message{ID: digest("r", "otto-mail", "market", "1999-12"), Contact: "otto-mail", State: dewline.MessageSent}
		store.messages[store.messages["old"].ID] = store.messages["old"]
		delete(store.messages, "old")
		store.mu.Unlock()
		end := running(t, store, r, fake)
		until(t, "2000-02-01 08:00")
		down.Store(false)
		until(t, "2000-02-01 14:00")
		end()
		var order []string
		for _, m := range r.sent {
			if m.Contact != "otto-mail" {
				continue
			}
			if kind := m.ID[:1]; len(order) == 0 || order[len(order)-1] != kind {
				order = append(order, kind)
			}
		}
		if fmt.Sprint(order) != "[m r]" {
			t.Errorf("the order was %v", order)
		}
	})
}

// TestReportInTheRealStore: the same with a database, a second courier on it, and a mail server.
func TestReportInTheRealStore(t *testing.T) {
	s := startSMTP(t, &smtpServer{})
	d := monthly()
	d.Contacts = slices.DeleteFunc(d.Contacts, func(c dewline.Contact) bool { return c.ID != "cleo-mail" })
	d.Plans = nil
	store := openStore(t, filepath.Join(t.TempDir(), "dewline.db"), d)
	now := time.Date(2031, 7, 1, 8, 0, 0, 0, time.UTC)
	for range 2 {
		c := courierFor(t, store, mailTo(t, s), func(o *Options) {
			o.Reports, o.Now = fake, func() time.Time { return now }
		})
		for range 2 {
			if err := errors.Join(c.Monthly(t.Context()), c.Deliver(t.Context())); err != nil {
				t.Fatal(err)
			}
		}
	}
	all := s.all()
	if len(all) != 1 || !strings.Contains(all[0].to[0], "cleo-mail@example.org") {
		t.Fatalf("%d mails: %v", len(all), all)
	}
	m, err := mail.ReadMessage(strings.NewReader(all[0].data))
	if err != nil {
		t.Fatal(err)
	}
	kind, params, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/mixed" || m.Header.Get("Message-ID") != "<"+digest("r", "cleo-mail", "city", "2031-06")+"@service.example.org>" {
		t.Fatalf("%s %v, %s", kind, err, m.Header.Get("Message-ID"))
	}
	parts := multipart.NewReader(m.Body, params["boundary"])
	var last *multipart.Part
	var body []byte
	for {
		p, err := parts.NextPart()
		if err != nil {
			break
		}
		last = p
		if body, err = io.ReadAll(p); err != nil {
			t.Fatal(err)
		}
	}
	if last == nil || last.FileName() != "city-2031-06.pdf" || !strings.HasPrefix(last.Header.Get("Content-Type"), "application/pdf") || len(body) == 0 {
		t.Errorf("the last part is %v", last)
	}
	if err := store.AnonymisePerson(t.Context(), "cleo", noon); err != nil {
		t.Fatal(err)
	}
	left, err := store.MessageByID(t.Context(), digest("r", "cleo-mail", "city", "2031-06"))
	if err != nil || len(left.Files) != 0 {
		t.Errorf("%v: a report stays after its reader was anonymised", err)
	}
}

func TestDueMonth(t *testing.T) {
	fleet := town(t)
	for when, want := range map[string]dewline.Month{"2031-07-01 05:59": "2031-05", "2031-07-01 06:00": "2031-06", "2031-07-31 23:00": "2031-06", "2032-01-01 07:00": "2031-12"} {
		at, err := time.Parse("2006-01-02 15:04", when)
		if err != nil {
			t.Fatal(err)
		}
		if m, ok := dueMonth(fleet, "market", dewline.MillisOf(at)); !ok || m != want { // July in Lisbon is an hour ahead
			t.Errorf("%s: %s, want %s", when, m, want)
		}
	}
	if _, ok := dueMonth(fleet, "nobody", noon); ok {
		t.Error("an owner without a site has a report")
	}
}
