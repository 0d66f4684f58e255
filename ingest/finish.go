package ingest

import (
	"context"
	"strconv"
	"time"

	"dewline"
)

// finisher is the last stage's own memory.
type finisher struct {
	logged map[dewline.Reason]time.Time // when a refusal was last logged
}

const (
	// logRefusalEvery spares the log a line for each message of a sensor that is set up wrongly.
	logRefusalEvery = time.Minute
	// keepWithin bounds what is done for inspection only; readings do not wait for it longer.
	keepWithin = 5 * time.Second
)

// finish hands stored batches on and acknowledges them.
func (p *Pipeline) finish() {
	p.finisher.logged = map[dewline.Reason]time.Time{}
	for b := range p.stored {
		if fresh := p.settle(b); len(fresh)+len(b.Events) > 0 {
			p.opts.Sink.Offer(fresh, b.Events...)
		}
		p.keep(b)
		p.acknowledge(b)
		p.free <- b
	}
}

// settle counts the outcomes, refuses what the store refused, and returns what is new, in place.
func (p *Pipeline) settle(b *batch) []dewline.Sample {
	var count [dewline.TooOld + 1]int
	fresh := b.Samples[:0]
	for i, outcome := range b.outcomes {
		s := b.Samples[i]
		count[outcome]++
		switch outcome {
		case dewline.Stored:
			fresh = append(fresh, s)
		case dewline.Repeated:
			if b.again { // it may be new since a first attempt that failed
				fresh = append(fresh, s)
			}
		case dewline.Conflict:
			b.refuseSample(dewline.ReasonConflict, s, "another value of this time was stored before, and stands")
		case dewline.TooOld:
			b.refuseSample(dewline.ReasonTooOld, s, "older than the store takes")
		}
	}
	for outcome, n := range count {
		p.metrics.readings[outcome].Add(float64(n))
	}
	return fresh
}

func (b *batch) refuseSample(reason dewline.Reason, s dewline.Sample, why string) {
	b.Refused = append(b.Refused, dewline.Refusal{Reason: reason, System: s.System, Name: s.Point.String(),
		Detail: strconv.FormatFloat(s.Value, 'g', -1, 64) + " " + s.Point.Unit() + " at " + s.At.Time().Format(time.RFC3339Nano) + ": " + why})
}

// keep records what is for people: refusals and statuses. When that fails the readings are not
// held up: they are stored, and sending the message again would change nothing.
func (p *Pipeline) keep(b *batch) {
	if len(b.Refused) == 0 && len(b.statuses) == 0 {
		return
	}
	ctx, cancel := context.WithTimeout(p.ctx, keepWithin)
	defer cancel()
	if err := p.opts.Statuses.RecordGatewayStatus(ctx, b.statuses...); err != nil {
		p.notKept("gateway status", err)
	}
	if len(b.Refused) == 0 {
		return
	}
	received := b.receipts()
	for i, refusal := range b.Refused {
		p.metrics.refused(refusal.Reason)
		p.logRefusal(refusal)
		b.rejects = append(b.rejects, dewline.Reject{Received: received(i), Refusal: refusal})
	}
	if err := p.opts.Rejects.KeepRejects(ctx, b.rejects); err != nil {
		p.notKept("rejects", err)
	}
}

// receipts returns a function that tells when the message of refusal i arrived, for rising i. What
// was refused after decoding counts as the last message's.
func (b *batch) receipts() func(i int) dewline.Millis {
	next := 0
	return func(i int) dewline.Millis {
		for next < len(b.messages)-1 && i >= b.messages[next].refused {
			next++
		}
		return dewline.MillisOf(b.messages[next].received)
	}
}

func (p *Pipeline) notKept(what string, err error) {
	p.metrics.notKept.Inc()
	p.log.Warn("cannot be kept for inspection", "what", what, "err", err)
}

func (p *Pipeline) logRefusal(r dewline.Refusal) {
	now := time.Now()
	if now.Sub(p.finisher.logged[r.Reason]) < logRefusalEvery {
		return
	}
	p.finisher.logged[r.Reason] = now
	p.log.Warn("refused (further ones of this reason are counted only, for a minute)",
		"reason", r.Reason, "system", r.System, "record", r.Record, "name", r.Name, "detail", r.Detail)
}

func (p *Pipeline) acknowledge(b *batch) {
	now := time.Now()
	for i := range b.messages {
		m := &b.messages[i]
		m.ack()
		p.metrics.ackSeconds.Observe(now.Sub(m.received).Seconds())
		if m.newest != 0 {
			p.metrics.ageSeconds.Observe(now.Sub(m.newest.Time()).Seconds())
		}
	}
	p.metrics.batches.Inc()
	p.metrics.messages.Add(float64(len(b.messages)))
	p.metrics.bytes.Add(float64(b.bytes))
	p.metrics.events.Add(float64(len(b.Events)))
	p.metrics.unlisted.Add(float64(b.unlisted))
}
