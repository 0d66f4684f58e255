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
	"golang.org/x/sys/unix"
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
	next    string // path of the segment after it
	size    int64  // of file, when it was last synced
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
	if rolled, err := s.rolled(); err != nil {
		return err
	} else if rolled {
		if err := s.roll(); err != nil || s.file == nil {
			return err
		}
	}
	var stat unix.Stat_t
	if err := unix.Fstat(int(s.file.Fd()), &stat); err != nil {
		return err
	}
	if stat.Size == s.size {
		return nil
	}
	if err := s.file.Sync(); err != nil {
		return err
	}
	s.size = stat.Size
	return nil
}

// rolled says whether the log has begun another segment. Segments are dropped oldest first, so
// the newest is the open one if it is still there and the next is not.
func (s *syncer) rolled() (bool, error) {
	if s.file == nil {
		return true, nil
	}
	var stat unix.Stat_t
	if err := unix.Fstat(int(s.file.Fd()), &stat); err != nil {
		return false, err
	}
	if stat.Nlink == 0 {
		return true, nil
	}
	return unix.Stat(s.next, &stat) == nil, nil
}

// roll turns to the newest segment, if there is one, after syncing those between: the library does
// that too, but later and without telling. After an opening it syncs all that was found: what a
// killed process wrote counts as stored from now on.
func (s *syncer) roll() error {
	first, last, err := wlog.Segments(s.folder)
	if err != nil || last < 0 {
		return err
	}
	for n := max(first, s.segment); n < last; n++ {
		if err := syncPath(wlog.SegmentName(s.folder, n)); err != nil {
			return err
		}
	}
	return s.open(last)
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
	s.next = wlog.SegmentName(s.folder, segment+1)
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
	failures []prometheus.Metric // of writes, one a log
	repairs  []prometheus.Metric // of logs that were read
}

// Register is called by the database for each of its metrics.
func (r *watchedRegistry) Register(c prometheus.Collector) error {
	if described(c, "_writes_failed_total") {
		r.failures = append(r.failures, collected(c))
	}
	if described(c, "_wal_corruptions_total") {
		r.repairs = append(r.repairs, collected(c))
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

// collected returns the one metric of c, which tells its count at any time.
func collected(c prometheus.Collector) prometheus.Metric {
	ch := make(chan prometheus.Metric, 1)
	c.Collect(ch)
	return <-ch
}

// failed returns an error when a write to one of the logs has failed since the database was opened.
func (r *watchedRegistry) failed() error { return counted(r.failures, "writes to a log failed") }

// repaired returns an error when a log was found damaged, and repaired.
func (r *watchedRegistry) repaired() error { return counted(r.repairs, "damaged logs were repaired") }

func counted(counters []prometheus.Metric, what string) error {
	for _, c := range counters {
		var m dto.Metric
		if err := c.Write(&m); err != nil {
			return err
		}
		if n := m.GetCounter().GetValue(); n > 0 {
			return fmt.Errorf("%v %s", n, what)
		}
	}
	return nil
}
