package storetest

import (
	"context"
	"reflect"
	"strings"
	"testing"
	"time"

	"dewline"
)

// Store is what a relational store offers to the rest of the project.
type Store interface {
	dewline.Gateways
	dewline.GatewayStatuses
	dewline.Rejects
	dewline.Events
	dewline.RollUps
	dewline.ProgressStore
	dewline.Alerts
	dewline.DeskStore
	dewline.ContactBook
	dewline.Outbox
	dewline.LedgerStore
	dewline.CalendarLinkStore
	dewline.AccessStore
	PruneNotices(ctx context.Context, before dewline.Millis) error
	PruneRejects(ctx context.Context, before dewline.Millis) error
	Close() error
}

// Opener opens the store of one test, again and again: what was written before is there, also while
// an earlier Store is still open.
type Opener func(t *testing.T) Store

// RejectsKept is how many rejects of each reason the stores under test are to keep.
const RejectsKept = 10

const (
	hall  dewline.SystemID = "quay-library/hall-ac"
	attic dewline.SystemID = "quay-library/attic-ac"
	cold  dewline.SystemID = "fish-market/cold-room"
)

// Now is the time around which the suite's data lie.
var Now = time.Date(2031, 7, 2, 15, 2, 0, 0, time.UTC)

var now = dewline.MillisOf(Now)

// hostile are texts that must come back as they went in.
var hostile = []string{
	`'; DROP TABLE gateways; --`, `" OR 1=1 --`, `%`, `_`, `\`, `?1`, `$1`, `:name`, "a\nb\tc\r", `<script>alert(1)</script>`,
	`{"json":[1]}`, "\u202eright to left", "𝔘𝔫𝔦𝔠𝔬𝔡𝔢 ☃ é", "", " ", "NULL", "0x41", "1e999", strings.Repeat("long ", 50),
}

// Run runs the suite. newStore makes the place of a new empty store that lives as long as the test.
func Run(t *testing.T, newStore func(t *testing.T) Opener) {
	for _, part := range []struct {
		name string
		run  func(t *testing.T, open Opener)
	}{
		{"gateways", gateways}, {"gateways of two processes", gatewaysShared}, {"gateway status", gatewayStatus},
		{"rejects", rejects}, {"rejects filter", rejectsFilter}, {"rejects pruned", rejectsPruned}, {"events", events},
		{"roll-ups", rollUps}, {"roll-ups of a year", rollUpsYear}, {"roll-ups refused", rollUpsRefused},
		{"progress", progress}, {"progress is all or nothing", progressWhole},
		{"alerts", alerts}, {"alerts filter", alertsFilter}, {"alerts pages", alertPages}, {"alert history", alertHistory},
		{"alerts refused", alertsRefused}, {"evidence keeps what people did", evidenceKeepsState},
		{"desk", desk}, {"desk keeps calls", deskCalls}, {"desk keeps visits", deskVisits}, {"desk is all or nothing", deskWhole},
		{"names", deskNames}, {"desks at once", desksAtOnce}, {"all at once", allAtOnce}, {"numbers at once", numbersAtOnce},
		{"directory", directory}, {"directory holds together", directoryWhole}, {"anonymised", anonymised},
		{"news", news}, {"outbox", outbox}, {"outbox gives up", outboxGivesUp}, {"untaken", untaken}, {"notices pages", noticePages}, {"notices pruned", noticesPruned},
		{"ledger", ledger}, {"calendar links", calendarLinks},
		{"sign-ins", signIns}, {"sessions", sessions}, {"tokens", tokens}, {"sign-in links", signInLinks}, {"audit", audit}, {"access forgotten", accessForgotten},
	} {
		t.Run(part.name, func(t *testing.T) { part.run(t, newStore(t)) })
	}
}

// opened opens the store and closes it when the test ends.
func opened(t *testing.T, open Opener) Store {
	t.Helper()
	s := open(t)
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return s
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func want[T any](t *testing.T, what string, got, want T) {
	t.Helper()
	if !reflect.DeepEqual(got, want) {
		t.Fatalf("%s:\n got %+v\nwant %+v", what, got, want)
	}
}

func wantCode(t *testing.T, what string, err error, code dewline.Code) {
	t.Helper()
	if dewline.CodeOf(err) != code {
		t.Fatalf("%s: got %q (%v), want an error with code %q", what, dewline.CodeOf(err), err, code)
	}
}

// watch runs WatchGateways until the test ends and returns a channel with one value a change.
func watch(t *testing.T, s Store) <-chan struct{} {
	changes := make(chan struct{}, 100)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() {
		done <- s.WatchGateways(ctx, time.Millisecond, func() { changes <- struct{}{} })
	}()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("watch: %v", err)
		}
	})
	return changes
}
