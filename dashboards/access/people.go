package access

import (
	"cmp"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/go-chi/chi/v5"

	"dewline"
)

// peopleData is the list of people and what they may do here.
type peopleData struct {
	People  []personLine
	New     personForm
	Roles   []dewline.Role
	Owners  []dewline.Owner
	Message string
}

// personLine is a person in the list.
type personLine struct {
	ID, Name string
	Role     dewline.Role
	Owner    string
	Login    string // "" for one who cannot sign in
	Closed   bool
	Waiting  bool // no password is set yet
}

// personForm is what a form of a person holds.
type personForm struct {
	ID, Name, Owner, Login string
	Role                   dewline.Role
}

func formOf(r *http.Request) personForm {
	word := func(name string) string { return strings.TrimSpace(r.PostForm.Get(name)) }
	return personForm{ID: word("id"), Name: word("name"), Owner: word("owner"), Login: dewline.CleanLogin(word("login")), Role: dewline.Role(word("role"))}
}

func (g *Gate) peoplePage(w http.ResponseWriter, r *http.Request) {
	g.showPeople(w, r, http.StatusOK, peopleData{New: personForm{Role: dewline.RoleTechnician}})
}

func (g *Gate) showPeople(w http.ResponseWriter, r *http.Request, status int, d peopleData) {
	d.Roles, d.Owners = dewline.Roles(), g.owners()
	book, err := g.Book.Directory(r.Context())
	if err != nil {
		g.pages.Fail(w, r, http.StatusServiceUnavailable, g.say(r, err))
		return
	}
	accounts, err := g.Store.Accounts(r.Context())
	if err != nil {
		g.pages.Fail(w, r, http.StatusServiceUnavailable, g.say(r, err))
		return
	}
	of := map[string]dewline.SignIn{}
	for _, a := range accounts {
		of[a.Person.ID] = a.SignIn
	}
	for _, p := range book.People {
		s := of[p.ID]
		d.People = append(d.People, personLine{
			ID: p.ID, Name: p.Shown(), Role: p.Role, Owner: p.Owner, Login: s.Login, Closed: s.Disabled != 0, Waiting: s.Hash == "",
		})
	}
	slices.SortStableFunc(d.People, func(a, b personLine) int {
		return cmp.Or(cmp.Compare(b2i(a.Login == ""), b2i(b.Login == "")), cmp.Compare(strings.ToLower(a.Name), strings.ToLower(b.Name)))
	})
	g.pages.Show(w, r, status, "people", "People and access", d)
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// addPerson makes a person, with a sign-in where a login is given.
func (g *Gate) addPerson(w http.ResponseWriter, r *http.Request) {
	if !g.form(w, r) {
		return
	}
	f := formOf(r)
	refuse := func(text string) {
		g.showPeople(w, r, http.StatusUnprocessableEntity, peopleData{New: f, Message: text})
	}
	book, err := g.Book.Directory(r.Context())
	if err != nil {
		refuse(g.say(r, err))
		return
	}
	if _, there := book.Person(f.ID); there {
		refuse(g.tongue(r).Say("This was not done: there is somebody with that id. Ids are for good: choose another."))
		return
	}
	if problem := g.keep(r, dewline.Person{ID: f.ID}, dewline.SignIn{}, f); problem != "" {
		refuse(problem)
		return
	}
	http.Redirect(w, r, "/people/"+f.ID, http.StatusSeeOther)
}

// keep stores a person and their login as a form has them.
func (g *Gate) keep(r *http.Request, p dewline.Person, s dewline.SignIn, f personForm) (problem string) {
	ctx := r.Context()
	p.Name, p.Role, p.Owner = f.Name, f.Role, f.Owner
	before := s.Login
	s.Person, s.Login, s.Changed = p.ID, f.Login, g.stamp()
	if err := p.Validate(); err != nil {
		return g.say(r, err)
	}
	if f.Login != "" {
		if err := s.Validate(); err != nil {
			return g.say(r, err)
		}
	} else if before != "" {
		return g.tongue(r).Say("This was not done: a sign-in needs a login. To keep somebody out, close the account.")
	}
	if a, err := g.Store.AccountByLogin(ctx, f.Login); err == nil && a.Person.ID != p.ID { // before anything is kept
		return g.tongue(r).Say("This was not done: somebody else signs in so. Choose another login.")
	}
	if err := g.Book.PutPerson(ctx, p); err != nil {
		return g.say(r, err)
	}
	detail := string(p.Role)
	if p.Owner != "" {
		detail += " of " + p.Owner
	}
	if f.Login == before {
		g.Record(ctx, dewline.AuditAccount, p.ID, detail)
		return ""
	}
	if err := g.Store.PutSignIn(ctx, s, g.entry(ctx, dewline.AuditAccount, p.ID, detail+", with a new login")); err != nil {
		return g.say(r, err)
	}
	return ""
}

// personData is the page of a person.
type personData struct {
	Person    personForm
	Shown     string
	Gone      bool // the name was taken away: there is nothing to change
	Self      bool
	HasSignIn bool
	Closed    string // since when, "" while it is open
	Password  bool
	Roles     []dewline.Role
	Owners    []dewline.Owner
	Tokens    []tokenLine
	Token     string   // that was just made
	Link      string   // that was just made
	Asked     bool     // somebody is about to take the name away
	Places    []string // where the person is still named as who is told, or has duty
	Message   string
	Done      string
}

// person returns the person that the address names, and their sign-in, which may be none.
func (g *Gate) person(w http.ResponseWriter, r *http.Request) (p dewline.Person, s dewline.SignIn, ok bool) {
	book, err := g.Book.Directory(r.Context())
	if err == nil {
		if p, ok = book.Person(chi.URLParam(r, "person")); !ok {
			g.pages.Fail(w, r, http.StatusNotFound, "There is nobody with that id.")
			return p, s, false
		}
		var a dewline.Account
		if a, err = g.Store.AccountOf(r.Context(), p.ID); dewline.CodeOf(err) == dewline.NotFound {
			err = nil
		}
		s = a.SignIn
	}
	if err != nil {
		g.pages.Fail(w, r, http.StatusServiceUnavailable, g.say(r, err))
	}
	return p, s, err == nil
}

func (g *Gate) personPage(w http.ResponseWriter, r *http.Request) {
	if p, s, ok := g.person(w, r); ok {
		g.showPerson(w, r, http.StatusOK, p, s, personData{Person: personForm{p.ID, p.Name, p.Owner, s.Login, p.Role}})
	}
}

func (g *Gate) showPerson(w http.ResponseWriter, r *http.Request, status int, p dewline.Person, s dewline.SignIn, d personData) {
	d.Person.ID, d.Shown, d.Gone, d.Self = p.ID, p.Shown(), p.Anonymised != 0, p.ID == dewline.VisitorOf(r.Context()).Person
	d.HasSignIn, d.Password, d.Closed, d.Roles = s.Login != "", s.Hash != "", g.pages.When(r, s.Disabled), dewline.Roles()
	d.Owners = g.owners()
	var err error
	if d.Tokens, err = g.tokens(r, p.ID); err != nil {
		d.Message = g.say(r, err)
	}
	g.pages.Show(w, r, status, "person", d.Shown, d)
}

// changePerson does what a form of a person's page asks for.
func (g *Gate) changePerson(w http.ResponseWriter, r *http.Request) {
	if !g.form(w, r) {
		return
	}
	p, s, ok := g.person(w, r)
	if !ok {
		return
	}
	d := personData{Person: personForm{p.ID, p.Name, p.Owner, s.Login, p.Role}}
	do := r.PostForm.Get("do")
	if do == "save" {
		d.Person = formOf(r)
	}
	d.Message = g.doWith(r, p, s, do, &d)
	status := http.StatusOK
	if d.Message != "" {
		status = http.StatusUnprocessableEntity
	}
	if d.Message == "" && d.Token == "" && d.Link == "" && !d.Asked {
		http.Redirect(w, r, "/people/"+p.ID, http.StatusSeeOther)
		return
	}
	g.showPerson(w, r, status, p, s, d)
}

func (g *Gate) doWith(r *http.Request, p dewline.Person, s dewline.SignIn, do string, d *personData) (problem string) {
	ctx := r.Context()
	last := p.Role == dewline.RoleAdministrator && s.Login != "" && s.Disabled == 0 && g.lastAdministrator(r, p.ID)
	takesName := do == "anonymise?" || do == "anonymise"
	keepsOut := takesName || do == "close" || do == "save" && d.Person.Role != dewline.RoleAdministrator
	switch {
	case p.Anonymised != 0:
		return g.tongue(r).Say("This was not done: the name of this person was taken away for good, and with it whatever let them in.")
	case last && keepsOut:
		return g.tongue(r).Say("This was not done: it is the last administrator who can sign in, and nobody could let anybody in any more.")
	case takesName && p.ID == dewline.VisitorOf(ctx).Person:
		return g.tongue(r).Say("This was not done: another administrator takes your name away, as it ends your own sign-in.")
	case s.Login == "" && do != "save" && !takesName:
		return g.tongue(r).Say("This was not done: give them a login first.")
	}
	switch do {
	case "save":
		return g.keep(r, p, s, d.Person)
	case "close", "open":
		detail := "opened"
		if s.Disabled, s.Changed = 0, g.stamp(); do == "close" {
			s.Disabled, detail = g.stamp(), "closed"
		}
		if err := g.Store.PutSignIn(ctx, s, g.entry(ctx, dewline.AuditAccount, p.ID, detail)); err != nil {
			return g.say(r, err)
		}
		return ""
	case "link":
		if s.Disabled != 0 {
			return g.tongue(r).Say("This was not done: open the account first.")
		}
		path, err := Invite(ctx, g.Store, p.ID, g.millis(), g.entry(ctx, "", "", ""))
		if err != nil {
			return g.say(r, err)
		}
		d.Link = g.base(r) + path
		return ""
	case "token":
		d.Token, problem = g.makeToken(r, p.ID)
		return problem
	case "revoke":
		return g.revokeToken(r, p.ID)
	case "anonymise?":
		d.Asked = true
		d.Places, problem = g.places(r, p.ID)
		return problem
	case "anonymise":
		if err := g.Book.AnonymisePerson(ctx, p.ID, g.millis()); err != nil {
			return g.say(r, err)
		}
		g.Record(ctx, dewline.AuditAccount, p.ID, "name taken away for good")
		return ""
	}
	return g.tongue(r).Say("Choose what to do.")
}

// places returns the plans and rosters that name a person: their addresses end with the name, and their
// duty is somebody else's to take.
func (g *Gate) places(r *http.Request, person string) (places []string, problem string) {
	book, err := g.Book.Directory(r.Context())
	if err != nil {
		return nil, g.say(r, err)
	}
	theirs := func(id string) bool {
		c, ok := book.Contact(id)
		return ok && c.Person == person
	}
	for _, p := range book.Plans {
		if slices.ContainsFunc(p.Steps, func(s dewline.PlanStep) bool { return slices.ContainsFunc(s.Contacts, theirs) }) {
			places = append(places, "the plan "+p.Name)
		}
	}
	for _, o := range book.Rosters {
		swaps := slices.ContainsFunc(o.Swaps, func(s dewline.Swap) bool { return s.Person == person })
		if swaps || slices.Contains(o.People, person) {
			places = append(places, "the roster "+o.Name)
		}
	}
	return places, ""
}

// lastAdministrator says whether nobody but a person could still let others in.
func (g *Gate) lastAdministrator(r *http.Request, person string) bool {
	all, err := g.Store.Accounts(r.Context())
	return err != nil || !slices.ContainsFunc(all, func(a dewline.Account) bool {
		return a.Open() && a.Person.Role == dewline.RoleAdministrator && a.Person.ID != person
	})
}

// auditData is a page of the audit log.
type auditData struct {
	Entries []auditLine
	Next    string
}

type auditLine struct {
	When, Who, Did, Of, Detail, From string
}

// aboutWhom leads from what was done to whom it is about.
var aboutWhom = map[dewline.AuditDid]string{dewline.AuditFailed: "as", dewline.AuditAccount: "of", dewline.AuditEnded: "of", dewline.AuditSetUp: "of"}

// auditRows is how many entries a page of the audit log has.
const auditRows = 100

func (g *Gate) auditPage(w http.ResponseWriter, r *http.Request) {
	before, err := strconv.ParseInt(cmp.Or(r.URL.Query().Get("before"), "0"), 10, 64)
	if err != nil || before < 0 {
		g.pages.Fail(w, r, http.StatusBadRequest, "Take the address of the next page as it stands in the link.")
		return
	}
	list, err := g.Store.Audit(r.Context(), before, auditRows+1)
	if err != nil {
		g.pages.Fail(w, r, http.StatusServiceUnavailable, g.say(r, err))
		return
	}
	book, err := g.Book.Directory(r.Context())
	if err != nil {
		g.pages.Fail(w, r, http.StatusServiceUnavailable, g.say(r, err))
		return
	}
	name := func(id string) string {
		if p, ok := book.Person(id); ok {
			return p.Shown()
		}
		return id
	}
	var d auditData
	if len(list) > auditRows {
		list = list[:auditRows]
		d.Next = "/audit?before=" + strconv.FormatInt(list[auditRows-1].N, 10)
	}
	for _, e := range list {
		line := auditLine{When: dewline.Millis(e.At).Time().Format("2006-01-02 15:04:05"), Who: cmp.Or(name(e.By), "somebody"), Did: string(e.Did), Detail: e.Detail, From: e.From}
		if e.Of != "" && e.Of != e.By {
			line.Of = cmp.Or(aboutWhom[e.Did], "for") + " " + name(e.Of)
		}
		d.Entries = append(d.Entries, line)
	}
	g.pages.Show(w, r, http.StatusOK, "audit", "Audit log", d)
}
