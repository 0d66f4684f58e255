package sqlstore

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"maps"
	"math"
	"slices"

	"dewline"
)

// The keys of roll-ups: see the migration. A slot is the number of a RollUpSpan since 1970.
const (
	seriesBits = 32
	seriesMask = 1<<seriesBits - 1
	spanMillis = dewline.Millis(dewline.RollUpSpan / 1e6)
	slotsADay  = 96
	slotsEnd   = 1 << 31 // of all slots, in the year 63,000
)

type seriesKey struct {
	system   dewline.SystemID
	quantity string
}

// cell is a roll-up without what its place says already.
type cell struct {
	mean, low, high float64
	n               int64
}

// PutRollUps implements dewline.RollUps. Of several rows for one time in rows the last stands.
func (s *Store) PutRollUps(ctx context.Context, rows []dewline.RollUp) error {
	if len(rows) == 0 {
		return nil
	}
	return s.write(ctx, "store roll-ups", func(tx *sql.Tx) error { return s.putRollUps(ctx, tx, rows) })
}

func (s *Store) putRollUps(ctx context.Context, tx *sql.Tx, rows []dewline.RollUp) error {
	if err := s.knowSeries(ctx, tx, rows); err != nil {
		return err
	}
	ordered, err := s.inKeyOrder(rows)
	if err != nil {
		return err
	}
	return insertMany(ctx, tx, s.dialect, `INSERT INTO rollup_rows (id, mean, low, high, n)`,
		`ON CONFLICT (id) DO UPDATE SET mean = excluded.mean, low = excluded.low, high = excluded.high, n = excluded.n`,
		ordered, func(args []any, k keyedRow) []any {
			r := &rows[k.row]
			return append(args, k.id, r.Mean, r.Min, r.Max, r.Count)
		})
}

type keyedRow struct {
	id  int64
	row int
}

// inKeyOrder checks rows and returns their keys in ascending order, which lets the table grow at
// its end only, however the rows come. Of several for one key it returns the last.
func (s *Store) inKeyOrder(rows []dewline.RollUp) ([]keyedRow, error) {
	ordered := make([]keyedRow, len(rows))
	for i, r := range rows {
		slot := int64(r.Start / spanMillis)
		if r.Start < 0 || r.Start%spanMillis != 0 || slot >= slotsEnd {
			return nil, invalid("store roll-ups", "%s of %s: a roll-up begins at a multiple of 15 minutes, not at %d ms", r.Quantity, r.System, r.Start)
		}
		if sum := r.Mean + r.Min + r.Max; math.IsNaN(sum) || math.IsInf(sum, 0) {
			return nil, invalid("store roll-ups", "%s of %s at %s is not finite", r.Quantity, r.System, r.Start.Time())
		}
		ordered[i] = keyedRow{slot<<seriesBits | s.series[seriesKey{r.System, r.Quantity}], i}
	}
	slices.SortFunc(ordered, func(a, b keyedRow) int { return cmp.Or(cmp.Compare(a.id, b.id), cmp.Compare(b.row, a.row)) })
	return slices.CompactFunc(ordered, func(a, b keyedRow) bool { return a.id == b.id }), nil
}

// knowSeries makes s.series hold the numbers of all series in rows, and gives one to those that have
// none. It remembers all there are: 120,000 lookups would cost more than the rows themselves.
func (s *Store) knowSeries(ctx context.Context, tx *sql.Tx, rows []dewline.RollUp) error {
	if s.series == nil {
		if err := s.loadSeries(ctx, tx); err != nil {
			return err
		}
	}
	unknown := slices.IndexFunc(rows, func(r dewline.RollUp) bool { return s.series[seriesKey{r.System, r.Quantity}] == 0 })
	if unknown < 0 {
		return nil
	}
	// Another process may have been quicker, hence the update that changes nothing.
	add, err := tx.PrepareContext(ctx, `
		INSERT INTO series (system, quantity) VALUES ($1, $2)
		ON CONFLICT (system, quantity) DO UPDATE SET system = excluded.system
		RETURNING id`)
	if err != nil {
		return err
	}
	defer func() { _ = add.Close() }()
	for _, r := range rows[unknown:] {
		key := seriesKey{r.System, r.Quantity}
		if s.series[key] != 0 {
			continue
		}
		var id int64
		if err := add.QueryRowContext(ctx, key.system, key.quantity).Scan(&id); err != nil {
			return err
		}
		if id <= 0 || id > seriesMask {
			return fmt.Errorf("series %d has no place in a key of 32 bits", id)
		}
		s.series[key] = id
	}
	return nil
}

func (s *Store) loadSeries(ctx context.Context, tx *sql.Tx) error {
	known := map[seriesKey]int64{}
	err := each(ctx, tx, func(rows *sql.Rows) error {
		var key seriesKey
		var id int64
		err := rows.Scan(&id, &key.system, &key.quantity)
		known[key] = id
		return err
	}, `SELECT id, system, quantity FROM series`)
	if err == nil {
		s.series = known
	}
	return err
}

// ReadRollUps implements dewline.RollUps.
func (s *Store) ReadRollUps(ctx context.Context, id dewline.SystemID, quantities []string, from, to dewline.Millis) ([][]dewline.RollUp, error) {
	all := make([][]dewline.RollUp, len(quantities))
	first, end := slotFrom(from), slotFrom(to)
	if first >= end {
		return all, nil
	}
	err := s.read(ctx, "read roll-ups", func(tx *sql.Tx) error {
		places, err := seriesOf(ctx, tx, id, quantities)
		if err != nil || len(places) == 0 {
			return err
		}
		runs := runsOf(slices.Sorted(maps.Keys(places)))
		add := func(key int64, c cell) {
			slot := key >> seriesBits
			if slot < first || slot >= end {
				return
			}
			i := places[key&seriesMask]
			if all[i] == nil {
				all[i] = make([]dewline.RollUp, 0, min(end-slot, 366*slotsADay))
			}
			all[i] = append(all[i], dewline.RollUp{System: id, Quantity: quantities[i], Start: dewline.Millis(slot) * spanMillis,
				Mean: c.mean, Min: c.low, Max: c.high, Count: int(c.n)})
		}
		if err := readDays(ctx, tx, runs, first/slotsADay, (end-1)/slotsADay, add); err != nil {
			return err
		}
		packed := make([]int, len(all))
		for i := range all {
			packed[i] = len(all[i])
		}
		if err := readRows(ctx, tx, runs, first, end, add); err != nil {
			return err
		}
		for i, q := range quantities {
			all[i] = overlay(all[i], packed[i])
			if same := slices.Index(quantities, q); same < i { // asked for twice
				all[i] = all[same]
			}
		}
		return nil
	})
	return all, err
}

// seriesOf returns for the series of some quantities of a system which of them they are.
func seriesOf(ctx context.Context, tx *sql.Tx, id dewline.SystemID, quantities []string) (map[int64]int, error) {
	places := make(map[int64]int, len(quantities))
	return places, each(ctx, tx, func(rows *sql.Rows) error {
		var series int64
		var quantity string
		if err := rows.Scan(&series, &quantity); err != nil {
			return err
		}
		if i := slices.Index(quantities, quantity); i >= 0 {
			places[series] = i
		}
		return nil
	}, `SELECT id, quantity FROM series WHERE system = $1`, id)
}

// runs are series that are read at one go, for those of a system mostly follow one another: finding a place
// in a table costs as much as passing by a handful of rows.
type runs struct {
	values string // of the first and the last series of each run, for VALUES
	series string // each series, for IN
}

const passedBy = 8 // series of no interest, at most

func runsOf(series []int64) runs {
	var r runs
	for begin, i := 0, 1; i <= len(series); i++ {
		if i == len(series) || series[i]-series[i-1] > passedBy {
			r.values += fmt.Sprintf(", (CAST(%d AS BIGINT), CAST(%d AS BIGINT))", series[begin], series[i-1])
			begin = i
		}
		r.series += fmt.Sprintf(", %d", series[i-1])
	}
	return runs{r.values[2:], r.series[2:]}
}

// slotFrom returns the first slot that begins at or after t.
func slotFrom(t dewline.Millis) int64 {
	if t <= 0 {
		return 0
	}
	return min(int64((t-1)/spanMillis)+1, slotsEnd)
}

// overlay brings found in order, its first rows being from packed days and the rest, which stand
// above them, from the table of rows.
func overlay(found []dewline.RollUp, packed int) []dewline.RollUp {
	byStart := func(a, b dewline.RollUp) int { return cmp.Compare(a.Start, b.Start) }
	if !slices.IsSortedFunc(found, byStart) {
		slices.SortStableFunc(found, byStart)
	}
	if packed == 0 || packed == len(found) {
		return found
	}
	kept := found[:1]
	for _, r := range found[1:] {
		if last := &kept[len(kept)-1]; last.Start == r.Start {
			*last = r
		} else {
			kept = append(kept, r)
		}
	}
	return kept
}

// readDays adds the cells of the packed days from first to last, in no order. Days are dense, so
// each is looked up by its key.
func readDays(ctx context.Context, tx *sql.Tx, r runs, first, last int64, add func(int64, cell)) error {
	var oldest, newest sql.NullInt64
	if err := tx.QueryRowContext(ctx, `SELECT (SELECT min(id) FROM rollup_days), (SELECT max(id) FROM rollup_days)`).
		Scan(&oldest, &newest); err != nil || !oldest.Valid {
		return err
	}
	first, last = max(first, oldest.Int64>>seriesBits), min(last, newest.Int64>>seriesBits)
	if first > last {
		return nil
	}
	return each(ctx, tx, func(rows *sql.Rows) error {
		var id int64
		var packed sql.RawBytes
		if err := rows.Scan(&id, &packed); err != nil {
			return err
		}
		d, err := unpackDay(packed)
		if err != nil {
			return dayError(id, err)
		}
		for i, c := range d.cells() {
			add((id>>seriesBits*slotsADay+i)<<seriesBits|id&seriesMask, c)
		}
		return nil
	}, `WITH RECURSIVE days (day) AS (
			SELECT CAST($1 AS BIGINT) UNION ALL SELECT day + 1 FROM days WHERE day < $2),
			runs (low, high) AS (VALUES `+r.values+`)
		SELECT d.id, d.packed FROM days CROSS JOIN runs CROSS JOIN rollup_days d
		WHERE d.id BETWEEN (days.day << 32) + runs.low AND (days.day << 32) + runs.high AND (d.id & 4294967295) IN (`+r.series+`)`,
		first, last)
}

// readRows adds the cells of the rows in [first, end), in no order. Rows are there for the newest
// days and, here and there, for late data of older ones; so the query steps from each time that is
// in the table to the next one, rather than asking for each time that might be.
func readRows(ctx context.Context, tx *sql.Tx, r runs, first, end int64, add func(int64, cell)) error {
	return each(ctx, tx, func(rows *sql.Rows) error {
		var key int64
		var c cell
		err := rows.Scan(&key, &c.mean, &c.low, &c.high, &c.n)
		add(key, c)
		return err
	}, `WITH RECURSIVE times (slot) AS (
			SELECT min(id) >> 32 FROM rollup_rows WHERE id >= $1
			UNION ALL
			SELECT (SELECT min(id) >> 32 FROM rollup_rows WHERE id >= (times.slot + 1) << 32) FROM times WHERE times.slot < $2),
			runs (low, high) AS (VALUES `+r.values+`)
		SELECT r.id, r.mean, r.low, r.high, r.n
		FROM times CROSS JOIN runs CROSS JOIN rollup_rows r
		WHERE times.slot < $2 AND r.id BETWEEN (times.slot << 32) + runs.low AND (times.slot << 32) + runs.high
			AND (r.id & 4294967295) IN (`+r.series+`)`,
		first<<seriesBits, end)
}
