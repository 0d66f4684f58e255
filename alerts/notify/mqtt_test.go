package notify

import (
	"encoding/json"
	"net"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats-server/v2/server"

	"dewline"
)

// startMQTT runs a real broker that takes anybody.
func startMQTT(t *testing.T) (url string) {
	t.Helper()
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := free.Addr().(*net.TCPAddr)
	_ = free.Close() // the broker takes no listener
	s, err := server.NewServer(&server.Options{
		ServerName: "test", DontListen: true, JetStream: true, StoreDir: t.TempDir(), NoSigs: true, NoLog: true,
		MQTT: server.MQTTOpts{Host: "127.0.0.1", Port: addr.Port},
	})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		if c, err := net.Dial("tcp", addr.String()); err == nil {
			_ = c.Close()
			return "mqtt://" + addr.String()
		}
		if time.Now().After(end) {
			t.Fatal("the broker does not start")
		}
	}
}

func TestMQTT(t *testing.T) {
	url := startMQTT(t)
	got := make(chan mqtt.Message, 10)
	listener := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(url).SetClientID("listener"))
	await := func(token mqtt.Token) {
		t.Helper()
		if !token.WaitTimeout(10*time.Second) || token.Error() != nil {
			t.Fatal(token.Error())
		}
	}
	await(listener.Connect())
	await(listener.Subscribe("notices/#", 1, func(_ mqtt.Client, m mqtt.Message) { got <- m }))
	defer listener.Disconnect(0)

	q, err := NewMQTT(MQTTOptions{URL: url, Root: "dewline"})
	if err != nil {
		t.Fatal(err)
	}
	defer q.Close()
	to := dewline.Contact{ID: "c", Channel: dewline.ByMQTT, Address: "notices/all"}
	for _, id := range []string{"m1", "m2"} {
		if err := q.Send(t.Context(), to, dewline.Message{ID: id, Payload: json.RawMessage(`{"data":{"message":"` + id + `"}}`)}, time.Unix(0, 0)); err != nil {
			t.Fatal(err)
		}
		select {
		case m := <-got:
			if m.Topic() != "notices/all" || m.Qos() != 1 || m.Retained() || !strings.Contains(string(m.Payload()), id) {
				t.Errorf("got %s %d %s", m.Topic(), m.Qos(), m.Payload())
			}
		case <-time.After(10 * time.Second):
			t.Fatal("nothing was published")
		}
	}
	to.Address = "dewline/site/system/readings"
	if err := q.Send(t.Context(), to, dewline.Message{ID: "m"}, time.Unix(0, 0)); err == nil {
		t.Error("a message went where readings are expected")
	}
	away, err := NewMQTT(MQTTOptions{URL: "mqtt://127.0.0.1:1"})
	if err != nil {
		t.Fatal(err)
	}
	to.Address = "notices/all"
	if err := away.Send(t.Context(), to, dewline.Message{ID: "m"}, time.Unix(0, 0)); err == nil {
		t.Error("a broker that is not there has taken a message")
	}
	if _, err := NewMQTT(MQTTOptions{URL: "http://x"}); err == nil {
		t.Error("http is no broker")
	}
}
