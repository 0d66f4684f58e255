package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"maps"
	"slices"

	"dewline"
)

// SaveProgress implements dewline.ProgressStore.
func (s *Store) SaveProgress(ctx context.Context, p dewline.Progress) error {
	return s.write(ctx, "save the engine's progress", func(tx *sql.Tx) error {
		if err := putStates(ctx, tx, s.dialect, p); err != nil {
			return err
		}
		if err := s.putRollUps(ctx, tx, p.RollUps); err != nil {
			return err
		}
		return putAlerts(ctx, tx, p.Alerts, evidence)
	})
}

func putStates(ctx context.Context, tx *sql.Tx, d *dialect, p dewline.Progress) error {
	version, _, err := progressOf(ctx, tx)
	if err != nil {
		return err
	}
	if version != p.Version { // states of another format are of no use to anyone
		if _, err := tx.ExecContext(ctx, `DELETE FROM engine_states`); err != nil {
			return err
		}
	}
	if _, err := tx.ExecContext(ctx, `
		INSERT INTO engine_progress (one, version, watermark) VALUES (1, $1, $2)
		ON CONFLICT (one) DO UPDATE SET version = excluded.version, watermark = excluded.watermark`,
		p.Version, p.Watermark); err != nil {
		return err
	}
	var kept []dewline.SystemID
	for _, id := range slices.Sorted(maps.Keys(p.States)) {
		if p.States[id] != nil {
			kept = append(kept, id)
		} else if _, err := tx.ExecContext(ctx, `DELETE FROM engine_states WHERE system = $1`, id); err != nil {
			return err
		}
	}
	return insertMany(ctx, tx, d, `INSERT INTO engine_states (system, state)`, `ON CONFLICT (system) DO UPDATE SET state = excluded.state`,
		kept, func(args []any, id dewline.SystemID) []any { return append(args, id, p.States[id]) })
}

// progressOf returns what the last SaveProgress said, and zeros before the first.
func progressOf(ctx context.Context, tx *sql.Tx) (version int, watermark dewline.Millis, err error) {
	err = tx.QueryRowContext(ctx, `SELECT version, watermark FROM engine_progress`).Scan(&version, &watermark)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	return version, watermark, err
}

// LoadProgress implements dewline.ProgressStore.
func (s *Store) LoadProgress(ctx context.Context, version int, state func(dewline.SystemID, []byte) error) (dewline.Millis, error) {
	var watermark dewline.Millis
	err := s.read(ctx, "load the engine's progress", func(tx *sql.Tx) error {
		stored, at, err := progressOf(ctx, tx)
		if err != nil || stored != version {
			return err
		}
		watermark = at
		return each(ctx, tx, func(rows *sql.Rows) error {
			var id dewline.SystemID
			var blob []byte
			if err := rows.Scan(&id, &blob); err != nil {
				return err
			}
			return state(id, blob)
		}, `SELECT system, state FROM engine_states ORDER BY system`)
	})
	return watermark, err
}
