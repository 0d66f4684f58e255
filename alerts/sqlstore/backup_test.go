package sqlstore

import (
	"math"
	"os"
	"strings"
	"sync"
	"testing"

	"dewline"
)

func TestBackupAndRestoreWhileRunning(t *testing.T) {
	ctx := t.Context()
	path := newPlace(t)
	service, command := openAt(t, path, Options{}), openAt(t, path, Options{})
	kept, err := service.AddGateway(ctx, "quay-library/hall-gw", midnight)
	if err != nil {
		t.Fatal(err)
	}
	put(t, service, rollUp(hall, "superheat", midnight, 1), rollUp(cold, "superheat", midnight, 2))
	pack(t, service, midnight+dayLong)
	put(t, service, rollUp(hall, "superheat", midnight+dayLong, 3))

	backup := path + ".backup"
	stop, writing := make(chan struct{}), sync.WaitGroup{}
	writing.Go(func() { // the service goes on
		for i := dewline.Millis(0); ; i++ {
			select {
			case <-stop:
				return
			default:
				put(t, service, rollUp(hall, "later", midnight+i*spanMillis, 9))
			}
		}
	})
	err = command.Backup(ctx, backup)
	close(stop)
	writing.Wait()
	if err != nil {
		t.Fatal(err)
	}
	if err := command.Backup(ctx, backup); dewline.CodeOf(err) != dewline.Invalid {
		t.Errorf("backing up over a file: %v", err)
	}
	if info, err := os.Stat(backup); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the backup has mode %v, %v", info.Mode(), err)
	}

	// After the backup: another password, and series whose numbers others will have afterwards.
	if _, err := service.RotateGateway(ctx, "quay-library/hall-gw", midnight); err != nil {
		t.Fatal(err)
	}
	put(t, service, rollUp(hall, "after the backup", midnight, 4))

	if err := command.Restore(ctx, backup); err != nil {
		t.Fatal(err)
	}
	put(t, command, rollUp("fish-market/new", "superheat", midnight, 5))
	put(t, service, rollUp(hall, "after the backup", midnight, 6), rollUp(cold, "superheat", midnight+spanMillis, 7))
	for _, s := range []*Store{service, command, openAt(t, path, Options{})} {
		for _, c := range []struct {
			system   dewline.SystemID
			quantity string
			want     []float64
		}{
			{hall, "superheat", []float64{1, 3}}, {cold, "superheat", []float64{2, 7}}, {"fish-market/new", "superheat", []float64{5}},
			{hall, "after the backup", []float64{6}},
		} {
			got := read(t, s, c.system, c.quantity, 0, math.MaxInt64)
			if len(got) != len(c.want) {
				t.Fatalf("%s of %s: got %v, want %v", c.quantity, c.system, got, c.want)
			}
			for i := range got {
				if got[i].Mean != c.want[i] {
					t.Fatalf("%s of %s: got %v, want %v", c.quantity, c.system, got, c.want)
				}
			}
		}
	}
	if _, _, ok := command.Verify("quay-library/hall-gw", kept); !ok {
		t.Error("the password of the backup does not verify")
	}
	if err := service.refreshLogins(ctx); err != nil { // what WatchGateways does
		t.Fatal(err)
	}
	if _, _, ok := service.Verify("quay-library/hall-gw", kept); !ok {
		t.Error("the other process does not hear of the restored password")
	}
	if got := pragma(t, service, "journal_mode", true); got != "wal" {
		t.Errorf("after the restore the journal is %s", got)
	}
	if _, err := os.Stat(path + ".restore"); !os.IsNotExist(err) {
		t.Error("the restore left a file behind")
	}
}

func TestRestoreRefusesWhatIsNoBackup(t *testing.T) {
	s := openAt(t, newPlace(t), Options{})
	put(t, s, rollUp(hall, "superheat", midnight, 1))
	good := newPlace(t)
	if err := s.Backup(t.Context(), good); err != nil {
		t.Fatal(err)
	}
	bytes, err := os.ReadFile(good)
	if err != nil {
		t.Fatal(err)
	}
	write := func(content []byte) string {
		path := newPlace(t)
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	damaged := append([]byte{}, bytes...)
	for i := 4096 * 8; i < len(damaged)-4096; i += 97 {
		damaged[i] ^= 0x5a
	}
	other := newPlace(t)
	later := openAt(t, other, Options{})
	if _, err := later.writer.Exec(`INSERT INTO goose_db_version (version_id, is_applied) VALUES (99999, 1)`); err != nil {
		t.Fatal(err)
	}
	fromLater := newPlace(t)
	if err := later.Backup(t.Context(), fromLater); err != nil {
		t.Fatal(err)
	}
	for name, path := range map[string]string{
		"missing": newPlace(t), "empty": write(nil), "text": write([]byte(strings.Repeat("no backup ", 1000))),
		"cut short": write(bytes[:len(bytes)/2]), "damaged": write(damaged), "of a later program": fromLater,
	} {
		if err := s.Restore(t.Context(), path); err == nil {
			t.Errorf("%s: restored", name)
		}
		if got := read(t, s, hall, "superheat", 0, midnight+1); len(got) != 1 {
			t.Fatalf("%s: what was there is gone: %v", name, got)
		}
	}
	if err := s.Restore(t.Context(), good); err != nil {
		t.Error(err)
	}
}
