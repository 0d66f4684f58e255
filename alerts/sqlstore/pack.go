package sqlstore

import (
	"context"
	"database/sql"
	"maps"
	"slices"

	"dewline"
)

// How much is done in one transaction, so that other writers wait for a tenth of a second at most.
const (
	packAtOnce = 256    // series of a day
	smallDay   = 10_000 // rows of a day that are packed all at once
	pruneDays  = 1_000
	pruneRows  = 10_000
)

// PackRollUps moves the roll-ups of all days that ended at or before the given time from the table
// of rows into packed days, merging late ones into days that were packed before, and returns how
// many rows it moved. It may be stopped at any time and goes on from there. Once a day suffices;
// the time should lie at least a day behind the newest data, for while a day is being written its
// rows are cheaper.
func (s *Store) PackRollUps(ctx context.Context, before dewline.Millis) (int, error) {
	moved := 0
	for {
		d, ranges, err := s.nextToPack(ctx, slotBefore(before)/slotsADay)
		if err != nil || len(ranges) == 0 {
			return moved, err
		}
		for _, r := range ranges {
			n, err := s.packSeries(ctx, d, r)
			moved += n
			if err != nil {
				return moved, err
			}
		}
	}
}

// slotBefore returns how many slots have ended at t.
func slotBefore(t dewline.Millis) int64 { return min(max(int64(t/spanMillis), 0), slotsEnd) }

// seriesRange is the series from first to last.
type seriesRange struct{ first, last int64 }

// nextToPack returns the oldest day before endDay that has rows, and ranges that cover all series;
// none if there is no such day.
func (s *Store) nextToPack(ctx context.Context, endDay int64) (d int64, ranges []seriesRange, err error) {
	err = s.read(ctx, "find roll-ups to pack", func(tx *sql.Tx) error {
		var oldest, last sql.NullInt64
		if err := tx.QueryRowContext(ctx, `SELECT (SELECT min(id) FROM rollup_rows), (SELECT max(id) FROM series)`).Scan(&oldest, &last); err != nil {
			return err
		}
		d = oldest.Int64 >> seriesBits / slotsADay
		if !oldest.Valid || d >= endDay {
			return nil
		}
		var rows int64
		if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM (SELECT 1 FROM rollup_rows WHERE id < $1 LIMIT $2) AS head`,
			(d+1)*slotsADay<<seriesBits, smallDay+1).Scan(&rows); err != nil {
			return err
		}
		first := int64(1)
		for ; rows > smallDay && first+packAtOnce <= last.Int64; first += packAtOnce {
			ranges = append(ranges, seriesRange{first, first + packAtOnce - 1})
		}
		ranges = append(ranges, seriesRange{first, seriesMask})
		return nil
	})
	return d, ranges, err
}

// packSeries packs the rows that the series in r have on day d.
func (s *Store) packSeries(ctx context.Context, d int64, r seriesRange) (moved int, err error) {
	err = s.write(ctx, "pack roll-ups", func(tx *sql.Tx) error {
		days := map[int64]*day{}
		moved, err = takeRows(ctx, tx, d, r, days)
		if err != nil || moved == 0 {
			return err
		}
		if err := mergePacked(ctx, tx, d, r, days); err != nil {
			return err
		}
		return putDays(ctx, tx, s.dialect, d, days)
	})
	if err != nil {
		moved = 0
	}
	return moved, err
}

// takeRows moves rows into days, by series.
func takeRows(ctx context.Context, tx *sql.Tx, d int64, r seriesRange, days map[int64]*day) (int, error) {
	moved := 0
	for i := range int64(slotsADay) {
		base := (d*slotsADay + i) << seriesBits
		err := each(ctx, tx, func(rows *sql.Rows) error {
			var id int64
			var c cell
			if err := rows.Scan(&id, &c.mean, &c.low, &c.high, &c.n); err != nil {
				return err
			}
			series := id & seriesMask
			if days[series] == nil {
				days[series] = &day{}
			}
			days[series].have[i], days[series].cell[i] = true, c
			moved++
			return nil
		}, `SELECT id, mean, low, high, n FROM rollup_rows WHERE id BETWEEN $1 AND $2`, base+r.first, base+r.last)
		if err != nil {
			return 0, err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM rollup_rows WHERE id BETWEEN $1 AND $2`, base+r.first, base+r.last); err != nil {
			return 0, err
		}
	}
	return moved, nil
}

// mergePacked adds to days what was packed before and has not been written again since.
func mergePacked(ctx context.Context, tx *sql.Tx, d int64, r seriesRange, days map[int64]*day) error {
	base := d << seriesBits
	return each(ctx, tx, func(rows *sql.Rows) error {
		var id int64
		var packed sql.RawBytes
		if err := rows.Scan(&id, &packed); err != nil {
			return err
		}
		now := days[id&seriesMask]
		if now == nil {
			return nil
		}
		old, err := unpackDay(packed)
		if err != nil {
			return dayError(id, err)
		}
		for i, c := range old.cells() {
			if !now.have[i] {
				now.have[i], now.cell[i] = true, c
			}
		}
		return nil
	}, `SELECT id, packed FROM rollup_days WHERE id BETWEEN $1 AND $2`, base+r.first, base+r.last)
}

func putDays(ctx context.Context, tx *sql.Tx, dialect *dialect, d int64, days map[int64]*day) error {
	return insertMany(ctx, tx, dialect, `INSERT INTO rollup_days (id, packed)`, `ON CONFLICT (id) DO UPDATE SET packed = excluded.packed`,
		slices.Sorted(maps.Keys(days)), func(args []any, series int64) []any {
			return append(args, d<<seriesBits|series, days[series].appendPacked(nil))
		})
}

// PruneRollUps deletes the roll-ups of all days that ended at or before the given time, a slice at
// a time, and returns when all are gone.
func (s *Store) PruneRollUps(ctx context.Context, before dewline.Millis) error {
	endDay := slotBefore(before) / slotsADay
	if err := s.prune(ctx, "delete old roll-ups", `
		DELETE FROM rollup_days WHERE id IN (SELECT id FROM rollup_days WHERE id < $1 ORDER BY id LIMIT $2)`,
		endDay<<seriesBits, pruneDays); err != nil {
		return err
	}
	return s.prune(ctx, "delete old roll-ups", `
		DELETE FROM rollup_rows WHERE id IN (SELECT id FROM rollup_rows WHERE id < $1 ORDER BY id LIMIT $2)`,
		endDay*slotsADay<<seriesBits, pruneRows)
}

// prune runs a statement, which deletes at most $2 rows, until nothing is left for it.
func (s *Store) prune(ctx context.Context, op, statement string, end int64, atOnce int) error {
	for deleted := int64(1); deleted > 0; {
		err := s.write(ctx, op, func(tx *sql.Tx) error {
			result, err := tx.ExecContext(ctx, statement, end, atOnce)
			if err == nil {
				deleted, err = result.RowsAffected()
			}
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}
