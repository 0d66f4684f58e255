package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewline/alerts/sqlstore"
	"dewline/alerts/sqlstore/storetest"
)

// TestServiceOnPostgres: a service whose database is PostgreSQL keeps nothing of it in its data folder,
// and the commands beside it find it.
func TestServiceOnPostgres(t *testing.T) {
	tale := newStory(t, time.Now())
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
	file := filepath.Join(t.TempDir(), "backup.tar.zst")
	if err := (&backupCommand{Data: s.o.Data, File: file}).Run(t.Context(), std); err == nil || !strings.Contains(err.Error(), "pg_dump") {
		t.Errorf("backup: %v", err)
	}
	if err := (&restoreCommand{Data: s.o.Data, File: file}).Run(t.Context(), std); err == nil || !strings.Contains(err.Error(), "pg_restore") {
		t.Errorf("restore: %v", err)
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
