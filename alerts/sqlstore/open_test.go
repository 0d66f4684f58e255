package sqlstore

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline"
)

func pragma(t *testing.T, s *Store, name string, write bool) (value string) {
	t.Helper()
	db := s.reader
	if write {
		db = s.writer
	}
	if err := db.QueryRow(`PRAGMA ` + name).Scan(&value); err != nil {
		t.Fatal(err)
	}
	return value
}

func TestConnectionsAreSetUp(t *testing.T) {
	s := openAt(t, newPlace(t), Options{})
	for name, want := range map[string]string{"journal_mode": "wal", "synchronous": "1", "foreign_keys": "1", "auto_vacuum": "2", "busy_timeout": "10000"} {
		if got := pragma(t, s, name, true); got != want {
			t.Errorf("the writer's %s is %s, want %s", name, got, want)
		}
	}
	for name, want := range map[string]string{"query_only": "1", "busy_timeout": "10000"} {
		if got := pragma(t, s, name, false); got != want {
			t.Errorf("a reader's %s is %s, want %s", name, got, want)
		}
	}
	full := openAt(t, newPlace(t), Options{FullSync: true})
	if got := pragma(t, full, "synchronous", true); got != "2" {
		t.Errorf("with FullSync synchronous is %s, want 2", got)
	}
	if _, err := s.reader.Exec(`DELETE FROM gateways`); err == nil {
		t.Error("a reader could write")
	}
}

func TestAnyPathWillDo(t *testing.T) {
	for _, name := range []string{"a?mode=memory", "b#c%20d", "é ;'&=", ":memory:"} {
		folder := filepath.Join(t.TempDir(), name)
		if err := os.Mkdir(folder, 0o700); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(folder, name+".db")
		openAt(t, path, Options{})
		if info, err := os.Stat(path); err != nil || info.Size() == 0 {
			t.Errorf("%q: %v", name, err)
		}
		backup := filepath.Join(folder, name+".backup")
		if err := openAt(t, path, Options{}).Backup(t.Context(), backup); err != nil {
			t.Errorf("%q: %v", name, err)
		}
		if err := openAt(t, path, Options{}).Restore(t.Context(), backup); err != nil {
			t.Errorf("%q: %v", name, err)
		}
	}
	t.Chdir(t.TempDir())
	openAt(t, "relative.db", Options{})
	if _, err := os.Stat("relative.db"); err != nil {
		t.Error(err)
	}
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	noDatabase := newPlace(t)
	if err := os.WriteFile(noDatabase, []byte(strings.Repeat("this is no database ", 100)), 0o600); err != nil {
		t.Fatal(err)
	}
	later := newPlace(t)
	s := openAt(t, later, Options{})
	if _, err := s.writer.Exec(`INSERT INTO goose_db_version (version_id, is_applied) VALUES (99999, 1)`); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{
		filepath.Join(t.TempDir(), "missing", "dewline.db"): "folder exists",
		noDatabase: "restore a backup",
		later:      "later program",
	} {
		s, err := Open(t.Context(), path, Options{})
		if err == nil {
			s.Close()
		}
		if err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), path) || dewline.CodeOf(err) != dewline.Unavailable {
			t.Errorf("got %v, want something with %q", err, want)
		}
	}
}

func TestMigrations(t *testing.T) {
	schema := func(s *Store) (text string) {
		rows, err := s.reader.Query(`SELECT coalesce(sql, '') FROM sqlite_schema WHERE name NOT LIKE 'goose%' ORDER BY name`)
		if err != nil {
			t.Fatal(err)
		}
		defer rows.Close()
		for rows.Next() {
			var sql string
			if err := rows.Scan(&sql); err != nil {
				t.Fatal(err)
			}
			text += sql + "\n"
		}
		return text
	}
	path := newPlace(t)
	first := openAt(t, path, Options{})
	want := schema(first)
	if !strings.Contains(want, "CREATE TABLE alerts") {
		t.Fatalf("the tables are %s", want)
	}
	put(t, first, rollUp(hall, "superheat", midnight, 1))
	second := openAt(t, path, Options{}) // while the first is open
	if got := schema(second); got != want {
		t.Errorf("opening again changed %s to %s", want, got)
	}
	if len(read(t, second, hall, "superheat", 0, midnight+1)) != 1 {
		t.Error("opening again lost data")
	}

	provider, err := first.dialect.provider(first.writer)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := provider.DownTo(t.Context(), 0); err != nil {
		t.Fatal(err)
	}
	if left := strings.TrimSpace(strings.ReplaceAll(schema(first), "CREATE TABLE sqlite_sequence(name,seq)", "")); left != "" {
		t.Errorf("migrating down leaves %s", left)
	}
	if _, err := provider.Up(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := schema(first); got != want {
		t.Errorf("down and up again changed %s to %s", want, got)
	}
}

func TestOpenedByManyAtOnce(t *testing.T) { onEach(t, openedByManyAtOnce) }

func openedByManyAtOnce(t *testing.T, place string) {
	var work sync.WaitGroup
	for range 8 {
		work.Go(func() {
			s, err := Open(t.Context(), place, Options{})
			if err != nil {
				t.Error(err)
				return
			}
			if err := s.RecordEvents(t.Context(), []dewline.Event{{System: hall, Kind: dewline.Serviced, At: midnight}}); err != nil {
				t.Error(err)
			}
			if err := s.Close(); err != nil {
				t.Error(err)
			}
		})
	}
	work.Wait()
}

func TestFullDisk(t *testing.T) {
	s := openAt(t, newPlace(t), Options{})
	put(t, s, rollUp(hall, "superheat", midnight, 1))
	if _, err := s.writer.Exec(`PRAGMA max_page_count = 50`); err != nil { // what SQLite says is the same
		t.Fatal(err)
	}
	var rows []dewline.RollUp
	for i := range 3000 {
		rows = append(rows, rollUp(cold, "new", midnight+dewline.Millis(i)*spanMillis, 1./3))
	}
	err := s.PutRollUps(t.Context(), rows)
	if dewline.CodeOf(err) != dewline.Unavailable || !dewline.CanRetry(err) || !strings.Contains(err.Error(), "disk is full") {
		t.Fatalf("got %v", err)
	}
	if len(read(t, s, hall, "superheat", 0, midnight+1)) != 1 || len(read(t, s, cold, "new", 0, midnight+dayLong)) != 0 {
		t.Error("a write that failed left something, or took something away")
	}
	if _, err := s.writer.Exec(`PRAGMA max_page_count = 100000`); err != nil {
		t.Fatal(err)
	}
	put(t, s, rows...)
	if got := read(t, s, cold, "new", 0, midnight+400*dayLong); len(got) != len(rows) {
		t.Errorf("after room was made there are %d of %d", len(got), len(rows))
	}
}

func TestWaitingEndsWithTheContext(t *testing.T) { onEach(t, waitingEndsWithTheContext) }

func waitingEndsWithTheContext(t *testing.T, place string) {
	s := openAt(t, place, Options{})
	if err := s.takeTurn(t.Context()); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	err := s.PutRollUps(ctx, []dewline.RollUp{rollUp(hall, "superheat", midnight, 1)})
	if !errors.Is(err, context.DeadlineExceeded) || !dewline.CanRetry(err) {
		t.Errorf("got %v", err)
	}
	s.endTurn()
	put(t, s, rollUp(hall, "superheat", midnight, 1))
}

func TestHistoryStands(t *testing.T) { onEach(t, historyStands) }

func historyStands(t *testing.T, place string) {
	s := openAt(t, place, Options{})
	a := dewline.Alert{ID: "x", Site: "quay-library", System: hall, Systems: []dewline.SystemID{hall}, Condition: dewline.Silent,
		Conditions: []dewline.Condition{dewline.Silent}, Severity: dewline.Soon, State: dewline.AlertOpen}
	if err := s.PutAlerts(t.Context(), []dewline.AlertChange{{Alert: a}}); err != nil {
		t.Fatal(err)
	}
	for _, statement := range []string{`DELETE FROM alert_changes`, `UPDATE alert_changes SET why = 'another'`, `DELETE FROM alerts`} {
		if _, err := s.writer.Exec(statement); err == nil {
			t.Errorf("%s went through", statement)
		}
	}
}

// TestStoredAlert pins how alerts are stored: what is in databases has to be read for ever.
func TestStoredAlert(t *testing.T) {
	const body = `{"ID":"x","Site":"s","System":"s/a","Systems":["s/a"],"Condition":"flooding","Conditions":["flooding"],` +
		`"Severity":"urgent","State":"open","Onset":1,"Detected":2,"Cleared":0,"Follows":"y",` +
		`"Causes":[{"fault":"overfeed","detail":"d","probability":0.6666666666666666}],` +
		`"Forecast":{"limit":"l","quantity":"superheat","value":2.8,"unit":"K","at":3,"days_p10":0.1,"days_p50":0.2,"days_p90":0.30000000000000004}}`
	a, err := alertOf([]byte(body))
	if err != nil {
		t.Fatal(err)
	}
	if a.Follows != "y" || a.Causes[0].Probability != 2./3 || a.Forecast.At != 3 || a.Detected != 2 {
		t.Errorf("read %+v", a)
	}
	if got, err := bodyOf(a); err != nil || got != body {
		t.Errorf("wrote %s, %v", got, err)
	}
}

func TestStatusesAreBounded(t *testing.T) { onEach(t, statusesAreBounded) }

func statusesAreBounded(t *testing.T, place string) {
	s := openAt(t, place, Options{StatusesAtMost: 3})
	for i, id := range []dewline.GatewayID{"a/a", "a/b", "a/c", "a/d", "a/e"} {
		if err := s.RecordGatewayStatus(t.Context(), dewline.GatewayStatus{Gateway: id, Received: midnight + dewline.Millis(i)}); err != nil {
			t.Fatal(err)
		}
	}
	if n := count(t, s, "gateway_status"); n != 3 {
		t.Errorf("%d statuses are kept", n)
	}
	for id, code := range map[dewline.GatewayID]dewline.Code{"a/b": dewline.NotFound, "a/c": "", "a/e": ""} {
		if _, err := s.ReadGatewayStatus(t.Context(), id); dewline.CodeOf(err) != code {
			t.Errorf("%s: %v", id, err)
		}
	}
}
