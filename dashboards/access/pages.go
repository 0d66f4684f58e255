package access

import (
	"errors"
	"net/http"
	"time"

	"dewline"
)

// Pages draws what the gate answers with, in the look of all pages.
type Pages interface {
	// Show draws one of the pages signin, newpassword, account, people, person and audit, with an English title.
	Show(w http.ResponseWriter, r *http.Request, status int, page, title string, data any)
	// Fail answers with an error, said in English here: a page for people, a problem for programs.
	Fail(w http.ResponseWriter, r *http.Request, status int, text string)
	// KeepUnits lets the browser show quantities in these units from now on.
	KeepUnits(w http.ResponseWriter, r *http.Request, units dewline.Units)
	// Tongue is the language of who asks.
	Tongue(r *http.Request) dewline.Tongue
	// When writes a time for who asks.
	When(r *http.Request, at dewline.Stamp) string
}

// Route is an address with the right that it takes.
type Route struct {
	Pattern string
	Needs   dewline.Right
	Handle  http.HandlerFunc
}

// Attach lets the gate draw by pages, and returns what it answers. It is called once, before the gate
// is used.
func (g *Gate) Attach(pages Pages) []Route {
	g.pages = pages
	routes := []Route{
		{"GET /sign-in", dewline.Anyone, g.signInPage},
		{"POST /sign-in", dewline.Anyone, g.signIn},
		{"POST /sign-out", dewline.ReadMachines, g.signOut},
		{"GET /new-password/{secret}", dewline.Anyone, g.newPasswordPage},
		{"POST /new-password/{secret}", dewline.Anyone, g.newPassword},
		{"GET /account", dewline.ReadMachines, g.accountPage},
		{"POST /account", dewline.ReadMachines, g.changeAccount},
		{"GET /people", dewline.GrantAccess, g.peoplePage},
		{"POST /people", dewline.GrantAccess, g.addPerson},
		{"GET /people/{person}", dewline.GrantAccess, g.personPage},
		{"POST /people/{person}", dewline.GrantAccess, g.changePerson},
		{"GET /audit", dewline.GrantAccess, g.auditPage},
	}
	if g.Provider != nil {
		routes = append(routes,
			Route{"GET /sign-in/elsewhere", dewline.Anyone, g.signInElsewhere},
			Route{"GET /sign-in/back", dewline.Anyone, g.signInBack})
	}
	return routes
}

// form reads what a page sends; it is small, whoever sends it.
func (g *Gate) form(w http.ResponseWriter, r *http.Request) bool {
	r.Body = http.MaxBytesReader(w, r.Body, 1<<16)
	if err := r.ParseForm(); err != nil {
		g.pages.Fail(w, r, http.StatusBadRequest, "This form could not be read: send it again.")
		return false
	}
	return true
}

// say returns what somebody can be told of an error. What is inside stays in the log.
func (g *Gate) say(r *http.Request, err error) string {
	switch dewline.CodeOf(err) {
	case dewline.Invalid, dewline.Clash, dewline.NotFound, dewline.Forbidden:
		if e, ok := errors.AsType[*dewline.Error](err); ok && e.Err != nil {
			return g.tongue(r).Say("This was not done: {1}.", e.Err.Error())
		}
	}
	g.Log.ErrorContext(r.Context(), "cannot change who may sign in", "error", err)
	return g.tongue(r).Say("This was not done: accounts cannot be changed at the moment. Try again.")
}

func (g *Gate) tongue(r *http.Request) dewline.Tongue { return g.pages.Tongue(r) }

func (g *Gate) millis() dewline.Millis { return dewline.MillisOf(g.Now()) }

func (g *Gate) stamp() dewline.Stamp { return dewline.Stamp(g.millis()) }

// base returns the address of this service, for links that leave the page.
func (g *Gate) base(r *http.Request) string {
	if g.URL != "" {
		return g.URL
	}
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	return scheme + "://" + r.Host
}

// LinkLife is for how long a link to set a password can be used.
const LinkLife = time.Hour
