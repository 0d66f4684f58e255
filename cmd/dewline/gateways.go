package main

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"dewline"
	"dewline/cmd/dewline/simfleet"
	"dewline/ingest/senml"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// gateways are the MQTT clients of an invented fleet, one for each gateway, as real ones would be.
type gateways struct {
	clients map[dewline.GatewayID]paho.Client
	flight  []flying // sent and not acknowledged, oldest first
}

// flying is a pack on its way.
type flying struct {
	token    paho.Token
	at       dewline.Millis
	readings int
	counter  *atomic.Int64
}

// ahead is how far, in event time, packs may be sent before older ones are acknowledged. All
// systems are at nearly the same time then, as they would be live, and none looks silent beside
// the others.
const ahead = dewline.Millis(10 * 60_000)

// connectGateways gives each gateway of the fleet a credential and connects it.
func connectGateways(ctx context.Context, s *service, fleet *dewline.Fleet) (*gateways, error) {
	passwords, err := credentialsFor(ctx, s.relational, fleet)
	if err != nil {
		return nil, err
	}
	g := &gateways{clients: map[dewline.GatewayID]paho.Client{}}
	for id, password := range passwords {
		status := "dewline/" + id.Site() + "/" + id.Gateway() + "/status"
		o := paho.NewClientOptions().AddBroker("tcp://"+s.MQTTAddr()).SetProtocolVersion(4).
			SetClientID(string(id)).SetUsername(string(id)).SetPassword(password).
			SetCleanSession(true).SetAutoReconnect(true).SetConnectRetry(true).SetMessageChannelDepth(1000).
			SetWill(status, fmt.Sprintf(`{"online":false,"time":%d}`, time.Now().Unix()), 1, true)
		c := paho.NewClient(o)
		token := c.Connect()
		if !token.WaitTimeout(10 * time.Second) {
			g.close()
			return nil, fmt.Errorf("gateway %s could not connect within 10 s", id)
		}
		if err := token.Error(); err != nil {
			g.close()
			return nil, fmt.Errorf("gateway %s: %w", id, err)
		}
		c.Publish(status, 1, true, fmt.Sprintf(`{"online":true,"time":%d}`, time.Now().Unix()))
		g.clients[id] = c
	}
	return g, nil
}

// send publishes a pack and counts its readings when they are acknowledged.
func (g *gateways) send(ctx context.Context, p simfleet.Pack, count *atomic.Int64) error {
	for len(g.flight) > 0 && (g.flight[0].at < p.Sent-ahead || len(g.flight) >= 2000) {
		if err := g.land(ctx); err != nil {
			return err
		}
	}
	c, ok := g.clients[dewline.NewGatewayID(p.System.Site(), p.Gateway)]
	if !ok {
		return fmt.Errorf("%s: gateway %q is not connected", p.System, p.Gateway)
	}
	payload := senml.AppendJSON(nil, "", p.Samples, p.Events)
	topic := "dewline/" + string(p.System) + "/readings"
	g.flight = append(g.flight, flying{c.Publish(topic, 1, false, payload), p.Sent, len(p.Samples), count})
	return ctx.Err()
}

// land waits for the oldest acknowledgement.
func (g *gateways) land(ctx context.Context) error {
	f := g.flight[0]
	select {
	case <-f.token.Done():
	case <-ctx.Done():
		return ctx.Err()
	}
	if err := f.token.Error(); err != nil {
		return fmt.Errorf("a pack was not taken: %w", err)
	}
	f.counter.Add(int64(f.readings))
	g.flight = g.flight[1:]
	return nil
}

// drain waits until everything is acknowledged.
func (g *gateways) drain(ctx context.Context) error {
	for len(g.flight) > 0 {
		if err := g.land(ctx); err != nil {
			return err
		}
	}
	return nil
}

func (g *gateways) close() {
	for _, c := range g.clients {
		c.Disconnect(250)
	}
}
