package access

import (
	"context"
	"crypto/rand"
	"errors"
	"net/http"
	"strings"

	"dewline"
	"dewline/dashboards/access/password"
)

// accountData is what a person's own page shows.
type accountData struct {
	Name     string
	Role     dewline.Role
	Owner    string
	Login    string
	Units    dewline.Units
	Language string
	ByGuest  bool // nobody signed in: this is who everybody on this machine is taken for
	Password bool // there is one to change
	Least    int
	Message  string
	Done     string
	Tokens   []tokenLine
	Token    string // that was just made
}

// tokenLine is a token for people.
type tokenLine struct {
	ID, Name, Made, Used string
	Revoked              string // "" while it opens something
}

func (g *Gate) tokens(r *http.Request, person string) ([]tokenLine, error) {
	list, err := g.Store.Tokens(r.Context(), person)
	lines := make([]tokenLine, len(list))
	for i, t := range list {
		lines[len(list)-1-i] = tokenLine{ID: t.ID, Name: t.Name, Made: g.pages.When(r, t.Made), Used: g.pages.When(r, t.Used), Revoked: g.pages.When(r, t.Revoked)}
	}
	return lines, err
}

func (g *Gate) accountPage(w http.ResponseWriter, r *http.Request) {
	d := accountData{}
	if r.URL.Query().Get("done") == "units" {
		d.Done = g.tongue(r).Say("Units and language are kept.")
	}
	g.showAccount(w, r, http.StatusOK, d)
}

// own returns the account of who asks; found is false where they are nobody in particular.
func (g *Gate) own(r *http.Request) (a dewline.Account, found bool, err error) {
	v := dewline.VisitorOf(r.Context())
	if v.Person == "" {
		return a, false, nil
	}
	a, err = g.Store.AccountOf(r.Context(), v.Person)
	if dewline.CodeOf(err) == dewline.NotFound {
		return a, false, nil
	}
	return a, err == nil, err
}

func (g *Gate) showAccount(w http.ResponseWriter, r *http.Request, status int, d accountData) {
	a, found, err := g.own(r)
	if err != nil {
		g.pages.Fail(w, r, http.StatusServiceUnavailable, g.say(r, err))
		return
	}
	v := dewline.VisitorOf(r.Context())
	d.Name, d.Role, d.Owner, d.Least, d.Units = v.Name, v.Role, v.Owner, password.MinCharacters, v.Units
	d.ByGuest = !SignedIn(r.Context())
	if found {
		d.Login, d.Password, d.Units, d.Language = a.SignIn.Login, a.SignIn.Hash != "", a.Person.Units, a.Person.Language
		if d.Tokens, err = g.tokens(r, a.Person.ID); err != nil {
			d.Message = g.say(r, err)
		}
	}
	g.pages.Show(w, r, status, "account", "Your account", d)
}

// changeAccount does what a form of a person's own page asks for.
func (g *Gate) changeAccount(w http.ResponseWriter, r *http.Request) {
	if !g.form(w, r) {
		return
	}
	a, found, err := g.own(r)
	switch {
	case err != nil:
		g.pages.Fail(w, r, http.StatusServiceUnavailable, g.say(r, err))
		return
	case !found:
		g.pages.Fail(w, r, http.StatusForbidden, "Nobody is signed in, so there is no account to change.")
		return
	}
	ctx := r.Context()
	d := accountData{}
	status := http.StatusUnprocessableEntity
	switch r.PostForm.Get("do") {
	case "password":
		if d.Message = g.changePassword(r, a); d.Message == "" {
			g.endOwn(w, r, "/sign-in?done=password")
			return
		}
	case "everywhere":
		if err := g.Store.EndSessions(ctx, a.Person.ID, g.entry(ctx, dewline.AuditEnded, a.Person.ID, "everywhere")); err == nil {
			g.endOwn(w, r, "/sign-in?done=out")
			return
		}
		d.Message = g.say(r, err)
	case "units":
		a.Person.Units = dewline.Units(r.PostForm.Get("units"))
		if r.PostForm.Has("language") {
			a.Person.Language = r.PostForm.Get("language")
		}
		if err := g.Book.PutPerson(ctx, a.Person); err == nil {
			g.pages.KeepUnits(w, r, a.Person.Units)
			http.Redirect(w, r, "/account?done=units", http.StatusSeeOther)
			return
		}
		d.Message = g.say(r, err)
	case "token":
		d.Token, d.Message = g.makeToken(r, a.Person.ID)
		if d.Message == "" {
			status, d.Done = http.StatusOK, g.tongue(r).Say("The token is made.")
		}
	case "revoke":
		if d.Message = g.revokeToken(r, a.Person.ID); d.Message == "" {
			status, d.Done = http.StatusOK, g.tongue(r).Say("The token opens nothing any more.")
		}
	default:
		d.Message = g.tongue(r).Say("Choose what to do.")
	}
	g.showAccount(w, r, status, d)
}

// endOwn ends the session of this browser, which rests on what is no more.
func (g *Gate) endOwn(w http.ResponseWriter, r *http.Request, to string) {
	if err := g.sessions.Destroy(r.Context()); err != nil {
		g.Log.WarnContext(r.Context(), "cannot end a session", "error", err)
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

func (g *Gate) changePassword(r *http.Request, a dewline.Account) (problem string) {
	ctx := r.Context()
	if a.SignIn.Hash != "" {
		address := requestOf(ctx).address
		if !g.limits.attempt(a.SignIn.Login, address, g.Now()) {
			return g.tongue(r).Say("There were too many attempts. Wait a minute, then try again.")
		}
		right, _, err := g.hasher.Verify(ctx, a.SignIn.Hash, r.PostForm.Get("password"))
		if err != nil || !right {
			return g.tongue(r).Say("The present password is not that one, so nothing was changed.")
		}
		g.limits.right(a.SignIn.Login, address, g.Now())
	}
	hash, problem := g.hashOf(r, a.SignIn.Login)
	if problem != "" {
		return problem
	}
	a.SignIn.Hash, a.SignIn.Changed = hash, g.stamp()
	if err := g.Store.PutSignIn(ctx, a.SignIn, g.entry(ctx, dewline.AuditPassword, a.Person.ID, "their own")); err != nil {
		return g.say(r, err)
	}
	return ""
}

// makeToken makes a token for a person, which is shown this once.
func (g *Gate) makeToken(r *http.Request, person string) (token, problem string) {
	name := strings.TrimSpace(r.PostForm.Get("name"))
	token, err := NewToken(r.Context(), g.Store, person, name, g.millis(), g.entry(r.Context(), "", "", ""))
	if err != nil {
		return "", g.say(r, err)
	}
	return token, ""
}

var errTokenName = errors.New("say in a few words, on one line, what the token is for")

// NewToken makes a token for a person who has a sign-in.
func NewToken(ctx context.Context, store dewline.AccessStore, person, name string, now dewline.Millis, e dewline.AuditEntry) (string, error) {
	if name == "" || len(name) > 100 || strings.ContainsFunc(name, func(r rune) bool { return r < ' ' }) {
		return "", &dewline.Error{Code: dewline.Invalid, Op: "make a token", Err: errTokenName}
	}
	token, digest := newSecret("dewline-")
	e.At, e.Did, e.Of, e.Detail = dewline.Stamp(now), dewline.AuditToken, person, name
	return token, store.AddToken(ctx, dewline.Token{ID: strings.ToLower(rand.Text()[:10]), Person: person, Name: name, Made: dewline.Stamp(now)}, digest, e)
}

func (g *Gate) revokeToken(r *http.Request, person string) (problem string) {
	id := r.PostForm.Get("token")
	err := g.Store.RevokeToken(r.Context(), person, id, g.millis(), g.entry(r.Context(), dewline.AuditRevoked, person, id))
	if err != nil {
		return g.say(r, err)
	}
	return ""
}
