package ingest

import (
	"fmt"
	"time"

	"dewline"
	"dewline/ingest/mqtt"
	"dewline/ingest/senml"
)

// collector is the first stage's own memory.
type collector struct {
	decoder senml.Decoder
	fleet   *dewline.Fleet    // that routes were found in
	routes  map[string]*route // by topic, of enrolled systems only: others could fill it
	delay   *time.Timer
}

// route is what a topic of readings means.
type route struct {
	system dewline.SystemID
	listed uint64 // bit p is set when the fleet file lists point p
}

// collect decodes messages into batches until Close.
func (p *Pipeline) collect() {
	defer close(p.filled)
	p.collector.delay = time.NewTimer(0)
	defer p.collector.delay.Stop()
	for {
		select {
		case <-p.closing:
			return
		case m := <-p.queue:
			if !p.fill(m) {
				return
			}
		}
	}
}

// fill makes a batch that begins with m and hands it on. It returns false when the next stage has
// given up.
func (p *Pipeline) fill(m mqtt.Message) bool {
	var b *batch
	select {
	case b = <-p.free:
	case <-p.ctx.Done():
		return false
	}
	b.reset()
	p.decode(b, &m)
	p.collector.delay.Reset(p.opts.BatchDelay)
	for due := false; ; {
		var next chan *batch // nil, so never ready, before the batch is due
		more := p.queue
		if b.size() >= p.opts.BatchSamples {
			due, more = true, nil
		}
		if due {
			next = p.filled
		}
		select {
		case next <- b:
			return true
		case m := <-more:
			p.decode(b, &m)
		case <-p.collector.delay.C:
			due = true
		case <-p.closing:
			return p.handOver(b)
		case <-p.ctx.Done():
			return false
		}
	}
}

// handOver passes the last batch on.
func (p *Pipeline) handOver(b *batch) bool {
	select {
	case p.filled <- b:
		return true
	case <-p.ctx.Done():
		return false
	}
}

// decode adds to b what message m says.
func (p *Pipeline) decode(b *batch, m *mqtt.Message) {
	defer b.close(m)
	if r := p.route(m.Topic); r != nil {
		p.decodeReadings(b, m, r)
		return
	}
	topic, ok := senml.ParseTopic(p.opts.Root, m.Topic)
	switch {
	case !ok:
		b.refuse(dewline.ReasonUnknownTopic, "", m.Topic, "publish readings to "+p.opts.Root+"/<site>/<system>/readings")
	case topic.Kind == senml.StatusTopic:
		p.decodeStatus(b, m, topic)
	default:
		b.refuse(dewline.ReasonUnknownSystem, topic.System(), m.Topic,
			fmt.Sprintf("a message of %d bytes for a system that is not enrolled: add it to the fleet file", len(m.Payload)))
	}
}

// route returns what the topic of an enrolled system's readings means, nil for any other topic.
func (p *Pipeline) route(topic string) *route {
	c := &p.collector
	if fleet := p.fleet.Load(); fleet != c.fleet {
		c.fleet, c.routes = fleet, map[string]*route{}
	}
	if r := c.routes[topic]; r != nil {
		return r
	}
	t, ok := senml.ParseTopic(p.opts.Root, topic)
	if !ok || t.Kind != senml.ReadingsTopic {
		return nil
	}
	s, ok := c.fleet.System(t.System())
	if !ok {
		return nil
	}
	r := &route{system: s.ID}
	for _, fitting := range s.Points {
		r.listed |= 1 << fitting.Point
	}
	c.routes[topic] = r
	return r
}

func (p *Pipeline) decodeReadings(b *batch, m *mqtt.Message, r *route) {
	from := len(b.Samples)
	p.collector.decoder.Decode(&b.Pack, m.Payload, senml.Context{
		System:    r.system,
		Received:  dewline.MillisOf(m.Received),
		Duplicate: m.Repeated,
		MaxAge:    p.opts.MaxAge,
	})
	for i := from; i < len(b.Samples); i++ {
		if r.listed&(1<<b.Samples[i].Point) == 0 {
			b.unlisted++
		}
	}
}

func (p *Pipeline) decodeStatus(b *batch, m *mqtt.Message, topic senml.Topic) {
	if len(m.Payload) == 0 {
		return // how a retained status is taken back
	}
	status, err := senml.ParseStatus(m.Payload)
	if err != nil {
		b.refuse(dewline.ReasonMalformed, "", m.Topic, err.Error())
		return
	}
	b.statuses = append(b.statuses, dewline.GatewayStatus{
		Gateway: dewline.GatewayID(topic.Gateway()), Online: status.Online, At: status.At, Received: dewline.MillisOf(m.Received),
	})
}

// maxName is as much of a topic as a refusal repeats: that of any valid one.
const maxName = 200

// refuse refuses a whole message.
func (b *batch) refuse(reason dewline.Reason, system dewline.SystemID, name, detail string) {
	b.Refused = append(b.Refused, dewline.Refusal{Reason: reason, System: system, Name: name[:min(len(name), maxName)], Detail: detail})
}
