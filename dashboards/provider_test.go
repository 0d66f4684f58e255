package dashboards_test

import (
	"crypto"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"math/big"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline"
	"dewline/dashboards/access"
)

// identities is a small provider of identities (OpenID Connect Core 1.0, code flow with PKCE).
type identities struct {
	*httptest.Server
	key *rsa.PrivateKey

	mu    sync.Mutex
	asked map[string]url.Values // of each code
	codes int

	claims map[string]any  // of whoever signs in
	signer *rsa.PrivateKey // another than key where somebody forges
	t      testing.TB
}

const clientID, clientSecret = "dewline-client", "a secret of the client"

func newIdentities(t testing.TB) *identities {
	t.Helper()
	key, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	p := &identities{key: key, signer: key, asked: map[string]url.Values{}, t: t, claims: map[string]any{}}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /.well-known/openid-configuration", func(w http.ResponseWriter, _ *http.Request) {
		p.answer(w, map[string]any{"issuer": p.URL, "authorization_endpoint": p.URL + "/authorize", "token_endpoint": p.URL + "/token",
			"jwks_uri": p.URL + "/keys", "id_token_signing_alg_values_supported": []string{"RS256"}})
	})
	mux.HandleFunc("GET /keys", func(w http.ResponseWriter, _ *http.Request) {
		p.answer(w, map[string]any{"keys": []any{map[string]any{"kty": "RSA", "alg": "RS256", "use": "sig", "kid": "one",
			"n": text64(p.key.N.Bytes()), "e": text64(big.NewInt(int64(p.key.E)).Bytes())}}})
	})
	mux.HandleFunc("GET /authorize", func(w http.ResponseWriter, r *http.Request) {
		q := r.URL.Query()
		if q.Get("client_id") != clientID || q.Get("response_type") != "code" || q.Get("code_challenge_method") != "S256" || q.Get("nonce") == "" || q.Get("state") == "" ||
			!strings.Contains(q.Get("scope"), "openid") {
			http.Error(w, "not asked as it should be: "+r.URL.RawQuery, http.StatusBadRequest)
			return
		}
		p.mu.Lock()
		p.codes++
		code := "code-" + big.NewInt(int64(p.codes)).String()
		p.asked[code] = q
		p.mu.Unlock()
		http.Redirect(w, r, q.Get("redirect_uri")+"?"+url.Values{"code": {code}, "state": {q.Get("state")}}.Encode(), http.StatusFound)
	})
	mux.HandleFunc("POST /token", p.token)
	p.Server = httptest.NewServer(mux)
	t.Cleanup(p.Close)
	return p
}

func text64(data []byte) string { return base64.RawURLEncoding.EncodeToString(data) }

func (p *identities) answer(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json")
	if err := json.NewEncoder(w).Encode(v); err != nil {
		p.t.Error(err)
	}
}

// token exchanges a code, once, for who brings the client's secret and what the challenge was made of.
func (p *identities) token(w http.ResponseWriter, r *http.Request) {
	user, word, _ := r.BasicAuth()
	p.mu.Lock()
	q, ok := p.asked[r.FormValue("code")]
	delete(p.asked, r.FormValue("code"))
	p.mu.Unlock()
	sum := sha256.Sum256([]byte(r.FormValue("code_verifier")))
	id, _ := url.QueryUnescape(user)
	secret, _ := url.QueryUnescape(word)
	if !ok || id != clientID || secret != clientSecret || text64(sum[:]) != q.Get("code_challenge") || r.FormValue("redirect_uri") != q.Get("redirect_uri") {
		w.WriteHeader(http.StatusBadRequest)
		p.answer(w, map[string]string{"error": "invalid_grant"})
		return
	}
	claims := map[string]any{"iss": p.URL, "aud": clientID, "sub": "1", "nonce": q.Get("nonce"), "iat": time.Now().Unix(), "exp": time.Now().Add(time.Minute).Unix()}
	for name, v := range p.claims {
		claims[name] = v
	}
	p.answer(w, map[string]any{"access_token": "x", "token_type": "Bearer", "id_token": p.sign(claims)})
}

func (p *identities) sign(claims map[string]any) string {
	body, err := json.Marshal(claims)
	if err != nil {
		p.t.Error(err)
	}
	text := text64([]byte(`{"alg":"RS256","kid":"one"}`)) + "." + text64(body)
	sum := sha256.Sum256([]byte(text))
	signature, err := rsa.SignPKCS1v15(rand.Reader, p.signer, crypto.SHA256, sum[:])
	if err != nil {
		p.t.Error(err)
	}
	return text + "." + text64(signature)
}

// through follows a browser from our page to the provider's answer, which it returns without giving it
// to us.
func (p *identities) through(t *testing.T, b *visitorBrowser) (back string) {
	t.Helper()
	r, _ := b.get("/sign-in/elsewhere?back=/fleet")
	to := r.Header.Get("Location")
	if r.StatusCode != http.StatusSeeOther || !strings.HasPrefix(to, p.URL+"/authorize?") {
		t.Fatalf("%s to %s", r.Status, to)
	}
	ask, err := http.NewRequest(http.MethodGet, to, nil)
	if err != nil {
		t.Fatal(err)
	}
	r, body := b.do(ask)
	back = r.Header.Get("Location")
	if r.StatusCode != http.StatusFound || !strings.HasPrefix(back, b.home+"/sign-in/back?") {
		t.Fatalf("the provider: %s to %q %s", r.Status, back, body)
	}
	return strings.TrimPrefix(back, b.home)
}

func TestProvider(t *testing.T) {
	forger, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	ana := map[string]any{"email": "Ana@Example.org", "email_verified": true}
	with := func(name string, v any) map[string]any {
		return map[string]any{"email": ana["email"], "email_verified": true, name: v}
	}
	for what, c := range map[string]struct {
		claims map[string]any
		forge  bool
		change func(back string) string // of the answer
		lets   bool
	}{
		"right":                          {claims: ana, lets: true},
		"an address nobody vouches for":  {claims: with("email_verified", false)},
		"an address vouched for in text": {claims: with("email_verified", "true")},
		"no address":                     {claims: map[string]any{"email_verified": true}},
		"nobody's address":               {claims: with("email", "eve@example.org")},
		"a closed account's address":     {claims: with("email", "rui@example.org")},
		"another attempt's answer":       {claims: with("nonce", "another")},
		"for another client":             {claims: with("aud", "another")},
		"of another provider":            {claims: with("iss", "https://elsewhere.example")},
		"over":                           {claims: with("exp", time.Now().Add(-time.Hour).Unix())},
		"forged":                         {claims: ana, forge: true},
		"another state":                  {claims: ana, change: func(back string) string { return strings.Replace(back, "state=", "state=x", 1) }},
		"no state":                       {claims: ana, change: func(back string) string { return back[:strings.Index(back, "state=")] }},
		"a made-up code":                 {claims: ana, change: func(back string) string { return strings.Replace(back, "code=", "code=x", 1) }},
		"refused there":                  {claims: ana, change: func(back string) string { return strings.Replace(back, "code=", "error=access_denied&x=", 1) }},
	} {
		t.Run(what, func(t *testing.T) {
			p := newIdentities(t)
			p.claims = c.claims
			if c.forge {
				p.signer = forger
			}
			closed := accountOf(t, "rui", dewline.RoleDispatcher, "")
			closed.SignIn.Disabled = 1
			h := houseOf(t, func(o *access.Options) {
				o.Provider = &access.Provider{Name: "the town's sign-in", Issuer: p.URL, ClientID: clientID, Secret: clientSecret}
			}, accountOf(t, "ana", dewline.RoleDispatcher, ""), closed)
			b := h.browser(t)
			back := p.through(t, b)
			if c.change != nil {
				back = c.change(back)
			}
			r, body := b.get(back)
			if c.lets != (r.StatusCode == http.StatusSeeOther && r.Header.Get("Location") == "/fleet") || c.lets != b.inside() {
				t.Errorf("%s to %q, inside %v\n%s", r.Status, r.Header.Get("Location"), b.inside(), body)
			}
			if r, _ := b.get(back); r.StatusCode != http.StatusUnauthorized {
				t.Errorf("the answer a second time: %s", r.Status)
			}
			all, err := h.store.Accounts(t.Context())
			if err != nil || len(all) != 2 {
				t.Errorf("%d accounts, %v", len(all), err)
			}
		})
	}
}

// TestProviderOtherBrowser: an answer counts only in the browser that asked, so that nobody can be
// signed in as somebody else.
func TestProviderOtherBrowser(t *testing.T) {
	p := newIdentities(t)
	p.claims = map[string]any{"email": "ana@example.org", "email_verified": true}
	h := houseOf(t, func(o *access.Options) {
		o.Provider = &access.Provider{Name: "the town's sign-in", Issuer: p.URL, ClientID: clientID, Secret: clientSecret}
	}, accountOf(t, "ana", dewline.RoleDispatcher, ""))
	back := p.through(t, h.browser(t))
	if r, _ := h.browser(t).get(back); r.StatusCode != http.StatusUnauthorized {
		t.Errorf("another browser: %s", r.Status)
	}
}

// TestProviderDown: while the provider does not answer, passwords still do.
func TestProviderDown(t *testing.T) {
	h := houseOf(t, func(o *access.Options) {
		o.Provider = &access.Provider{Name: "the town's sign-in", Issuer: "http://127.0.0.1:1", ClientID: clientID}
	}, accountOf(t, "ana", dewline.RoleDispatcher, ""))
	r, body := h.browser(t).get("/sign-in/elsewhere")
	if r.StatusCode != http.StatusUnauthorized || !strings.Contains(body, "the provider does not answer") {
		t.Errorf("%s", r.Status)
	}
	h.enter(t, "ana")
}
