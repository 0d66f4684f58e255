package sqlstore

import (
	"bufio"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"dewline"
)

const crashEnv = "DEWLINE_CRASH_STORE"

func TestMain(m *testing.M) {
	if path := os.Getenv(crashEnv); path != "" {
		fmt.Println(writeUntilKilled(path))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// crashSystems are written together, each step as one Progress.
func crashSystem(i int) dewline.SystemID { return dewline.SystemID(fmt.Sprint("quay-library/s", i)) }

const crashSystems = 40

func crashProgress(n int) dewline.Progress {
	p := dewline.Progress{Version: 1, Watermark: dewline.Millis(n), States: map[dewline.SystemID][]byte{}}
	for i := range crashSystems {
		id := crashSystem(i)
		p.States[id] = fmt.Appendf(nil, "%d", n)
		p.RollUps = append(p.RollUps, rollUp(id, "superheat", midnight, float64(n)), rollUp(id, "superheat", midnight+dewline.Millis(n)*spanMillis, float64(n)))
	}
	onset := dewline.Millis(n)
	p.Alerts = []dewline.AlertChange{{Alert: dewline.Alert{
		ID: dewline.AlertID(hall, dewline.Overfeed, onset), Site: hall.Site(), System: hall, Systems: []dewline.SystemID{hall},
		Condition: dewline.Flooding, Conditions: []dewline.Condition{dewline.Flooding}, Severity: dewline.Urgent, State: dewline.AlertOpen,
		Onset: onset, Detected: onset,
	}}}
	return p
}

// writeUntilKilled goes on from what is stored, and prints each step once it is committed. Now and
// then it packs, which a kill must not harm either.
func writeUntilKilled(path string) error {
	ctx := context.Background()
	s, err := Open(ctx, path, Options{})
	if err != nil {
		return err
	}
	watermark, err := s.LoadProgress(ctx, 1, func(dewline.SystemID, []byte) error { return nil })
	if err != nil {
		return err
	}
	for n := int(watermark) + 1; ; n++ {
		if err := s.SaveProgress(ctx, crashProgress(n)); err != nil {
			return err
		}
		fmt.Println(n)
		if err := crashDispatch(ctx, s, n); err != nil {
			return err
		}
		if n%7 == 0 {
			if _, err := s.PackRollUps(ctx, midnight+dewline.Millis(n)*spanMillis); err != nil {
				return err
			}
		}
	}
}

// crashDispatch is what a person does with the alert of a step: alert, call, visit and event change together.
func crashDispatch(ctx context.Context, s *Store, n int) error {
	return s.Desk(ctx, "dispatch", func(tx dewline.DeskTx) error {
		a, err := tx.Alert(crashProgress(n).Alerts[0].Alert.ID)
		if err != nil {
			return err
		}
		a.State = dewline.AlertDispatched
		by := dewline.Change{By: fmt.Sprint("person ", n), At: a.Detected}
		id := fmt.Sprintf("visit-%06d", n)
		return errors.Join(
			tx.PutAlert(dewline.AlertChange{Change: by, Alert: a}),
			tx.PutCall(dewline.CallChange{Change: by, Call: dewline.ServiceCall{ID: id, Site: a.Site, Alerts: []string{a.ID}, Systems: a.Systems, State: dewline.CallDone}}),
			tx.PutVisit(dewline.Visit{ID: id, Call: id, System: a.System, Technician: by.By}),
			tx.RecordEvents([]dewline.Event{{System: a.System, Kind: dewline.Serviced, At: a.Onset}}))
	})
}

// checkDispatched: of what a person did either everything is there or nothing.
func checkDispatched(t *testing.T, s *Store, step int) {
	t.Helper()
	calls, visits := count(t, s, "service_calls"), count(t, s, "visits")
	if changes, events, names := count(t, s, "service_call_changes"), count(t, s, "events"), count(t, s, "names"); calls != visits || calls != changes || calls != events || calls != names {
		t.Fatalf("step %d: %d calls, %d changes of them, %d visits, %d events, %d names", step, calls, changes, visits, events, names)
	}
	history := 0
	if err := s.reader.QueryRow(`SELECT count(*) FROM alert_changes WHERE who LIKE '#%'`).Scan(&history); err != nil || history != calls {
		t.Fatalf("step %d: %d acts in the histories, %d calls, %v", step, history, calls, err)
	}
	dispatched := 0
	if err := s.reader.QueryRow(`SELECT count(*) FROM alerts WHERE state = $1`, dewline.AlertDispatched).Scan(&dispatched); err != nil || dispatched != calls {
		t.Fatalf("step %d: %d alerts are dispatched, %d calls, %v", step, dispatched, calls, err)
	}
}

func TestKilledBetweenAnyTwoInstructions(t *testing.T) { onEach(t, killedBetweenAnyTwoInstructions) }

func killedBetweenAnyTwoInstructions(t *testing.T, place string) {
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 0))
	committed := 0
	for range 8 {
		said := runAndKill(t, place, time.Duration(rng.Int64N(int64(150*time.Millisecond))))
		committed = max(committed, said)
		committed = checkAfterCrash(t, place, committed)
	}
	if committed == 0 {
		t.Error("nothing was ever committed")
	}
}

// runAndKill lets another process write for so long after its first commit, kills it, and returns
// the last step that it said was committed.
func runAndKill(t *testing.T, path string, after time.Duration) (said int) {
	t.Helper()
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), crashEnv+"="+path)
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	var kill *time.Timer
	for lines := bufio.NewScanner(out); lines.Scan(); {
		n, err := strconv.Atoi(strings.TrimSpace(lines.Text()))
		if err != nil {
			t.Fatalf("the writer says %s", lines.Text())
		}
		said = n
		if kill == nil {
			kill = time.AfterFunc(after, func() { _ = child.Process.Kill() }) // SIGKILL
		}
	}
	if err := child.Wait(); err == nil {
		t.Fatal("the writer ended by itself")
	}
	return said
}

// checkAfterCrash opens the store: every part is of one step, the last that was committed or the
// one that was under way. It returns that step.
func checkAfterCrash(t *testing.T, path string, committed int) int {
	t.Helper()
	s, err := Open(t.Context(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	// A server may still be about to commit what the dead process asked for, and ends its turn then.
	if err := s.write(t.Context(), "wait", func(*sql.Tx) error { return nil }); err != nil {
		t.Fatal(err)
	}
	states := 0
	var step string
	watermark, err := s.LoadProgress(t.Context(), 1, func(id dewline.SystemID, state []byte) error {
		if states++; step == "" {
			step = string(state)
		}
		if string(state) != step {
			t.Errorf("%s is at step %s, others at %s", id, state, step)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	n := int(watermark)
	if n < committed || n > committed+1 || states != crashSystems || step != strconv.Itoa(n) {
		t.Fatalf("%d was committed; the store has %d states of step %s, watermark %d", committed, states, step, n)
	}
	for i := range crashSystems {
		rows := read(t, s, crashSystem(i), "superheat", 0, midnight+dewline.Millis(n+1000)*spanMillis)
		if len(rows) != n+1 || rows[0].Mean != float64(n) || rows[n].Mean != float64(n) {
			t.Fatalf("step %d: %s has %d roll-ups, the first of %v", n, crashSystem(i), len(rows), rows[0])
		}
	}
	var alerts int
	filter := dewline.AlertFilter{}
	for {
		page, err := s.AlertsIn(t.Context(), filter)
		if err != nil {
			t.Fatal(err)
		}
		alerts += len(page.Alerts)
		if filter.After = page.Next; page.Next == "" {
			break
		}
	}
	if changes := count(t, s, "alert_changes") - count(t, s, "service_calls"); alerts != n || changes != n {
		t.Fatalf("step %d: there are %d alerts and %d changes of them", n, alerts, changes)
	}
	checkDispatched(t, s, n)
	if s.dialect == &sqliteDialect {
		if verdict := pragma(t, s, "integrity_check", false); verdict != "ok" {
			t.Fatalf("the file: %s", verdict)
		}
	}
	return n
}
