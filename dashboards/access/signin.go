package access

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"strings"

	"github.com/go-chi/chi/v5"

	"dewline"
	"dewline/dashboards/access/password"
)

// signInData is what the sign-in page shows.
type signInData struct {
	Login   string
	Back    string
	Message string
	Done    string // what was done: signed out, password set
	With    string // the name of the provider, "" for none
	Nobody  bool   // nobody can sign in yet
}

func (g *Gate) signInPage(w http.ResponseWriter, r *http.Request) {
	d := signInData{Back: OwnPath(r.URL.Query().Get("back"))}
	switch r.URL.Query().Get("done") {
	case "out":
		d.Done = g.tongue(r).Say("You are signed out.")
	case "password":
		d.Done = g.tongue(r).Say("The password is set. Sign in with it.")
	}
	g.showSignIn(w, r, http.StatusOK, d)
}

func (g *Gate) showSignIn(w http.ResponseWriter, r *http.Request, status int, d signInData) {
	if g.Provider != nil {
		d.With = g.Provider.Name
	}
	if all, err := g.Store.Accounts(r.Context()); err == nil {
		d.Nobody = len(all) == 0
	}
	g.pages.Show(w, r, status, "signin", "Sign in", d)
}

func (g *Gate) signIn(w http.ResponseWriter, r *http.Request) {
	if !g.form(w, r) {
		return
	}
	ctx := r.Context()
	d := signInData{Login: dewline.CleanLogin(r.PostForm.Get("login")), Back: OwnPath(r.PostForm.Get("back"))}
	address := requestOf(ctx).address
	if !g.limits.attempt(d.Login, address, g.Now()) {
		w.Header().Set("Retry-After", "60")
		d.Message = g.tongue(r).Say("There were too many attempts. Wait a minute, then try again.")
		g.showSignIn(w, r, http.StatusTooManyRequests, d)
		return
	}
	account, err := g.check(ctx, d.Login, r.PostForm.Get("password"))
	if err == nil {
		err = g.begin(ctx, account, "by password")
	}
	switch {
	case err == nil:
		g.limits.right(d.Login, address, g.Now())
		http.Redirect(w, r, d.Back, http.StatusSeeOther)
	case errors.Is(err, errWrong):
		d.Message = g.tongue(r).Say("That is no login and password of an account here. Try again, or ask whoever keeps the accounts for a link to set a new password.")
		g.showSignIn(w, r, http.StatusUnauthorized, d)
	case errors.Is(err, password.ErrBusy):
		w.Header().Set("Retry-After", "5")
		d.Message = g.tongue(r).Say("Too many people are signing in at this moment. Try again in a few seconds.")
		g.showSignIn(w, r, http.StatusServiceUnavailable, d)
	default:
		g.Log.ErrorContext(ctx, "cannot sign in", "error", err)
		d.Message = g.tongue(r).Say("Nobody can sign in at the moment. Try again in a minute.")
		g.showSignIn(w, r, http.StatusServiceUnavailable, d)
	}
}

var errWrong = errors.New("no login and password of an account")

// check returns the account that a login and a password open. It takes as long where there is none,
// and records what failed: of a login that nobody has only that, for it may be a mistyped password.
func (g *Gate) check(ctx context.Context, login, typed string) (dewline.Account, error) {
	account, err := g.Store.AccountByLogin(ctx, login)
	known := err == nil
	if !known && dewline.CodeOf(err) != dewline.NotFound {
		return account, err
	}
	hash := account.SignIn.Hash
	if !known || !account.Open() {
		hash = ""
	}
	right, again, err := g.hasher.Verify(ctx, hash, typed)
	if err != nil {
		return account, err
	}
	if !right {
		detail := "a login that nobody has"
		if known {
			detail = cmp.Or(map[bool]string{!account.Open(): "the account is closed", account.SignIn.Hash == "": "no password is set"}[true], "wrong password")
		}
		e := g.entry(ctx, dewline.AuditFailed, account.Person.ID, detail)
		e.By = ""
		return account, errors.Join(errWrong, g.Store.Record(ctx, e))
	}
	if again {
		if better, err := g.hasher.Hash(ctx, typed); err == nil {
			if err := g.Store.Rehash(ctx, account.Person.ID, hash, better); err != nil {
				g.Log.WarnContext(ctx, "cannot keep a password's new hash", "error", err)
			}
		}
	}
	return account, nil
}

// begin begins a session. Its token is a new one, whatever the browser had before.
func (g *Gate) begin(ctx context.Context, account dewline.Account, how string) error {
	if err := g.sessions.RenewToken(ctx); err != nil {
		return err
	}
	g.sessions.SetDeadline(ctx, g.Now().Add(g.Lifetime))
	g.sessions.Put(ctx, keyPerson, account.Person.ID)
	g.sessions.Put(ctx, keyEpoch, account.SignIn.Epoch)
	g.sessions.Put(ctx, keySeen, g.Now().UnixMilli())
	e := g.entry(ctx, dewline.AuditSignedIn, "", how)
	e.By = account.Person.ID
	return g.Store.Record(ctx, e)
}

func (g *Gate) signOut(w http.ResponseWriter, r *http.Request) {
	if SignedIn(r.Context()) {
		if err := g.sessions.Destroy(r.Context()); err != nil {
			g.Log.ErrorContext(r.Context(), "cannot end a session", "error", err)
			g.pages.Fail(w, r, http.StatusServiceUnavailable, "You could not be signed out. Try again.")
			return
		}
		g.Record(r.Context(), dewline.AuditSignedOut, "", "")
	}
	http.Redirect(w, r, "/sign-in?done=out", http.StatusSeeOther)
}

// newPasswordData is what the page behind a link shows.
type newPasswordData struct {
	Secret  string
	First   bool   // the first administrator: they say who they are
	ID      string // of the first administrator
	Name    string
	Login   string
	Least   int // characters of a password
	Message string
}

// link returns the link that an address holds, and the account that it is for.
func (g *Gate) link(w http.ResponseWriter, r *http.Request) (a dewline.Account, first, ok bool) {
	l, err := g.Store.Link(r.Context(), digestOf(chi.URLParam(r, "secret")), g.millis())
	if err == nil && l.Person != "" {
		a, err = g.Store.AccountOf(r.Context(), l.Person)
	}
	switch {
	case dewline.CodeOf(err) == dewline.NotFound:
		g.pages.Fail(w, r, http.StatusNotFound, "This link opens nothing any more. A link to set a password works once, and for an hour. Ask whoever keeps the accounts for a new one.")
	case err != nil:
		g.pages.Fail(w, r, http.StatusServiceUnavailable, g.say(r, err))
	}
	return a, l.Person == "", err == nil
}

func (g *Gate) newPasswordPage(w http.ResponseWriter, r *http.Request) {
	a, first, ok := g.link(w, r)
	if ok {
		g.showNewPassword(w, r, http.StatusOK, newPasswordData{First: first, Name: a.Person.Shown(), Login: a.SignIn.Login})
	}
}

func (g *Gate) showNewPassword(w http.ResponseWriter, r *http.Request, status int, d newPasswordData) {
	d.Secret, d.Least = chi.URLParam(r, "secret"), password.MinCharacters
	if d.First {
		g.pages.Show(w, r, status, "newpassword", "The first administrator", d)
		return
	}
	g.pages.Show(w, r, status, "newpassword", "Set a password", d)
}

func (g *Gate) newPassword(w http.ResponseWriter, r *http.Request) {
	if !g.form(w, r) {
		return
	}
	a, first, ok := g.link(w, r)
	if !ok {
		return
	}
	if first {
		a.Person = dewline.Person{ID: strings.TrimSpace(r.PostForm.Get("id")), Name: strings.TrimSpace(r.PostForm.Get("name")), Role: dewline.RoleAdministrator}
		a.SignIn = dewline.SignIn{Person: a.Person.ID, Login: dewline.CleanLogin(r.PostForm.Get("login"))}
	}
	d := newPasswordData{First: first, ID: a.Person.ID, Name: a.Person.Name, Login: a.SignIn.Login}
	refuse := func(status int, text string) {
		d.Message = text
		g.showNewPassword(w, r, status, d)
	}
	err := errors.Join(a.Person.Validate(), a.SignIn.Validate())
	if !first {
		err = nil
	}
	if err != nil {
		refuse(http.StatusUnprocessableEntity, g.tongue(r).Say("This was not done: {1}.", err.Error()))
		return
	}
	hash, problem := g.hashOf(r, a.SignIn.Login)
	if problem != "" {
		refuse(http.StatusUnprocessableEntity, problem)
		return
	}
	a.SignIn.Hash, a.SignIn.Changed = hash, g.stamp()
	e := g.entry(r.Context(), dewline.AuditPassword, a.Person.ID, "by a link")
	e.By = a.Person.ID
	if err := g.Store.UseLink(r.Context(), digestOf(chi.URLParam(r, "secret")), g.millis(), a, e); err != nil {
		refuse(http.StatusConflict, g.say(r, err))
		return
	}
	http.Redirect(w, r, "/sign-in?done=password", http.StatusSeeOther)
}

// hashOf returns the hash of the new password that a form has twice.
func (g *Gate) hashOf(r *http.Request, login string) (hash, problem string) {
	typed := r.PostForm.Get("new")
	if typed != r.PostForm.Get("again") {
		return "", g.tongue(r).Say("The two are not the same: type the new password again, twice.")
	}
	if err := password.Check(typed, login); err != nil {
		return "", g.tongue(r).Say("This was not done: {1}.", err.Error())
	}
	hash, err := g.hasher.Hash(r.Context(), typed)
	if err != nil {
		g.Log.ErrorContext(r.Context(), "cannot hash a password", "error", err)
		return "", g.tongue(r).Say("Too many people are signing in at this moment. Try again in a few seconds.")
	}
	return hash, ""
}

// Invite makes a link to set a password: for a person who has a sign-in, or with "" for the first
// administrator. The path is below the address of the pages.
func Invite(ctx context.Context, store dewline.AccessStore, person string, now dewline.Millis, e dewline.AuditEntry) (path string, err error) {
	secret, digest := newSecret("")
	e.At, e.Did, e.Of = dewline.Stamp(now), dewline.AuditLink, person
	err = store.AddLink(ctx, dewline.SignInLink{Person: person, Ends: now.Add(LinkLife)}, digest, e)
	return "/new-password/" + secret, err
}
