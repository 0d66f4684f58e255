package main

import (
	"bufio"
	"io"
	"net/http"
	"strings"
	"testing"

	"dewline"
)

// TestStopEndsStreams: a page that listens does not hold up the end of the service, and its stream ends in
// order, so that the browser comes back by itself.
func TestStopEndsStreams(t *testing.T) {
	s, err := startService(t.Context(), serviceOptions{Fleet: dewline.NewFleet(nil, nil), Data: t.TempDir(), HTTP: "127.0.0.1:0", MQTT: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	stopped := false
	defer func() {
		if !stopped {
			s.Stop()
		}
	}()
	answer, err := http.Get(s.PagesURL() + "/events")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	body := bufio.NewReader(answer.Body)
	for line := ""; !strings.HasPrefix(line, "data:"); {
		if line, err = body.ReadString('\n'); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.WaitReady(t.Context()); err != nil {
		t.Fatal(err)
	}
	stopped = true
	if err := s.Stop(); err != nil {
		t.Error(err)
	}
	if _, err := io.Copy(io.Discard, body); err != nil {
		t.Errorf("the stream was cut: %v", err)
	}
}
