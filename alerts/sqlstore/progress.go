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
		if err := putStates(ctx, tx, p); err != nil {
			return err
		}
		if err := s.putRollUps(ctx, tx, p.RollUps); err != nil {
			return err
		}
		return putAlerts(ctx, tx, p.Alerts, evidence)
	})
}

func putStates(ctx context.Context, tx *sql.Tx, p dewline.Progress) error {
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
		INSERT INTO engine_progress (one, version, watermark) VALUES (1, ?1, ?2)
		ON CONFLICT (one) DO UPDATE SET version = excluded.version, watermark = excluded.watermark`,
		p.Version, p.Watermark); err != nil {
		return err
	}
	put, err := tx.PrepareContext(ctx, `
		INSERT INTO engine_states (system, state) VALUES (?1, ?2) ON CONFLICT (system) DO UPDATE SET state = excluded.state`)
	if err != nil {
		return err
	}
	defer func() { _ = put.Close() }()
	for _, id := range slices.Sorted(maps.Keys(p.States)) {
		if state := p.States[id]; state != nil {
			_, err = put.ExecContext(ctx, id, state)
		} else {
			_, err = tx.ExecContext(ctx, `DELETE FROM engine_states WHERE system = ?1`, id)
		}
		if err != nil {
			return err
		}
	}
	return nil
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
