package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewline"
	"dewline/alerts/photos"
	"dewline/alerts/sqlstore"
	"dewline/alerts/sqlstore/storetest"
	"dewline/ingest/store/embedded"
)

// TestServiceOnPostgres: a service whose database is PostgreSQL keeps nothing of it in its data folder,
// and the commands beside it find it.
func TestServiceOnPostgres(t *testing.T) {
	tale := newStory(t, time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -6))
	var set settings
	set.Database = storetest.Postgres(t)
	s := startTestService(t, serviceOptions{Fleet: tale.fleet, Settings: set})
	if _, err := os.Stat(databasePath(s.o.Data)); !os.IsNotExist(err) {
		t.Errorf("the data folder has a database: %v", err)
	}
	var out bytes.Buffer
	std := &streams{out: &out, err: io.Discard}
	add := gatewayAdd{gatewayOne{gatewayData{s.o.Data}, "quay/gw"}}
	if err := add.Run(t.Context(), std); err != nil {
		t.Fatal(err)
	}
	list, err := s.relational.ListGateways(t.Context())
	if err != nil || len(list) != 1 || list[0].ID != "quay/gw" {
		t.Errorf("the service knows the gateways %v, %v", list, err)
	}
	backupBesidePostgres(t, s, tale)
}

// backupBesidePostgres: an archive has readings and photos and says that the database is not in it. It goes
// back where the database is elsewhere, and never in the place of one.
func backupBesidePostgres(t *testing.T, s *service, tale *story) {
	var batch []dewline.Sample
	tale.each(t, 600, 5, func(_ dewline.SystemID, frame []dewline.Sample) { batch = append(batch, frame...) })
	if _, err := s.running.Load().readings.Append(t.Context(), batch, nil); err != nil {
		t.Fatal(err)
	}
	photo, err := s.desks.photos.KeepPhoto(t.Context(), "visit-0001", smallPicture(t))
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "backup.tar.zst")
	run := func(command interface {
		Run(context.Context, *streams) error
	}, says string) {
		t.Helper()
		var out bytes.Buffer
		err := command.Run(t.Context(), &streams{out: &out, err: io.Discard})
		if text := out.String() + fmt.Sprint(err); !strings.Contains(text, says) {
			t.Fatalf("%T: %s, want %q", command, text, says)
		}
	}
	run(&backupCommand{Data: s.o.Data, File: file}, "pg_dump")
	run(&restoreCommand{Data: s.o.Data, File: file}, "stop the service")
	stopped := t.TempDir() // as the service leaves its folder
	if err := settleDatabase(stopped, "postgres://dewline@db/dewline"); err != nil {
		t.Fatal(err)
	}
	run(&restoreCommand{Data: stopped, File: file}, "pg_restore")
	run(&backupCommand{Data: stopped, File: file + ".stopped"}, "pg_dump")
	own := t.TempDir()
	db, err := openDatabase(t.Context(), own, sqlstore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	run(&restoreCommand{Data: own, File: file}, "has no database")
	run(&backupCommand{Data: own, File: file + ".own"}, "MB")
	run(&restoreCommand{Data: stopped, File: file + ".own"}, "restore it into another folder")
	for _, archive := range []string{file, file + ".stopped"} {
		fresh := filepath.Join(t.TempDir(), "fresh")
		run(&restoreCommand{Data: fresh, File: archive}, "pg_restore")
		photos := photos.Folder{Path: photosPath(fresh)}
		if _, err := photos.PhotoOf(t.Context(), "visit-0001", photo.Digest, false); err != nil {
			t.Errorf("%s: the photo: %v", archive, err)
		}
		readings, err := embedded.Open(readingsPath(fresh), embedded.DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		got, err := readings.Read(t.Context(), "quay/hall", dewline.SuctionTemp, 0, 1<<60, nil)
		if err := errors.Join(err, readings.Close()); err != nil || len(got) != 120 {
			t.Errorf("%s: %d readings, %v", archive, len(got), err)
		}
		if _, err := os.Stat(databasePath(fresh)); !os.IsNotExist(err) {
			t.Errorf("%s: a database of nothing: %v", archive, err)
		}
	}
}

// TestDatabaseIsNotForgotten: a service never begins with an empty database where it had another.
func TestDatabaseIsNotForgotten(t *testing.T) {
	const address, other = "postgres://dewline@db/dewline", "postgres://dewline@standby/dewline"
	data := t.TempDir()
	settle := func(address, refused string) {
		t.Helper()
		err := settleDatabase(data, address)
		if (err == nil) != (refused == "") || err != nil && !strings.Contains(err.Error(), refused) {
			t.Errorf("%q: %v", address, err)
		}
	}
	settle("", "")
	settle(address, "")
	settle(address, "")
	settle("", "name it there")
	settle(other, "")
	if got, err := databaseAddress(data); err != nil || got != other {
		t.Errorf("%q, %v", got, err)
	}
	if info, err := os.Stat(addressPath(data)); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the file that may have a password: %v, %v", info, err)
	}
	data = t.TempDir()
	db, err := openDatabase(t.Context(), data, sqlstore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	settle(address, "a database of its own")
}
