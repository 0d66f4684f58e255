package sqlstore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"modernc.org/sqlite"
)

const elsewhere = "the database is PostgreSQL's: use pg_dump, and pg_restore while the service is stopped"

// Backup writes a copy of the store, as it is when the call begins, to a new file. Reading and
// writing go on meanwhile. The file appears under its name when it is complete.
// PostgreSQL has means of its own.
func (s *Store) Backup(ctx context.Context, file string) error {
	op := "back up to " + file
	if s.path == "" {
		return invalid(op, elsewhere)
	}
	if _, err := os.Stat(file); !errors.Is(err, fs.ErrNotExist) {
		return invalid(op, "there is a file of that name: remove it or choose another name")
	}
	partial := file + ".partial"
	if err := removeDatabase(partial); err != nil {
		return fail(op, err)
	}
	if err := s.copyInto(ctx, partial); err != nil {
		return fail(op, errors.Join(err, removeDatabase(partial)))
	}
	if err := errors.Join(os.Chmod(partial, 0o600), syncFile(partial)); err != nil {
		return fail(op, err)
	}
	return fail(op, os.Rename(partial, file))
}

// copyInto writes what is there to a new database. It has a connection of its own, because the
// readers may write nothing at all.
func (s *Store) copyInto(ctx context.Context, file string) error {
	db, err := sql.Open("sqlite", fileURI(s.path)+"?_pragma=busy_timeout(10000)")
	if err != nil {
		return err
	}
	_, err = db.ExecContext(ctx, `VACUUM INTO $1`, fileURI(file))
	return errors.Join(err, db.Close())
}

// Restore replaces everything in the store by what is in a file that Backup wrote, in one
// transaction, also while other processes have the store open: they see all of it at once.
// What a process remembers beyond this package (the engine, say) is of the time before, so that it
// should begin again. While it lasts, the disk holds the content three times.
// PostgreSQL has means of its own.
func (s *Store) Restore(ctx context.Context, file string) error {
	op := "restore " + file
	if s.path == "" {
		return invalid(op, elsewhere)
	}
	// The backup stays as it is: a copy is brought up to this program's version, and gets an epoch of
	// its own, which makes every process forget the numbers of series that it knows.
	fresh := s.path + ".restore"
	defer func() { _ = removeDatabase(fresh) }()
	if err := s.prepareRestore(ctx, file, fresh); err != nil {
		return fail(op, err)
	}
	if err := s.replaceBy(ctx, fresh); err != nil {
		return fail(op, err)
	}
	return s.refreshLogins(ctx)
}

// replaceBy copies a database that is ready over this one.
func (s *Store) replaceBy(ctx context.Context, fresh string) error {
	if err := s.takeTurn(ctx); err != nil {
		return err
	}
	defer s.endTurn()
	s.series = nil
	return s.copyFrom(ctx, fresh)
}

func (s *Store) prepareRestore(ctx context.Context, file, fresh string) error {
	if err := checkBackup(ctx, file); err != nil {
		return err
	}
	if err := removeDatabase(fresh); err != nil {
		return err
	}
	if err := copyFile(file, fresh); err != nil {
		return err
	}
	store, err := Open(ctx, fresh, s.options)
	if err != nil {
		return err
	}
	_, err = store.writer.ExecContext(ctx, `UPDATE store_info SET epoch = lower(hex(randomblob(16)))`)
	return errors.Join(err, store.Close())
}

// checkBackup says what is wrong with a backup before anything is changed.
func checkBackup(ctx context.Context, file string) error {
	if _, err := os.Stat(file); err != nil {
		return err
	}
	db, err := sql.Open("sqlite", fileURI(file)+"?mode=ro")
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }()
	var version int64
	if err := db.QueryRowContext(ctx, `SELECT max(version_id) FROM goose_db_version`).Scan(&version); err != nil {
		return fmt.Errorf("it is no backup of this store: %w", err)
	}
	newest, err := sqliteDialect.newestVersion()
	if err != nil {
		return err
	}
	if version > newest {
		return versionError(version, newest)
	}
	var verdict string
	if err := db.QueryRowContext(ctx, `PRAGMA quick_check(1)`).Scan(&verdict); err != nil {
		return err
	}
	if verdict != "ok" {
		return fmt.Errorf("it is damaged: %s: use another backup", verdict)
	}
	return nil
}

// copyFrom replaces the content of the database by that of file, page by page in one transaction.
func (s *Store) copyFrom(ctx context.Context, file string) error {
	conn, err := s.writer.Conn(ctx)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close() }()
	return conn.Raw(func(driver any) error {
		restorer, ok := driver.(interface {
			NewRestore(uri string) (*sqlite.Backup, error)
		})
		if !ok {
			return errors.New("the driver cannot restore")
		}
		restore, err := restorer.NewRestore(fileURI(file))
		if err != nil {
			return err
		}
		_, err = restore.Step(-1)
		return errors.Join(err, restore.Finish())
	})
}

// removeDatabase removes a database file with what SQLite keeps beside it, if any of it is there.
func removeDatabase(path string) error {
	var errs []error
	for _, suffix := range fileSuffixes {
		if err := os.Remove(path + suffix); !errors.Is(err, fs.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { _ = in.Close() }()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
