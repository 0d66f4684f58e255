package notify

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	htmltemplate "html/template"
	"net/url"
	"time"

	"dewline"
)

// Reports makes the report of an owner's month.
type Reports func(ctx context.Context, owner string, month dewline.Month, u dewline.Units) (dewline.Paper, error)

// A report goes some hours after its month, at the last of the owner's sites: late enough for readings
// that came late, early enough to lie there in the morning.
const reportAfter = 7 * time.Hour

// reportEvery is how often it is looked whether a report is due, and how soon one that could not be
// made is tried again.
const reportEvery = time.Minute

// dueMonth returns the month whose report is due: the last one that is over at every site of the owner.
// It is due until the next one is, so that a service which was down at the turn of the month makes good
// for it, and a contact that is new to it gets the last one.
func dueMonth(fleet *dewline.Fleet, owner string, now dewline.Millis) (dewline.Month, bool) {
	var month dewline.Month
	for i := range fleet.Sites {
		if s := &fleet.Sites[i]; s.Owner == owner {
			if m := dewline.MonthOf(now.Add(-reportAfter), s.Timezone).Add(-1); month == "" || m < month {
				month = m
			}
		}
	}
	return month, month != ""
}

// runReports makes what is due until ctx ends.
func (c *Courier) runReports(ctx context.Context) {
	if c.Reports == nil {
		return
	}
	tick := time.NewTicker(reportEvery)
	defer tick.Stop()
	for ctx.Err() == nil {
		if err := c.Monthly(ctx); err != nil && ctx.Err() == nil {
			c.Log.Error("monthly reports cannot be made; the next attempt follows", "err", err)
		}
		select {
		case <-ctx.Done():
		case <-tick.C:
		}
	}
}

// Monthly puts into the outbox what is due of reports, once for each contact and month: the id of the
// message is made of them, and what is in the outbox already stays as it is.
func (c *Courier) Monthly(ctx context.Context) error {
	if c.Reports == nil || c.Fleet == nil {
		return nil
	}
	c.reporting.Lock()
	defer c.reporting.Unlock()
	fleet := c.Fleet()
	directory, err := c.Store.Directory(ctx)
	if err != nil || fleet == nil {
		return err
	}
	var all []error
	for _, contact := range directory.Contacts {
		who, ok := directory.Person(contact.Person)
		if !ok || !contact.Monthly || contact.Off != "" || contact.Channel != dewline.ByMail || who.Role != dewline.RoleOwner || who.Owner == "" || who.Anonymised != 0 {
			continue
		}
		if month, due := dueMonth(fleet, who.Owner, c.now()); due && c.reported[contact.ID] != month {
			if err := c.monthly(ctx, contact, who, month); err != nil {
				all = append(all, fmt.Errorf("report of %s for %s: %w", month, contact.ID, err))
				continue
			}
		}
	}
	return errors.Join(all...)
}

func (c *Courier) monthly(ctx context.Context, to dewline.Contact, who dewline.Person, month dewline.Month) error {
	id := digest("r", to.ID, who.Owner, string(month))
	if there, err := c.inOutbox(ctx, id); err != nil || there {
		if there {
			c.reported[to.ID] = month
		}
		return err
	}
	if busy, err := c.underWay(ctx, to.ID); err != nil || busy {
		return err // it follows what is under way to this contact
	}
	paper, err := c.Reports(ctx, who.Owner, month, who.Units)
	if err != nil {
		return err
	}
	m := c.reportMessage(id, to, who, month, paper)
	c.making.Lock()
	defer c.making.Unlock()
	if busy, err := c.underWay(ctx, to.ID); err != nil || busy {
		return err
	}
	if err := c.Store.SaveNotices(ctx, dewline.NoticeWork{Messages: []dewline.Message{m}}); err != nil {
		return err
	}
	c.reported[to.ID] = month
	return nil
}

func (c *Courier) underWay(ctx context.Context, contact string) (bool, error) {
	_, sent, err := c.Store.WaitingFor(ctx, contact, c.now())
	return sent.Pending, err
}

func (c *Courier) inOutbox(ctx context.Context, id string) (bool, error) {
	m, err := c.Store.MessageByID(ctx, id)
	if dewline.CodeOf(err) == dewline.NotFound {
		return false, nil
	}
	return m.ID != "", err
}

var reportHTML = htmltemplate.Must(htmltemplate.New("report").Parse(
	`<p>{{.Text}}</p>{{with .Link}}<p><a href="{{.}}">The same as a page</a></p>{{end}}<p>{{.Caution}}</p>` + "\n"))

// reportMessage writes the letter that a report comes with.
func (c *Courier) reportMessage(id string, to dewline.Contact, who dewline.Person, month dewline.Month, paper dewline.Paper) dewline.Message {
	name := who.Owner
	if o, ok := c.Fleet().Owner(who.Owner); ok {
		name = o.Name
	}
	now := dewline.Stamp(c.now())
	l := struct{ Text, Link, Caution string }{
		Text:    fmt.Sprintf("The report of %s on the equipment of %s is attached: how each machine stands, what was done and whether readings prove it, and what it took.", month.Words(), line(name)),
		Caution: dewline.Caution,
	}
	if p := (&Planner{Link: c.Link}); c.Link != "" {
		l.Link = p.link("owners/" + url.PathEscape(who.Owner) + "?month=" + string(month))
	}
	m := dewline.Message{
		ID: id, Contact: to.ID, Made: now, Subject: short(line(fmt.Sprintf("%s: report for %s", month.Words(), name)), 150), Short: l.Text,
		Payload: []byte(`{}`), Files: []dewline.Paper{paper}, State: dewline.MessagePending, Next: now,
	}
	m.Text = l.Text + "\n\n"
	if l.Link != "" {
		m.Text += "The same as a page: " + l.Link + "\n\n"
	}
	m.Text += l.Caution + "\n"
	var body bytes.Buffer
	if reportHTML.Execute(&body, l) == nil {
		m.HTML = body.String()
	}
	return m
}
