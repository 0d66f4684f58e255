package embedded

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"sync/atomic"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/prometheus/tsdb/wlog"
)

// syncer makes a log durable that somebody else writes. fsync works on the file, whoever wrote to
// it; the library offers no other way to reach it.
type syncer struct {
	folder string

	asked atomic.Uint64 // counts the calls of sync

	mu      sync.Mutex
	done    uint64   // calls up to this one are served
	file    *os.File // the newest segment
	segment int
	size    int64 // of file, when it was last synced
}

// sync makes durable what was written before the call. Calls that come while another works are
// served together by one fsync.
func (s *syncer) sync() error {
	ticket := s.asked.Add(1)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.done >= ticket {
		return nil
	}
	served := s.asked.Load()
	if err := s.syncNewest(); err != nil {
		return err
	}
	s.done = served
	return nil
}

func (s *syncer) syncNewest() error {
	_, last, err := wlog.Segments(s.folder)
	if err != nil || last < 0 {
		return err
	}
	if s.file == nil || last != s.segment {
		// The library syncs a finished segment itself, but later and without telling.
		for n := s.segment; s.file != nil && n < last; n++ {
			if err := syncPath(wlog.SegmentName(s.folder, n)); err != nil {
				return err
			}
		}
		if err := s.open(last); err != nil {
			return err
		}
	}
	info, err := s.file.Stat()
	if err != nil {
		return err
	}
	if info.Size() == s.size {
		return nil
	}
	if err := s.file.Sync(); err != nil {
		return err
	}
	s.size = info.Size()
	return nil
}

// open turns to another segment, whose name must be durable too.
func (s *syncer) open(segment int) error {
	if err := s.close(); err != nil {
		return err
	}
	file, err := os.Open(wlog.SegmentName(s.folder, segment))
	if err != nil {
		return err
	}
	s.file, s.segment, s.size = file, segment, -1
	return syncPath(s.folder)
}

func (s *syncer) close() error {
	if s.file == nil {
		return nil
	}
	err := s.file.Close()
	s.file = nil
	return err
}

// syncPath syncs one file or folder; what is gone meanwhile was moved to a block, and synced.
func syncPath(path string) error {
	f, err := os.Open(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	} else if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// watchedRegistry keeps the counters of failures of the database's two logs. For the log of
// late readings they are the only sign: the database puts a reading into memory, fails to log it,
// and reports success.
type watchedRegistry struct {
	*prometheus.Registry
	failures []prometheus.Collector // of writes, one a log
	repairs  []prometheus.Collector // of logs that were read
}

// Register is called by the database for each of its metrics.
func (r *watchedRegistry) Register(c prometheus.Collector) error {
	if described(c, "_writes_failed_total") {
		r.failures = append(r.failures, c)
	}
	if described(c, "_wal_corruptions_total") {
		r.repairs = append(r.repairs, c)
	}
	return r.Registry.Register(c)
}

// MustRegister is the database's other way to do so.
func (r *watchedRegistry) MustRegister(collectors ...prometheus.Collector) {
	for _, c := range collectors {
		if err := r.Register(c); err != nil {
			panic(err)
		}
	}
}

func described(c prometheus.Collector, suffix string) bool {
	ch := make(chan *prometheus.Desc, 64)
	c.Describe(ch)
	close(ch)
	for d := range ch {
		if strings.Contains(d.String(), suffix+`"`) {
			return true
		}
	}
	return false
}

// failed returns an error when a write to one of the logs has failed since the database was opened.
func (r *watchedRegistry) failed() error { return counted(r.failures, "writes to a log failed") }

// repaired returns an error when a log was found damaged, and repaired.
func (r *watchedRegistry) repaired() error { return counted(r.repairs, "damaged logs were repaired") }

func counted(counters []prometheus.Collector, what string) error {
	for _, c := range counters {
		ch := make(chan prometheus.Metric, 1)
		c.Collect(ch)
		var m dto.Metric
		if err := (<-ch).Write(&m); err != nil {
			return err
		}
		if n := m.GetCounter().GetValue(); n > 0 {
			return fmt.Errorf("%v %s", n, what)
		}
	}
	return nil
}
