package sqlstore

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"

	"dewline"
)

const accountColumns = `p.body, i.person, i.login, i.hash, i.disabled, i.changed, i.epoch`

// scanAccount scans accountColumns, and then more.
func scanAccount(scan func(...any) error, more ...any) (a dewline.Account, err error) {
	var body []byte
	i := &a.SignIn
	if err := scan(append([]any{&body, &i.Person, &i.Login, &i.Hash, &i.Disabled, &i.Changed, &i.Epoch}, more...)...); err != nil {
		return a, err
	}
	return a, json.Unmarshal(body, &a.Person)
}

// Accounts implements dewline.AccessStore.
func (s *Store) Accounts(ctx context.Context) ([]dewline.Account, error) {
	var list []dewline.Account
	err := s.read(ctx, "read the accounts", func(tx *sql.Tx) (err error) {
		list, err = accounts(ctx, tx)
		return err
	})
	return list, err
}

func accounts(ctx context.Context, tx *sql.Tx) (list []dewline.Account, err error) {
	err = each(ctx, tx, func(rows *sql.Rows) error {
		a, err := scanAccount(rows.Scan)
		list = append(list, a)
		return err
	}, `SELECT `+accountColumns+` FROM signins i JOIN people p ON p.id = i.person ORDER BY i.login`)
	return list, err
}

// AccountOf implements dewline.AccessStore.
func (s *Store) AccountOf(ctx context.Context, person string) (dewline.Account, error) {
	return s.account(ctx, `i.person = $1`, person)
}

// AccountByLogin implements dewline.AccessStore.
func (s *Store) AccountByLogin(ctx context.Context, login string) (dewline.Account, error) {
	return s.account(ctx, `i.login = $1`, kept(login, 1000))
}

// account returns the one account for which a condition of this file holds.
func (s *Store) account(ctx context.Context, condition, arg string) (a dewline.Account, err error) {
	err = s.read(ctx, "read an account", func(tx *sql.Tx) error {
		a, err = scanAccount(tx.QueryRowContext(ctx, `SELECT `+accountColumns+` FROM signins i JOIN people p ON p.id = i.person WHERE `+condition, arg).Scan)
		return err
	})
	return a, err
}

// PutSignIn implements dewline.AccessStore.
func (s *Store) PutSignIn(ctx context.Context, i dewline.SignIn, e dewline.AuditEntry) error {
	return s.changeAccess(ctx, "keep the sign-in of "+i.Person, e, func(tx *sql.Tx) error { return putSignIn(ctx, tx, i) })
}

// changeAccess keeps a change together with what is recorded of it.
func (s *Store) changeAccess(ctx context.Context, op string, e dewline.AuditEntry, change func(tx *sql.Tx) error) error {
	return s.write(ctx, op, func(tx *sql.Tx) error {
		if err := change(tx); err != nil {
			return err
		}
		return addAudit(ctx, tx, e)
	})
}

func putSignIn(ctx context.Context, tx *sql.Tx, i dewline.SignIn) error {
	if err := i.Validate(); err != nil {
		return err
	}
	op := "sign-in of " + i.Person
	if p, err := personByID(ctx, tx, i.Person); err != nil || p.Anonymised != 0 {
		return notFound(op, "there is no such person: store the person first")
	}
	err := there(ctx, tx, `SELECT 1 FROM signins WHERE login = $1 AND person <> $2`, i.Login, i.Person)
	if err == nil {
		return &dewline.Error{Code: dewline.Clash, Op: op, Err: fmt.Errorf("somebody else signs in as %q", i.Login)}
	} else if !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	_, err = tx.ExecContext(ctx, `
		INSERT INTO signins (person, login, hash, disabled, changed, epoch) VALUES ($1, $2, $3, $4, $5, 1)
		ON CONFLICT (person) DO UPDATE SET login = excluded.login, hash = excluded.hash, disabled = excluded.disabled, changed = excluded.changed`,
		i.Person, i.Login, i.Hash, i.Disabled, i.Changed)
	if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `DELETE FROM signin_links WHERE person = $1`, i.Person); err != nil {
		return err
	}
	return endSessions(ctx, tx, i.Person)
}

func endSessions(ctx context.Context, tx *sql.Tx, person string) error {
	_, err := tx.ExecContext(ctx, `UPDATE signins SET epoch = epoch + 1 WHERE person = $1`, person)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `DELETE FROM sessions WHERE person = $1`, person)
	return err
}

// forgetAccess takes away everything that lets a person in, and where they came from.
func forgetAccess(ctx context.Context, tx *sql.Tx, person string) error {
	for _, statement := range []string{
		`DELETE FROM sessions WHERE person = $1`, `DELETE FROM tokens WHERE person = $1`, `DELETE FROM signin_links WHERE person = $1`,
		`DELETE FROM signins WHERE person = $1`, `UPDATE audit SET origin = '' WHERE by = $1 OR of = $1`,
	} {
		if _, err := tx.ExecContext(ctx, statement, person); err != nil {
			return err
		}
	}
	return nil
}

// Rehash implements dewline.AccessStore.
func (s *Store) Rehash(ctx context.Context, person, before, after string) error {
	return s.write(ctx, "keep a password's hash", func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE signins SET hash = $3 WHERE person = $1 AND hash = $2`, person, before, after)
		return err
	})
}

// Session implements dewline.AccessStore.
func (s *Store) Session(ctx context.Context, key string, now dewline.Millis) (session dewline.Session, a dewline.Account, err error) {
	err = s.read(ctx, "look for a session", func(tx *sql.Tx) error {
		session.Key = key
		a, err = scanAccount(tx.QueryRowContext(ctx, `SELECT `+accountColumns+`, s.person, s.epoch, s.ends, s.data
			FROM sessions s JOIN signins i ON i.person = s.person AND i.epoch = s.epoch AND i.disabled = 0 JOIN people p ON p.id = i.person
			WHERE s.key = $1 AND s.ends > $2`, key, now).Scan, &session.Person, &session.Epoch, &session.Ends, &session.Data)
		return err
	})
	return session, a, err
}

// PutSession implements dewline.AccessStore.
func (s *Store) PutSession(ctx context.Context, session dewline.Session) error {
	const op = "keep a session"
	return s.write(ctx, op, func(tx *sql.Tx) error {
		if err := there(ctx, tx, `SELECT 1 FROM signins WHERE person = $1 AND epoch = $2 AND disabled = 0`, session.Person, session.Epoch); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO sessions (key, person, epoch, ends, data) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (key) DO UPDATE SET person = excluded.person, epoch = excluded.epoch, ends = excluded.ends, data = excluded.data`,
			session.Key, session.Person, session.Epoch, session.Ends, session.Data)
		return err
	})
}

// EndSession implements dewline.AccessStore.
func (s *Store) EndSession(ctx context.Context, key string) error {
	return s.write(ctx, "end a session", func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM sessions WHERE key = $1`, key)
		return err
	})
}

// EndSessions implements dewline.AccessStore.
func (s *Store) EndSessions(ctx context.Context, person string, e dewline.AuditEntry) error {
	return s.changeAccess(ctx, "end the sessions of "+person, e, func(tx *sql.Tx) error { return endSessions(ctx, tx, person) })
}

// AddToken implements dewline.AccessStore.
func (s *Store) AddToken(ctx context.Context, t dewline.Token, digest dewline.TokenDigest, e dewline.AuditEntry) error {
	const op = "keep a token"
	return s.changeAccess(ctx, op, e, func(tx *sql.Tx) error {
		if err := there(ctx, tx, `SELECT 1 FROM signins WHERE person = $1`, t.Person); err != nil {
			return notFound(op, "%q has no sign-in, whose rights the token would have", t.Person)
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO tokens (id, person, digest, name, made, used, revoked) VALUES ($1, $2, $3, $4, $5, 0, 0)`,
			t.ID, t.Person, digest[:], kept(t.Name, 200), t.Made)
		return err
	})
}

const tokenColumns = `t.id, t.person, t.name, t.made, t.used, t.revoked`

func tokenFields(t *dewline.Token) []any {
	return []any{&t.ID, &t.Person, &t.Name, &t.Made, &t.Used, &t.Revoked}
}

// TokenOf implements dewline.AccessStore.
func (s *Store) TokenOf(ctx context.Context, digest dewline.TokenDigest) (t dewline.Token, a dewline.Account, err error) {
	err = s.read(ctx, "look for a token", func(tx *sql.Tx) error {
		a, err = scanAccount(tx.QueryRowContext(ctx, `SELECT `+accountColumns+`, `+tokenColumns+`
			FROM tokens t JOIN signins i ON i.person = t.person AND i.disabled = 0 JOIN people p ON p.id = i.person
			WHERE t.digest = $1 AND t.revoked = 0`, digest[:]).Scan, tokenFields(&t)...)
		return err
	})
	return t, a, err
}

// TokenUsed implements dewline.AccessStore.
func (s *Store) TokenUsed(ctx context.Context, id string, at dewline.Millis) error {
	return s.write(ctx, "keep when a token was used", func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE tokens SET used = $2 WHERE id = $1 AND used < $2`, id, at)
		return err
	})
}

// Tokens implements dewline.AccessStore.
func (s *Store) Tokens(ctx context.Context, person string) (list []dewline.Token, err error) {
	err = s.read(ctx, "read tokens", func(tx *sql.Tx) error {
		return each(ctx, tx, func(rows *sql.Rows) error {
			var t dewline.Token
			err := rows.Scan(tokenFields(&t)...)
			list = append(list, t)
			return err
		}, `SELECT `+tokenColumns+` FROM tokens t WHERE t.person = $1 ORDER BY t.made, t.id`, person)
	})
	return list, err
}

// RevokeToken implements dewline.AccessStore.
func (s *Store) RevokeToken(ctx context.Context, person, id string, at dewline.Millis, e dewline.AuditEntry) error {
	op := fmt.Sprintf("revoke token %q", id)
	return s.changeAccess(ctx, op, e, func(tx *sql.Tx) error {
		revoked, err := tx.ExecContext(ctx, `UPDATE tokens SET revoked = $3 WHERE person = $1 AND id = $2 AND revoked = 0`, person, id, at)
		return changedOne(revoked, err, notFound(op, "%q has no such token that still opens anything", person))
	})
}

// AddLink implements dewline.AccessStore.
func (s *Store) AddLink(ctx context.Context, l dewline.SignInLink, digest dewline.TokenDigest, e dewline.AuditEntry) error {
	const op = "keep a link"
	return s.changeAccess(ctx, op, e, func(tx *sql.Tx) error {
		if l.Person != "" {
			if err := there(ctx, tx, `SELECT 1 FROM signins WHERE person = $1`, l.Person); err != nil {
				return notFound(op, "%q has no sign-in to set a password of", l.Person)
			}
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM signin_links WHERE person = $1`, l.Person); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO signin_links (digest, person, ends) VALUES ($1, $2, $3)`, digest[:], l.Person, l.Ends)
		return err
	})
}

// Link implements dewline.AccessStore.
func (s *Store) Link(ctx context.Context, digest dewline.TokenDigest, now dewline.Millis) (l dewline.SignInLink, err error) {
	err = s.read(ctx, "look for a link", func(tx *sql.Tx) error {
		l, err = linkOf(ctx, tx, digest, now)
		return err
	})
	return l, err
}

func linkOf(ctx context.Context, tx *sql.Tx, digest dewline.TokenDigest, now dewline.Millis) (l dewline.SignInLink, err error) {
	err = tx.QueryRowContext(ctx, `SELECT person, ends FROM signin_links WHERE digest = $1 AND ends > $2`, digest[:], now).Scan(&l.Person, &l.Ends)
	return l, err
}

// UseLink implements dewline.AccessStore.
func (s *Store) UseLink(ctx context.Context, digest dewline.TokenDigest, now dewline.Millis, a dewline.Account, e dewline.AuditEntry) error {
	const op = "set a password by a link"
	return s.changeAccess(ctx, op, e, func(tx *sql.Tx) error {
		l, err := linkOf(ctx, tx, digest, now)
		if err != nil {
			return err
		}
		if l.Person == "" {
			err = putFirst(ctx, tx, op, a.Person)
		} else if l.Person != a.Person.ID {
			err = notFound(op, "the link is not of %q", a.Person.ID)
		}
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM signin_links WHERE digest = $1`, digest[:]); err != nil {
			return err
		}
		return putSignIn(ctx, tx, a.SignIn)
	})
}

// putFirst keeps the first administrator.
func putFirst(ctx context.Context, tx *sql.Tx, op string, p dewline.Person) error {
	clash := func(format string, args ...any) error {
		return &dewline.Error{Code: dewline.Clash, Op: op, Err: fmt.Errorf(format, args...)}
	}
	if err := p.Validate(); err != nil {
		return err
	}
	all, err := accounts(ctx, tx)
	if err != nil {
		return err
	}
	for _, a := range all {
		if a.Open() && a.Person.Role == dewline.RoleAdministrator {
			return clash("there is an administrator by now")
		}
	}
	if _, err := personByID(ctx, tx, p.ID); !errors.Is(err, sql.ErrNoRows) {
		return errors.Join(err, clash("there is somebody with the id %q: choose another", p.ID))
	}
	return putPerson(ctx, tx, p)
}

// Record implements dewline.AccessStore.
func (s *Store) Record(ctx context.Context, e dewline.AuditEntry) error {
	return s.write(ctx, "record who did what", func(tx *sql.Tx) error { return addAudit(ctx, tx, e) })
}

func addAudit(ctx context.Context, tx *sql.Tx, e dewline.AuditEntry) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO audit (at, by, did, of, detail, origin) VALUES ($1, $2, $3, $4, $5, $6)`,
		e.At, kept(e.By, 200), string(e.Did), kept(e.Of, 200), kept(e.Detail, 1000), kept(e.From, 100))
	return err
}

// Audit implements dewline.AccessStore.
func (s *Store) Audit(ctx context.Context, before int64, limit int) (list []dewline.AuditEntry, err error) {
	err = s.read(ctx, "read the audit log", func(tx *sql.Tx) error {
		return each(ctx, tx, func(rows *sql.Rows) error {
			var e dewline.AuditEntry
			err := rows.Scan(&e.N, &e.At, &e.By, &e.Did, &e.Of, &e.Detail, &e.From)
			list = append(list, e)
			return err
		}, `SELECT n, at, by, did, of, detail, origin FROM audit WHERE n < $1 OR $1 = 0 ORDER BY n DESC LIMIT $2`, before, limit)
	})
	return list, err
}

// PruneAccess implements dewline.AccessStore.
func (s *Store) PruneAccess(ctx context.Context, now, since dewline.Millis) error {
	return s.write(ctx, "tidy up sessions and the audit log", func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `DELETE FROM sessions WHERE ends <= $1`, now); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM signin_links WHERE ends <= $1`, now); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `DELETE FROM audit WHERE at < $1`, since)
		return err
	})
}
