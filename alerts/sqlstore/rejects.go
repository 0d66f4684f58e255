package sqlstore

import (
	"context"
	"database/sql"

	"dewline"
)

// maxRejectText is how many bytes are kept of a reject's name and of its detail.
const maxRejectText = 500

// KeepRejects implements dewline.Rejects.
func (s *Store) KeepRejects(ctx context.Context, rejects []dewline.Reject) error {
	if len(rejects) == 0 {
		return nil
	}
	byReason := map[dewline.Reason][]dewline.Reject{}
	for _, r := range rejects {
		byReason[r.Reason] = append(byReason[r.Reason], r)
	}
	return s.write(ctx, "keep rejects", func(tx *sql.Tx) error {
		for reason, all := range byReason {
			if err := s.keepReason(ctx, tx, reason, all); err != nil {
				return err
			}
		}
		return nil
	})
}

// keepReason keeps rejects of one reason. Of many at once only those are written that the ring has
// room for.
func (s *Store) keepReason(ctx context.Context, tx *sql.Tx, reason dewline.Reason, rejects []dewline.Reject) error {
	var total int
	if err := tx.QueryRowContext(ctx, `
		INSERT INTO reject_totals (reason, total) VALUES ($1, $2)
		ON CONFLICT (reason) DO UPDATE SET total = reject_totals.total + excluded.total
		RETURNING total`, reason, len(rejects)).Scan(&total); err != nil {
		return err
	}
	put, err := tx.PrepareContext(ctx, `
		INSERT INTO rejects (reason, slot, n, received, system, record, name, detail)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8)
		ON CONFLICT (reason, slot) DO UPDATE SET n = excluded.n, received = excluded.received, system = excluded.system,
			record = excluded.record, name = excluded.name, detail = excluded.detail`)
	if err != nil {
		return err
	}
	defer func() { _ = put.Close() }()
	ring := s.options.RejectsKept
	for i := max(0, len(rejects)-ring); i < len(rejects); i++ {
		r, n := rejects[i], total-len(rejects)+i
		if _, err := put.ExecContext(ctx, reason, n%ring, n, r.Received, kept(string(r.System), maxRejectText), r.Record,
			kept(r.Name, maxRejectText), kept(r.Detail, maxRejectText)); err != nil {
			return err
		}
	}
	return nil
}

// ReadRejects implements dewline.Rejects.
func (s *Store) ReadRejects(ctx context.Context, filter dewline.RejectFilter, limit int) ([]dewline.Reject, error) {
	var list []dewline.Reject
	err := s.read(ctx, "read rejects", func(tx *sql.Tx) error {
		return each(ctx, tx, func(rows *sql.Rows) error {
			var r dewline.Reject
			err := rows.Scan(&r.Reason, &r.Received, &r.System, &r.Record, &r.Name, &r.Detail)
			list = append(list, r)
			return err
		}, `SELECT reason, received, system, record, name, detail FROM rejects
			WHERE ($1 = '' OR reason = $1) AND ($2 = '' OR system = $2)
			  AND ($3 = '' OR substr(system, 1, length($3) + 1) = $3 || '/')
			ORDER BY received DESC, n DESC, reason LIMIT $4`,
			filter.Reason, filter.System, filter.Site, max(limit, 0))
	})
	return list, err
}

// CountRejects implements dewline.Rejects.
func (s *Store) CountRejects(ctx context.Context) (map[dewline.Reason]int64, error) {
	counts := map[dewline.Reason]int64{}
	err := s.read(ctx, "count rejects", func(tx *sql.Tx) error {
		return each(ctx, tx, func(rows *sql.Rows) error {
			var reason dewline.Reason
			var total int64
			err := rows.Scan(&reason, &total)
			counts[reason] = total
			return err
		}, `SELECT reason, total FROM reject_totals`)
	})
	return counts, err
}

// PruneRejects deletes the rejects that arrived before a time. They stay counted.
func (s *Store) PruneRejects(ctx context.Context, before dewline.Millis) error {
	return s.write(ctx, "drop old rejects", func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM rejects WHERE received < $1`, before)
		return err
	})
}
