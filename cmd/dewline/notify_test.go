package main

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline"
	"dewline/alerts/notify"
)

// hook is another program that listens for webhooks.
type hook struct {
	*httptest.Server
	mu  sync.Mutex
	got []hooked
}

type hooked struct {
	header http.Header
	body   []byte
}

func newHook(t *testing.T) *hook {
	h := &hook{}
	h.Server = httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		h.mu.Lock()
		defer h.mu.Unlock()
		h.got = append(h.got, hooked{r.Header, body})
	}))
	t.Cleanup(h.Close)
	return h
}

func (h *hook) all() []hooked {
	h.mu.Lock()
	defer h.mu.Unlock()
	return append([]hooked(nil), h.got...)
}

// ask sends a change to the API and returns status and answer.
func askAPI(t *testing.T, s *service, method, path, body string) (int, string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, "http://"+s.HTTPAddr()+"/api/v1"+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer.StatusCode, string(text)
}

// TestTellingByTheAPI enters people, a webhook and a plan by the API, tries the webhook out, lets an
// alert be told and explained, and takes a name away again.
func TestTellingByTheAPI(t *testing.T) {
	receiver := newHook(t)
	var set settings
	set.Notify.Link = "https://dewline.example.org"
	set.Notify.Webhook.PlainHTTP, set.Notify.Webhook.AllowNetworks = true, []string{"127.0.0.0/8"}
	s := startTestService(t, serviceOptions{Fleet: dewline.NewFleet(nil, nil), Settings: set})
	must := func(method, path, body string, want int) string {
		t.Helper()
		code, answer := askAPI(t, s, method, path, body)
		if code != want {
			t.Fatalf("%s %s answers %d %s, want %d", method, path, code, answer, want)
		}
		return answer
	}
	must("PUT", "/people/erp", `{"name":"Planning","role":"program"}`, 204)
	must("PUT", "/people/ana", `{"name":"Ana Dispatcher","role":"dispatcher","units":"us"}`, 204)
	must("PUT", "/contacts/hook", `{"person":"erp","channel":"webhook","address":"`+receiver.URL+`/in","gather_s":1,"apart_s":1}`, 204)
	must("PUT", "/contacts/ana-chat", `{"person":"ana","channel":"chat","address":"discord://secretToken@123456"}`, 204)
	must("PUT", "/rosters/week", `{"name":"Week","people":["ana"],"first":"2020-01-06","handover":"08:00","days":7}`, 204)
	must("PUT", "/plans/all", `{"name":"All","least":"soon","steps":[{"contacts":["hook"]},{"after_s":3600,"roster":"week"}]}`, 204)

	// What makes no sense says what to do.
	for path, body := range map[string]string{
		"/people/x":   `{"name":"A\r\nBcc: b@example.org","role":"dispatcher"}`,
		"/contacts/x": `{"person":"ana","channel":"email","address":"a@example.org\r\nBcc: b@example.org"}`,
		"/contacts/y": `{"person":"nobody","channel":"email","address":"a@example.org"}`,
		"/plans/x":    `{"name":"X","least":"soon","steps":[{"contacts":["nothing"]}]}`,
		"/rosters/x":  `{"name":"X","people":["ana"],"first":"soon","handover":"08:00","days":7}`,
		"/people/y":   `{"id":"z","name":"Y","role":"manager"}`,
	} {
		must("PUT", path, body, 400)
	}
	must("DELETE", "/contacts/hook", "", 409)
	must("DELETE", "/plans/none", "", 404)

	// The test button: without a secret it says so, with one the receiver has it.
	if answer := must("POST", "/contacts/hook/test", "", 200); !strings.Contains(answer, `"sent":false`) || !strings.Contains(answer, "no secret") {
		t.Error(answer)
	}
	var made struct{ Secret string }
	if err := json.Unmarshal([]byte(must("POST", "/contacts/hook/secret", "", 200)), &made); err != nil {
		t.Fatal(err)
	}
	if answer := must("POST", "/contacts/hook/test", "", 200); !strings.Contains(answer, `"sent":true`) {
		t.Error(answer)
	}
	if got := receiver.all(); len(got) != 1 || !strings.Contains(string(got[0].body), `"contact.test"`) {
		t.Fatalf("the test: %+v", got)
	}
	must("POST", "/contacts/none/test", "", 404)
	must("POST", "/contacts/ana-chat/secret", "", 409)

	// Secrets are not shown again, and storing what is shown changes none of them.
	list := must("GET", "/contacts", "", 200)
	if strings.Contains(list, made.Secret) || strings.Contains(list, "secretToken") || !strings.Contains(list, `"signed":true`) {
		t.Error(list)
	}
	must("PUT", "/contacts/ana-chat", `{"person":"ana","channel":"chat","address":"discord://…","apart_s":60}`, 204)
	d, err := s.relational.Directory(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if c, _ := d.Contact("ana-chat"); c.Address != "discord://secretToken@123456" || c.Apart != 60 {
		t.Errorf("stored as shown: %+v", c)
	}

	// An alert is told to the program; the next step waits for nobody's acknowledgement.
	now := dewline.MillisOf(time.Now())
	a := dewline.Alert{
		ID: "a1", Site: "quay", System: "quay/hall", Systems: []dewline.SystemID{"quay/hall"}, Condition: dewline.Flooding,
		Conditions: []dewline.Condition{dewline.Flooding}, Severity: dewline.Urgent, State: dewline.AlertOpen, Onset: now - 1000, Detected: now,
	}
	if err := s.relational.PutAlerts(t.Context(), []dewline.AlertChange{{Change: dewline.Change{By: dewline.ByDewline, At: now, Why: "wet"}, Alert: a}}); err != nil {
		t.Fatal(err)
	}
	until(t, "the webhook", func() bool { return len(receiver.all()) == 2 })
	told := receiver.all()[1]
	sent, err := time.Parse("2006-01-02", "1970-01-01")
	if err != nil {
		t.Fatal(err)
	}
	var seconds int64
	if err := json.Unmarshal([]byte(told.header.Get("webhook-timestamp")), &seconds); err != nil {
		t.Fatal(err)
	}
	id := told.header.Get("webhook-id")
	signature, err := notify.Sign(made.Secret, id, sent.Add(time.Duration(seconds)*time.Second), told.body)
	if err != nil || signature != told.header.Get("webhook-signature") {
		t.Errorf("signature %s, want %s, %v", told.header.Get("webhook-signature"), signature, err)
	}
	var notices struct{ Notices []dewline.Notice }
	read := func() {
		if err := json.Unmarshal([]byte(must("GET", "/notices?alert=a1", "", 200)), &notices); err != nil {
			t.Fatal(err)
		}
	}
	until(t, "the notice", func() bool { read(); return len(notices.Notices) == 2 && settledNotice(notices.Notices, "hook") })
	for _, n := range notices.Notices {
		if n.Contact == "ana-chat" && (n.State != dewline.NoticeWaiting || n.Reason != dewline.BecauseStep || n.Why == "") {
			t.Errorf("the next: %+v", n)
		}
	}
	if m := must("GET", "/messages/"+id, "", 200); !strings.Contains(m, "licensed people only") || !strings.Contains(m, `"state":"sent"`) {
		t.Error(m)
	}
	must("GET", "/messages/none", "", 404)
	must("GET", "/notices?state=soon", "", 400)

	// Somebody acknowledges: nobody else is called, and the record says why. Then the name goes.
	must("POST", "/alerts/a1/actions", `{"do":"acknowledge","by":"Ana Dispatcher"}`, 200)
	until(t, "nobody else", func() bool { read(); return settledNotice(notices.Notices, "ana-chat") })
	must("POST", "/people/ana/anonymise", "", 204)
	for _, path := range []string{"/people", "/contacts", "/notices", "/alerts/a1"} {
		if text := must("GET", path, "", 200); strings.Contains(text, "Ana Dispatcher") || strings.Contains(text, "secretToken") {
			t.Errorf("%s still has the name: %s", path, text)
		}
	}
}

func settledNotice(list []dewline.Notice, contact string) bool {
	for _, n := range list {
		if n.Contact == contact {
			return n.State == dewline.NoticeSent || n.State == dewline.NoticeNotSent && n.Why != ""
		}
	}
	return false
}

func TestNotifySettingsRefuse(t *testing.T) {
	for want, change := range map[string]func(*notifySettings){
		"allow_networks": func(s *notifySettings) { s.Webhook.AllowNetworks = []string{"local"} },
		"no address":     func(s *notifySettings) { s.Mail.Host, s.Mail.From = "mail.example.org", "x\r\ny" },
		"security":       func(s *notifySettings) { s.Mail.Host, s.Mail.From, s.Mail.Security = "m", "a@b.example", "rot13" },
		"without TLS": func(s *notifySettings) {
			s.Mail.Host, s.Mail.From, s.Mail.Security, s.Mail.User = "m", "a@b.example", "none", "u"
		},
		"mqtt": func(s *notifySettings) { s.MQTT.URL = "http://x" },
	} {
		var o serviceOptions
		o.Data, o.HTTP, o.MQTT, o.Fleet = t.TempDir(), "127.0.0.1:0", "127.0.0.1:0", dewline.NewFleet(nil, nil)
		change(&o.Settings.Notify)
		s, err := startService(t.Context(), o)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want an error with %q", err, want)
		}
		if err == nil {
			_ = s.Stop()
		}
	}
}
