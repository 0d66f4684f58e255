package dashboards

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"dewline"
	"dewline/dashboards/view"
)

// contactsPage says who is told of what.
type contactsPage struct {
	base
	People   []personContacts
	Plans    []planLine
	Rosters  []rosterLine
	Channels []choice
	Message  string
	Done     string
	Secret   string // of a webhook, shown once
	Courier  bool
	Keeps    bool // the visitor may say who signs in
	Contact  contactForm
	Plan     planForm
	Roster   rosterForm
}

type personContacts struct {
	ID, Name string
	Role     dewline.Role
	Contacts []contactLine
}

type contactLine struct {
	ID, Channel, Address, Off, Monthly string
	MayMonthly, Signs, Signed          bool
}

type planLine struct {
	ID, Name, Say string
	Steps         []string
}

type rosterLine struct{ ID, Name, Say, Now string }

// contactForm is a contact as it is typed.
type contactForm struct {
	Person, Channel, Address string
	Monthly                  bool
	People                   []choice
}

// planForm is a plan as it is typed.
type planForm struct {
	ID, Name      string
	Least         []choice
	Ends          bool
	Owners, Sites []choice
	Steps         []planStepForm
}

type planStepForm struct {
	N        int
	Minutes  string
	Contacts []choice
	Rosters  []choice
	From, To string
	Days     []choice
}

// rosterForm is a roster as it is typed.
type rosterForm struct {
	ID, Name, Timezone, People, First, Handover, Days string
	Swaps                                             int // that stay as they are
}

var channelWords = map[dewline.Channel]dewline.Phrase{dewline.ByMail: "e-mail", dewline.ByWebhook: "webhook", dewline.ByChat: "chat or text message", dewline.ByMQTT: "MQTT topic"}

// planSteps is how many steps a form of a plan has at least.
const planSteps = 3

func (s *server) contactList(w http.ResponseWriter, r *http.Request) {
	d, err := s.Contacts.Directory(r.Context())
	if err != nil {
		s.fail(w, r, http.StatusServiceUnavailable, "Contacts cannot be read at the moment.")
		return
	}
	p, q := contactsPage{}, r.URL.Query()
	p.Contact.Person = q.Get("person")
	plan, _ := d.Plan(q.Get("plan"))
	roster, _ := d.Roster(q.Get("roster"))
	p.Plan, p.Roster = s.planFormOf(r, d, plan), rosterFormOf(roster)
	if q.Has("kept") {
		p.Done = s.idiom(r).Say("It is kept.")
	}
	s.showContacts(w, r, http.StatusOK, d, p)
}

func (s *server) showContacts(w http.ResponseWriter, r *http.Request, status int, d dewline.Directory, p contactsPage) {
	u := s.idiom(r)
	w.Header().Set("Cache-Control", "no-store") // it may show a secret once
	p.base, p.Courier = s.base(r, u.Say("Who is told")), s.Courier != nil
	p.Keeps = s.Access != nil && p.Visitor.May(dewline.GrantAccess)
	if p.Plan.Least == nil {
		p.Plan = s.planFormOf(r, d, dewline.ContactPlan{})
	}
	if p.Roster.Handover == "" && p.Roster.Name == "" {
		p.Roster = rosterFormOf(dewline.Roster{})
	}
	for _, c := range dewline.Channels() {
		p.Channels = append(p.Channels, choice{string(c), channelWords[c].Said(u), string(c) == p.Contact.Channel})
	}
	for _, person := range d.People {
		if person.Anonymised != 0 {
			continue
		}
		line := personContacts{ID: person.ID, Name: person.Shown(), Role: person.Role}
		for _, c := range d.Contacts {
			if c.Person == person.ID {
				line.Contacts = append(line.Contacts, contactLineOf(c, person, u))
			}
		}
		p.People = append(p.People, line)
		p.Contact.People = append(p.Contact.People, choice{person.ID, line.Name, person.ID == p.Contact.Person})
	}
	for _, plan := range d.Plans {
		p.Plans = append(p.Plans, planLineOf(plan, d, u))
	}
	now := dewline.MillisOf(s.Now())
	for _, roster := range d.Rosters {
		line := rosterLine{ID: roster.ID, Name: roster.Name, Now: nameIn(d, roster.OnDuty(now))}
		var names []string
		for _, id := range roster.People {
			names = append(names, nameIn(d, id))
		}
		line.Say = u.SayN(roster.Days, "{2}; turns of 1 day from {3}", "{2}; turns of {1} days from {3}", view.Count(int64(roster.Days)), strings.Join(names, u.Say(", then")+" "), roster.Handover)
		p.Rosters = append(p.Rosters, line)
	}
	s.pages.write(w, r, status, "setupcontacts", p)
}

func nameIn(d dewline.Directory, id string) string {
	if p, ok := d.Person(id); ok {
		return p.Shown()
	}
	return id
}

func contactLineOf(c dewline.Contact, p dewline.Person, u view.Idiom) contactLine {
	line := contactLine{ID: c.ID, Channel: channelWords[c.Channel].Said(u), Address: c.Address, Off: c.Off,
		MayMonthly: c.Channel == dewline.ByMail && p.Role == dewline.RoleOwner, Signs: c.Channel == dewline.ByWebhook, Signed: len(c.Secrets) > 0}
	if c.Channel == dewline.ByChat { // its address is made of tokens
		service, _, _ := strings.Cut(c.Address, ":")
		line.Address = service + "://…"
	}
	if c.Monthly {
		line.Monthly = "yes"
	}
	return line
}

// planLineOf says a plan in words.
func planLineOf(p dewline.ContactPlan, d dewline.Directory, u view.Idiom) planLine {
	line := planLine{ID: p.ID, Name: p.Name}
	line.Say = u.Say("Of alerts that are {1}", u.Name(string(p.Least)))
	if p.Least != dewline.Urgent {
		line.Say = u.Say("Of alerts that are {1} or graver", u.Name(string(p.Least)))
	}
	if len(p.Owners) > 0 {
		line.Say += u.Say(", at sites of {1}", strings.Join(p.Owners, ", "))
	}
	if len(p.Sites) > 0 {
		line.Say += u.Say(", at {1}", strings.Join(p.Sites, ", "))
	}
	if p.Ends {
		line.Say += u.Say("; and of their end")
	}
	for _, step := range p.Steps {
		var who []string
		for _, id := range step.Contacts {
			name := id
			if c, ok := d.Contact(id); ok {
				name = u.Say("{1} by {2}", nameIn(d, c.Person), channelWords[c.Channel].Said(u))
			}
			who = append(who, name)
		}
		if roster, ok := d.Roster(step.Roster); ok {
			who = append(who, u.Say("whoever is on duty in {1}", roster.Name))
		}
		text := u.Say("At once: {1}", strings.Join(who, ", "))
		if step.After > 0 {
			text = u.Say("After {1} without an acknowledgement: {2}", u.Span(step.After.Duration()), strings.Join(who, ", "))
		}
		for _, h := range step.Hours {
			days := u.Say("every day")
			if len(h.Days) > 0 {
				days = strings.Join(dayNames(h.Days, u), ", ")
			}
			text += u.Say("; only {1} to {2} {3}", h.From, h.To, days)
		}
		line.Steps = append(line.Steps, text)
	}
	return line
}

func choices(all []string, word func(string) string, chosen []string) (list []choice) {
	for _, v := range all {
		list = append(list, choice{v, word(v), slices.Contains(chosen, v)})
	}
	return list
}

// dayNames are days of the week as people read them.
func dayNames(days []string, u view.Idiom) []string {
	names := make([]string, len(days))
	for i, day := range days {
		names[i] = u.Say(strings.ToUpper(day[:min(1, len(day))]) + day[min(1, len(day)):])
	}
	return names
}

func (s *server) planFormOf(r *http.Request, d dewline.Directory, p dewline.ContactPlan) planForm {
	u := s.idiom(r)
	f := planForm{ID: p.ID, Name: p.Name, Ends: p.Ends}
	least := string(p.Least)
	if least == "" {
		least = string(dewline.Urgent)
	}
	f.Least = choices([]string{"urgent", "soon", "watch"}, func(v string) string {
		return map[string]dewline.Phrase{"urgent": "urgent ones only", "soon": "soon and urgent", "watch": "all"}[v].Said(u)
	}, []string{least})
	fleet := s.overview.Fleet(r.Context())
	for _, o := range fleet.Owners {
		f.Owners = append(f.Owners, choice{o.ID, o.Name, slices.Contains(p.Owners, o.ID)})
	}
	for i := range fleet.Sites {
		site := &fleet.Sites[i]
		f.Sites = append(f.Sites, choice{site.ID, site.Name, slices.Contains(p.Sites, site.ID)})
	}
	var contacts, rosters []string
	for _, c := range d.Contacts {
		contacts = append(contacts, c.ID)
	}
	for _, roster := range d.Rosters {
		rosters = append(rosters, roster.ID)
	}
	for n := range min(20, max(planSteps, len(p.Steps)+1)) {
		step := dewline.PlanStep{}
		if n < len(p.Steps) {
			step = p.Steps[n]
		}
		line := planStepForm{N: n + 1, Minutes: strconv.FormatInt(int64(step.After/60), 10)}
		if n >= len(p.Steps) {
			line.Minutes = ""
		}
		line.Contacts = choices(contacts, func(id string) string {
			c, _ := d.Contact(id)
			return nameIn(d, c.Person) + ", " + channelWords[c.Channel].Said(u) + " (" + id + ")"
		}, step.Contacts)
		line.Rosters = append([]choice{{Word: u.Say("nobody of a roster")}}, choices(rosters, func(id string) string {
			roster, _ := d.Roster(id)
			return "whoever is on duty in " + roster.Name
		}, []string{step.Roster})...)
		var days []string
		if len(step.Hours) > 0 {
			line.From, line.To, days = step.Hours[0].From, step.Hours[0].To, step.Hours[0].Days
		}
		line.Days = choices([]string{"mon", "tue", "wed", "thu", "fri", "sat", "sun"}, func(day string) string { return dayNames([]string{day}, u)[0] }, days)
		f.Steps = append(f.Steps, line)
	}
	return f
}

func rosterFormOf(r dewline.Roster) rosterForm {
	f := rosterForm{ID: r.ID, Name: r.Name, Timezone: r.Timezone, People: strings.Join(r.People, ", "), First: r.First, Handover: r.Handover, Swaps: len(r.Swaps), Days: strconv.Itoa(r.Days)}
	if r.ID == "" {
		f.Handover, f.Days = "08:00", "7"
	}
	return f
}

// changeContacts does what one of the page's forms asks for.
func (s *server) changeContacts(w http.ResponseWriter, r *http.Request) {
	if !s.readForm(w, r, 1<<18) {
		return
	}
	ctx := r.Context()
	d, err := s.Contacts.Directory(ctx)
	if err != nil {
		s.fail(w, r, http.StatusServiceUnavailable, "Contacts cannot be read at the moment.")
		return
	}
	p, form := contactsPage{}, r.PostForm
	id := form.Get("id")
	contact, known := d.Contact(id)
	ofContact := slices.Contains([]string{"test", "secret", "off", "on", "monthly", "not-monthly", "remove-contact"}, form.Get("do"))
	if ofContact && !known {
		s.fail(w, r, http.StatusNotFound, "There is no such contact any more.")
		return
	}
	switch form.Get("do") {
	case "contact":
		p.Contact = contactForm{Person: form.Get("person"), Channel: form.Get("channel"), Address: strings.TrimSpace(form.Get("address")), Monthly: form.Has("monthly")}
		err = s.addContact(r, d, p.Contact)
	case "test":
		if s.Courier == nil {
			err = &dewline.Error{Code: dewline.Unavailable, Err: errors.New("nothing sends messages here")}
		} else if err = s.Courier.Try(ctx, id); err == nil {
			p.Done = "The receiver has taken the test to " + id + "."
		}
		if failed, ok := errors.AsType[*dewline.Error](err); ok && failed.Code == dewline.Unavailable && failed.Err != nil {
			p.Message, err = "The test to "+id+" did not arrive: "+failed.Err.Error()+".", nil
		}
	case "secret":
		if s.Courier == nil {
			err = &dewline.Error{Code: dewline.Unavailable, Err: errors.New("nothing sends messages here")}
		} else {
			p.Secret, err = s.Courier.NewSecret(ctx, id)
		}
	case "off", "on":
		if contact.Off = ""; form.Get("do") == "off" {
			contact.Off = "switched off"
		}
		err = s.Contacts.PutContact(ctx, contact)
	case "monthly", "not-monthly":
		contact.Monthly = form.Get("do") == "monthly"
		err = s.Contacts.PutContact(ctx, contact)
	case "remove-contact":
		err = s.Contacts.RemoveContact(ctx, id)
	case "plan":
		var plan dewline.ContactPlan
		if plan, err = planFrom(form, d); err == nil {
			err = s.Contacts.PutPlan(ctx, plan)
		}
		p.Plan = s.planFormOf(r, d, plan)
	case "remove-plan":
		err = s.Contacts.RemovePlan(ctx, id)
	case "roster":
		var roster dewline.Roster
		if roster, err = rosterFrom(form, d); err == nil {
			err = s.Contacts.PutRoster(ctx, roster)
		}
		p.Roster = rosterFormOf(roster)
		p.Roster.ID, p.Roster.Handover, p.Roster.Days = id, form.Get("handover"), form.Get("days")
	case "remove-roster":
		err = s.Contacts.RemoveRoster(ctx, id)
	default:
		err = &dewline.Error{Code: dewline.Invalid, Err: errors.New("choose what to do")}
	}
	status := http.StatusOK
	switch {
	case err != nil:
		status, p.Message = s.notDone(r, err)
	case p.Done == "" && p.Message == "" && p.Secret == "":
		http.Redirect(w, r, "/setup/contacts?kept", http.StatusSeeOther)
		return
	}
	s.showContacts(w, r, status, d, p)
}

// freeID makes an id that nothing has yet of words.
func freeID(words string, taken func(id string) bool) string {
	id := dewline.MadeID(words)
	if id == "" {
		id = "x"
	}
	id = strings.TrimSuffix(id[:min(len(id), 55)], "-")
	for n, base := 2, id; taken(id); n++ {
		id = base + "-" + strconv.Itoa(n)
	}
	return id
}

func (s *server) addContact(r *http.Request, d dewline.Directory, f contactForm) error {
	person, ok := d.Person(f.Person)
	if !ok || person.Anonymised != 0 {
		return &dewline.Error{Code: dewline.Invalid, Err: errors.New("choose whose contact it is")}
	}
	if f.Monthly && person.Role != dewline.RoleOwner {
		return &dewline.Error{Code: dewline.Invalid, Err: errors.New("the monthly report is for owners: give the person that role first")}
	}
	c := dewline.Contact{Person: f.Person, Channel: dewline.Channel(f.Channel), Address: f.Address, Monthly: f.Monthly}
	c.ID = freeID(f.Person+" "+f.Channel, func(id string) bool { _, taken := d.Contact(id); return taken })
	if err := c.Validate(); err != nil {
		return err
	}
	return s.Contacts.PutContact(r.Context(), c)
}

// planFrom reads the form of a plan. Steps that name nobody are left out.
func planFrom(form url.Values, d dewline.Directory) (dewline.ContactPlan, error) {
	before, known := d.Plan(form.Get("id"))
	p := dewline.ContactPlan{ID: before.ID, Name: strings.TrimSpace(form.Get("name")), Owners: form["owner"], Sites: form["site"],
		Least: dewline.Severity(form.Get("least")), Ends: form.Has("ends")}
	if !known {
		p.ID = freeID(p.Name, func(id string) bool { _, taken := d.Plan(id); return taken })
	}
	bad := func(text string) (dewline.ContactPlan, error) {
		return p, &dewline.Error{Code: dewline.Invalid, Err: errors.New(text)}
	}
	problem := ""
	for n := 1; n <= 20; n++ {
		at := func(name string) string {
			return strings.TrimSpace(form.Get("step." + strconv.Itoa(n) + "." + name))
		}
		step := dewline.PlanStep{Contacts: form["step."+strconv.Itoa(n)+".contact"], Roster: at("roster")}
		if len(step.Contacts) == 0 && step.Roster == "" {
			continue
		}
		if text := at("minutes"); text != "" {
			minutes, err := strconv.Atoi(text)
			if err != nil || minutes < 0 || minutes > 30*24*60 {
				problem, minutes = "step "+strconv.Itoa(n)+": write minutes as a whole number, at most 30 days", 0
			}
			step.After = dewline.Seconds(minutes) * 60
			if n <= len(before.Steps) && before.Steps[n-1].After/60 == dewline.Seconds(minutes) {
				step.After = before.Steps[n-1].After // the form shows whole minutes
			}
		}
		if from, to := at("from"), at("to"); from != "" || to != "" {
			step.Hours = []dewline.Hours{{Days: form["step."+strconv.Itoa(n)+".day"], From: from, To: to}}
		}
		if n <= len(before.Steps) && len(before.Steps[n-1].Hours) > 1 {
			step.Hours = append(step.Hours, before.Steps[n-1].Hours[1:]...) // that the form does not show
		}
		p.Steps = append(p.Steps, step)
		for _, id := range step.Contacts {
			if _, ok := d.Contact(id); !ok {
				problem = "step " + strconv.Itoa(n) + " names a contact that is not there any more"
			}
		}
		if _, ok := d.Roster(step.Roster); step.Roster != "" && !ok {
			problem = "step " + strconv.Itoa(n) + " names a roster that is not there any more"
		}
	}
	if p.Name == "" {
		return bad("give the plan a name")
	}
	if len(p.Steps) == 0 {
		return bad("the plan tells nobody: choose contacts or a roster in its first step")
	}
	if problem != "" {
		return bad(problem)
	}
	return p, p.Validate()
}

// rosterFrom reads the form of a roster. Swaps stay.
func rosterFrom(form url.Values, d dewline.Directory) (dewline.Roster, error) {
	before, known := d.Roster(form.Get("id"))
	word := func(name string) string { return strings.TrimSpace(form.Get(name)) }
	days, err := strconv.Atoi(word("days"))
	r := dewline.Roster{ID: before.ID, Name: word("name"), Timezone: word("timezone"), First: word("first"), Handover: word("handover"), Days: days, Swaps: before.Swaps}
	r.People = strings.FieldsFunc(form.Get("people"), func(c rune) bool { return c == ',' || c == ' ' || c == '\n' || c == '\r' })
	if !known {
		r.ID = freeID(r.Name, func(id string) bool { _, taken := d.Roster(id); return taken })
	}
	bad := func(text string) (dewline.Roster, error) {
		return r, &dewline.Error{Code: dewline.Invalid, Err: errors.New(text)}
	}
	switch {
	case r.Name == "":
		return bad("give the roster a name")
	case err != nil:
		return bad("write how many days a turn lasts as a whole number")
	}
	for _, id := range r.People {
		if _, ok := d.Person(id); !ok {
			return bad("there is nobody with the id " + strconv.Quote(id) + ": write ids of people, in turn")
		}
	}
	return r, r.Validate()
}
