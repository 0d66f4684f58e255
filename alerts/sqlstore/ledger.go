package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"dewline"
)

// AddLedgerEntry implements dewline.LedgerStore.
func (s *Store) AddLedgerEntry(ctx context.Context, e dewline.LedgerEntry) error {
	op := "keep ledger entry " + e.ID
	return s.write(ctx, op, func(tx *sql.Tx) error {
		d := &deskTx{ctx, tx, names{}}
		there, err := oneRecord[dewline.LedgerEntry](d, op, `SELECT body FROM ledger WHERE id = $1`, e.ID)
		if err == nil {
			return sameEntry(op, there, e)
		}
		if dewline.CodeOf(err) != dewline.NotFound {
			return err
		}
		body, err := writeRecord(d, e)
		if err != nil {
			return err
		}
		return d.exec(`INSERT INTO ledger (id, system, at, body) VALUES ($1, $2, $3, $4)`, e.ID, e.System, e.At, body)
	})
}

// sameEntry takes an entry that was sent again for the one that is there. When it was entered is said
// by whoever receives it, so that differs.
func sameEntry(op string, there, e dewline.LedgerEntry) error {
	e.Entered = there.Entered
	if e == there {
		return nil
	}
	return &dewline.Error{Code: dewline.Clash, Op: op, Err: errors.New("another entry has this id, and entries never change: take that one back and enter a new one")}
}

// LedgerEntries implements dewline.LedgerStore.
func (s *Store) LedgerEntries(ctx context.Context, systems ...dewline.SystemID) (list []dewline.LedgerEntry, err error) {
	if len(systems) == 0 {
		return nil, nil
	}
	op := "read the ledger"
	err = s.read(ctx, op, func(tx *sql.Tx) error {
		list, err = allRecords[dewline.LedgerEntry](&deskTx{ctx, tx, names{}}, op,
			fmt.Sprintf(`SELECT body FROM ledger WHERE system IN (%s) ORDER BY at, id`, placeholders(0, len(systems))), anys(systems)...)
		return err
	})
	return list, err
}

// AddCalendarLink implements dewline.CalendarLinkStore.
func (s *Store) AddCalendarLink(ctx context.Context, l dewline.CalendarLink, token dewline.TokenDigest) error {
	op := "keep calendar link " + l.ID
	return s.write(ctx, op, func(tx *sql.Tx) error {
		d := &deskTx{ctx, tx, names{}}
		body, err := writeRecord(d, l)
		if err != nil {
			return err
		}
		return d.exec(`INSERT INTO calendar_links (id, token, made, body) VALUES ($1, $2, $3, $4)`, l.ID, token[:], l.Made, body)
	})
}

// CalendarLinkOf implements dewline.CalendarLinkStore.
func (s *Store) CalendarLinkOf(ctx context.Context, token dewline.TokenDigest) (l dewline.CalendarLink, err error) {
	op := "look for a calendar link"
	err = s.read(ctx, op, func(tx *sql.Tx) error {
		l, err = oneRecord[dewline.CalendarLink](&deskTx{ctx, tx, names{}}, op, `SELECT body FROM calendar_links WHERE token = $1`, token[:])
		return err
	})
	return l, err
}

// CalendarLinks implements dewline.CalendarLinkStore.
func (s *Store) CalendarLinks(ctx context.Context) (list []dewline.CalendarLink, err error) {
	op := "read calendar links"
	err = s.read(ctx, op, func(tx *sql.Tx) error {
		list, err = allRecords[dewline.CalendarLink](&deskTx{ctx, tx, names{}}, op, `SELECT body FROM calendar_links ORDER BY made, id`)
		return err
	})
	return list, err
}

// RevokeCalendarLink implements dewline.CalendarLinkStore.
func (s *Store) RevokeCalendarLink(ctx context.Context, id, by string, at dewline.Millis) (l dewline.CalendarLink, err error) {
	op := fmt.Sprintf("revoke calendar link %q", id)
	err = s.write(ctx, op, func(tx *sql.Tx) error {
		d := &deskTx{ctx, tx, names{}}
		if l, err = oneRecord[dewline.CalendarLink](d, op, `SELECT body FROM calendar_links WHERE id = $1`, id); err != nil || l.Revoked != 0 {
			return err
		}
		l.Revoked, l.RevokedBy = dewline.Stamp(at), by
		body, err := writeRecord(d, l)
		if err != nil {
			return err
		}
		return d.exec(`UPDATE calendar_links SET body = $1 WHERE id = $2`, body, id)
	})
	return l, err
}
