package embedded

import (
	"fmt"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"dewline/ingest/store"
)

// nearlyFull is the part of the budget at which a warning is due.
const nearlyFull = 0.85

// DiskUse is what the readings take and may take.
type DiskUse struct {
	Used   int64 // bytes in the store's folder
	Budget int64 // bytes that it may take: Options.Budget, or less where the disk has not that much
	Nearly bool  // a warning is due: more than 85 % is used
	Full   bool  // nothing is taken until there is room again
}

// DiskUse tells what the readings take, measured at most Options.DiskCheck ago.
func (s *Store) DiskUse() (DiskUse, error) { return s.disk.use() }

// disk watches the room for the folder. The folder is walked again only after some time, so that
// a batch costs nothing; what is written meanwhile is little beside MinFree.
type disk struct {
	folder  string
	options Options

	mu       sync.Mutex
	measured time.Time
	last     DiskUse
}

func (d *disk) use() (DiskUse, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if now := time.Now(); d.measured.IsZero() || now.Sub(d.measured) >= d.options.DiskCheck {
		use, err := d.measure()
		if err != nil {
			return use, fmt.Errorf("embedded store: %s cannot be measured: %w", d.folder, err)
		}
		d.last, d.measured = use, now
	}
	return d.last, nil
}

func (d *disk) measure() (DiskUse, error) {
	used, err := sizeOf(d.folder)
	if err != nil {
		return DiskUse{}, err
	}
	var fs unix.Statfs_t
	if err := unix.Statfs(d.folder, &fs); err != nil {
		return DiskUse{}, err
	}
	budget := used + int64(fs.Bavail)*int64(fs.Bsize) - d.options.MinFree
	if d.options.Budget > 0 {
		budget = min(budget, d.options.Budget)
	}
	return DiskUse{
		Used:   used,
		Budget: max(0, budget),
		Nearly: float64(used) >= nearlyFull*float64(budget),
		Full:   used >= budget,
	}, nil
}

// room returns an error when nothing more may be written.
func (d *disk) room() error {
	use, err := d.use()
	if err != nil {
		return fmt.Errorf("%w: %w", err, store.ErrUnavailable)
	}
	if use.Full {
		return fmt.Errorf("embedded store: %s has %d bytes of at most %d: free the disk, raise the budget or keep readings for a shorter time: %w",
			d.folder, use.Used, use.Budget, store.ErrFull)
	}
	return nil
}
