package notify

import (
	"errors"
	"io"
	"log"
	"mime"
	"net"
	"net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"dewline"
)

// received is one message that a test's SMTP server has taken.
type received struct {
	to   []string
	data string
}

// smtpServer is a real server for tests. accept is asked for each message before it is confirmed.
type smtpServer struct {
	mu     sync.Mutex
	got    []received
	accept func(r received) error
	rcpt   func(to string) error
	wrap   func(net.Listener) net.Listener // nil: as it is
	addr   *net.TCPAddr
}

type smtpSession struct {
	s *smtpServer
	r received
}

func (s *smtpServer) NewSession(*smtp.Conn) (smtp.Session, error) { return &smtpSession{s: s}, nil }

func (x *smtpSession) Reset()                               { x.r = received{} }
func (x *smtpSession) Logout() error                        { return nil }
func (x *smtpSession) Mail(string, *smtp.MailOptions) error { return nil }
func (x *smtpSession) Rcpt(to string, _ *smtp.RcptOptions) error {
	x.r.to = append(x.r.to, to)
	if x.s.rcpt != nil {
		return x.s.rcpt(to)
	}
	return nil
}

func (x *smtpSession) Data(r io.Reader) error {
	data, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	x.r.data = string(data)
	x.s.mu.Lock()
	defer x.s.mu.Unlock()
	if x.s.accept != nil {
		if err := x.s.accept(x.r); err != nil {
			return err
		}
	}
	x.s.got = append(x.s.got, x.r)
	return nil
}

func (s *smtpServer) all() []received {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]received(nil), s.got...)
}

func startSMTP(t testing.TB, s *smtpServer) *smtpServer {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := smtp.NewServer(s)
	server.Domain, server.AllowInsecureAuth, server.ErrorLog = "mail.example.org", true, log.New(io.Discard, "", 0)
	s.addr = l.Addr().(*net.TCPAddr)
	if s.wrap != nil {
		l = s.wrap(l)
	}
	go func() { _ = server.Serve(l) }()
	t.Cleanup(func() { _ = server.Close() })
	return s
}

func mailTo(t testing.TB, s *smtpServer) *Mail {
	t.Helper()
	m, err := NewMail(MailOptions{Host: "127.0.0.1", Port: s.addr.Port, Security: "none", From: "dewline@service.example.org"})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func anaMail() dewline.Contact {
	return dewline.Contact{ID: "ana-mail", Person: "ana", Channel: dewline.ByMail, Address: "ana@example.org"}
}

func TestMailArrives(t *testing.T) {
	s := startSMTP(t, &smtpServer{})
	message := dewline.Message{ID: "mabc", Made: dewline.Stamp(noon), Subject: "Urgent: Lesesaal, Büro ☃", Text: "Superheat 0.4 K\n.\nnot the end\n", HTML: "<p>Superheat</p>"}
	for range 2 {
		if err := mailTo(t, s).Send(t.Context(), anaMail(), message, time.Unix(0, 0)); err != nil {
			t.Fatal(err)
		}
	}
	got := s.all()
	if len(got) != 2 || got[0].to[0] != "ana@example.org" {
		t.Fatalf("got %+v", got)
	}
	var ids, dates []string
	for _, r := range got {
		m, err := mail.ReadMessage(strings.NewReader(r.data))
		if err != nil {
			t.Fatal(err)
		}
		subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
		if err != nil || subject != message.Subject || m.Header.Get("Auto-Submitted") != "auto-generated" {
			t.Errorf("header %v, %v", m.Header, err)
		}
		body, _ := io.ReadAll(m.Body)
		if !strings.Contains(string(body), "not the end") || !strings.Contains(string(body), "text/html") {
			t.Errorf("body:\n%s", body)
		}
		ids, dates = append(ids, m.Header.Get("Message-Id")), append(dates, m.Header.Get("Date"))
	}
	if ids[0] != "<mabc@service.example.org>" || ids[0] != ids[1] || dates[0] != dates[1] {
		t.Errorf("a repeat cannot be recognised: %v %v", ids, dates)
	}
}

func TestMailRefusals(t *testing.T) {
	s := startSMTP(t, &smtpServer{rcpt: func(to string) error {
		switch to {
		case "ana@example.org":
			return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such user"}
		}
		return &smtp.SMTPError{Code: 450, EnhancedCode: smtp.EnhancedCode{4, 2, 1}, Message: "later"}
	}})
	err := mailTo(t, s).Send(t.Context(), anaMail(), dewline.Message{ID: "m", Subject: "s", Text: "t"}, time.Unix(0, 0))
	if f, ok := errors.AsType[*Failure](err); !ok || !f.ForGood {
		t.Errorf("550: %v, want a refusal for good", err)
	}
	to := anaMail()
	to.Address = "full@example.org"
	err = mailTo(t, s).Send(t.Context(), to, dewline.Message{ID: "m", Subject: "s", Text: "t"}, time.Unix(0, 0))
	if f, ok := errors.AsType[*Failure](err); err == nil || ok && f.ForGood {
		t.Errorf("450: %v, want another try", err)
	}
}

// TestMailCannotBeInjected: whatever stands in names, addresses and subjects, the message has one
// recipient and no header that it should not have.
func TestMailCannotBeInjected(t *testing.T) {
	s := startSMTP(t, &smtpServer{})
	evil := []string{"a\r\nBcc: all@example.org", "a\nBcc: all@example.org", "a\rBcc: all@example.org", "a\r\n\r\nBcc: all@example.org", "a\u2028Bcc: all@example.org",
		"a\x00Bcc: all@example.org", "a\r\n.\r\nMAIL FROM:<x@example.org>", strings.Repeat("long ", 300) + "\r\nBcc: all@example.org"}
	for _, text := range evil {
		// In the names of site and system, which become the subject.
		p := planner(t)
		site, _ := p.Fleet.Site("quay-library")
		site.Name, site.Systems[0].Name = text, text
		a := alertOf("quay-library/hall-ac", dewline.Urgent)
		a.Causes[0].Detail = text
		n := opened(a)
		n.Why = text
		c, _ := p.Directory.Contact("ana-mail")
		m := p.message(c, []*entry{{Notice: newNotice(n, dewline.NoticeOpened, "all", 0, c.ID, noon)}}, map[string]dewline.Alert{a.ID: a}, noon)
		messages := []dewline.Message{m, {ID: "m1", Subject: text, Text: text, HTML: text}, {ID: text, Subject: "s", Text: "t"}}
		for _, m := range messages {
			if err := mailTo(t, s).Send(t.Context(), anaMail(), m, time.Unix(0, 0)); err != nil {
				t.Errorf("%q: %v", text, err)
			}
		}
	}
	want := map[string]bool{"From": true, "To": true, "Subject": true, "Message-Id": true, "Date": true, "Auto-Submitted": true, "Mime-Version": true, "Content-Type": true, "Content-Transfer-Encoding": true}
	got := s.all()
	if len(got) != 3*len(evil) {
		t.Errorf("%d messages arrived, want %d", len(got), 3*len(evil))
	}
	for _, r := range got {
		m, err := mail.ReadMessage(strings.NewReader(r.data))
		if err != nil {
			t.Errorf("%v in\n%s", err, r.data)
			continue
		}
		for name := range m.Header {
			if !want[name] {
				t.Errorf("header %s: %v", name, m.Header[name])
			}
		}
		if len(r.to) != 1 || r.to[0] != "ana@example.org" {
			t.Errorf("to %v", r.to)
		}
	}
}

// TestAddressesCannotBeInjected: neither the directory nor the sender takes such an address.
func TestAddressesCannotBeInjected(t *testing.T) {
	s := startSMTP(t, &smtpServer{})
	for _, address := range []string{"ana@example.org\r\nBcc: all@example.org", "ana@example.org\r\nRCPT TO:<all@example.org>", "ana@example.org, all@example.org",
		"Ana <ana@example.org>", "ana@example.org>\r\nDATA", "", "ana", "@example.org", "ana@example.org\x00", "\"a\r\nb\"@example.org", "ana@exa mple.org"} {
		to := anaMail()
		to.Address = address
		if err := to.Validate(); dewline.CodeOf(err) != dewline.Invalid {
			t.Errorf("%q is taken as an address: %v", address, err)
		}
		if err := mailTo(t, s).Send(t.Context(), to, dewline.Message{ID: "m", Subject: "s", Text: "t"}, time.Unix(0, 0)); err == nil {
			t.Errorf("%q is sent to", address)
		}
	}
	if got := s.all(); len(got) != 0 {
		t.Errorf("arrived: %+v", got)
	}
	for _, name := range []string{"Ana\r\nBcc: x", "", " ", "Ana\u0085x"} {
		if err := (dewline.Person{ID: "ana", Name: name, Role: dewline.RoleManager}).Validate(); dewline.CodeOf(err) != dewline.Invalid {
			t.Errorf("%q is taken as a name: %v", name, err)
		}
	}
}
