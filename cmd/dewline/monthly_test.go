package main

import (
	"io"
	"log"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"dewline"
	"dewline/alerts/sqlstore"
)

// mailbox is a mail server that keeps what it takes.
type mailbox struct {
	mu  sync.Mutex
	got []string
}

func (m *mailbox) NewSession(*smtp.Conn) (smtp.Session, error) { return m, nil }
func (m *mailbox) Reset()                                      {}
func (m *mailbox) Logout() error                               { return nil }
func (m *mailbox) Mail(string, *smtp.MailOptions) error        { return nil }
func (m *mailbox) Rcpt(string, *smtp.RcptOptions) error        { return nil }

func (m *mailbox) Data(r io.Reader) error {
	data, err := io.ReadAll(r)
	m.mu.Lock()
	defer m.mu.Unlock()
	m.got = append(m.got, string(data))
	return err
}

func (m *mailbox) all() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]string(nil), m.got...)
}

// TestMonthlyReport: the running service sends an owner the report of the last month that is over, and
// not again when it starts anew.
func TestMonthlyReport(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	box := &mailbox{}
	server := smtp.NewServer(box)
	server.Domain, server.ErrorLog = "mail.example.org", log.New(io.Discard, "", 0)
	go func() { _ = server.Serve(l) }()
	t.Cleanup(func() { _ = server.Close() })

	fleet, err := dewline.ReadFleet("monthly.yaml", []byte(repairFleet), refrigerants{})
	if err != nil {
		t.Fatal(err)
	}
	o := serviceOptions{Fleet: fleet, Data: t.TempDir()}
	o.Settings.Notify.Mail.Host, o.Settings.Notify.Mail.Port = "127.0.0.1", l.Addr().(*net.TCPAddr).Port
	o.Settings.Notify.Mail.Security, o.Settings.Notify.Mail.From = "none", "dewline@service.example.org"
	store, err := sqlstore.Open(t.Context(), databasePath(o.Data), sqlstore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, err := range []error{
		store.PutPerson(t.Context(), dewline.Person{ID: "otto", Name: "Otto", Role: dewline.RoleOwner, Owner: "town"}),
		store.PutContact(t.Context(), dewline.Contact{ID: "otto-mail", Person: "otto", Channel: dewline.ByMail, Address: "otto@example.org", Monthly: true}),
		store.Close(),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	o.HTTP, o.MQTT = "127.0.0.1:0", "127.0.0.1:0"
	first, err := startService(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	until(t, "the report", func() bool { return len(box.all()) > 0 })
	settled(t, first)
	if err := first.Stop(); err != nil {
		t.Fatal(err)
	}
	second := startTestService(t, o)
	if err := second.courier.Monthly(t.Context()); err != nil {
		t.Error(err)
	}
	settled(t, second)
	got := box.all()
	if len(got) != 1 || !strings.Contains(got[0], "application/pdf") || !strings.Contains(got[0], "report-town-") || !strings.Contains(got[0], "JVBERi0x") { // %PDF-1 in base64
		t.Errorf("%d mails: %.900s", len(got), strings.Join(got, "\n---\n"))
	}
}

// settled waits until nothing in the outbox waits to be sent.
func settled(t *testing.T, s *service) {
	t.Helper()
	until(t, "an outbox with nothing to send", func() bool {
		due, err := s.relational.DueMessages(t.Context(), dewline.MillisOf(time.Now().AddDate(1, 0, 0)), 10)
		return err == nil && len(due) == 0
	})
}
