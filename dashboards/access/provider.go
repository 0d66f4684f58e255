package access

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"encoding/json"
	"errors"
	"net/http"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"dewline"
)

// Provider is a provider of identities by OpenID Connect. Who signs in there is let in here when the
// e-mail address that the provider vouches for is the login of somebody's account; it makes no people.
type Provider struct {
	Name     string // for the page: "the company's sign-in"
	Issuer   string
	ClientID string
	Secret   string
	Client   *http.Client // nil for one that gives up after a while

	mu  sync.Mutex
	oid *oidc.Provider // found out when it is first needed, so that a provider that is down keeps nobody else out
}

func (p *Provider) context(ctx context.Context) context.Context {
	client := p.Client
	if client == nil {
		client = &http.Client{Timeout: 10 * time.Second}
	}
	return oidc.ClientContext(ctx, client)
}

func (p *Provider) found(ctx context.Context) (*oidc.Provider, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.oid == nil {
		// Its keys are asked for later, when the request that came first is over.
		found, err := oidc.NewProvider(context.WithoutCancel(ctx), p.Issuer)
		if err != nil {
			return nil, err
		}
		p.oid = found
	}
	return p.oid, nil
}

// attempt is what a browser keeps while its person signs in elsewhere. It is in a cookie and not in a
// session: a stranger costs nothing, and the answer counts only in the browser that asked.
type attempt struct {
	State    string `json:"state"`
	Nonce    string `json:"nonce"`
	Verifier string `json:"verifier"` // of PKCE
	Back     string `json:"back"`
}

const attemptLife = 10 * time.Minute

func (g *Gate) attemptCookie() *http.Cookie {
	c := &http.Cookie{Name: "dewline_elsewhere", Path: "/", HttpOnly: true, Secure: g.Secure, SameSite: http.SameSiteLaxMode, MaxAge: int(attemptLife.Seconds())}
	if g.Secure {
		c.Name = "__Host-" + c.Name
	}
	return c
}

func (g *Gate) flow(r *http.Request, p *oidc.Provider) *oauth2.Config {
	return &oauth2.Config{
		ClientID: g.Provider.ClientID, ClientSecret: g.Provider.Secret, Endpoint: p.Endpoint(),
		RedirectURL: g.base(r) + "/sign-in/back", Scopes: []string{oidc.ScopeOpenID, "email"},
	}
}

// signInElsewhere sends a browser to the provider.
func (g *Gate) signInElsewhere(w http.ResponseWriter, r *http.Request) {
	p, err := g.Provider.found(g.Provider.context(r.Context()))
	if err != nil {
		g.elsewhereFails(w, r, "the provider does not answer", err)
		return
	}
	a := attempt{rand.Text(), rand.Text(), oauth2.GenerateVerifier(), OwnPath(r.URL.Query().Get("back"))}
	if len(a.Back) > 1000 {
		a.Back = "/"
	}
	text, err := json.Marshal(a)
	if err != nil {
		g.elsewhereFails(w, r, "an attempt cannot be written", err)
		return
	}
	cookie := g.attemptCookie()
	cookie.Value = base64.RawURLEncoding.EncodeToString(text)
	http.SetCookie(w, cookie)
	http.Redirect(w, r, g.flow(r, p).AuthCodeURL(a.State, oidc.Nonce(a.Nonce), oauth2.S256ChallengeOption(a.Verifier)), http.StatusSeeOther)
}

// signInBack takes what the provider says of a person.
func (g *Gate) signInBack(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	if !g.limits.attempt("", requestOf(ctx).address, g.Now()) {
		w.Header().Set("Retry-After", "60")
		g.showSignIn(w, r, http.StatusTooManyRequests, signInData{Back: "/", Message: g.tongue(r).Say("There were too many attempts. Wait a minute, then try again.")})
		return
	}
	cookie := g.attemptCookie()
	kept, err := r.Cookie(cookie.Name)
	cookie.MaxAge = -1
	http.SetCookie(w, cookie) // once
	var a attempt
	if err == nil {
		var text []byte
		if text, err = base64.RawURLEncoding.DecodeString(kept.Value); err == nil {
			err = json.Unmarshal(text, &a)
		}
	}
	query := r.URL.Query()
	if err != nil || a.State == "" || subtle.ConstantTimeCompare([]byte(a.State), []byte(query.Get("state"))) != 1 {
		g.answerFails(w, r, "the answer belongs to no attempt of this browser", err)
		return
	}
	email, err := g.emailOf(r, a)
	if err != nil {
		g.answerFails(w, r, "the provider's answer is not taken", err)
		return
	}
	account, err := g.Store.AccountByLogin(ctx, dewline.CleanLogin(email))
	if err == nil && !account.Open() {
		err = errWrong
	}
	if err == nil {
		err = g.begin(ctx, account, "by "+g.Provider.Name)
	}
	if err != nil {
		g.answerFails(w, r, "nobody's account goes by that address", err)
		return
	}
	g.limits.right("", requestOf(ctx).address, g.Now())
	http.Redirect(w, r, OwnPath(a.Back), http.StatusSeeOther)
}

var errEmail = errors.New("the provider vouches for no e-mail address")

// emailOf returns the address that the provider vouches for.
func (g *Gate) emailOf(r *http.Request, a attempt) (string, error) {
	query := r.URL.Query()
	if code := query.Get("error"); code != "" {
		return "", errors.New("the provider says " + code)
	}
	ctx := g.Provider.context(r.Context())
	p, err := g.Provider.found(ctx)
	if err != nil {
		return "", err
	}
	token, err := g.flow(r, p).Exchange(ctx, query.Get("code"), oauth2.VerifierOption(a.Verifier))
	if err != nil {
		return "", err
	}
	raw, _ := token.Extra("id_token").(string)
	id, err := p.Verifier(&oidc.Config{ClientID: g.Provider.ClientID, Now: g.Now}).Verify(ctx, raw)
	if err != nil {
		return "", err
	}
	if subtle.ConstantTimeCompare([]byte(id.Nonce), []byte(a.Nonce)) != 1 {
		return "", errors.New("it answers another attempt")
	}
	var claims struct {
		Email    string `json:"email"`
		Verified bool   `json:"email_verified"`
	}
	if err := id.Claims(&claims); err != nil {
		return "", err
	}
	if claims.Email == "" || !claims.Verified {
		return "", errEmail
	}
	return claims.Email, nil
}

// elsewhereFails shows the sign-in page again. Why is in the log: who signs in can do nothing about it.
func (g *Gate) elsewhereFails(w http.ResponseWriter, r *http.Request, why string, err error) {
	g.Log.WarnContext(r.Context(), "cannot sign in by the provider of identities", "why", why, "error", err)
	g.showSignIn(w, r, http.StatusUnauthorized, signInData{Back: "/",
		Message: g.tongue(r).Say("That did not let you in: {1}. Try again, or ask whoever keeps the accounts whether your login here is your address there.", why)})
}

// answerFails is elsewhereFails for an answer of the provider, which is recorded. Attempts are limited,
// and so is what they can write.
func (g *Gate) answerFails(w http.ResponseWriter, r *http.Request, why string, err error) {
	e := g.entry(r.Context(), dewline.AuditFailed, "", "by "+g.Provider.Name+": "+why)
	e.By = ""
	if err := g.Store.Record(r.Context(), e); err != nil {
		g.Log.ErrorContext(r.Context(), "cannot keep the audit log", "error", err)
	}
	g.elsewhereFails(w, r, why, err)
}
