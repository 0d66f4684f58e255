package access

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
	"time"

	"github.com/alexedwards/scs/v2"

	"dewline"
	"dewline/dashboards/access/password"
)

// Options are what a Gate needs. Store, Book and Now must be given.
type Options struct {
	Store dewline.AccessStore
	Book  dewline.ContactBook // people
	// Owners are whose machines somebody may be let see alone, to choose from; nil for none to choose.
	Owners func() []dewline.Owner
	Now    func() time.Time
	Log    *slog.Logger // nil: no log

	Secure   bool          // pages are served by TLS, here or in front of here: cookies go by TLS only
	URL      string        // where people reach the pages, https://dewline.example.org; "" for whatever they typed
	Idle     time.Duration // a session that nobody used for so long is over; UsualIdle if 0
	Lifetime time.Duration // and after so long in any case; UsualLifetime if 0
	Provider *Provider     // of identities, nil for none
}

// How long sessions last: a technician's telephone stays signed in over a weekend, and everybody signs
// in anew once a month.
const (
	UsualIdle     = 4 * 24 * time.Hour
	UsualLifetime = 30 * 24 * time.Hour
)

// Gate lets people and programs in. It is safe for concurrent use.
type Gate struct {
	Options
	pages    Pages
	hasher   *password.Hasher
	limits   *limits
	sessions *scs.SessionManager
}

// hashesAtOnce bounds the memory that signing in takes: 64 MiB each.
const hashesAtOnce = 2

// New returns a gate.
func New(o Options) (*Gate, error) {
	if o.Store == nil || o.Book == nil || o.Now == nil {
		return nil, errors.New("access: Options need Store, Book and Now")
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Idle <= 0 {
		o.Idle = UsualIdle
	}
	if o.Lifetime <= 0 {
		o.Lifetime = UsualLifetime
	}
	g := &Gate{Options: o, hasher: password.New(hashesAtOnce), limits: newLimits(), sessions: scs.New()}
	s := g.sessions
	s.Lifetime, s.Store, s.Codec, s.HashTokenInStore = o.Lifetime, sessionStore{o.Store, o.Now}, sessionCodec{}, true
	s.Cookie.Name, s.Cookie.Secure = "dewline_session", o.Secure
	if o.Secure {
		s.Cookie.Name = "__Host-dewline_session" // browsers take it from this host alone
	}
	s.ErrorFunc = func(w http.ResponseWriter, r *http.Request, err error) {
		g.Log.ErrorContext(r.Context(), "cannot read or keep a session", "error", err)
		g.pages.Fail(w, r, http.StatusServiceUnavailable, "Nobody can sign in at the moment. Try again in a minute.")
	}
	return g, nil
}

func (g *Gate) owners() []dewline.Owner {
	if g.Owners == nil {
		return nil
	}
	return g.Owners()
}

type requestKey struct{}

// request is what the gate knows of a request.
type request struct {
	address string
	account dewline.Account // of the session that was found
	found   bool
	key     string              // of that session
	token   dewline.TokenDigest // that was sent, none if zero
}

func requestOf(ctx context.Context) *request {
	r, ok := ctx.Value(requestKey{}).(*request)
	if !ok {
		return &request{}
	}
	return r
}

// SignsIn says whether a person has a sign-in, open or closed.
func (g *Gate) SignsIn(ctx context.Context, person string) (bool, error) {
	_, err := g.Store.AccountOf(ctx, person)
	if dewline.CodeOf(err) == dewline.NotFound {
		return false, nil
	}
	return err == nil, err
}

// SignedIn says whether the request is of somebody who signed in with this browser.
func SignedIn(ctx context.Context) bool {
	r := requestOf(ctx)
	return r.found && dewline.VisitorOf(ctx).Person == r.account.Person.ID
}

// open are addresses that are the same for everybody, so that nothing is looked up for them.
func open(path string) bool { return path == "/healthz" || strings.HasPrefix(path, "/assets/") }

// Middleware puts the visitor into the context of a request. A token that opens nothing is refused at
// once: who sends one does not want to be a stranger.
func (g *Gate) Middleware(next http.Handler) http.Handler {
	bySession := g.sessions.LoadAndSave(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if v, ok := g.signedIn(r.Context()); ok {
			r = r.WithContext(dewline.WithVisitor(r.Context(), v))
		}
		next.ServeHTTP(w, r)
	}))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if open(r.URL.Path) {
			next.ServeHTTP(w, r)
			return
		}
		r = r.WithContext(context.WithValue(r.Context(), requestKey{}, &request{address: AddressOf(r)}))
		token, ok := bearer(r)
		if !ok {
			bySession.ServeHTTP(w, r)
			return
		}
		v, err := g.byToken(r.Context(), token)
		switch {
		case dewline.CodeOf(err) == dewline.NotFound:
			w.Header().Set("WWW-Authenticate", `Bearer realm="dewline", error="invalid_token"`)
			g.pages.Fail(w, r, http.StatusUnauthorized, "The token opens nothing: it is not one of ours, or it was revoked, or the account whose it is was closed.")
		case err != nil:
			g.Log.ErrorContext(r.Context(), "cannot look for a token", "error", err)
			g.pages.Fail(w, r, http.StatusServiceUnavailable, "Tokens cannot be looked for at the moment. Try again in a minute.")
		default:
			next.ServeHTTP(w, r.WithContext(dewline.WithVisitor(r.Context(), v)))
		}
	})
}

// used is how fine it is kept when somebody was here last: it is no time clock, and costs a write.
const used = time.Minute

// signedIn returns whose the session of a request is.
func (g *Gate) signedIn(ctx context.Context) (dewline.Visitor, bool) {
	found := requestOf(ctx)
	if !found.found {
		return dewline.Visitor{}, false
	}
	now := g.Now()
	idle := now.Sub(time.UnixMilli(g.sessions.GetInt64(ctx, keySeen)))
	if idle > g.Idle {
		if err := g.sessions.Destroy(ctx); err != nil {
			g.Log.WarnContext(ctx, "cannot end a session", "error", err)
		}
		return dewline.Visitor{}, false
	}
	if idle >= used {
		g.sessions.Put(ctx, keySeen, now.UnixMilli())
	}
	return found.account.Visitor(), true
}

// bearer returns the token that a request brings (RFC 6750).
func bearer(r *http.Request) (string, bool) {
	scheme, token, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	return strings.TrimSpace(token), strings.EqualFold(scheme, "bearer")
}

// Still looks again for the visitor of a request that has lasted a while: nobody, once they signed out, or
// their session or token is over. Looking is no use of a session: it ends as if the page were closed.
func (g *Gate) Still(ctx context.Context) (dewline.Visitor, bool) {
	began := requestOf(ctx)
	if began.token != (dewline.TokenDigest{}) {
		_, account, err := g.Store.TokenOf(ctx, began.token)
		return account.Visitor(), err == nil
	}
	if !began.found {
		return dewline.Visitor{}, false
	}
	now := g.Now()
	session, account, err := g.Store.Session(ctx, began.key, dewline.MillisOf(now))
	if err != nil {
		return dewline.Visitor{}, false
	}
	var d sessionData
	if err := json.Unmarshal(session.Data, &d); err != nil || now.Sub(time.UnixMilli(d.Seen)) > g.Idle {
		return dewline.Visitor{}, false
	}
	return account.Visitor(), true
}

func (g *Gate) byToken(ctx context.Context, token string) (dewline.Visitor, error) {
	digest := digestOf(token)
	requestOf(ctx).token = digest
	t, account, err := g.Store.TokenOf(ctx, digest)
	if err != nil {
		return dewline.Visitor{}, err
	}
	if now := g.Now(); now.Sub(dewline.Millis(t.Used).Time()) >= used {
		if err := g.Store.TokenUsed(ctx, t.ID, dewline.MillisOf(now)); err != nil {
			g.Log.WarnContext(ctx, "cannot keep when a token was used", "error", err)
		}
	}
	return account.Visitor(), nil
}

// newSecret returns 130 random bits as text, behind a word that says what it opens where somebody
// finds it.
func newSecret(word string) (secret string, digest dewline.TokenDigest) {
	secret = word + rand.Text()
	return secret, digestOf(secret)
}

func digestOf(secret string) dewline.TokenDigest { return sha256.Sum256([]byte(secret)) }

// Record adds what the visitor did to the audit log. It must not keep anybody from working: where it
// cannot be kept, the log says so.
func (g *Gate) Record(ctx context.Context, did dewline.AuditDid, of, detail string) {
	if err := g.Store.Record(ctx, g.entry(ctx, did, of, detail)); err != nil {
		g.Log.ErrorContext(ctx, "cannot keep the audit log", "did", did, "of", of, "error", err)
	}
}

func (g *Gate) entry(ctx context.Context, did dewline.AuditDid, of, detail string) dewline.AuditEntry {
	return dewline.AuditEntry{
		At: dewline.Stamp(dewline.MillisOf(g.Now())), By: dewline.VisitorOf(ctx).Person, Did: did, Of: of, Detail: detail, From: requestOf(ctx).address,
	}
}

// AddressOf returns the network address that a request came from. It is that of the connection: what
// a header says of another may be made up.
func AddressOf(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

// Local says whether a request was made on this machine and for it: not by way of a server in front,
// and not by a page of a name that somebody else let point here.
func Local(r *http.Request) bool {
	for _, header := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-Ip", "Via"} {
		if r.Header.Get(header) != "" {
			return false
		}
	}
	host := r.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	ip, err := netip.ParseAddr(strings.Trim(host, "[]"))
	if host != "localhost" && (err != nil || !ip.IsLoopback()) {
		return false
	}
	from, err := netip.ParseAddr(AddressOf(r))
	return err == nil && from.Unmap().IsLoopback()
}

// OwnPath returns an address of this service: whatever else a form says leads to the first page.
func OwnPath(text string) string {
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "" || u.Host != "" || strings.ContainsAny(text, "\\\r\n") {
		return "/"
	}
	// What is written again is looked at, not what was read: "/%2felsewhere " becomes "//elsewhere%20".
	if path := u.RequestURI(); strings.HasPrefix(path, "/") && !strings.HasPrefix(path, "//") {
		return path
	}
	return "/"
}
