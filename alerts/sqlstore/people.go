package sqlstore

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"

	"dewline"
)

// Directory implements dewline.ContactBook.
func (s *Store) Directory(ctx context.Context) (d dewline.Directory, err error) {
	err = s.read(ctx, "read the directory", func(tx *sql.Tx) error {
		var err error
		if d.People, err = bodies[dewline.Person](ctx, tx, "people"); err != nil {
			return err
		}
		if d.Contacts, err = bodies[dewline.Contact](ctx, tx, "contacts"); err != nil {
			return err
		}
		if d.Rosters, err = bodies[dewline.Roster](ctx, tx, "rosters"); err != nil {
			return err
		}
		d.Plans, err = bodies[dewline.ContactPlan](ctx, tx, "plans")
		return err
	})
	return d, err
}

// bodies returns every entry of a table in the order of ids. Only names that stand in this file are
// given as table.
func bodies[T any](ctx context.Context, tx *sql.Tx, table string) ([]T, error) {
	var list []T
	err := each(ctx, tx, func(rows *sql.Rows) error {
		v, err := scanBody[T](rows)
		list = append(list, v)
		return err
	}, `SELECT body FROM `+table+` ORDER BY id`)
	return list, err
}

func scanBody[T any](rows *sql.Rows) (v T, err error) {
	var body []byte
	if err := rows.Scan(&body); err != nil {
		return v, err
	}
	return v, json.Unmarshal(body, &v)
}

// PutPerson implements dewline.ContactBook.
func (s *Store) PutPerson(ctx context.Context, p dewline.Person) error {
	if err := p.Validate(); err != nil {
		return err
	}
	return s.write(ctx, "store person "+p.ID, func(tx *sql.Tx) error {
		before, err := personByID(ctx, tx, p.ID)
		if err == nil && before.Anonymised != 0 {
			return &dewline.Error{Code: dewline.Clash, Op: "person " + p.ID, Err: fmt.Errorf("was anonymised, which is for good: give a new person another id")}
		}
		return putPerson(ctx, tx, p)
	})
}

func putPerson(ctx context.Context, tx *sql.Tx, p dewline.Person) error {
	return putBody(ctx, tx, p, `INSERT INTO people (id, body) VALUES ($1, $2) ON CONFLICT (id) DO UPDATE SET body = excluded.body`, p.ID)
}

func personByID(ctx context.Context, tx *sql.Tx, id string) (p dewline.Person, err error) {
	var body []byte
	if err := tx.QueryRowContext(ctx, `SELECT body FROM people WHERE id = $1`, id).Scan(&body); err != nil {
		return p, err
	}
	return p, json.Unmarshal(body, &p)
}

// putBody runs a statement whose last argument is v as JSON.
func putBody(ctx context.Context, tx *sql.Tx, v any, statement string, args ...any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, statement, append(args, string(body))...)
	return err
}

// PutContact implements dewline.ContactBook.
func (s *Store) PutContact(ctx context.Context, c dewline.Contact) error {
	if err := c.Validate(); err != nil {
		return err
	}
	op := "store contact " + c.ID
	return s.write(ctx, op, func(tx *sql.Tx) error {
		if p, err := personByID(ctx, tx, c.Person); err != nil || p.Anonymised != 0 {
			return invalid(op, "there is no person %q: store the person first", c.Person)
		}
		return putBody(ctx, tx, c, `
			INSERT INTO contacts (id, person, body) VALUES ($1, $2, $3)
			ON CONFLICT (id) DO UPDATE SET person = excluded.person, body = excluded.body`, c.ID, c.Person)
	})
}

// PutRoster implements dewline.ContactBook.
func (s *Store) PutRoster(ctx context.Context, r dewline.Roster) error {
	if err := r.Validate(); err != nil {
		return err
	}
	op := "store roster " + r.ID
	return s.write(ctx, op, func(tx *sql.Tx) error {
		people := slices.Clone(r.People)
		for _, swap := range r.Swaps {
			people = append(people, swap.Person)
		}
		for _, id := range people {
			if _, err := personByID(ctx, tx, id); err != nil {
				return invalid(op, "there is no person %q: store the person first", id)
			}
		}
		return putBody(ctx, tx, r, `INSERT INTO rosters (id, body) VALUES ($1, $2) ON CONFLICT (id) DO UPDATE SET body = excluded.body`, r.ID)
	})
}

// PutPlan implements dewline.ContactBook.
func (s *Store) PutPlan(ctx context.Context, p dewline.ContactPlan) error {
	if err := p.Validate(); err != nil {
		return err
	}
	op := "store plan " + p.ID
	return s.write(ctx, op, func(tx *sql.Tx) error {
		for _, step := range p.Steps {
			for _, id := range step.Contacts {
				if err := there(ctx, tx, `SELECT 1 FROM contacts WHERE id = $1`, id); err != nil {
					return invalid(op, "there is no contact %q: store the contact first", id)
				}
			}
			if step.Roster == "" {
				continue
			}
			if err := there(ctx, tx, `SELECT 1 FROM rosters WHERE id = $1`, step.Roster); err != nil {
				return invalid(op, "there is no roster %q: store the roster first", step.Roster)
			}
		}
		return putBody(ctx, tx, p, `INSERT INTO plans (id, body) VALUES ($1, $2) ON CONFLICT (id) DO UPDATE SET body = excluded.body`, p.ID)
	})
}

func there(ctx context.Context, tx *sql.Tx, query string, args ...any) error {
	var one int
	return tx.QueryRowContext(ctx, query, args...).Scan(&one)
}

// RemoveContact implements dewline.ContactBook.
func (s *Store) RemoveContact(ctx context.Context, id string) error {
	return s.removeUnused(ctx, "contact", `DELETE FROM contacts WHERE id = $1`, id,
		func(p dewline.PlanStep) bool { return slices.Contains(p.Contacts, id) })
}

// RemoveRoster implements dewline.ContactBook.
func (s *Store) RemoveRoster(ctx context.Context, id string) error {
	return s.removeUnused(ctx, "roster", `DELETE FROM rosters WHERE id = $1`, id,
		func(p dewline.PlanStep) bool { return p.Roster == id })
}

// RemovePlan implements dewline.ContactBook.
func (s *Store) RemovePlan(ctx context.Context, id string) error {
	return s.removeUnused(ctx, "plan", `DELETE FROM plans WHERE id = $1`, id, nil)
}

// removeUnused removes what no plan names: a plan with a hole would tell nobody, silently.
func (s *Store) removeUnused(ctx context.Context, what, statement, id string, names func(dewline.PlanStep) bool) error {
	op := "remove " + what + " " + id
	return s.write(ctx, op, func(tx *sql.Tx) error {
		plans, err := bodies[dewline.ContactPlan](ctx, tx, "plans")
		if err != nil {
			return err
		}
		for _, p := range plans {
			if names != nil && slices.ContainsFunc(p.Steps, names) {
				return &dewline.Error{Code: dewline.Clash, Op: op, Err: fmt.Errorf("plan %q names it: change the plan first", p.ID)}
			}
		}
		result, err := tx.ExecContext(ctx, statement, id)
		if err != nil {
			return err
		}
		if n, err := result.RowsAffected(); err != nil || n == 0 {
			return notFound(op, "there is none of that name")
		}
		return nil
	})
}

// AnonymisePerson implements dewline.ContactBook. The name goes from the records of what was done
// as well, which keep it apart (see Anonymise). Contacts stay as places in plans, without an
// address; messages stay as records of when something went, without their words. Nothing lets the
// person in any more.
func (s *Store) AnonymisePerson(ctx context.Context, id string, at dewline.Millis) error {
	return s.write(ctx, "anonymise person "+id, func(tx *sql.Tx) error {
		p, err := personByID(ctx, tx, id)
		if err != nil || p.Anonymised != 0 {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE names SET name = NULL WHERE name = $1`, p.Name); err != nil {
			return err
		}
		p.Name, p.Language, p.Certifications, p.Anonymised = "", "", nil, dewline.Stamp(at)
		if err := putPerson(ctx, tx, p); err != nil {
			return err
		}
		if err := forgetAccess(ctx, tx, id); err != nil {
			return err
		}
		contacts, err := bodies[dewline.Contact](ctx, tx, "contacts")
		if err != nil {
			return err
		}
		for _, c := range contacts {
			if c.Person != id {
				continue
			}
			c.Address, c.Secrets, c.Off = "", nil, "the person was anonymised"
			if err := putBody(ctx, tx, c, `UPDATE contacts SET body = $2 WHERE id = $1`, c.ID); err != nil {
				return err
			}
			if err := blankMessages(ctx, tx, c.ID); err != nil {
				return err
			}
		}
		return nil
	})
}

func blankMessages(ctx context.Context, tx *sql.Tx, contact string) error {
	var all []dewline.Message
	err := each(ctx, tx, func(rows *sql.Rows) error {
		m, err := scanBody[dewline.Message](rows)
		all = append(all, m)
		return err
	}, `SELECT body FROM messages WHERE contact = $1`, contact)
	if err != nil {
		return err
	}
	for _, m := range all {
		m.Subject, m.Text, m.HTML, m.Short, m.Payload, m.Files, m.Failure = "", "", "", "", nil, nil, ""
		if err := putBody(ctx, tx, m, `UPDATE messages SET body = $2 WHERE id = $1`, m.ID); err != nil {
			return err
		}
	}
	return nil
}
