package sqlstore

import (
	"context"
	"database/sql"
	"fmt"
	"strconv"
	"strings"

	"dewline"
)

// nameMark begins the number that stands for a person's name in a record.
const nameMark = "#"

// nameRef returns what stands for a name in a record. Dewline is no person, and nobody is none.
func nameRef(ctx context.Context, tx *sql.Tx, name string) (string, error) {
	if name == "" || name == dewline.ByDewline {
		return name, nil
	}
	if _, err := tx.ExecContext(ctx, `INSERT INTO names (name) VALUES ($1) ON CONFLICT (name) DO NOTHING`, name); err != nil {
		return "", err
	}
	var id int64
	err := tx.QueryRowContext(ctx, `SELECT id FROM names WHERE name = $1`, name).Scan(&id)
	return nameMark + strconv.FormatInt(id, 10), err
}

// names remembers the names that one reading has met.
type names map[string]string

// of returns the name for what stands in a record.
func (n names) of(ctx context.Context, tx *sql.Tx, ref string) (string, error) {
	number, ok := strings.CutPrefix(ref, nameMark)
	if !ok {
		return ref, nil
	}
	if name, ok := n[ref]; ok {
		return name, nil
	}
	id, err := strconv.ParseInt(number, 10, 64)
	if err != nil {
		return "", fmt.Errorf("a record names its person %q, which is no number", ref)
	}
	var name sql.NullString
	if err := tx.QueryRowContext(ctx, `SELECT name FROM names WHERE id = $1`, id).Scan(&name); err != nil {
		return "", fmt.Errorf("person %s of a record: %w", ref, err)
	}
	n[ref] = dewline.NameRemoved + " (" + ref + ")"
	if name.Valid {
		n[ref] = name.String
	}
	return n[ref], nil
}

// each replaces names by what f makes of them.
func replaceNames(f func(string) (string, error), fields ...*string) error {
	for _, field := range fields {
		text, err := f(*field)
		if err != nil {
			return err
		}
		*field = text
	}
	return nil
}

// Anonymise implements dewline.DeskStore.
func (s *Store) Anonymise(ctx context.Context, name string) error {
	op := "take a name out of the records"
	return s.write(ctx, op, func(tx *sql.Tx) error {
		result, err := tx.ExecContext(ctx, `UPDATE names SET name = NULL WHERE name = $1`, name)
		if err != nil {
			return err
		}
		if n, err := result.RowsAffected(); err != nil || n == 0 {
			return fail(op, orNone(err))
		}
		return nil
	})
}

func orNone(err error) error {
	if err != nil {
		return err
	}
	return sql.ErrNoRows
}
