package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewline"
	"dewline/ingest/recording"
	"dewline/ingest/senml"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// startTestService runs a service on free loopback ports until the test ends.
func startTestService(t *testing.T, o serviceOptions) *service {
	t.Helper()
	if o.Data == "" {
		o.Data = t.TempDir()
	}
	o.HTTP, o.MQTT = "127.0.0.1:0", "127.0.0.1:0"
	s, err := startService(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Stop(); err != nil {
			t.Error(err)
		}
	})
	wait, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	if err := s.WaitReady(wait); err != nil {
		t.Fatal(err)
	}
	return s
}

// testGateway connects as a gateway with a credential.
func testGateway(t *testing.T, s *service, id dewline.GatewayID) paho.Client {
	t.Helper()
	password, err := s.relational.AddGateway(t.Context(), id, dewline.MillisOf(time.Now()))
	if err != nil {
		t.Fatal(err)
	}
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + s.MQTTAddr()).SetProtocolVersion(4).
		SetClientID(string(id)).SetUsername(string(id)).SetPassword(password))
	deadline := time.Now().Add(10 * time.Second)
	for { // the service sees a new credential within a second
		token := c.Connect()
		if !token.WaitTimeout(10*time.Second) || token.Error() != nil {
			if time.Now().After(deadline) {
				t.Fatalf("gateway %s: %v", id, token.Error())
			}
			time.Sleep(100 * time.Millisecond)
			continue
		}
		break
	}
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

// fetch returns the body of a page or an API answer.
func fetch(t *testing.T, s *service, path string) (int, []byte) {
	t.Helper()
	answer, err := http.Get("http://" + s.HTTPAddr() + path)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer.StatusCode, body
}

// until waits for a condition that must come within some seconds.
func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(40 * time.Second); !ok(); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("%s: not within 40 s", what)
		}
	}
}

// TestLiveEqualsReplay sends a story through MQTT, store and analytics, and replays the same story
// from a recording: the alerts are the same to the byte. Then the page and the series show it.
func TestLiveEqualsReplay(t *testing.T) {
	const minutes, every = 4 * 1440, 5
	tale := newStory(t, time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -6))
	path := filepath.Join(t.TempDir(), "story.ndjson.zst")
	w, err := recording.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	s := startTestService(t, serviceOptions{Fleet: tale.fleet})
	clients := map[string]paho.Client{"quay": testGateway(t, s, "quay/gw"), "mole": testGateway(t, s, "mole/gw")}
	sent := 0
	var tokens []paho.Token
	tale.each(t, minutes, every, func(id dewline.SystemID, frame []dewline.Sample) {
		if err := w.Write(frame, nil); err != nil {
			t.Fatal(err)
		}
		payload := senml.AppendJSON(nil, "", frame, nil)
		tokens = append(tokens, clients[id.Site()].Publish("dewline/"+string(id)+"/readings", 1, false, payload))
		sent += len(frame)
		if len(tokens) > 5 { // both gateways stay close together, as they would live
			tokens[0].Wait()
			tokens = tokens[1:]
		}
	})
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	for _, token := range tokens {
		if token.Wait(); token.Error() != nil {
			t.Fatal(token.Error())
		}
	}
	r := replay{fleet: tale.fleet, progress: io.Discard}
	list, err := r.run(t.Context(), []string{path})
	if err != nil {
		t.Fatal(err)
	}
	if len(list) != 2 || list[0].Condition != dewline.Silent || list[1].Condition != dewline.Flooding {
		t.Fatalf("the story has the alerts %+v, want a silence and a flooding", list)
	}
	var want bytes.Buffer
	if err := writeAlerts(&want, list); err != nil {
		t.Fatal(err)
	}
	var got string
	defer func() {
		if t.Failed() {
			t.Logf("live\n%sreplayed\n%s", got, compact(t, want.Bytes()))
		}
	}()
	until(t, "the alerts of the replay", func() bool {
		_, body := fetch(t, s, "/api/v1/alerts")
		got = compact(t, body)
		return got == compact(t, want.Bytes())
	})
	until(t, "every message acknowledged", func() bool {
		waiting, err := s.Waiting()
		return err == nil && waiting == 0
	})

	code, body := fetch(t, s, "/fleet")
	if code != http.StatusOK || !strings.Contains(string(body), "hall") {
		t.Errorf("the page answers %d without the hall", code)
	}
	from := tale.start.Add(1440 * time.Minute)
	code, body = fetch(t, s, fmt.Sprintf("/api/v1/systems/quay/hall/series?points=superheat&from=%s&to=%s&step=900",
		from.Format(time.RFC3339), from.Add(24*time.Hour).Format(time.RFC3339)))
	var series struct {
		Points map[string]struct {
			Unit   string
			Values []*float64
		}
	}
	if err := json.Unmarshal(body, &series); err != nil || code != http.StatusOK {
		t.Fatalf("series answer %d: %s (%v)", code, body, err)
	}
	if v := series.Points["superheat"].Values; len(v) != 96 || v[40] == nil || *v[40] > 0.2 || *v[4] < 6.5 {
		t.Errorf("the series does not show the flooding: %s", body)
	}
}

// compact returns the alerts of an answer as one comparable text, each as it was written.
func compact(t *testing.T, body []byte) string {
	t.Helper()
	var doc struct{ Alerts []json.RawMessage }
	if err := json.Unmarshal(body, &doc); err != nil {
		t.Fatalf("%v in %s", err, body)
	}
	var out bytes.Buffer
	for _, a := range doc.Alerts {
		if err := json.Compact(&out, a); err != nil {
			t.Fatal(err)
		}
		out.WriteByte('\n')
	}
	return out.String()
}

// TestServiceStartsAgain: readings, alerts and states outlive the service.
func TestServiceStartsAgain(t *testing.T) {
	tale := newStory(t, time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -6))
	data := t.TempDir()
	o := serviceOptions{Fleet: tale.fleet, Data: data, HTTP: "127.0.0.1:0", MQTT: "127.0.0.1:0"}
	run := func(do func(*service)) {
		s, err := startService(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		wait, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		if err := s.WaitReady(wait); err != nil {
			t.Fatal(err)
		}
		do(s)
		if err := s.Stop(); err != nil {
			t.Fatal(err)
		}
	}
	var before, alerts string
	run(func(s *service) {
		var batch []dewline.Sample
		tale.each(t, 2*1440, 5, func(_ dewline.SystemID, frame []dewline.Sample) { batch = append(batch, frame...) })
		p := s.running.Load()
		for len(batch) > 0 {
			n := min(300, len(batch))
			if _, err := p.readings.Append(t.Context(), batch[:n], nil); err != nil {
				t.Fatal(err)
			}
			p.analyst.Offer(batch[:n])
			batch = batch[n:]
		}
		until(t, "both alerts", func() bool {
			_, body := fetch(t, s, "/api/v1/alerts")
			alerts = compact(t, body)
			return strings.Count(alerts, "\n") == 2
		})
		state, _ := p.analyst.engine.State("quay/hall")
		before = fmt.Sprint(state)
	})
	run(func(s *service) {
		_, body := fetch(t, s, "/api/v1/alerts")
		if got := compact(t, body); got != alerts {
			t.Errorf("after a restart the alerts are\n%swant\n%s", got, alerts)
		}
		state, _ := s.running.Load().analyst.engine.State("quay/hall")
		if got := fmt.Sprint(state); got != before {
			t.Errorf("after a restart the state is\n%s\nwant\n%s", got, before)
		}
	})
}

func TestDataFolderIsLocked(t *testing.T) {
	tale := newStory(t, time.Now())
	s := startTestService(t, serviceOptions{Fleet: tale.fleet})
	_, err := startService(t.Context(), serviceOptions{Fleet: tale.fleet, Data: s.o.Data, HTTP: "127.0.0.1:0", MQTT: "127.0.0.1:0"})
	if err == nil || !strings.Contains(err.Error(), "in use") {
		t.Errorf("a second service on the same folder: %v, want that it is in use", err)
	}
}

// TestBackupAndRestore: a backup of a running service holds its readings, alerts and credentials,
// and goes into another folder.
func TestBackupAndRestore(t *testing.T) {
	tale := newStory(t, time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -6))
	s := startTestService(t, serviceOptions{Fleet: tale.fleet})
	var batch []dewline.Sample
	tale.each(t, 600, 5, func(_ dewline.SystemID, frame []dewline.Sample) { batch = append(batch, frame...) })
	if _, err := s.running.Load().readings.Append(t.Context(), batch, nil); err != nil {
		t.Fatal(err)
	}
	if _, err := s.relational.AddGateway(t.Context(), "quay/gw", 1); err != nil {
		t.Fatal(err)
	}
	photo, err := s.desks.photos.KeepPhoto(t.Context(), "visit-0001", smallPicture(t))
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "backup.tar.zst")
	std := &streams{out: io.Discard, err: io.Discard}
	if err := (&backupCommand{Data: s.o.Data, File: file}).Run(t.Context(), std); err != nil {
		t.Fatal(err)
	}
	other := filepath.Join(t.TempDir(), "other")
	if err := (&restoreCommand{Data: other, File: file}).Run(t.Context(), std); err != nil {
		t.Fatal(err)
	}
	again := startTestService(t, serviceOptions{Fleet: tale.fleet, Data: other})
	got, err := again.running.Load().readings.Read(t.Context(), "quay/hall", dewline.SuctionTemp, 0, 1<<60, nil)
	if err != nil || len(got) != 120 {
		t.Errorf("%d readings after the restore (%v), want 120", len(got), err)
	}
	if list, err := again.relational.ListGateways(t.Context()); err != nil || len(list) != 1 {
		t.Errorf("gateways %v (%v), want the one", list, err)
	}
	for _, small := range []bool{false, true} {
		if _, err := again.desks.photos.PhotoOf(t.Context(), "visit-0001", photo.Digest, small); err != nil {
			t.Errorf("the photo after the restore: %v", err)
		}
	}

	half := filepath.Join(t.TempDir(), "half.tar.zst")
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(half, whole[:len(whole)/2], 0o600); err != nil {
		t.Fatal(err)
	}
	if err := (&restoreCommand{Data: other, File: half}).Run(t.Context(), std); err == nil || !strings.Contains(err.Error(), "no whole backup") {
		t.Errorf("half a backup: %v, want that it is refused before anything is touched", err)
	}
}

// TestRestoreIntoARunningService: serve stops, takes the archive's data, starts again, and only then
// answers the command.
func TestRestoreIntoARunningService(t *testing.T) {
	fleet := filepath.Join(t.TempDir(), "fleet.yaml")
	if err := os.WriteFile(fleet, []byte(storyFleet), 0o600); err != nil {
		t.Fatal(err)
	}
	data, file := t.TempDir(), filepath.Join(t.TempDir(), "backup.tar.zst")
	quiet := &streams{out: io.Discard, err: io.Discard}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() {
		ended <- (&serveCommand{Fleet: fleet, Data: data, HTTP: "127.0.0.1:0", MQTT: "127.0.0.1:0"}).Run(ctx, quiet)
	}()
	defer func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}()
	until(t, "the service's socket", func() bool {
		_, err := os.Stat(socketPath(data))
		return err == nil
	})
	until(t, "a backup of the running service", func() bool {
		return (&backupCommand{Data: data, File: file}).Run(ctx, quiet) == nil
	})
	add := gatewayAdd{}
	add.Data, add.Gateway = data, "quay/gw"
	if err := add.Run(ctx, quiet); err != nil {
		t.Fatal(err)
	}
	if err := (&restoreCommand{Data: data, File: file}).Run(ctx, quiet); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	if err := (&gatewayList{gatewayData{data}}).Run(ctx, &streams{out: &out, err: io.Discard}); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(out.String(), "quay/gw") {
		t.Errorf("after the restore there is a gateway that came after the backup:\n%s", out.String())
	}
}
