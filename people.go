package dewline

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/mail"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"
)

// Role is what a person, or a program, has to do with the machines.
type Role string

// The roles.
const (
	RoleDispatcher    Role = "dispatcher"    // decides who goes where
	RoleTechnician    Role = "technician"    // goes
	RoleManager       Role = "manager"       // answers for both
	RoleOwner         Role = "owner"         // whose machines they are; is never told to do anything at one
	RoleProgram       Role = "program"       // no person: another program that listens or asks
	RoleAdministrator Role = "administrator" // keeps the service itself
)

// Roles returns every role.
func Roles() []Role {
	return []Role{RoleDispatcher, RoleTechnician, RoleManager, RoleOwner, RoleProgram, RoleAdministrator}
}

// Units are those that a reader thinks in. Everything is computed and kept in SI.
type Units string

// The ways to read quantities; "" stands for MetricUnits.
const (
	MetricUnits Units = "metric" // °C, K, kPa, kg
	USUnits     Units = "us"     // °F, psi, lb
)

// Certification is a licence that a person holds, as the person's papers name it.
type Certification struct {
	Name   string `json:"name"`
	Number string `json:"number"`
	Until  Stamp  `json:"until,omitzero"` // no end if 0
}

// Person is somebody who hears of alerts or works on them. Plans, rosters and notices keep the ID
// and never the name: so a name can be taken away without touching the record.
type Person struct {
	ID             string          `json:"id" required:"false"`
	Name           string          `json:"name"`
	Role           Role            `json:"role" enum:"dispatcher,technician,manager,owner,program,administrator"`
	Owner          string          `json:"owner,omitempty"` // the owner whose machines are all that this person may hear of; "" for the service company's own
	Units          Units           `json:"units,omitempty" enum:"metric,us"`
	Language       string          `json:"language,omitempty" doc:"Of pages, as BCP 47 names it. Absent: what the browser asks for." example:"de"`
	Timezone       string          `json:"timezone,omitempty"` // "" where times are to be those of the site
	Certifications []Certification `json:"certifications,omitempty"`
	Anonymised     Stamp           `json:"anonymised,omitzero"` // when the name was taken away, 0 while it stands
}

// Shown returns the name, or what is left when it was taken away.
func (p Person) Shown() string {
	if p.Anonymised != 0 {
		return "former contact " + p.ID
	}
	return cmp.Or(p.Name, p.ID)
}

// Validate returns an error that says what of the person makes no sense.
func (p Person) Validate() error {
	op := "person " + quoted(p.ID)
	switch {
	case !ValidID(p.ID):
		return invalid(op, "the id must match [a-z0-9][a-z0-9-]{0,62}")
	case p.Anonymised == 0 && (strings.TrimSpace(p.Name) == "" || !isOneLine(p.Name)):
		return invalid(op, "the name must be one line of text")
	case !slices.Contains(Roles(), p.Role):
		return invalid(op, "role %s: it is one of %v", quoted(string(p.Role)), Roles())
	case p.Role == RoleOwner && p.Owner == "":
		return invalid(op, "an owner's person needs the owner's id")
	case p.Owner != "" && !ValidID(p.Owner):
		return invalid(op, "%s is no owner's id", quoted(p.Owner))
	case p.Owner != "" && p.Role == RoleAdministrator:
		return invalid(op, "an administrator keeps the service for every owner, and so belongs to none")
	case p.Units != "" && p.Units != MetricUnits && p.Units != USUnits:
		return invalid(op, "units %s: they are metric or us", quoted(string(p.Units)))
	case p.Language != "" && !languageTag.MatchString(p.Language):
		return invalid(op, "language %s: it is named as BCP 47 has it, such as de or pt-BR", quoted(p.Language))
	}
	return validZone(op, p.Timezone)
}

// languageTag is the form of a name of a language by BCP 47; which there are is for the pages to know.
var languageTag = regexp.MustCompile(`^[A-Za-z]{2,8}(-[A-Za-z0-9]{1,8}){0,6}$`)

// Channel is a way to reach somebody.
type Channel string

// The channels.
const (
	ByMail    Channel = "email"
	ByWebhook Channel = "webhook" // an address of another program, signed after the Standard Webhooks specification
	ByChat    Channel = "chat"    // a chat, push or text-message service
	ByMQTT    Channel = "mqtt"    // a topic
)

// Channels returns every channel.
func Channels() []Channel { return []Channel{ByMail, ByWebhook, ByChat, ByMQTT} }

// Seconds is a length of time that people state.
type Seconds int64

// Duration returns s as a duration.
func (s Seconds) Duration() time.Duration { return time.Duration(s) * time.Second }

// How messages to one contact are gathered where nothing else is stated.
const (
	UsualGather Seconds = 120 // ISA-18.2 and EEMUA 191 count floods in ten minutes; an urgent alert means today, so two do not hurt
	UsualApart  Seconds = 900
)

// Secret signs what goes to a webhook.
type Secret struct {
	Key   string `json:"key"`            // whsec_ and base64
	Until Stamp  `json:"until,omitzero"` // 0 for the one in use; an older one signs until then, so that the receiver can change over
}

// Contact is one address of a person.
type Contact struct {
	ID      string   `json:"id"`
	Person  string   `json:"person"`
	Channel Channel  `json:"channel"`
	Address string   `json:"address"`            // e-mail address, URL, the chat service's URL, topic
	Secrets []Secret `json:"secrets,omitempty"`  // of a webhook
	Gather  Seconds  `json:"gather_s,omitempty"` // how long a first alert waits for others before a message goes; UsualGather if 0
	Apart   Seconds  `json:"apart_s,omitempty"`  // the least time from one message to the next; UsualApart if 0
	Off     string   `json:"off,omitempty"`      // why nothing is sent there, "" if it is
	Monthly bool     `json:"monthly,omitempty"`  // an owner's person gets the report of each month there
}

// GatherFor returns how long a first alert waits for others.
func (c Contact) GatherFor() time.Duration { return cmp.Or(c.Gather, UsualGather).Duration() }

// ApartFor returns the least time between two messages.
func (c Contact) ApartFor() time.Duration { return cmp.Or(c.Apart, UsualApart).Duration() }

const week Seconds = 7 * 24 * 3600

// Validate returns an error that says what of the contact makes no sense. Addresses become header
// lines, requests and topics, so none may hold a line break or another control character.
func (c Contact) Validate() error {
	op := "contact " + quoted(c.ID)
	switch {
	case !ValidID(c.ID):
		return invalid(op, "the id must match [a-z0-9][a-z0-9-]{0,62}")
	case !ValidID(c.Person):
		return invalid(op, "it needs the id of its person")
	case !isOneLine(c.Address) || len(c.Address) > 2000:
		return invalid(op, "the address must be one line of at most 2,000 bytes")
	case c.Monthly && c.Channel != ByMail:
		return invalid(op, "the monthly report goes by e-mail only")
	case c.Gather < 0 || c.Apart < 0 || c.Gather > week || c.Apart > week:
		return invalid(op, "gather_s and apart_s lie between 0 and %d", week)
	}
	switch c.Channel {
	case ByMail:
		// A bare address: "Name <a@b>" would let a name in where an address belongs.
		if a, err := mail.ParseAddress(c.Address); err != nil || a.Address != c.Address {
			return invalid(op, "%s is no e-mail address", quoted(c.Address))
		}
	case ByWebhook:
		if u, err := url.Parse(c.Address); err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Hostname() == "" || u.User != nil || u.Fragment != "" {
			return invalid(op, "a webhook's address is an https URL without user name, password and fragment")
		}
	case ByChat:
		if u, err := url.Parse(c.Address); err != nil || u.Scheme == "" {
			return invalid(op, "a chat service's address is its URL, such as service://token@channel")
		}
	case ByMQTT:
		if c.Address == "" || strings.ContainsAny(c.Address, "+#") || strings.HasPrefix(c.Address, "$") {
			return invalid(op, "a topic has neither + nor #, and does not begin with $")
		}
	default:
		return invalid(op, "channel %s: it is one of %v", quoted(string(c.Channel)), Channels())
	}
	return nil
}

// Roster is a duty roster: people take turns of whole days, which begin at one time of the day.
type Roster struct {
	ID       string   `json:"id" required:"false"`
	Name     string   `json:"name"`
	Timezone string   `json:"timezone,omitempty"` // UTC if empty
	People   []string `json:"people"`             // in turn
	First    string   `json:"first"`              // the day on which the first of them begins, 2031-07-07
	Handover string   `json:"handover"`           // the time of the day, 08:00
	Days     int      `json:"days"`               // how long a turn lasts
	Swaps    []Swap   `json:"swaps,omitempty"`    // stand above the turns; the last that fits counts
}

// Swap puts another person on duty for a time.
type Swap struct {
	Person string `json:"person"`
	From   Stamp  `json:"from"`
	To     Stamp  `json:"to"`
}

// Validate returns an error that says what of the roster makes no sense.
func (r Roster) Validate() error {
	op := "roster " + quoted(r.ID)
	_, dayErr := time.Parse(time.DateOnly, r.First)
	_, timeErr := clockTime(r.Handover)
	switch {
	case !ValidID(r.ID):
		return invalid(op, "the id must match [a-z0-9][a-z0-9-]{0,62}")
	case len(r.People) == 0 || slices.ContainsFunc(r.People, func(p string) bool { return !ValidID(p) }):
		return invalid(op, "people are ids, at least one")
	case dayErr != nil:
		return invalid(op, "first %s: write the day as 2031-07-07", quoted(r.First))
	case timeErr != nil:
		return invalid(op, "handover %s: write the time as 08:00", quoted(r.Handover))
	case r.Days < 1 || r.Days > 366:
		return invalid(op, "a turn lasts 1 to 366 days")
	}
	for _, s := range r.Swaps {
		if !ValidID(s.Person) || s.To <= s.From {
			return invalid(op, "a swap names a person and ends after its beginning")
		}
	}
	return validZone(op, r.Timezone)
}

// OnDuty returns the id of the person who is on duty, "" before the first turn. Days are counted on
// the calendar of the roster's zone, so that a handover stays at its time of the day when clocks
// change.
func (r Roster) OnDuty(at Millis) string {
	for _, s := range slices.Backward(r.Swaps) {
		if Millis(s.From) <= at && at < Millis(s.To) {
			return s.Person
		}
	}
	zone, err := time.LoadLocation(r.Timezone)
	first, errDay := time.Parse(time.DateOnly, r.First)
	handover, errTime := clockTime(r.Handover)
	if errors.Join(err, errDay, errTime) != nil || len(r.People) == 0 || r.Days < 1 {
		return ""
	}
	local := at.Time().In(zone)
	day := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, time.UTC)
	if minuteOf(local) < handover {
		day = day.AddDate(0, 0, -1)
	}
	days := int(day.Sub(first) / (24 * time.Hour))
	if day.Before(first) {
		return ""
	}
	return r.People[days/r.Days%len(r.People)]
}

// Hours are a time of the day on some days of the week, in the zone of the site. To before or at
// From reaches into the next day.
type Hours struct {
	Days []string `json:"days,omitempty"` // mon, tue, ... ; every day if empty
	From string   `json:"from"`           // 07:30
	To   string   `json:"to"`             // 17:00
}

var weekdays = []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

func (h Hours) validate(op string) error {
	_, errFrom := clockTime(h.From)
	_, errTo := clockTime(h.To)
	if errFrom != nil || errTo != nil {
		return invalid(op, "hours from %s to %s: write times as 07:30", quoted(h.From), quoted(h.To))
	}
	for _, d := range h.Days {
		if !slices.Contains(weekdays, d) {
			return invalid(op, "day %s: it is one of %v", quoted(d), weekdays)
		}
	}
	return nil
}

// on returns the hours that begin on the day of t, in t's zone.
func (h Hours) on(t time.Time) (from, to time.Time, ok bool) {
	if len(h.Days) > 0 && !slices.Contains(h.Days, weekdays[t.Weekday()]) {
		return from, to, false
	}
	begin, errFrom := clockTime(h.From)
	end, errTo := clockTime(h.To)
	if end <= begin {
		end += 24 * 60
	}
	at := func(minutes int) time.Time {
		return time.Date(t.Year(), t.Month(), t.Day(), 0, minutes, 0, 0, t.Location())
	}
	return at(begin), at(end), errFrom == nil && errTo == nil
}

// NextWithin returns the first time from at on that lies within any of the hours, in that zone: at
// itself where there are none, or where it lies within.
func NextWithin(hours []Hours, at Millis, zone *time.Location) Millis {
	if len(hours) == 0 {
		return at
	}
	local := at.Time().In(zone)
	next := Millis(0)
	for day := -1; day <= 7; day++ { // yesterday's may reach into today
		for _, h := range hours {
			from, to, ok := h.on(local.AddDate(0, 0, day))
			switch {
			case !ok || !local.Before(to):
			case !local.Before(from):
				return at
			case next == 0 || MillisOf(from) < next:
				next = MillisOf(from)
			}
		}
	}
	return cmp.Or(next, at)
}

// ContactPlan says who hears of which alerts, and who is next when nobody acknowledges. All plans
// that fit an alert are followed.
type ContactPlan struct {
	ID     string     `json:"id" required:"false"`
	Name   string     `json:"name"`
	Owners []string   `json:"owners,omitempty"`               // of these owners' sites; every owner if empty
	Sites  []string   `json:"sites,omitempty"`                // of these sites; every site if empty
	Least  Severity   `json:"least" enum:"urgent,soon,watch"` // and at least as grave as this
	Ends   bool       `json:"ends,omitempty"`                 // whoever heard of an alert hears of its end too
	Steps  []PlanStep `json:"steps"`
}

// PlanStep is one group of contacts in a plan.
type PlanStep struct {
	After    Seconds  `json:"after_s,omitempty"` // after the alert, when nobody has acknowledged it by then; 0 for at once
	Contacts []string `json:"contacts,omitempty"`
	Roster   string   `json:"roster,omitempty"` // every contact of whoever is on duty then
	Hours    []Hours  `json:"hours,omitempty"`  // in the site's zone; outside of them the notice waits. Always if empty
}

// Validate returns an error that says what of the plan makes no sense.
func (p ContactPlan) Validate() error {
	op := "plan " + quoted(p.ID)
	switch {
	case !ValidID(p.ID):
		return invalid(op, "the id must match [a-z0-9][a-z0-9-]{0,62}")
	case p.Least.Rank() == 0:
		return invalid(op, "least %s: it is one of urgent, soon, watch", quoted(string(p.Least)))
	case len(p.Steps) == 0 || len(p.Steps) > 20:
		return invalid(op, "a plan has 1 to 20 steps")
	}
	for i, s := range p.Steps {
		switch {
		case len(s.Contacts) == 0 && s.Roster == "":
			return invalid(op, "step %d names neither contacts nor a roster", i+1)
		case s.After < 0 || s.After > 30*24*3600 || i > 0 && s.After < p.Steps[i-1].After:
			return invalid(op, "step %d: after_s must not be less than that of the step before, and at most 30 days", i+1)
		}
		for _, h := range s.Hours {
			if err := h.validate(op); err != nil {
				return err
			}
		}
	}
	return nil
}

// Fits says whether the plan is about alerts of this severity at a site of this owner.
func (p ContactPlan) Fits(owner, site string, severity Severity) bool {
	return severity.Rank() >= p.Least.Rank() &&
		(len(p.Owners) == 0 || slices.Contains(p.Owners, owner)) &&
		(len(p.Sites) == 0 || slices.Contains(p.Sites, site))
}

// Directory is everybody who may be told, and by which plans.
type Directory struct {
	People   []Person
	Contacts []Contact
	Rosters  []Roster
	Plans    []ContactPlan
}

// Person returns the person with the id.
func (d Directory) Person(id string) (Person, bool) {
	return find(d.People, func(p Person) bool { return p.ID == id })
}

// Contact returns the contact with the id.
func (d Directory) Contact(id string) (Contact, bool) {
	return find(d.Contacts, func(c Contact) bool { return c.ID == id })
}

// Roster returns the roster with the id.
func (d Directory) Roster(id string) (Roster, bool) {
	return find(d.Rosters, func(r Roster) bool { return r.ID == id })
}

// Plan returns the plan with the id.
func (d Directory) Plan(id string) (ContactPlan, bool) {
	return find(d.Plans, func(p ContactPlan) bool { return p.ID == id })
}

func find[T any](list []T, is func(T) bool) (found T, ok bool) {
	if i := slices.IndexFunc(list, is); i >= 0 {
		return list[i], true
	}
	return found, false
}

// ContactBook keeps the directory. Putting something again replaces it. It is safe for concurrent
// use.
type ContactBook interface {
	Directory(ctx context.Context) (Directory, error)
	PutPerson(ctx context.Context, p Person) error
	PutContact(ctx context.Context, c Contact) error
	PutRoster(ctx context.Context, r Roster) error
	PutPlan(ctx context.Context, p ContactPlan) error
	RemoveContact(ctx context.Context, id string) error
	RemoveRoster(ctx context.Context, id string) error
	RemovePlan(ctx context.Context, id string) error
	// AnonymisePerson takes name, certificates and addresses away for good, and the texts of messages
	// that went to them. The id stays, and with it what was told to it and when. Sign-in, sessions and
	// tokens end.
	AnonymisePerson(ctx context.Context, id string, at Millis) error
}

func validZone(op, zone string) error {
	if _, err := time.LoadLocation(zone); err != nil {
		return invalid(op, "time zone %s is not known: write it like Europe/Lisbon", quoted(zone))
	}
	return nil
}

// clockTime returns the minute of the day of a time like 07:30.
func clockTime(text string) (int, error) {
	t, err := time.Parse("15:04", text)
	return minuteOf(t), err
}

func minuteOf(t time.Time) int { return t.Hour()*60 + t.Minute() }

// isOneLine says whether text holds no line break and no other control character.
func isOneLine(text string) bool {
	return !strings.ContainsFunc(text, func(r rune) bool {
		return unicode.IsControl(r) || r == '\u2028' || r == '\u2029' || r == unicode.ReplacementChar
	})
}

func invalid(op, format string, args ...any) error {
	return &Error{Code: Invalid, Op: op, Err: fmt.Errorf(format, args...)}
}
