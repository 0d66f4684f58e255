package notify

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"dewline"
)

// MQTTOptions name the broker that messages are published at.
type MQTTOptions struct {
	URL      string // mqtt://host:1883 or mqtts://host:8883
	User     string
	Password string
	ClientID string // "dewline-notify" if empty
	Root     string // topics below this one are the gateways', and nothing is published there
}

// MQTT publishes messages with QoS 1, not retained. It connects when it has something to send.
type MQTT struct {
	o      MQTTOptions
	mu     sync.Mutex
	client mqtt.Client
}

// NewMQTT checks the options; it connects to nothing.
func NewMQTT(o MQTTOptions) (*MQTT, error) {
	if !strings.HasPrefix(o.URL, "mqtt://") && !strings.HasPrefix(o.URL, "mqtts://") {
		return nil, fmt.Errorf("mqtt: url %q: it is mqtt://host:port or mqtts://host:port", o.URL)
	}
	if o.ClientID == "" {
		o.ClientID = "dewline-notify"
	}
	return &MQTT{o: o}, nil
}

// Send implements Sender: the broker's acknowledgement counts.
func (q *MQTT) Send(ctx context.Context, to dewline.Contact, m dewline.Message, _ time.Time) error {
	if q.o.Root != "" && (to.Address == q.o.Root || strings.HasPrefix(to.Address, q.o.Root+"/")) {
		return &Failure{Err: fmt.Errorf("topics below %s are for gateways: choose another", q.o.Root), ForGood: true}
	}
	client, err := q.connected(ctx)
	if err != nil {
		return err
	}
	return wait(ctx, client.Publish(to.Address, 1, false, []byte(m.Payload)))
}

func (q *MQTT) connected(ctx context.Context) (mqtt.Client, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.client != nil && q.client.IsConnectionOpen() {
		return q.client, nil
	}
	if q.client != nil {
		q.client.Disconnect(0)
	}
	// Nothing is kept by the library for later: what is not acknowledged goes again from the outbox.
	o := mqtt.NewClientOptions().AddBroker(q.o.URL).SetClientID(q.o.ClientID).SetUsername(q.o.User).SetPassword(q.o.Password).
		SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).SetConnectTimeout(10 * time.Second).SetWriteTimeout(10 * time.Second)
	q.client = mqtt.NewClient(o)
	return q.client, wait(ctx, q.client.Connect())
}

// Close ends the connection.
func (q *MQTT) Close() {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.client != nil {
		q.client.Disconnect(250)
	}
}

func wait(ctx context.Context, t mqtt.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return errors.New("the broker did not answer in time")
	}
}
