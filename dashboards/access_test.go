package dashboards_test

import (
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/crypto/argon2"

	"dewline"
	"dewline/dashboards"
	"dewline/dashboards/access"
	"dewline/dashboards/access/accesstest"
	"dewline/dashboards/access/password"
	"dewline/dashboards/pagebook"
)

const rightWords = "four words in a row"

// accountOf returns an account whose password is rightWords.
func accountOf(t testing.TB, id string, role dewline.Role, owner string) dewline.Account {
	t.Helper()
	hash, err := password.New(1).Hash(t.Context(), rightWords)
	if err != nil {
		t.Fatal(err)
	}
	return dewline.Account{
		Person: dewline.Person{ID: id, Name: "Name of " + id, Role: role, Owner: owner},
		SignIn: dewline.SignIn{Person: id, Login: id + "@example.org", Hash: hash},
	}
}

// house is the pages with a door.
type house struct {
	*httptest.Server
	store *accesstest.Store
	clock *atomic.Int64 // nanoseconds after noon
}

func (h *house) pass(d time.Duration) { h.clock.Add(int64(d)) }

func houseOf(t testing.TB, change func(*access.Options), accounts ...dewline.Account) *house {
	t.Helper()
	h := &house{store: accesstest.New(accounts...), clock: &atomic.Int64{}}
	begin := time.Now() // sessions' cookies are dated by the wall clock
	now := func() time.Time { return begin.Add(time.Duration(h.clock.Load())) }
	o := access.Options{Store: h.store, Book: h.store, Now: now}
	if change != nil {
		change(&o)
	}
	gate, err := access.New(o)
	if err != nil {
		t.Fatal(err)
	}
	options := optionsFor(pagebook.Town(noon))
	options.Guest, options.Access, options.Contacts = nil, gate, h.store
	pages, err := dashboards.New(options)
	if err != nil {
		t.Fatal(err)
	}
	h.Server = httptest.NewServer(pages)
	t.Cleanup(h.Close)
	return h
}

// visitorBrowser keeps cookies and follows no redirect.
type visitorBrowser struct {
	*http.Client
	t    testing.TB
	home string
}

func (h *house) browser(t testing.TB) *visitorBrowser {
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &visitorBrowser{&http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}, t, h.URL}
}

func (b *visitorBrowser) do(r *http.Request) (*http.Response, string) {
	b.t.Helper()
	answer, err := b.Do(r)
	if err != nil {
		b.t.Fatal(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	return answer, string(body)
}

func (b *visitorBrowser) get(path string) (*http.Response, string) {
	b.t.Helper()
	r, err := http.NewRequest(http.MethodGet, b.home+path, nil)
	if err != nil {
		b.t.Fatal(err)
	}
	return b.do(r)
}

func (b *visitorBrowser) post(path string, form ...string) (*http.Response, string) {
	b.t.Helper()
	values := url.Values{}
	for i := 0; i < len(form); i += 2 {
		values.Add(form[i], form[i+1])
	}
	r, err := http.NewRequest(http.MethodPost, b.home+path, strings.NewReader(values.Encode()))
	if err != nil {
		b.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return b.do(r)
}

func (b *visitorBrowser) session() string {
	u, _ := url.Parse(b.home)
	for _, c := range b.Jar.Cookies(u) {
		if c.Name == "dewline_session" {
			return c.Value
		}
	}
	return ""
}

// enter signs somebody in.
func (h *house) enter(t testing.TB, id string) *visitorBrowser {
	t.Helper()
	b := h.browser(t)
	r, body := b.post("/sign-in", "login", id+"@example.org", "password", rightWords)
	if r.StatusCode != http.StatusSeeOther || b.session() == "" {
		t.Fatalf("sign in as %s: %s\n%s", id, r.Status, body)
	}
	return b
}

// inside says whether the browser is signed in.
func (b *visitorBrowser) inside() bool {
	b.t.Helper()
	r, _ := b.get("/")
	return r.StatusCode == http.StatusOK
}

func (h *house) recorded(t testing.TB) []dewline.AuditEntry {
	t.Helper()
	list, err := h.store.Audit(t.Context(), 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func TestSignIn(t *testing.T) {
	h := houseOf(t, nil, accountOf(t, "ana", dewline.RoleDispatcher, ""))
	b := h.browser(t)
	r, _ := b.get("/fleet?health=urgent")
	if r.StatusCode != http.StatusSeeOther || r.Header.Get("Location") != "/sign-in?back=%2Ffleet%3Fhealth%3Durgent" {
		t.Fatalf("a stranger: %s, %s", r.Status, r.Header.Get("Location"))
	}
	r, body := b.get("/sign-in?back=%2Ffleet%3Fhealth%3Durgent")
	contains(t, body, `name="back" value="/fleet?health=urgent"`, `autocomplete="current-password"`)
	if strings.Contains(body, "Quay") || strings.Contains(body, "/fleet\"") || r.StatusCode != http.StatusOK {
		t.Error("the sign-in page shows a stranger more than its form")
	}
	wrong := func(login, typed string) string {
		r, body := b.post("/sign-in", "login", login, "password", typed, "back", "/fleet")
		if r.StatusCode != http.StatusUnauthorized || b.session() != "" {
			t.Fatalf("%q: %s, session %q", typed, r.Status, b.session())
		}
		return regexp.MustCompile(`(?s)<p class="notice failing".*?</p>`).FindString(body)
	}
	known := wrong("ana@example.org", "four words in a ro")
	if unknown := wrong("nobody@example.org", rightWords); unknown != known || known == "" {
		t.Errorf("the answer tells which logins there are: %q, %q", known, unknown)
	}
	r, _ = b.post("/sign-in", "login", " Ana@Example.ORG", "password", rightWords, "back", "/fleet?health=urgent")
	if r.StatusCode != http.StatusSeeOther || r.Header.Get("Location") != "/fleet?health=urgent" {
		t.Fatalf("%s to %s", r.Status, r.Header.Get("Location"))
	}
	cookie := r.Header.Get("Set-Cookie")
	contains(t, cookie, "HttpOnly", "SameSite=Lax", "Path=/")
	_, body = b.get("/")
	contains(t, body, `<a href="/account">Name of ana</a>`, "Sign out")
	if strings.Contains(body, "Your name") || strings.Contains(body, `href="/people"`) {
		t.Error("a dispatcher is asked for a name, or led to where they may not go")
	}
	var did []string
	for _, e := range h.recorded(t) {
		did = append(did, fmt.Sprintf("%s %s %s (%s) from %s", e.By, e.Did, e.Of, e.Detail, e.From))
	}
	if got, want := strings.Join(did, "\n"), `ana signed in  (by password) from 127.0.0.1
 failed to sign in  (a login that nobody has) from 127.0.0.1
 failed to sign in ana (wrong password) from 127.0.0.1`; got != want {
		t.Errorf("recorded:\n%s", got)
	}
	r, _ = b.post("/sign-out")
	if r.Header.Get("Location") != "/sign-in?done=out" || b.inside() || h.store.Sessions() != 0 {
		t.Errorf("signed out: %s, %d sessions", r.Status, h.store.Sessions())
	}
}

// TestSessionFixation: what a browser had before is worth nothing after signing in, and what others
// have made up is worth nothing at all.
func TestSessionFixation(t *testing.T) {
	h := houseOf(t, nil, accountOf(t, "ana", dewline.RoleDispatcher, ""))
	b := h.enter(t, "ana")
	first := b.session()
	b.post("/sign-in", "login", "ana@example.org", "password", rightWords)
	if second := b.session(); second == first || second == "" {
		t.Error("signing in again keeps the session's token")
	}
	for what, token := range map[string]string{"before": first, "made up": "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa", "hostile": "' OR 1=1 --"} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.RequestURI = ""
		r.URL, _ = url.Parse(h.URL + "/")
		r.AddCookie(&http.Cookie{Name: "dewline_session", Value: token})
		if answer, _ := h.browser(t).do(r); answer.StatusCode != http.StatusSeeOther {
			t.Errorf("a token from %s: %s", what, answer.Status)
		}
	}
	other := h.browser(t)
	u, _ := url.Parse(h.URL)
	other.Jar.SetCookies(u, []*http.Cookie{{Name: "dewline_session", Value: "planted"}})
	other.post("/sign-in", "login", "ana@example.org", "password", rightWords)
	if other.session() == "planted" {
		t.Error("the token that somebody planted is the session's")
	}
}

func TestSessionsEnd(t *testing.T) {
	ana := accountOf(t, "ana", dewline.RoleDispatcher, "")
	for what, end := range map[string]func(h *house, b *visitorBrowser){
		"idle": func(h *house, _ *visitorBrowser) { h.pass(access.UsualIdle + time.Second) },
		"old, though used all the time": func(h *house, b *visitorBrowser) {
			for range int(access.UsualLifetime/(24*time.Hour)) - 1 {
				h.pass(24 * time.Hour)
				if !b.inside() {
					t.Fatal("over before its time")
				}
			}
			h.pass(24*time.Hour + time.Second)
		},
		"disabled": func(h *house, _ *visitorBrowser) {
			i := ana.SignIn
			i.Disabled = 1
			if err := h.store.PutSignIn(t.Context(), i, dewline.AuditEntry{}); err != nil {
				t.Fatal(err)
			}
		},
		"another password": func(h *house, b *visitorBrowser) {
			second := h.enter(t, "ana")
			r, body := second.post("/account", "do", "password", "password", rightWords, "new", "five other words in a row", "again", "five other words in a row")
			if r.Header.Get("Location") != "/sign-in?done=password" || second.inside() {
				t.Fatalf("%s %s", r.Status, body)
			}
		},
		"signed out everywhere": func(h *house, b *visitorBrowser) { h.enter(t, "ana").post("/account", "do", "everywhere") },
		"anonymised": func(h *house, b *visitorBrowser) {
			if err := h.store.AnonymisePerson(t.Context(), "ana", 1); err != nil {
				t.Fatal(err)
			}
		},
	} {
		t.Run(what, func(t *testing.T) {
			h := houseOf(t, nil, ana)
			b := h.enter(t, "ana")
			if !b.inside() {
				t.Fatal("not inside")
			}
			end(h, b)
			if b.inside() {
				t.Error("still inside")
			}
			if what == "disabled" {
				if r, _ := h.browser(t).post("/sign-in", "login", "ana@example.org", "password", rightWords); r.StatusCode != http.StatusUnauthorized {
					t.Errorf("signs in again: %s", r.Status)
				}
			}
		})
	}
}

// TestRoleAtOnce: what somebody may do follows from what they are now, not from when they signed in.
func TestRoleAtOnce(t *testing.T) {
	h := houseOf(t, nil, accountOf(t, "ana", dewline.RoleAdministrator, ""))
	b := h.enter(t, "ana")
	if r, _ := b.get("/people"); r.StatusCode != http.StatusOK {
		t.Fatal(r.Status)
	}
	if err := h.store.PutPerson(t.Context(), dewline.Person{ID: "ana", Name: "Ana", Role: dewline.RoleOwner, Owner: "clinic-trust"}); err != nil {
		t.Fatal(err)
	}
	if r, _ := b.get("/people"); r.StatusCode != http.StatusForbidden {
		t.Errorf("no administrator any more: %s", r.Status)
	}
}

// TestRehash: who signs in with a hash of lesser parameters has one of today's afterwards, and stays
// signed in.
func TestRehash(t *testing.T) {
	ana := accountOf(t, "ana", dewline.RoleDispatcher, "")
	salt := []byte("0123456789abcdef")
	text := base64.RawStdEncoding.EncodeToString
	ana.SignIn.Hash = "$argon2id$v=19$m=64,t=1,p=1$" + text(salt) + "$" + text(argon2.IDKey([]byte(rightWords), salt, 1, 64, 1, 32))
	h := houseOf(t, nil, ana)
	b := h.enter(t, "ana")
	a, err := h.store.AccountOf(t.Context(), "ana")
	if err != nil || !strings.HasPrefix(a.SignIn.Hash, "$argon2id$v=19$m=65536,t=3,p=4$") || !b.inside() {
		t.Errorf("%s, %v, inside %v", a.SignIn.Hash, err, b.inside())
	}
	h.enter(t, "ana")
}

func TestTooManyAttempts(t *testing.T) {
	h := houseOf(t, nil, accountOf(t, "ana", dewline.RoleDispatcher, ""))
	b := h.browser(t)
	refused := 0
	for range 15 {
		if r, _ := b.post("/sign-in", "login", "ana@example.org", "password", "not these words"); r.StatusCode == http.StatusTooManyRequests {
			refused++
			if r.Header.Get("Retry-After") == "" {
				t.Error("it does not say when to try again")
			}
		}
	}
	if refused != 5 {
		t.Errorf("%d of 15 refused", refused)
	}
	if r, _ := b.post("/sign-in", "login", "ana@example.org", "password", rightWords); r.StatusCode != http.StatusTooManyRequests {
		t.Errorf("the right password after too many wrong ones: %s", r.Status)
	}
	h.pass(time.Minute)
	h.enter(t, "ana")
}

// TestCrossOrigin: no page of another site signs anybody in or out, or changes anything.
func TestCrossOrigin(t *testing.T) {
	h := houseOf(t, nil, accountOf(t, "ana", dewline.RoleAdministrator, ""))
	b := h.enter(t, "ana")
	for _, path := range []string{"/sign-in", "/sign-out", "/account", "/people", "/people/ana", "/new-password/x", "/alerts", "/units"} {
		for header, value := range map[string]string{"Sec-Fetch-Site": "cross-site", "Origin": "https://elsewhere.example"} {
			r, err := http.NewRequest(http.MethodPost, h.URL+path, strings.NewReader("do=everywhere"))
			if err != nil {
				t.Fatal(err)
			}
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			r.Header.Set(header, value)
			if answer, _ := b.do(r); answer.StatusCode != http.StatusForbidden {
				t.Errorf("POST %s with %s: %s", path, header, answer.Status)
			}
		}
	}
	if !b.inside() {
		t.Error("another site signed them out")
	}
}

func TestTokens(t *testing.T) {
	h := houseOf(t, nil, accountOf(t, "ana", dewline.RoleDispatcher, ""), accountOf(t, "rui", dewline.RoleAdministrator, ""))
	b := h.enter(t, "ana")
	r, body := b.post("/account", "do", "token", "name", `the <b>board</b> in the office`)
	token := regexp.MustCompile(`<code>(dewline-[A-Z2-7]+)</code>`).FindStringSubmatch(body)
	if r.StatusCode != http.StatusOK || token == nil || r.Header.Get("Cache-Control") != "no-store" {
		t.Fatalf("%s %s\n%s", r.Status, r.Header.Get("Cache-Control"), body)
	}
	contains(t, body, "the &lt;b&gt;board&lt;/b&gt; in the office", "never")
	if _, body := b.get("/account"); strings.Contains(body, token[1]) {
		t.Error("the token is shown a second time")
	}
	ask := func(path, authorization string) *http.Response {
		r, _ := http.NewRequest(http.MethodGet, h.URL+path, nil)
		r.Header.Set("Authorization", authorization)
		answer, _ := h.browser(t).do(r)
		return answer
	}
	for authorization, want := range map[string]int{
		"Bearer " + token[1]: 200, "bearer  " + token[1]: 200, "Bearer " + strings.ToLower(token[1]): 401, "Bearer ": 401, "Bearer": 401,
		"Bearer x": 401, "Bearer ' OR 1=1": 401, "Basic YTpi": 401, token[1]: 401, "": 401,
	} {
		r := ask("/api/v1/systems", authorization)
		if r.StatusCode != want || want == 401 && (r.Header.Get("WWW-Authenticate") == "" || r.Header.Get("Content-Type") != "application/problem+json") {
			t.Errorf("%q: %s, %q", authorization, r.Status, r.Header)
		}
	}
	if _, body := b.get("/account"); !strings.Contains(body, "Used last") || strings.Contains(body, ">never<") {
		t.Error("that it was used is not shown")
	}
	id := regexp.MustCompile(`name="token" value="([a-z0-9]+)"`).FindStringSubmatch(body)[1]
	if r, _ := h.enter(t, "rui").post("/account", "do", "revoke", "token", id); r.StatusCode != http.StatusUnprocessableEntity {
		t.Errorf("somebody else revokes it as their own: %s", r.Status)
	}
	if r, _ := b.post("/account", "do", "revoke", "token", id); r.StatusCode != http.StatusOK {
		t.Errorf("revoked: %s", r.Status)
	}
	if r := ask("/api/v1/systems", "Bearer "+token[1]); r.StatusCode != http.StatusUnauthorized {
		t.Errorf("a revoked token: %s", r.Status)
	}
	for _, e := range h.recorded(t) {
		if text := fmt.Sprintf("%+v", e); strings.Contains(text, token[1]) || strings.Contains(text, rightWords) {
			t.Errorf("a secret is in the audit log: %s", text)
		}
	}
}

func TestPeople(t *testing.T) {
	h := houseOf(t, nil, accountOf(t, "rui", dewline.RoleAdministrator, ""))
	b := h.enter(t, "rui")
	const hostile = `<script>alert(1)</script> "Ana" O'Hara` + "\u202e"
	r, body := b.post("/people", "name", hostile, "id", "ana", "role", "technician", "login", "Ana@Example.org")
	if r.Header.Get("Location") != "/people/ana" {
		t.Fatalf("%s\n%s", r.Status, body)
	}
	for what, form := range map[string][]string{
		"the same id":             {"name", "X", "id", "ana", "role", "technician"},
		"an id of no kind":        {"name", "X", "id", "../ana", "role", "technician"},
		"the same login":          {"name", "X", "id", "ana-2", "role", "technician", "login", "ana@example.org"},
		"two lines":               {"name", "X\r\nBcc: y", "id", "x", "role", "technician"},
		"no role":                 {"name", "X", "id", "x", "role", "king"},
		"an owner of none":        {"name", "X", "id", "x", "role", "owner"},
		"an administrator of one": {"name", "X", "id", "x", "role", "administrator", "owner", "clinic-trust"},
	} {
		if r, _ := b.post("/people", form...); r.StatusCode != http.StatusUnprocessableEntity {
			t.Errorf("%s: %s", what, r.Status)
		}
	}
	_, body = b.get("/people")
	contains(t, body, "&lt;script&gt;alert(1)", "ana@example.org", "no password yet")
	if strings.Contains(body, "<script>alert") {
		t.Error("a name is markup")
	}

	r, body = b.post("/people/ana", "do", "link")
	link := regexp.MustCompile(`<code>(http[^<]+)</code>`).FindStringSubmatch(body)
	if link == nil || !strings.HasPrefix(link[1], h.URL+"/new-password/") {
		t.Fatalf("%s %v", r.Status, link)
	}
	path := strings.TrimPrefix(link[1], h.URL)
	ana := h.browser(t)
	if r, body := ana.get(path); r.StatusCode != http.StatusOK || !strings.Contains(body, "ana@example.org") {
		t.Fatalf("the link: %s", r.Status)
	}
	for what, form := range map[string][]string{
		"short": {"new", "short", "again", "short"}, "two": {"new", rightWords, "again", rightWords + "!"}, "the login": {"new", "ana@example.org", "again", "ana@example.org"},
	} {
		if r, _ := ana.post(path, form...); r.StatusCode != http.StatusUnprocessableEntity {
			t.Errorf("a password that is %s: %s", what, r.Status)
		}
	}
	if r, _ := ana.post(path, "new", rightWords, "again", rightWords); r.Header.Get("Location") != "/sign-in?done=password" {
		t.Fatalf("set: %s", r.Status)
	}
	if r, _ := ana.get(path); r.StatusCode != http.StatusNotFound {
		t.Errorf("the link a second time: %s", r.Status)
	}
	ana = h.enter(t, "ana")

	_, body = b.post("/people/ana", "do", "link")
	old := regexp.MustCompile(`/new-password/[A-Z2-7]+`).FindString(body)
	h.pass(access.LinkLife)
	if r, _ := ana.get(old); r.StatusCode != http.StatusNotFound {
		t.Errorf("the link after its time: %s", r.Status)
	}
	b.post("/people/ana", "do", "close")
	if ana.inside() {
		t.Error("a closed account is still inside")
	}
	for what, form := range map[string][]string{
		"close": {"do", "close"}, "demote": {"do", "save", "name", "Rui", "role", "technician", "login", "rui@example.org"}, "lose the login": {"do", "save", "name", "Rui", "role", "administrator"},
	} {
		if r, _ := b.post("/people/rui", form...); r.StatusCode != http.StatusUnprocessableEntity {
			t.Errorf("the last administrator may %s: %s", what, r.Status)
		}
	}
	if r, _ := b.get("/people/nobody"); r.StatusCode != http.StatusNotFound {
		t.Errorf("nobody's page: %s", r.Status)
	}
	_, body = b.get("/audit")
	contains(t, body, "made a link to set a password", "&lt;script&gt;", "by a link", "closed", "127.0.0.1")
	if strings.Contains(body, "new-password/") {
		t.Error("the audit log holds a link")
	}
}

func TestFirstAdministrator(t *testing.T) {
	h := houseOf(t, nil)
	path, err := access.Invite(t.Context(), h.store, "", dewline.MillisOf(time.Now()), dewline.AuditEntry{})
	if err != nil {
		t.Fatal(err)
	}
	b := h.browser(t)
	if _, body := b.get("/sign-in"); !strings.Contains(body, "Nobody can sign in yet") {
		t.Error("it does not say what to do")
	}
	if r, _ := b.get("/new-password/GUESSED"); r.StatusCode != http.StatusNotFound {
		t.Errorf("a guess: %s", r.Status)
	}
	r, body := b.post(path, "name", "Ana", "id", "no id", "login", "ana", "new", rightWords, "again", rightWords)
	if r.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(body, `value="no id"`) {
		t.Errorf("an id that is none: %s", r.Status)
	}
	if r, _ := b.post(path, "name", "Ana", "id", "ana", "login", "ana@example.org", "new", rightWords, "again", rightWords); r.StatusCode != http.StatusSeeOther {
		t.Fatalf("%s", r.Status)
	}
	if r, _ := h.enter(t, "ana").get("/people"); r.StatusCode != http.StatusOK {
		t.Errorf("the first administrator: %s", r.Status)
	}
	if r, _ := b.post(path, "name", "Eve", "id", "eve", "login", "eve", "new", rightWords, "again", rightWords); r.StatusCode != http.StatusNotFound {
		t.Errorf("a second time: %s", r.Status)
	}
}

// TestSecureCookies: with TLS in front or here, no cookie goes without it, and none is another host's.
func TestSecureCookies(t *testing.T) {
	h := houseOf(t, func(o *access.Options) { o.Secure = true }, accountOf(t, "ana", dewline.RoleDispatcher, ""))
	r, _ := h.browser(t).post("/sign-in", "login", "ana@example.org", "password", rightWords)
	contains(t, r.Header.Get("Set-Cookie"), "__Host-dewline_session=", "Secure", "HttpOnly", "Path=/")
}

// TestDoorsWithoutStore: where accounts cannot be read nobody gets in, and nothing inside is told.
func TestDoorsWithoutStore(t *testing.T) {
	h := houseOf(t, nil, accountOf(t, "ana", dewline.RoleAdministrator, ""))
	b := h.enter(t, "ana")
	h.store.Err = errors.New("secret path of the disk")
	for _, path := range []string{"/", "/people", "/api/v1/systems"} {
		if r, body := b.get(path); r.StatusCode != http.StatusServiceUnavailable || strings.Contains(body, "secret path") {
			t.Errorf("%s: %s %s", path, r.Status, body)
		}
	}
	if r, _ := h.browser(t).post("/sign-in", "login", "ana@example.org", "password", rightWords); r.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("sign in: %s", r.Status)
	}
	if r, _ := b.get("/healthz"); r.StatusCode != http.StatusOK {
		t.Errorf("healthz: %s", r.Status)
	}
}

// TestPartsAskForTheWholePage: when the session of a page that follows what happens is over, the page
// is loaded again, and not a sign-in page put into its middle.
func TestPartsAskForTheWholePage(t *testing.T) {
	h := houseOf(t, nil)
	r, _ := http.NewRequest(http.MethodGet, h.URL+"/systems/quay-library/hall-ac/live", nil)
	r.Header.Set("HX-Request", "true")
	if answer, _ := h.browser(t).do(r); answer.StatusCode != http.StatusUnauthorized || answer.Header.Get("HX-Refresh") != "true" {
		t.Errorf("%s %v", answer.Status, answer.Header)
	}
}

func TestStrangersSeeLittle(t *testing.T) {
	h := houseOf(t, nil)
	b := h.browser(t)
	r, _ := http.NewRequest(http.MethodGet, h.URL+"/readyz", nil)
	r.Host = "dewline.example.org" // by way of a server in front
	if _, body := b.do(r); strings.Contains(body, "broker") || !strings.Contains(body, `"ready":true`) {
		t.Errorf("readyz: %s", body)
	}
	r, _ = http.NewRequest(http.MethodGet, h.URL+"/metrics", nil)
	r.Header.Set("X-Forwarded-For", "192.0.2.1")
	if answer, _ := b.do(r); answer.StatusCode != http.StatusUnauthorized {
		t.Errorf("metrics: %s", answer.Status)
	}
	if r, _ := b.get("/metrics"); r.StatusCode != http.StatusOK {
		t.Errorf("metrics on this machine: %s", r.Status)
	}
	if r, body := b.get("/nothing"); r.StatusCode != http.StatusNotFound || strings.Contains(body, `href="/fleet"`) {
		t.Errorf("nothing: %s", r.Status)
	}
}

// TestAnonymise: an administrator takes a name away, after having been told what goes and what remains;
// not their own, and not that of the last who can let others in.
func TestAnonymise(t *testing.T) {
	const hostile = `<b>Ana</b> & "O'Hara"`
	ana := accountOf(t, "ana", dewline.RoleTechnician, "")
	ana.Person.Name = hostile
	h := houseOf(t, nil, accountOf(t, "rui", dewline.RoleAdministrator, ""), accountOf(t, "eva", dewline.RoleManager, ""), ana)
	ctx := t.Context()
	if err := errors.Join(h.store.PutContact(ctx, dewline.Contact{ID: "ana-mail", Person: "ana", Channel: dewline.ByMail, Address: "ana@example.org"}),
		h.store.PutRoster(ctx, dewline.Roster{ID: "van", Name: "Van <duty>", People: []string{"ana"}, First: "2031-06-30", Handover: "08:00", Days: 7}),
		h.store.PutPlan(ctx, dewline.ContactPlan{ID: "nights", Name: "Nights", Least: dewline.Soon, Steps: []dewline.PlanStep{{Contacts: []string{"ana-mail"}}}})); err != nil {
		t.Fatal(err)
	}
	rui, inside := h.enter(t, "rui"), h.enter(t, "ana")
	if r, _ := h.enter(t, "eva").post("/people/ana", "do", "anonymise"); r.StatusCode != http.StatusForbidden {
		t.Errorf("a manager: %s", r.Status)
	}
	_, body := rui.get("/people/ana")
	contains(t, body, `value="anonymise?"`)
	_, body = rui.post("/people/ana", "do", "anonymise?")
	contains(t, body, "for good", "What goes", "What remains", "name removed", "the plan Nights", "the roster Van &lt;duty&gt;", `value="anonymise"`, "&lt;b&gt;Ana")
	if strings.Contains(body, "<b>Ana") || !inside.inside() {
		t.Error("a name is markup, or it was done before anybody said so")
	}
	if r, body := rui.post("/people/rui", "do", "anonymise"); r.StatusCode != http.StatusUnprocessableEntity {
		t.Errorf("one's own, and the last administrator's: %s\n%s", r.Status, body)
	}
	if r, _ := rui.post("/people/ana", "do", "anonymise"); r.Header.Get("Location") != "/people/ana" {
		t.Fatalf("%s", r.Status)
	}
	_, body = rui.get("/people/ana")
	contains(t, body, "was taken away for good", "under the id ana")
	if strings.Contains(body, "O&#39;Hara") || strings.Contains(body, `name="do"`) || inside.inside() {
		t.Error("the name is still there, can be changed, or its owner is still inside")
	}
	_, body = rui.get("/audit")
	contains(t, body, "name taken away for good")
	if r, _ := rui.post("/people/ana", "do", "anonymise?"); r.StatusCode != http.StatusUnprocessableEntity {
		t.Errorf("twice: %s", r.Status)
	}
}
