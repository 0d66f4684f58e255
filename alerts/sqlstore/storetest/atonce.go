package storetest

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"

	"dewline"
)

// allAtOnce has several goroutines of two processes (two Stores, at least) do everything at once.
// Each then finds what it wrote, all of it.
func allAtOnce(t *testing.T, open Opener) {
	const workers, rounds = 4, 8
	stores := []Store{opened(t, open), opened(t, open)}
	changes := watch(t, stores[0])
	var work sync.WaitGroup
	for w := range workers {
		work.Go(func() {
			if err := oneWorker(t, stores[w%len(stores)], w, rounds); err != nil {
				t.Errorf("worker %d: %v", w, err)
			}
		})
	}
	work.Wait()
	if t.Failed() {
		return
	}
	ctx := t.Context()
	counts, err := stores[1].CountRejects(ctx)
	must(t, err)
	want(t, "rejects", counts[dewline.ReasonFuture], workers*rounds)
	list, err := stores[1].ListGateways(ctx)
	must(t, err)
	want(t, "gateways", len(list), workers)
	page, err := stores[0].AlertsIn(ctx, dewline.AlertFilter{})
	must(t, err)
	want(t, "alerts", len(page.Alerts), workers*rounds)
	<-changes // the service heard of the gateways
}

// oneWorker does its rounds; it has a system and a gateway of its own.
func oneWorker(t *testing.T, s Store, w, rounds int) error {
	ctx := t.Context()
	system := dewline.SystemID(fmt.Sprintf("quay-library/w%d", w))
	gateway := dewline.NewGatewayID("quay-library", fmt.Sprintf("w%d", w))
	password, err := s.AddGateway(ctx, gateway, now)
	if err != nil {
		return err
	}
	var rows []dewline.RollUp
	for i := range rounds {
		at := quarter + dewline.Millis(i)*span
		row := rollUp(system, fmt.Sprint("q", i%3), at, float64(i))
		a := alert(system, dewline.Overfeed, at)
		if err := s.SaveProgress(ctx, dewline.Progress{Version: 1, States: map[dewline.SystemID][]byte{system: {byte(i)}},
			RollUps: []dewline.RollUp{row}, Alerts: byDewline(at, "", a)}); err != nil {
			return err
		}
		if i%3 == 0 {
			rows = append(rows, row)
		}
		if err := s.KeepRejects(ctx, []dewline.Reject{reject(dewline.ReasonFuture, at, "")}); err != nil {
			return err
		}
		if err := s.RecordGatewayStatus(ctx, dewline.GatewayStatus{Gateway: gateway, Online: i%2 == 0, At: at, Received: at}); err != nil {
			return err
		}
		if err := s.RecordEvents(ctx, []dewline.Event{{System: system, Kind: dewline.Serviced, At: at}}); err != nil {
			return err
		}
		got, err := s.ReadRollUps(ctx, system, []string{"q0"}, 0, at+span)
		if err != nil || !slices.Equal(got[0], rows) {
			return fmt.Errorf("roll-ups %v, want %v: %w", got, rows, err)
		}
		if _, _, ok := s.Verify(string(gateway), password); !ok {
			return fmt.Errorf("%s does not verify", gateway)
		}
		if password, err = s.RotateGateway(ctx, gateway, at); err != nil {
			return err
		}
	}
	return nil
}

// numbersAtOnce has several processes want the next number of the same thing at once: the version of a
// call, the series of a new quantity, the name of a new person, the place of a reject. Nobody's is lost,
// and none is given twice.
func numbersAtOnce(t *testing.T, open Opener) {
	const rounds = 12
	stores := []Store{opened(t, open), opened(t, open), opened(t, open)}
	ctx := t.Context()
	a := alert(hall, dewline.Overfeed, now)
	must(t, stores[0].PutAlerts(ctx, byDewline(now, "", a)))
	must(t, stores[0].Desk(ctx, "make", func(tx dewline.DeskTx) error {
		return tx.PutCall(dewline.CallChange{Change: dewline.Change{By: "J.", At: now}, Call: serviceCall("k", now, dewline.CallNew, []string{a.ID}, hall)})
	}))
	var work sync.WaitGroup
	for w, s := range stores {
		work.Go(func() {
			for i := range rounds {
				if err := errors.Join(changeCall(t, s, fmt.Sprint("person ", i)),
					s.PutRollUps(ctx, []dewline.RollUp{rollUp(hall, fmt.Sprint("new ", i), quarter+dewline.Millis(w)*span, float64(w))}),
					s.KeepRejects(ctx, []dewline.Reject{reject(dewline.ReasonFuture, now, fmt.Sprint(w, " ", i))})); err != nil {
					t.Error(err)
				}
			}
		})
	}
	work.Wait()
	must(t, stores[0].LookAtDesk(ctx, "look", func(tx dewline.DeskTx) error {
		history, err := tx.CallHistory("k")
		must(t, err)
		want(t, "changes", len(history), 1+rounds*len(stores))
		by := map[string]int{}
		for i, c := range history {
			want(t, "version", c.Call.Version, i+1)
			by[c.By]++
		}
		for i := range rounds {
			want(t, "changes of a person", by[fmt.Sprint("person ", i)], len(stores))
		}
		return nil
	}))
	for i := range rounds {
		var rows []dewline.RollUp
		for w := range stores {
			rows = append(rows, rollUp(hall, fmt.Sprint("new ", i), quarter+dewline.Millis(w)*span, float64(w)))
		}
		wantRollUps(t, stores[i%len(stores)], hall, fmt.Sprint("new ", i), 0, quarter+96*span, rows...)
	}
	counts, err := stores[0].CountRejects(ctx)
	must(t, err)
	want(t, "rejects", counts[dewline.ReasonFuture], rounds*int64(len(stores)))
	kept, err := stores[0].ReadRejects(ctx, dewline.RejectFilter{}, 1000)
	must(t, err)
	details := map[string]bool{}
	for _, r := range kept {
		details[r.Detail] = true
	}
	want(t, "rejects kept", []int{len(kept), len(details)}, []int{RejectsKept, RejectsKept})
}

// changeCall looks at a call and changes it in another transaction, again when it has changed in
// between, as a person would.
func changeCall(t *testing.T, s Store, by string) error {
	for {
		var call dewline.ServiceCall
		if err := s.LookAtDesk(t.Context(), "look", func(tx dewline.DeskTx) (err error) {
			call, err = tx.Call("k")
			return err
		}); err != nil {
			return err
		}
		err := s.Desk(t.Context(), "change", func(tx dewline.DeskTx) error {
			return tx.PutCall(dewline.CallChange{Change: dewline.Change{By: by, At: now}, Call: call})
		})
		if dewline.CodeOf(err) != dewline.Clash {
			return err
		}
	}
}
