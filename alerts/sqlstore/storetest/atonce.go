package storetest

import (
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
		got, err := s.ReadRollUps(ctx, system, "q0", 0, at+span)
		if err != nil || !slices.Equal(got, rows) {
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
