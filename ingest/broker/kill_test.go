package broker_test

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"dewline/ingest/broker"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// TestMain runs a broker in place of the tests when the environment says so, for a test that kills
// it.
func TestMain(m *testing.M) {
	if dir := os.Getenv("DEWLINE_TEST_BROKER"); dir != "" {
		runBroker(dir)
		return
	}
	os.Exit(m.Run())
}

func runBroker(dir string) {
	s, err := broker.Start(broker.Options{Dir: dir, Addr: "127.0.0.1:0", Open: true})
	if err != nil {
		fmt.Println("error", err)
		os.Exit(1)
	}
	url, _, password := s.Service()
	fmt.Println(s.Addr(), url, password)
	bufio.NewReader(os.Stdin).ReadString('\n') // ingest has subscribed
	s.Admit()
	select {}
}

// child is a broker in a process of its own.
type child struct {
	cmd                 *exec.Cmd
	addr, url, password string
	admit               func()
}

func startChild(t *testing.T, dir string) *child {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "DEWLINE_TEST_BROKER="+dir)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	line, err := bufio.NewReader(out).ReadString('\n')
	words := strings.Fields(line)
	if err != nil || len(words) != 3 {
		t.Fatalf("the broker says %q, %v", line, err)
	}
	return &child{cmd, words[0], words[1], words[2], func() { fmt.Fprintln(in) }}
}

func (c *child) kill() {
	c.cmd.Process.Kill() // SIGKILL
	c.cmd.Wait()
}

// What was acknowledged to the gateway survives SIGKILL, and comes in its order. What ingest had
// acknowledged may come again (the broker had not written that down), but never before.
func TestSIGKILLLosesNothing(t *testing.T) {
	dir := t.TempDir()
	published, done := 0, map[int]bool{}
	for round := range 4 {
		b := startChild(t, dir)
		in := &ingest{got: make(chan paho.Message, 10_000)}
		in.Client = connect(t, paho.NewClientOptions().AddBroker(b.url).SetProtocolVersion(4).SetCleanSession(false).
			SetAutoReconnect(false).SetClientID(broker.ServiceClientID).SetUsername(broker.ServiceClientID).SetPassword(b.password).
			SetAutoAckDisabled(true).SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { in.got <- m }))
		if err := wait(in.Subscribe("dewline/+/+/+", 1, nil)); err != nil {
			t.Fatal(err)
		}
		b.admit()
		gw := connect(t, paho.NewClientOptions().AddBroker("mqtt://"+b.addr).SetProtocolVersion(4).SetAutoReconnect(false).SetClientID("quay/gw"))
		for range 50 {
			if err := wait(gw.Publish("dewline/quay/hall-ac/readings", 1, false, strconv.Itoa(published))); err != nil {
				t.Fatal(err)
			}
			published++
		}
		last := -1
		for len(done) < published-25*(3-round)/3 { // leave some in hand and some unsent
			m := in.next(t)
			n, err := strconv.Atoi(string(m.Payload()))
			if err != nil || n <= last {
				t.Fatalf("round %d: message %s came after %d", round, m.Payload(), last)
			}
			for missing := last + 1; missing < n; missing++ {
				if !done[missing] {
					t.Fatalf("round %d: message %d is lost or late, %d came", round, missing, n)
				}
			}
			last, done[n] = n, true
			m.Ack()
		}
		b.kill()
	}
	if len(done) != published {
		t.Errorf("%d of %d messages came", len(done), published)
	}
}
