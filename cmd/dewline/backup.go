package main

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"

	"dewline"
	"dewline/alerts/sqlstore"
	"dewline/ingest/store/embedded"

	"github.com/klauspost/compress/zstd"
)

// backupCommand writes everything that is kept into one file, also while the service runs.
type backupCommand struct {
	Data string `required:"" placeholder:"DIR" help:"The data folder."`
	File string `arg:"" help:"The archive to write (.tar.zst). It must not exist."`
}

// restoreCommand puts an archive in the place of what is kept, also while the service runs.
type restoreCommand struct {
	Data string `required:"" placeholder:"DIR" help:"The data folder. What it holds is replaced."`
	File string `arg:"" help:"The archive."`
}

// The parts of an archive.
const (
	archiveDatabase  = "dewline.db"
	archiveReadings  = "readings"
	archivePhotos    = "photos"
	archiveElsewhere = "database.txt" // instead of the database: says that it is not in the archive
	archiveFleet     = "fleet.yaml"   // where the service keeps it itself
)

// Run writes the archive. It appears under its name only when it is whole.
func (c *backupCommand) Run(ctx context.Context, std *streams) (err error) {
	address, err := databaseAddress(c.Data)
	if err != nil {
		return err
	}
	if _, err := os.Stat(c.File); err == nil {
		return fmt.Errorf("%s exists: give another name", c.File)
	}
	f, err := os.CreateTemp(filepath.Dir(c.File), ".backup-*")
	if err != nil {
		return err
	}
	defer func() {
		if err = errors.Join(err, f.Close()); err != nil {
			os.Remove(f.Name())
		}
	}()
	lock, err := lockFolder(c.Data)
	if err != nil {
		err = c.fromService(ctx, f)
	} else {
		err = backupFolder(ctx, f, c.Data)
		lock.Close()
	}
	if err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	info, err := f.Stat()
	if err != nil {
		return err
	}
	if err := os.Rename(f.Name(), c.File); err != nil {
		return err
	}
	fmt.Fprintf(std.out, "%s: %.1f MB. Readings that still wait in the MQTT broker are not in it.\n", c.File, float64(info.Size())/1e6)
	if address != "" {
		fmt.Fprintln(std.out, elsewhere)
	}
	return nil
}

// elsewhere is what an archive without a database says. The dump comes first, so that what it speaks of is
// in the archive.
const elsewhere = "The database is PostgreSQL's and is not in the archive: dump it with pg_dump, just before, and restore it with pg_restore."

// fromService asks the running service for the archive.
func (c *backupCommand) fromService(ctx context.Context, w io.Writer) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://service/backup", nil)
	if err != nil {
		return err
	}
	return ask(controlClient(c.Data), request, w)
}

func ask(client *http.Client, request *http.Request, w io.Writer) error {
	answer, err := client.Do(request)
	if err != nil {
		return fmt.Errorf("the service that uses the data folder does not answer: %w", err)
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		text, _ := io.ReadAll(io.LimitReader(answer.Body, 4096))
		return fmt.Errorf("the service says: %s", bytes.TrimSpace(text))
	}
	_, err = io.Copy(w, answer.Body)
	return err
}

// backupFolder writes the archive of a folder that no service uses.
func backupFolder(ctx context.Context, w io.Writer, data string) error {
	address, err := databaseAddress(data)
	if err != nil {
		return err
	}
	var db *sqlstore.Store
	if address == "" {
		if _, err := os.Stat(databasePath(data)); err != nil {
			return fmt.Errorf("%s is not a data folder: %w", data, err)
		}
		if db, err = sqlstore.Open(ctx, databasePath(data), sqlstore.Options{}); err != nil {
			return err
		}
		defer db.Close()
	}
	if _, err := os.Stat(readingsPath(data)); errors.Is(err, os.ErrNotExist) {
		return writeBackup(ctx, w, data, nil, db)
	}
	readings, err := embedded.Open(readingsPath(data), embedded.DefaultOptions())
	if err != nil {
		return err
	}
	defer readings.Close()
	return writeBackup(ctx, w, data, readings, db)
}

// snapshotter is a store of readings that can be backed up here. An external one is backed up by
// its own means.
type snapshotter interface {
	Snapshot(ctx context.Context, folder string) error
}

// writeBackup writes the archive; of the database only that it is elsewhere where it is. Credentials are in it as hashes only.
//
// The database is copied after the readings: its states then say at most that readings are
// analysed which are missing here, and never the other way round, so that nothing is told twice.
// Photos come last: one that a visit speaks of was there before the visit spoke of it.
func writeBackup(ctx context.Context, w io.Writer, data string, readings dewline.Readings, db *sqlstore.Store) error {
	temp, err := os.MkdirTemp(data, "backup-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(temp)
	z, err := zstd.NewWriter(w)
	if err != nil {
		return err
	}
	archive := tar.NewWriter(z)
	address, err := databaseAddress(data)
	switch {
	case err != nil:
	case address == "":
		err = db.Backup(ctx, filepath.Join(temp, archiveDatabase))
	default:
		err = os.WriteFile(filepath.Join(temp, archiveElsewhere), []byte(elsewhere+"\n"), 0o600)
	}
	if err != nil {
		return err
	}
	if s, ok := readings.(snapshotter); ok {
		if err := s.Snapshot(ctx, filepath.Join(temp, archiveReadings)); err != nil {
			return err
		}
	}
	if fleet, err := os.ReadFile(fleetPath(data)); err == nil {
		if err := os.WriteFile(filepath.Join(temp, archiveFleet), fleet, 0o640); err != nil {
			return err
		}
	} else if !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if err := archive.AddFS(os.DirFS(temp)); err != nil {
		return err
	}
	if err := addPhotos(archive, photosPath(data)); err != nil {
		return err
	}
	return errors.Join(archive.Close(), z.Close())
}

// addPhotos adds the pictures where they lie: none ever changes. One that is still being written has
// another name, and may be gone a moment later.
func addPhotos(archive *tar.Writer, folder string) error {
	files, err := filepath.Glob(filepath.Join(folder, "*", "*.jpg"))
	if err != nil {
		return err
	}
	for _, path := range files {
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		visit, name := filepath.Base(filepath.Dir(path)), filepath.Base(path)
		h := &tar.Header{Typeflag: tar.TypeReg, Name: archivePhotos + "/" + visit + "/" + name, Mode: 0o600, Size: int64(len(data))}
		if err := archive.WriteHeader(h); err != nil {
			return err
		}
		if _, err := archive.Write(data); err != nil {
			return err
		}
	}
	return nil
}

// Run restores the archive.
func (c *restoreCommand) Run(ctx context.Context, std *streams) error {
	if err := checkArchive(c.Data, c.File); err != nil {
		return err
	}
	if err := os.MkdirAll(c.Data, 0o750); err != nil {
		return err
	}
	address, err := databaseAddress(c.Data)
	if err != nil {
		return err
	}
	lock, err := lockFolder(c.Data)
	switch {
	case err != nil && address != "":
		return fmt.Errorf("stop the service on %s first, and restore its database by pg_restore at the same time: %w", c.Data, err)
	case err != nil:
		err = c.byService(ctx)
	default:
		err = restoreFolder(c.Data, c.File)
		lock.Close()
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(std.out, "%s holds what was in %s\n", c.Data, c.File)
	if _, err := os.Stat(databasePath(c.Data)); errors.Is(err, os.ErrNotExist) {
		fmt.Fprintln(std.out, elsewhere)
	}
	return nil
}

func (c *restoreCommand) byService(ctx context.Context) error {
	f, err := os.Open(c.File)
	if err != nil {
		return err
	}
	defer f.Close()
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://service/restore", f)
	if err != nil {
		return err
	}
	return ask(controlClient(c.Data), request, io.Discard)
}

// eachFile calls do for every regular file of an archive.
func eachFile(path string, do func(name string, r io.Reader) error) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	z, err := zstd.NewReader(f)
	if err != nil {
		return fmt.Errorf("%s is no backup: %w", path, err)
	}
	defer z.Close()
	archive := tar.NewReader(z)
	for {
		h, err := archive.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("%s is no whole backup: %w", path, err)
		}
		if h.Typeflag != tar.TypeReg {
			continue
		}
		if !filepath.IsLocal(h.Name) || (h.Name != archiveDatabase && h.Name != archiveElsewhere && h.Name != archiveFleet && !strings.HasPrefix(h.Name, archiveReadings+"/") && !strings.HasPrefix(h.Name, archivePhotos+"/")) {
			return fmt.Errorf("%s is no backup: it has a file %q", path, h.Name)
		}
		if err := do(h.Name, archive); err != nil {
			return err
		}
	}
}

// checkArchive reads an archive to its end, so that what is kept is not given up for half of it, and holds
// it to the folder: where one has a database and the other has it elsewhere, it is not the folder's.
func checkArchive(data, path string) error {
	inside, outside := false, false
	err := eachFile(path, func(name string, r io.Reader) error {
		inside, outside = inside || name == archiveDatabase, outside || name == archiveElsewhere
		if _, err := io.Copy(io.Discard, r); err != nil {
			return fmt.Errorf("%s is no whole backup: %w", path, err)
		}
		return nil
	})
	if err != nil {
		return err
	}
	address, err := databaseAddress(data)
	if err != nil {
		return err
	}
	_, missing := os.Stat(databasePath(data))
	switch {
	case inside == outside:
		return fmt.Errorf("%s is no backup: it has no %s", path, archiveDatabase)
	case inside && address != "":
		return fmt.Errorf("%s has a database and that of %s is PostgreSQL's, as its file %s says: restore it into another folder", path, data, filepath.Base(addressPath(data)))
	case outside && missing == nil:
		return fmt.Errorf("%s has no database and %s has one: restore it into a folder whose database is PostgreSQL's, or an empty one", path, data)
	}
	return nil
}

// restoreFolder replaces the data of a folder that no service uses. Messages that wait in the
// broker stay: they are newer than any backup.
func restoreFolder(data, path string) error {
	temp, err := os.MkdirTemp(data, "restored-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(temp)
	err = eachFile(path, func(name string, r io.Reader) error {
		to := filepath.Join(temp, name)
		if err := os.MkdirAll(filepath.Dir(to), 0o750); err != nil {
			return err
		}
		f, err := os.Create(to)
		if err != nil {
			return err
		}
		_, err = io.Copy(f, r)
		return errors.Join(err, f.Sync(), f.Close())
	})
	if err != nil {
		return err
	}
	if fleet, err := os.ReadFile(filepath.Join(temp, archiveFleet)); err == nil {
		if err := replaceFile(fleetPath(data), fleet); err != nil {
			return err
		}
	}
	return errors.Join(restorePhotos(data, filepath.Join(temp, archivePhotos)),
		restoreReadings(data, filepath.Join(temp, archiveReadings)), restoreDatabase(data, filepath.Join(temp, archiveDatabase)))
}

// restorePhotos puts the pictures of an archive in the place of those that are there; it may have none.
func restorePhotos(data, fresh string) error {
	if err := os.MkdirAll(fresh, 0o750); err != nil {
		return err
	}
	if err := os.Rename(photosPath(data), fresh+"-before"); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return os.Rename(fresh, photosPath(data))
}

func restoreReadings(data, snapshot string) error {
	if _, err := os.Stat(snapshot); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	s, err := embedded.Open(readingsPath(data), embedded.DefaultOptions())
	if err != nil {
		return err
	}
	return errors.Join(s.Restore(context.Background(), snapshot), s.Close())
}

func restoreDatabase(data, fresh string) error {
	if _, err := os.Stat(fresh); errors.Is(err, os.ErrNotExist) {
		return nil // elsewhere
	}
	ctx := context.Background()
	db, err := sqlstore.Open(ctx, databasePath(data), sqlstore.Options{})
	if err != nil {
		return err
	}
	return errors.Join(db.Restore(ctx, fresh), db.Close())
}
