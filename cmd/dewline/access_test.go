package main

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"

	"dewline"
)

// logged is a log that tests read.
type logged struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *logged) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *logged) find(t *testing.T, pattern string) string {
	t.Helper()
	l.mu.Lock()
	defer l.mu.Unlock()
	found := regexp.MustCompile(pattern).FindStringSubmatch(l.text.String())
	if found == nil {
		t.Fatalf("the log lacks %s:\n%s", pattern, l.text.String())
	}
	return found[1]
}

// command runs a command of the command line with something on its standard input.
func command(t *testing.T, input string, args ...string) (code int, out string) {
	t.Helper()
	var stdout, stderr bytes.Buffer
	code = run(t.Context(), args, &streams{strings.NewReader(input), &stdout, &stderr})
	return code, stdout.String() + stderr.String()
}

// TestFirstUser: a service without users is open on its machine and says so; the link in the log makes
// its first administrator, and from then on it asks who somebody is. The command works beside it.
func TestFirstUser(t *testing.T) {
	const words = "four words in a row"
	log := &logged{}
	s := startTestService(t, serviceOptions{Fleet: dewline.NewFleet(nil, nil), Log: slog.New(slog.NewTextHandler(log, nil))})
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	client := &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	do := func(r *http.Request, err error) (int, string) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		answer, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close()
		body, err := io.ReadAll(answer.Body)
		if err != nil {
			t.Fatal(err)
		}
		return answer.StatusCode, string(body)
	}
	get := func(path, token, host string) (int, string) {
		t.Helper()
		r, err := http.NewRequest(http.MethodGet, s.PagesURL()+path, nil)
		if token != "" {
			r.Header.Set("Authorization", "Bearer "+token)
		}
		if host != "" {
			r.Host = host
		}
		return do(r, err)
	}
	post := func(path string, form url.Values) (int, string) {
		t.Helper()
		r, err := http.NewRequest(http.MethodPost, s.PagesURL()+path, strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		return do(r, err)
	}
	wants := func(what string, code int, body string, want int, says string) {
		t.Helper()
		if code != want || !strings.Contains(body, says) {
			t.Fatalf("%s: %d, want %d %q\n%.600s", what, code, want, says, body)
		}
	}

	code, body := get("/", "", "")
	wants("without users", code, body, 200, "Open: there are no users yet")
	code, body = get("/api/v1/systems", "", "")
	wants("its API", code, body, 200, "systems")
	code, body = get("/api/v1/systems", "", "rebound.example")
	wants("by a name that somebody lets point here", code, body, 401, "sign in")
	code, body = get("/people", "", "")
	wants("who may sign in", code, body, 403, "")

	link := strings.TrimPrefix(log.find(t, `link=(\S+)`), s.PagesURL())
	code, body = post(link, url.Values{"name": {"Ana Prior"}, "id": {"ana"}, "login": {"ana"}, "new": {words}, "again": {words}})
	wants("the link", code, body, 303, "")
	code, body = get("/api/v1/systems", "", "")
	wants("with a user", code, body, 401, "sign in")
	code, body = post("/sign-in", url.Values{"login": {"ana"}, "password": {words}})
	wants("sign in", code, body, 303, "")
	code, body = get("/people", "", "")
	wants("the administrator", code, body, 200, "Ana Prior")

	data := "--data=" + s.o.Data
	if code, out := command(t, "short\n", "user", "add", data, "rui", "--name=Rui Salgado", "--role=technician"); code != exitFailed || !strings.Contains(out, "at least 12") {
		t.Fatalf("a short password: %d %s", code, out)
	}
	if code, out := command(t, words+"\n", "user", "add", data, "rui", "--name=Rui Salgado", "--role=technician", "--login=Rui@Example.org"); code != exitDone || strings.Contains(out, words) {
		t.Fatalf("add: %d %s", code, out)
	}
	if code, _ := command(t, words+"\n", "user", "add", data, "rui"); code != exitFailed {
		t.Error("added twice")
	}
	_, token := command(t, "", "user", "token", "add", data, "rui", "his phone")
	token = regexp.MustCompile(`dewline-\S+`).FindString(token)
	code, body = get("/api/v1/systems", token, "")
	wants("a token", code, body, 200, "systems")
	_, out := command(t, "", "user", "token", "list", data, "rui")
	if !strings.Contains(out, "his phone") || strings.Contains(out, token) {
		t.Errorf("list of tokens: %s", out)
	}
	if code, out := command(t, "another four words\n", "user", "password", data, "ana"); code != exitDone {
		t.Fatalf("password: %s", out)
	}
	code, body = get("/people", "", "")
	wants("the session after a new password", code, body, 303, "")
	if code, out := command(t, "", "user", "disable", data, "rui"); code != exitDone {
		t.Fatalf("disable: %s", out)
	}
	code, body = get("/api/v1/systems", token, "")
	wants("the token of a closed account", code, body, 401, "opens nothing")
	if code, out := command(t, "", "user", "enable", data, "rui"); code != exitDone {
		t.Fatalf("enable: %s", out)
	}
	code, body = get("/api/v1/systems", token, "")
	wants("opened again", code, body, 200, "systems")
	_, out = command(t, "", "user", "list", data)
	for _, want := range []string{"ana", "Ana Prior", "administrator", "rui@example.org", "technician", "open"} {
		if !strings.Contains(out, want) {
			t.Errorf("the list lacks %q:\n%s", want, out)
		}
	}
	if _, out := command(t, "", "user", "password", data, "nobody"); !strings.Contains(out, "has no sign-in") {
		t.Errorf("nobody: %s", out)
	}
	_, out = command(t, "", "user", "password", data, "rui", "--link", "--url=http://"+s.HTTPAddr()+"/")
	path := strings.TrimPrefix(regexp.MustCompile(`http\S+`).FindString(out), s.PagesURL())
	code, body = post(path, url.Values{"new": {"a third set of words"}, "again": {"a third set of words"}})
	wants("a link of the command", code, body, 303, "")
}

// TestOffLoopback: pages leave the machine with TLS, or where somebody asked for less in words.
func TestOffLoopback(t *testing.T) {
	for what, c := range map[string]struct {
		http, cert string
		plaintext  bool
		ok         bool
	}{
		"loopback":            {"127.0.0.1:8080", "", false, true},
		"everywhere":          {"0.0.0.0:8080", "", false, false},
		"everywhere by name":  {":8080", "", false, false},
		"everywhere with TLS": {"0.0.0.0:8443", "cert.pem", false, true},
		"everywhere in words": {"0.0.0.0:8080", "", true, true},
		"no address":          {"8080", "", true, false},
	} {
		s := &service{o: serviceOptions{HTTP: c.http, Plaintext: c.plaintext}}
		s.o.Settings.TLS.Cert = c.cert
		if err := s.checkAddresses(); (err == nil) != c.ok {
			t.Errorf("%s: %v", what, err)
		}
	}
}

// TestDemoGuest: the demo takes whoever asks on this machine for its administrator, and nobody else.
func TestDemoGuest(t *testing.T) {
	d := &demo{std: &streams{out: io.Discard, err: io.Discard}, fleet: dewline.NewFleet([]dewline.Owner{{ID: "town-hall", Name: "Town Hall"}}, nil)}
	s := startTestService(t, serviceOptions{Fleet: d.fleet, Guest: demoAdministrator.ID})
	if err := d.admit(t.Context(), s, demoAdministrator, ""); err != nil {
		t.Fatal(err)
	}
	if err := d.admitOthers(context.Background(), s); err != nil {
		t.Fatal(err)
	}
	if code, body := fetch(t, s, "/people"); code != 200 || !strings.Contains(string(body), "Rosa Vale") || !strings.Contains(string(body), "town-hall") {
		t.Errorf("%d %s", code, body)
	}
	r, err := http.NewRequest(http.MethodGet, s.PagesURL()+"/api/v1/people", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("X-Forwarded-For", "192.0.2.1")
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	answer.Body.Close()
	if answer.StatusCode != http.StatusUnauthorized {
		t.Errorf("from elsewhere: %s", answer.Status)
	}
}

func TestSignInSettings(t *testing.T) {
	for text, want := range map[string]string{
		"sign_in: {idle: -1h}":                                            "negative",
		"sign_in: {oidc: {issuer: http://id.example.org}}":                "https",
		"sign_in: {oidc: {issuer: https://id.example.org}}":               "client_id",
		"sign_in: {oidc: {issuer: https://id.example.org, client_id: x}}": "notify: link",
		"sign_in: {oidc: {isuer: x}}":                                     "isuer",
	} {
		path := filepath.Join(t.TempDir(), "dewline.yaml")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := readSettings(path); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want an error with %q", text, err, want)
		}
	}
}
