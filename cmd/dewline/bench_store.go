package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"path/filepath"
	"time"

	"dewline"
	"dewline/alerts/sqlstore"
	"dewline/analytics"
	"dewline/ingest/store/embedded"

	"github.com/prometheus/client_golang/prometheus"
)

// benchStore fills the embedded store and the database with the history of a few systems, by the
// code of the service, and measures what they take and how fast they are read. The clock of the
// store goes with the readings.
type benchStore struct {
	benchSettings
	Systems  int           `default:"5" help:"Systems, of ten points each (default ${default})."`
	Days     int           `default:"365" help:"How long a history (default ${default})."`
	Interval time.Duration `default:"5m" help:"Event time between two readings of a system (default ${default})."`
	Block    time.Duration `default:"12h" help:"Event time that the store keeps in memory before it becomes a file (default ${default}; the service keeps 2h, which ends in the same files after more work)."`
}

// Run measures.
func (c *benchStore) Run(ctx context.Context, std *streams) (err error) {
	r, err := c.begin(std)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.end()) }()
	s := storeRun{benchStore: c, benchRun: r}
	if s.fleet, err = newBenchFleet(1, c.Systems, c.Seed); err != nil {
		return err
	}
	if err := s.open(ctx); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.readings.Close(), s.database.Close()) }()
	if err := s.fill(ctx); err != nil {
		return err
	}
	if err := s.sizes(ctx); err != nil {
		return err
	}
	return s.queries(ctx)
}

// storeRun is one run of it.
type storeRun struct {
	*benchStore
	*benchRun
	fleet    *benchFleet
	readings *embedded.Store
	database *sqlstore.Store
	series   *analytics.SeriesStore
	analyst  *analyst
	now      time.Time // of the store
	stored   int
}

func (s *storeRun) open(ctx context.Context) error {
	s.now = time.Now().Add(-time.Duration(s.Days) * 24 * time.Hour).Truncate(24 * time.Hour)
	o := embedded.DefaultOptions()
	o.Now = func() time.Time { return s.now }
	o.Block = s.Block
	var err error
	if s.readings, err = embedded.Open(filepath.Join(s.folder, "readings"), o); err != nil {
		return err
	}
	if s.database, err = sqlstore.Open(ctx, filepath.Join(s.folder, "dewline.db"), sqlstore.Options{}); err != nil {
		return err
	}
	s.series = &analytics.SeriesStore{Fleet: func() *dewline.Fleet { return s.fleet.fleet }, Readings: s.readings, RollUps: s.database}
	log := slog.New(slog.DiscardHandler)
	if s.analyst, err = newAnalyst(ctx, s.fleet.fleet, s.database, s.series, log, newAnalystMetrics(prometheus.NewRegistry()), nil); err != nil {
		return err
	}
	s.entry("history", "%d systems of %d points every %v for %d days, blocks of %v", s.Systems, len(benchPoints), s.Interval, s.Days, o.Block)
	return nil
}

// fill lets the years go by, a day at a time.
func (s *storeRun) fill(ctx context.Context) error {
	meter := newMeter(s.std.err, "filling")
	defer meter.end()
	var batch []dewline.Sample
	var outcomes []dewline.Outcome
	total := int64(s.Days) * int64(24*time.Hour/s.Interval) * int64(s.Systems*len(benchPoints))
	step := dewline.Millis(s.Interval.Milliseconds())
	at := dewline.MillisOf(s.now)
	for day := range s.Days {
		s.now = s.now.Add(24 * time.Hour)
		for end := dewline.MillisOf(s.now); at < end; at += step {
			for _, m := range s.fleet.sites[0] {
				batch = m.readings(at, batch)
			}
			if len(batch) < 5000 && at+step < end {
				continue
			}
			var err error
			if outcomes, err = s.readings.Append(ctx, batch, outcomes[:0]); err != nil {
				return err
			}
			for i, o := range outcomes {
				if o != dewline.Stored {
					return fmt.Errorf("%+v came out as %d", batch[i], o)
				}
			}
			s.analyst.Offer(batch)
			s.stored += len(batch)
			batch = batch[:0]
			meter.readings(int64(s.stored), total)
		}
		s.analyst.flush(ctx, nil)
		if day%7 == 6 || day == s.Days-1 {
			s.analyst.flush(ctx, s.analyst.systems)
			if _, err := s.database.PackRollUps(ctx, dewline.MillisOf(s.now.Add(-packAfter))); err != nil {
				return err
			}
		}
	}
	return s.database.Shrink(ctx)
}

// sizes waits until the store has made files of what was in memory, and says what they take.
func (s *storeRun) sizes(ctx context.Context) error {
	var last embedded.Stats
	for quiet := 0; quiet < 5; {
		now, err := s.readings.Stats()
		if err != nil {
			return err
		}
		if quiet++; now.Blocks != last.Blocks || now.Bytes != last.Bytes {
			quiet = 0
		}
		last = now
		if err := pause(ctx, time.Second, nil); err != nil {
			return err
		}
	}
	s.entry("readings", "%d stored, %d of them in %d files of %s", s.stored, last.Readings, last.Blocks, mib(float64(last.Bytes)))
	s.entry("on disk after compaction", "%.2f bytes a reading", last.BytesPerReading())
	size, err := folderSize(s.folder, "dewline.db")
	if err != nil {
		return err
	}
	s.entry("database", "%s: roll-ups of %d quantities, packed, states and alerts; %.2f bytes a reading", mib(float64(size)), len(benchPoints)+len(dewline.DerivedValues()), float64(size)/float64(s.stored))
	return nil
}

func folderSize(folder, prefix string) (size int64, err error) {
	names, err := filepath.Glob(filepath.Join(folder, prefix+"*"))
	for _, name := range names {
		err = filepath.WalkDir(name, func(_ string, d fs.DirEntry, err error) error {
			if err != nil || !d.Type().IsRegular() {
				return err
			}
			info, err := d.Info()
			size += info.Size()
			return err
		})
	}
	return size, err
}

// queries measures what pages ask for.
func (s *storeRun) queries(ctx context.Context) error {
	const day = 24 * time.Hour
	to := dewline.MillisOf(s.now)
	for _, q := range []struct {
		label      string
		span, step time.Duration
		quantities []string
		most       time.Duration
	}{
		{"30 days of superheat, by 15 min", 30 * day, 15 * time.Minute, []string{"superheat"}, 50 * time.Millisecond},
		{"30 days of superheat, by 10 min, from readings", 30 * day, 10 * time.Minute, []string{"superheat"}, 50 * time.Millisecond},
		{"30 days of superheat and subcooling, as stored", 30 * day, 0, []string{"superheat", "subcooling"}, 0},
		{"a year of superheat by hours, from roll-ups", 365 * day, time.Hour, []string{"superheat"}, 100 * time.Millisecond},
		{"a year of superheat by days, from roll-ups", 365 * day, day, []string{"superheat"}, 100 * time.Millisecond},
		{"a year of four quantities by 6 hours", 365 * day, 6 * time.Hour, []string{"superheat", "subcooling", "condensing_temp", "suction_dew_temp"}, 0},
	} {
		span := min(q.span, time.Duration(s.Days)*day)
		if q.step == 0 && span/s.Interval > dewline.MaxSeriesRows {
			continue // an answer has not that many rows
		}
		if err := s.query(ctx, q.label, q.most, dewline.SeriesQuery{Quantities: q.quantities, From: to.Add(-span), To: to, Step: q.step}); err != nil {
			return err
		}
	}
	return nil
}

// query asks of one system after the other, so that no answer is in any cache but the system's.
func (s *storeRun) query(ctx context.Context, label string, most time.Duration, q dewline.SeriesQuery) error {
	var took latencies
	rows := 0
	for range 3 {
		for _, m := range s.fleet.sites[0] {
			q.System = m.id
			began := time.Now()
			answer, err := s.series.ReadSeries(ctx, q)
			if err != nil {
				return err
			}
			took, rows = append(took, time.Since(began)), len(answer.Times)
		}
	}
	goal := ""
	if most > 0 {
		goal = fmt.Sprintf(" (goal %v)", most)
	}
	s.entry(label, "%s, %d rows%s", took.summary(), rows, goal)
	return nil
}
