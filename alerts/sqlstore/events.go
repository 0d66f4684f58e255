package sqlstore

import (
	"context"
	"database/sql"
	"fmt"

	"dewline"
)

// maxNote is how many bytes are kept of an event's note.
const maxNote = 4 << 10

// RecordEvents implements dewline.Events. As with readings, the first event of a (system, kind,
// time) stands.
func (s *Store) RecordEvents(ctx context.Context, events []dewline.Event) error {
	const op = "record events"
	for _, e := range events {
		if !e.System.Valid() || e.Kind.Dimension() != dewline.EventText {
			return invalid(op, "%s of %q is no event of a system", e.Kind, e.System)
		}
	}
	if len(events) == 0 {
		return nil
	}
	return s.write(ctx, op, func(tx *sql.Tx) error { return recordEvents(ctx, tx, events) })
}

func recordEvents(ctx context.Context, tx *sql.Tx, events []dewline.Event) error {
	for _, e := range events {
		if _, err := tx.ExecContext(ctx, `
			INSERT INTO events (system, at, kind, note) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING`,
			e.System, e.At, e.Kind.String(), kept(e.Note, maxNote)); err != nil {
			return err
		}
	}
	return nil
}

// EventsOf implements dewline.Events.
func (s *Store) EventsOf(ctx context.Context, id dewline.SystemID, from, to dewline.Millis) ([]dewline.Event, error) {
	var list []dewline.Event
	err := s.read(ctx, "read events", func(tx *sql.Tx) error {
		return each(ctx, tx, func(rows *sql.Rows) error {
			e := dewline.Event{System: id}
			var kind string
			if err := rows.Scan(&e.At, &kind, &e.Note); err != nil {
				return err
			}
			var known bool
			if e.Kind, known = dewline.PointNamed(kind); !known {
				return fmt.Errorf("an event of %s is a %q, which this program does not know", id, kind)
			}
			list = append(list, e)
			return nil
		}, `SELECT at, kind, note FROM events WHERE system = $1 AND at >= $2 AND at < $3 ORDER BY at, kind`, id, from, to)
	})
	return list, err
}
