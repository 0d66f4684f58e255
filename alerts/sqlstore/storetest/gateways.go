package storetest

import (
	"testing"

	"dewline"
)

const hallGateway dewline.GatewayID = "quay-library/hall-gw"

func gateways(t *testing.T, open Opener) {
	s := opened(t, open)
	ctx := t.Context()
	first, err := s.AddGateway(ctx, hallGateway, now)
	must(t, err)
	if len(first) < 26 { // of the 5 bits that a character of base 32 holds: 128 bits
		t.Errorf("the password %q is short", first)
	}
	second, err := s.AddGateway(ctx, "fish-market/gw", now+1)
	must(t, err)
	if first == second {
		t.Fatal("two gateways have one password")
	}
	_, err = s.AddGateway(ctx, hallGateway, now)
	wantCode(t, "adding twice", err, dewline.Invalid)
	for _, bad := range append([]string{"site", "site/", "/gw", "a/b/c", "A/b", "a/#", "a/+"}, hostile...) {
		_, err = s.AddGateway(ctx, dewline.GatewayID(bad), now)
		wantCode(t, "adding "+bad, err, dewline.Invalid)
		_, err = s.RotateGateway(ctx, dewline.GatewayID(bad), now)
		wantCode(t, "rotating "+bad, err, dewline.NotFound)
		wantCode(t, "removing "+bad, s.RemoveGateway(ctx, dewline.GatewayID(bad)), dewline.NotFound)
	}

	verifies := func(user, password string, yes bool) {
		t.Helper()
		site, gateway, ok := s.Verify(user, password)
		if ok != yes || yes && site+"/"+gateway != user || !yes && site+gateway != "" {
			t.Fatalf("verify %q with %q: got %q, %q, %v, want %v", user, password, site, gateway, ok, yes)
		}
	}
	verifies("quay-library/hall-gw", first, true)
	verifies("fish-market/gw", second, true)
	verifies("quay-library/hall-gw", second, false)
	verifies("quay-library/other", first, false)
	verifies("", "", false)
	for _, text := range hostile {
		verifies("quay-library/hall-gw", text, false)
		verifies(text, first, false)
	}

	rotated, err := s.RotateGateway(ctx, hallGateway, now+5)
	must(t, err)
	verifies("quay-library/hall-gw", first, false)
	verifies("quay-library/hall-gw", rotated, true)

	list, err := s.ListGateways(ctx)
	must(t, err)
	want(t, "the list", list, []dewline.Gateway{{ID: "fish-market/gw", Created: now + 1}, {ID: hallGateway, Created: now, Rotated: now + 5}})

	must(t, s.RemoveGateway(ctx, "fish-market/gw"))
	verifies("fish-market/gw", second, false)
	wantCode(t, "removing twice", s.RemoveGateway(ctx, "fish-market/gw"), dewline.NotFound)

	verifies("quay-library/hall-gw", rotated, true)
	s = opened(t, open)
	verifies("quay-library/hall-gw", rotated, true)
	again, err := s.AddGateway(ctx, "fish-market/gw", now+9)
	must(t, err)
	verifies("fish-market/gw", second, false)
	verifies("fish-market/gw", again, true)
}

// gatewaysShared is the command line changing credentials while the service runs.
func gatewaysShared(t *testing.T, open Opener) {
	service, command := opened(t, open), opened(t, open)
	changes := watch(t, service)
	verifies := func(password string) bool {
		_, _, ok := service.Verify(string(hallGateway), password)
		return ok
	}
	password, err := command.AddGateway(t.Context(), hallGateway, now)
	must(t, err)
	<-changes
	if !verifies(password) {
		t.Fatal("the service heard of a gateway and does not let it in")
	}
	rotated, err := command.RotateGateway(t.Context(), hallGateway, now)
	must(t, err)
	<-changes
	if verifies(password) || !verifies(rotated) {
		t.Fatal("the service heard of a new password and does not hold to it")
	}
	must(t, command.RemoveGateway(t.Context(), hallGateway))
	<-changes
	if verifies(rotated) {
		t.Fatal("the service lets a removed gateway in")
	}
	_, err = service.AddGateway(t.Context(), "fish-market/gw", now)
	must(t, err)
	<-changes // its own changes count as well
	must(t, command.RecordEvents(t.Context(), []dewline.Event{{System: hall, Kind: dewline.Serviced, At: now}}))
	must(t, command.RecordGatewayStatus(t.Context(), dewline.GatewayStatus{Gateway: hallGateway, Online: true}))
	if len(changes) > 0 {
		t.Error("a change of something else was reported as one of gateways")
	}
}

func gatewayStatus(t *testing.T, open Opener) {
	s := opened(t, open)
	ctx := t.Context()
	_, err := s.ReadGatewayStatus(ctx, hallGateway)
	wantCode(t, "a status that is not there", err, dewline.NotFound)
	wantCode(t, "a status of no gateway", s.RecordGatewayStatus(ctx, dewline.GatewayStatus{Gateway: "x"}), dewline.Invalid)
	must(t, s.RecordGatewayStatus(ctx))

	is := func(what string, status dewline.GatewayStatus) {
		t.Helper()
		got, err := s.ReadGatewayStatus(ctx, hallGateway)
		must(t, err)
		want(t, what, got, status)
	}
	record := func(online bool, at, received dewline.Millis) dewline.GatewayStatus {
		t.Helper()
		status := dewline.GatewayStatus{Gateway: hallGateway, Online: online, At: at, Received: received}
		must(t, s.RecordGatewayStatus(ctx, status))
		return status
	}
	up := record(true, now, now+100)
	is("online", up)
	record(true, now, now+5000)
	is("the retained message again", up)
	will := record(false, now-10, now+60_000) // composed before, arrived later
	is("the last will", will)
	record(true, now, now+100)
	is("an older message that came again", will)

	both := []dewline.GatewayStatus{
		{Gateway: hallGateway, Online: true, At: now + 70_000, Received: now + 70_000},
		{Gateway: "fish-market/gw", Online: true, At: now, Received: now},
	}
	must(t, s.RecordGatewayStatus(ctx, both...))
	is("several at once", both[0])

	_, err = s.AddGateway(ctx, hallGateway, now)
	must(t, err)
	_, err = s.AddGateway(ctx, "quay-library/new", now)
	must(t, err)
	s = opened(t, open)
	list, err := s.ListGateways(ctx)
	must(t, err)
	if len(list) != 2 || list[0].Status == nil || *list[0].Status != both[0] || list[1].Status != nil {
		t.Errorf("the list is %+v", list)
	}
}
