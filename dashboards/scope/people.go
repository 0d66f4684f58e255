package scope

import (
	"context"
	"fmt"
	"strings"

	"dewline"
)

// Contacts is the directory of people. It is the service company's own.
type Contacts struct {
	Scope
	Of dewline.ContactBook
	// SignsIn says whether a person can sign in; nil where nobody can.
	SignsIn func(ctx context.Context, person string) (bool, error)
}

// Directory implements dewline.ContactBook.
func (c Contacts) Directory(ctx context.Context) (dewline.Directory, error) {
	if err := must(ctx, dewline.ReadCompany, "people"); err != nil {
		return dewline.Directory{}, err
	}
	return c.Of.Directory(ctx)
}

// PutPerson implements dewline.ContactBook. A role is what somebody may do once they can sign in, so
// that only who grants access changes one, or makes an administrator.
func (c Contacts) PutPerson(ctx context.Context, p dewline.Person) error {
	const op = "change a person"
	if err := must(ctx, dewline.SetUp, op); err != nil {
		return err
	}
	if !dewline.VisitorOf(ctx).May(dewline.GrantAccess) {
		d, err := c.Of.Directory(ctx)
		if err != nil {
			return err
		}
		before, known := d.Person(p.ID)
		if known && (before.Role != p.Role || before.Owner != p.Owner) || !known && p.Role == dewline.RoleAdministrator {
			return &dewline.Error{Code: dewline.Forbidden, Op: op, Err: fmt.Errorf("whoever keeps the accounts decides what somebody may do here")}
		}
	}
	return c.recorded(ctx, c.Of.PutPerson(ctx, p), strings.TrimSpace("person, "+string(p.Role)+" "+p.Owner), p.ID)
}

// change lets an administrator or a manager change the set-up, and records it.
func (c Contacts) change(ctx context.Context, what, id string, do func() error) error {
	if err := must(ctx, dewline.SetUp, "change who is told"); err != nil {
		return err
	}
	return c.recorded(ctx, do(), what, id)
}

func (c Contacts) recorded(ctx context.Context, err error, what, id string) error {
	if err == nil {
		c.record(ctx, id, what)
	}
	return err
}

// PutContact implements dewline.ContactBook.
func (c Contacts) PutContact(ctx context.Context, contact dewline.Contact) error {
	return c.change(ctx, "contact", contact.ID, func() error { return c.Of.PutContact(ctx, contact) })
}

// PutRoster implements dewline.ContactBook.
func (c Contacts) PutRoster(ctx context.Context, r dewline.Roster) error {
	return c.change(ctx, "roster", r.ID, func() error { return c.Of.PutRoster(ctx, r) })
}

// PutPlan implements dewline.ContactBook.
func (c Contacts) PutPlan(ctx context.Context, p dewline.ContactPlan) error {
	return c.change(ctx, "plan", p.ID, func() error { return c.Of.PutPlan(ctx, p) })
}

// RemoveContact implements dewline.ContactBook.
func (c Contacts) RemoveContact(ctx context.Context, id string) error {
	return c.change(ctx, "contact removed", id, func() error { return c.Of.RemoveContact(ctx, id) })
}

// RemoveRoster implements dewline.ContactBook.
func (c Contacts) RemoveRoster(ctx context.Context, id string) error {
	return c.change(ctx, "roster removed", id, func() error { return c.Of.RemoveRoster(ctx, id) })
}

// RemovePlan implements dewline.ContactBook.
func (c Contacts) RemovePlan(ctx context.Context, id string) error {
	return c.change(ctx, "plan removed", id, func() error { return c.Of.RemovePlan(ctx, id) })
}

// AnonymisePerson implements dewline.ContactBook. It ends whatever lets the person in, which only who
// grants access may do.
func (c Contacts) AnonymisePerson(ctx context.Context, id string, at dewline.Millis) error {
	const op = "take a name away"
	if err := must(ctx, dewline.SetUp, op); err != nil {
		return err
	}
	if c.SignsIn != nil && !dewline.VisitorOf(ctx).May(dewline.GrantAccess) {
		signsIn, err := c.SignsIn(ctx, id)
		if err != nil {
			return err
		}
		if signsIn {
			return must(ctx, dewline.GrantAccess, op)
		}
	}
	return c.recorded(ctx, c.Of.AnonymisePerson(ctx, id, at), "name taken away", id)
}
