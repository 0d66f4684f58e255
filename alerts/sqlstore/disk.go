package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"io/fs"
	"math"
	"os"
)

// fileSuffixes are those of a database's files: itself, and what SQLite keeps beside it.
var fileSuffixes = []string{"", "-wal", "-shm", "-journal"}

// DiskUse says what the store takes of the disk, its own or the database server's.
type DiskUse struct {
	Bytes int64 // of all its files
	Free  int64 // of these, what is empty and will be used again, or given back by Shrink
}

// DiskUse looks at the files, or asks the server, which keeps to itself what is empty.
func (s *Store) DiskUse(ctx context.Context) (DiskUse, error) {
	var use DiskUse
	if s.path == "" {
		err := s.read(ctx, "ask for the size of the database", func(tx *sql.Tx) error {
			return tx.QueryRowContext(ctx, `SELECT pg_database_size(current_database())`).Scan(&use.Bytes)
		})
		return use, err
	}
	for _, suffix := range fileSuffixes {
		info, err := os.Stat(s.path + suffix)
		switch {
		case err == nil:
			use.Bytes += info.Size()
		case !errors.Is(err, fs.ErrNotExist):
			return use, fail("look at the store's files", err)
		}
	}
	err := s.read(ctx, "look at the store's free pages", func(tx *sql.Tx) error {
		var pages, size int64
		if err := tx.QueryRowContext(ctx, `PRAGMA freelist_count`).Scan(&pages); err != nil {
			return err
		}
		if err := tx.QueryRowContext(ctx, `PRAGMA page_size`).Scan(&size); err != nil {
			return err
		}
		use.Free = pages * size
		return nil
	})
	return use, err
}

// Shrink gives what is empty back to the file system, a slice at a time. It is for after a
// retention was shortened: what a steady one frees is used again by the next day.
func (s *Store) Shrink(ctx context.Context) error {
	for before := int64(math.MaxInt64); ; {
		use, err := s.DiskUse(ctx)
		if err != nil || use.Free == 0 || use.Free >= before { // or others free as fast as this gives back
			return err
		}
		before = use.Free
		if err := s.vacuumSome(ctx); err != nil {
			return fail("shrink the store", err)
		}
	}
}

func (s *Store) vacuumSome(ctx context.Context) error {
	if err := s.takeTurn(ctx); err != nil {
		return err
	}
	defer s.endTurn()
	// The pragma frees a page each time it is asked for a row.
	rows, err := s.writer.QueryContext(ctx, `PRAGMA incremental_vacuum(1000)`)
	if err != nil {
		return err
	}
	for rows.Next() {
	}
	return errors.Join(rows.Err(), rows.Close())
}
