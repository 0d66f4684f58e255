package papers

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"time"

	ics "github.com/arran4/golang-ical"

	"dewline"
)

// Calendar implements dewline.Calendar. All fields must be set.
type Calendar struct {
	Fleet func() *dewline.Fleet
	Store dewline.CalendarLinkStore
	Calls dewline.ServiceDesk
	Now   func() dewline.Millis
}

// tokenBytes is how many random bytes a token has: more than anyone can guess.
const tokenBytes = 32

// NewLink implements dewline.Calendar.
func (c *Calendar) NewLink(ctx context.Context, l dewline.CalendarLink) (dewline.CalendarLink, string, error) {
	if err := c.check(l); err != nil {
		return l, "", err
	}
	secret := make([]byte, tokenBytes)
	rand.Read(secret) // never fails
	token := base64.RawURLEncoding.EncodeToString(secret)
	l.ID, l.Made, l.Revoked, l.RevokedBy = strings.ToLower(rand.Text()[:16]), dewline.Stamp(c.Now()), 0, ""
	return l, token, c.Store.AddCalendarLink(ctx, l, sha256.Sum256([]byte(token)))
}

func (c *Calendar) check(l dewline.CalendarLink) error {
	if err := dewline.CheckPerson(l.By); err != nil {
		return err
	}
	if l.Technician != "" {
		if err := dewline.CheckPerson(l.Technician); err != nil {
			return err
		}
	}
	if _, ok := c.Fleet().Site(l.Site); l.Site != "" && !ok {
		return &dewline.Error{Code: dewline.Invalid, Op: "calendar link", Err: fmt.Errorf("site %q is not enrolled", l.Site)}
	}
	return nil
}

// Links implements dewline.Calendar.
func (c *Calendar) Links(ctx context.Context) ([]dewline.CalendarLink, error) {
	return c.Store.CalendarLinks(ctx)
}

// RevokeLink implements dewline.Calendar.
func (c *Calendar) RevokeLink(ctx context.Context, id, by string) (dewline.CalendarLink, error) {
	if err := dewline.CheckPerson(by); err != nil {
		return dewline.CalendarLink{}, err
	}
	return c.Store.RevokeCalendarLink(ctx, id, by, c.Now())
}

// Feed implements dewline.Calendar. A token that was revoked is answered like one that never was.
func (c *Calendar) Feed(ctx context.Context, token string) (dewline.Paper, error) {
	nothing := &dewline.Error{Code: dewline.NotFound, Op: "calendar", Err: errors.New("this address opens no calendar: ask for a new link")}
	link, err := c.Store.CalendarLinkOf(ctx, sha256.Sum256([]byte(token)))
	switch {
	case dewline.CodeOf(err) == dewline.NotFound || err == nil && link.Revoked != 0:
		return dewline.Paper{}, nothing
	case err != nil:
		return dewline.Paper{}, err
	}
	events, err := c.events(ctx, link)
	if err != nil {
		return dewline.Paper{}, err
	}
	return dewline.Paper{Name: "service-calls.ics", Type: "text/calendar; charset=utf-8", Body: Feed(events, c.Fleet())}, nil
}

// Event is a planned call and when it was last changed.
type Event struct {
	Call    dewline.ServiceCall
	Changed dewline.Millis
}

// feedBack is how long after its day a call stays in a calendar.
const feedBack = 60 * 24 * time.Hour

// events returns the calls of a link that have a time.
func (c *Calendar) events(ctx context.Context, link dewline.CalendarLink) (list []Event, err error) {
	f := dewline.CallFilter{Limit: dewline.MaxAlertsPage, From: c.Now().Add(-366 * 24 * time.Hour)}
	if link.Site != "" {
		f.Sites = []string{link.Site}
	}
	for {
		page, err := c.Calls.CallsIn(ctx, f)
		if err != nil {
			return nil, err
		}
		for _, call := range page {
			if call.From == 0 || link.Technician != "" && call.Technician != link.Technician || dewline.Millis(max(call.From, call.To)) < c.Now().Add(-feedBack) {
				continue
			}
			full, err := c.Calls.CallCase(ctx, call.ID)
			if err != nil {
				return nil, err
			}
			e := Event{Call: call, Changed: dewline.Millis(call.Made)}
			if n := len(full.History); n > 0 {
				e.Changed = full.History[n-1].At
			}
			list = append(list, e)
		}
		if len(page) < f.Limit {
			return list, nil
		}
		f.After = page[len(page)-1].ID
	}
}

// usualVisit is how long a visit is shown where its end is not planned.
const usualVisit = 2 * time.Hour

// Feed writes planned calls as an iCalendar object (RFC 5545). It is made of what it is given alone, so
// that a calendar that nothing has changed in is the same to the byte.
func Feed(events []Event, fleet *dewline.Fleet) []byte {
	calendar := ics.NewCalendarFor("Dewline")
	calendar.SetMethod(ics.MethodPublish)
	calendar.SetName("Service calls")
	calendar.SetXWRCalName("Service calls")
	calendar.SetRefreshInterval("PT15M")
	calendar.SetXPublishedTTL("PT15M")
	for _, event := range events {
		addEvent(calendar, event, fleet)
	}
	// RFC 5545, 3.1: lines end with CR LF whatever the system.
	return []byte(calendar.Serialize(ics.WithNewLineWindows))
}

func addEvent(calendar *ics.Calendar, event Event, fleet *dewline.Fleet) {
	call := event.Call
	site, _ := place(fleet, call.Site)
	e := calendar.AddEvent(oneLine(call.ID) + "@dewline")
	e.SetDtStampTime(event.Changed.Time())
	e.SetModifiedAt(event.Changed.Time())
	e.SetCreatedTime(call.Made.Time())
	e.SetSequence(call.Version)
	e.SetStartAt(call.From.Time())
	end := call.To.Time()
	if call.To <= call.From {
		end = call.From.Time().Add(usualVisit)
	}
	e.SetEndAt(end)
	e.SetStatus(ics.ObjectStatusConfirmed)
	if call.State == dewline.CallCancelled {
		e.SetStatus(ics.ObjectStatusCancelled)
	}
	e.SetSummary(oneLine(fmt.Sprintf("%s: %s (%s)", site.Name, what(call), strings.ToUpper(string(call.Priority)))))
	e.SetLocation(oneLine(site.Name))
	e.SetDescription(clean(describe(call)))
}

// what names the conditions of a call, each once.
func what(call dewline.ServiceCall) string {
	var names []string
	for _, b := range call.Briefs {
		if name := words(b.Condition); !strings.Contains(strings.Join(names, ", "), name) {
			names = append(names, name)
		}
	}
	if len(names) == 0 {
		return "service call"
	}
	return strings.Join(names, ", ")
}

// describe is what to know on the way: which machines, why, and what to bring.
func describe(call dewline.ServiceCall) string {
	lines := []string{"Call " + call.ID + ", " + words(call.State)}
	if call.Technician != "" {
		lines = append(lines, "Technician: "+call.Technician)
	}
	for _, b := range call.Briefs {
		text := string(b.System) + ": " + words(b.Condition)
		if len(b.Causes) > 0 {
			text += fmt.Sprintf(", likely %s (%.0f %%)", fault(b.Causes[0].Fault, b.Causes[0].Detail), b.Causes[0].Probability*100)
		}
		lines = append(lines, text)
	}
	for _, s := range call.Skills {
		lines = append(lines, "Needs: "+s)
	}
	for _, item := range call.Bring {
		text := item.What
		if text == "" {
			text = item.Key
		}
		if item.Amount > 0 {
			text += fmt.Sprintf(", %.3g %s", item.Amount, item.Unit)
		}
		lines = append(lines, "Bring: "+text)
	}
	if call.Note != "" {
		lines = append(lines, call.Note)
	}
	return strings.Join(append(lines, dewline.Caution), "\n")
}

// oneLine keeps text from beginning a line of its own.
func oneLine(text string) string {
	return strings.Join(strings.Fields(strings.ReplaceAll(clean(text), "\n", " ")), " ")
}
