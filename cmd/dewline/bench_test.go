package main

import (
	"bufio"
	"bytes"
	"context"
	"net"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline"
	"dewline/thermo"
	"dewline/thermo/si"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

func TestBenchReportKeepsTheLastOfEachCommand(t *testing.T) {
	page := "# Results\n\nWords.\n\n## a\n\nold\n\n## b\n\nkept\n"
	page = replaceSection(page, "## a\n", "## a\n\nnew\n")
	page = replaceSection(page, "## c\n", "## c\n\nadded\n")
	page = replaceSection(page, "## c\n", "## c\n\nagain\n")
	if want := "# Results\n\nWords.\n\n## a\n\nnew\n\n## b\n\nkept\n\n## c\n\nagain\n"; page != want {
		t.Errorf("got\n%q, want\n%q", page, want)
	}
	args := []string{"/tmp/x", "bench", "fleet", "--report", "a.md", "--systems", "5", "--folder=/tmp", "--report=b.md"}
	if got, want := benchCommandLine(args), "dewline bench fleet --systems 5"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestLatencies(t *testing.T) {
	var l latencies
	for i := range 100 {
		l = append(l, time.Duration(100-i)*time.Millisecond)
	}
	if got, want := l.summary(), "p50 50.0 ms, p99 99.0 ms, worst 100.0 ms of 100"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	if got := (latencies{}).summary(); got != "none" {
		t.Errorf("got %q for no latencies", got)
	}
}

// What benches send must mean what they claim: superheat and subcooling by the real properties.
func TestBenchMachine(t *testing.T) {
	fleet, err := newBenchFleet(2, 10, 1)
	if err != nil {
		t.Fatal(err)
	}
	text, err := fleet.fleet.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := dewline.ReadFleet("fleet.yaml", text, refrigerants{}); err != nil {
		t.Fatal(err)
	}
	r, err := thermo.Lookup(benchRefrigerant)
	if err != nil {
		t.Fatal(err)
	}
	air, err := thermo.AmbientPressure(thermo.Gauge, benchAltitude)
	if err != nil {
		t.Fatal(err)
	}
	m := fleet.sites[1][2] // machine 7: its superheat is gone
	if !m.wet {
		t.Fatal("another machine than expected is wet")
	}
	for _, wet := range []bool{false, true} {
		m.wet = wet
		want := map[bool][2]float64{false: {7, 6}, true: {0, 14}}[wet]
		running := 0
		for i := range 288 {
			values := map[dewline.Point]float64{}
			for _, s := range m.readings(dewline.Millis(i)*300_000, nil) {
				values[s.Point] = s.Value
			}
			if values[dewline.CompressorOn] == 0 {
				continue
			}
			running++
			dew, _, _ := r.Curve().Dew(si.Pascal(values[dewline.SuctionPressure]) + air)
			bubble, _, _ := r.Curve().Bubble(si.Pascal(values[dewline.LiquidPressure]) + air)
			got := [2]float64{values[dewline.SuctionTemp] - dew.Celsius(), bubble.Celsius() - values[dewline.LiquidTemp]}
			for k, name := range []string{"superheat", "subcooling"} {
				if d := got[k] - want[k]; d < -1.5 || d > 1.5 {
					t.Errorf("wet %v, at %d: %s %.2f K, want about %.0f", wet, i, name, got[k], want[k])
				}
			}
		}
		if running < 180 || running > 240 {
			t.Errorf("it ran at %d of 288 readings, want three quarters", running)
		}
	}
}

// A gateway repeats, in order, what was not acknowledged before its connection ended, flagged as
// repeated, and nothing that was.
func TestBenchGatewayRepeats(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var mu sync.Mutex
	var acked []int
	g := newBenchGateway(l.Addr().String(), "site/gw", "secret", 8, func(m benchMessage, _ time.Time) {
		mu.Lock()
		defer mu.Unlock()
		acked = append(acked, m.tag)
	})
	go g.run(ctx)

	accept := func() (net.Conn, *bufio.Reader) {
		conn, err := l.Accept()
		if err != nil {
			t.Fatal(err)
		}
		in := bufio.NewReader(conn)
		hello, err := packets.ReadPacket(in)
		if err != nil {
			t.Fatal(err)
		}
		if c := hello.(*packets.ConnectPacket); c.ClientIdentifier != "site/gw" || c.Username != "site/gw" || string(c.Password) != "secret" {
			t.Fatalf("it introduced itself with %v", c)
		}
		packets.NewControlPacket(packets.Connack).Write(conn)
		return conn, in
	}
	read := func(in *bufio.Reader) *packets.PublishPacket {
		p, err := packets.ReadPacket(in)
		if err != nil {
			t.Fatal(err)
		}
		return p.(*packets.PublishPacket)
	}
	acknowledge := func(conn net.Conn, id uint16) {
		ack := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
		ack.MessageID = id
		ack.Write(conn)
	}

	conn, in := accept()
	for i := range 4 {
		if err := g.publish(ctx, "dewline/site/unit/readings", bytes.Repeat([]byte("x"), 100*(i+1)), i+1); err != nil {
			t.Fatal(err)
		}
	}
	g.flush()
	var first []uint16
	for i := range 4 {
		p := read(in)
		if p.Qos != 1 || p.Dup || p.Retain || p.TopicName != "dewline/site/unit/readings" || len(p.Payload) != 100*(i+1) {
			t.Fatalf("message %d is %v", i, p)
		}
		first = append(first, p.MessageID)
	}
	acknowledge(conn, first[1])
	for len(g.slots) != 3 {
		time.Sleep(time.Millisecond)
	}
	conn.Close()

	conn, in = accept()
	defer conn.Close()
	for _, i := range []int{0, 2, 3} {
		p := read(in)
		if !p.Dup || p.MessageID != first[i] || len(p.Payload) != 100*(i+1) {
			t.Fatalf("repeated: %v, want message %d again", p, i)
		}
		acknowledge(conn, p.MessageID)
	}
	if err := g.drained(ctx); err != nil {
		t.Fatal(err)
	}
	mu.Lock()
	defer mu.Unlock()
	if want := []int{2, 1, 3, 4}; !slices.Equal(acked, want) {
		t.Errorf("acknowledged were %v, want %v", acked, want)
	}
}

func TestInStep(t *testing.T) {
	s := newInStep(2, 2)
	s.finished(0, 0)
	s.finished(0, 1)
	s.finished(1, 1) // its first round is still on its way
	late, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if err := s.wait(late, 2); err == nil {
		t.Error("a gateway got two rounds ahead of one that has not done the first")
	}
	done := make(chan error)
	go func() { done <- s.wait(t.Context(), 2) }()
	s.finished(1, 0)
	if err := <-done; err != nil || s.slowest() != 2 {
		t.Errorf("%v, %d rounds done by all", err, s.slowest())
	}
}

// A short run of each bench, so that the commands work when somebody needs their figures.
func TestBenchCommands(t *testing.T) {
	for i, args := range [][]string{
		{"bench", "ingest", "--duration", "1s", "--warm-up", "300ms", "--clients", "2", "--systems", "20", "--rate", "5000"},
		{"bench", "fleet", "--duration", "1s", "--clients", "2", "--systems", "20", "--interval", "500ms"},
		{"bench", "fleet", "--duration", "1s", "--clients", "2", "--systems", "20", "--interval", "500ms", "--reconnect", "--backlog", "1h", "--cbor"},
		{"bench", "store", "--systems", "1", "--days", "4"},
	} {
		t.Run(strconv.Itoa(i), func(t *testing.T) {
			args = append(args, "--folder", t.TempDir(), "--report", t.TempDir()+"/report.md")
			program, err := exec.LookPath("dewline") // by testscript.Main
			if err != nil {
				t.Fatal(err)
			}
			var out, errs bytes.Buffer
			command := exec.CommandContext(t.Context(), program, args...)
			command.Stdout, command.Stderr = &out, &errs
			if err := command.Run(); err != nil {
				t.Fatalf("%v\n%s%s", err, out.Bytes(), errs.Bytes())
			}
			if !strings.Contains(out.String(), "readings") {
				t.Errorf("it printed\n%s", out.Bytes())
			}
			for line := range strings.Lines(out.String()) {
				if strings.Contains(line, "NaN") || strings.Contains(line, "Inf") {
					t.Errorf("it printed %q", line)
				}
			}
		})
	}
}
