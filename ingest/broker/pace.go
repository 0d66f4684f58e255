package broker

import (
	"context"
	"sync/atomic"
	"time"
)

const (
	// messageCost is the least that a message counts as, in bytes: small messages cost the broker
	// and the store by their number rather than their length.
	messageCost = 512
	// floorRate, in bytes a second, is what a gateway may always send. Live readings of tens of
	// systems fit in; a pack of the greatest size takes half a minute, within usual keep-alives.
	floorRate = 8 << 10
	// burst, in bytes, may be sent at once: dozens of live packs, yet little when five hundred
	// gateways come back together.
	burst = 64 << 10
	// paceStep is how long a waiting connection sleeps before it looks at its rate again.
	paceStep = 100 * time.Millisecond
)

// pacer slows one connection to a rate by letting it wait after what it sent, beyond a burst. It
// belongs to one goroutine, but for sent.
type pacer struct {
	debt float64 // bytes that the rate has not yet paid for
	at   time.Time
	sent atomic.Int64 // all costs so far, for the governor
}

// spend books a message of n bytes and returns how long to wait before the next one.
func (p *pacer) spend(n int, rate float64, now time.Time) time.Duration {
	cost := max(n, messageCost)
	p.sent.Add(int64(cost))
	p.settle(rate, now)
	p.debt += float64(cost)
	return p.wait(rate)
}

// settle pays what rate allowed since the last call.
func (p *pacer) settle(rate float64, now time.Time) {
	p.debt = max(0, p.debt-rate*now.Sub(p.at).Seconds())
	p.at = now
}

func (p *pacer) wait(rate float64) time.Duration {
	return time.Duration((p.debt - burst) / rate * float64(time.Second))
}

// rest sleeps until the debt is paid, in steps, since the rate may change meanwhile. It returns
// how long it slept.
func (p *pacer) rest(ctx context.Context, wait time.Duration, rate func() float64) time.Duration {
	began := time.Now()
	for wait > 0 && ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case <-time.After(min(wait, paceStep)):
		}
		r := rate()
		p.settle(r, time.Now())
		wait = p.wait(r)
	}
	return time.Since(began)
}

// governor finds the rate that every gateway may use, from how long the queue between broker and
// ingest takes to drain. It is a value without clock or connections: step is told what happened.
type governor struct {
	most  float64 // bytes a second that one gateway may ever use
	share float64 // bytes a second that one gateway may use now
	drain float64 // bytes a second that ingest takes from the queue, smoothed
	queue int64   // bytes in the queue at the last step
}

const (
	// queueSlack may wait whatever the speed: it is less than a second's work.
	queueSlack = 4 << 20
	// queueSeconds of work may wait before gateways are slowed.
	queueSeconds = 3
	// drainMemory is the weight of the newest step in the smoothed drain.
	drainMemory = 0.25
)

// step takes what is queued now and what each connection sent in the last dt, and returns the
// rate that one connection may use.
//
// When the queue is longer than ingest works off in queueSeconds, the heavy senders share what
// ingest manages less what the light ones send, and a fifth less than that, so that the queue
// shortens. When it is short the rate rises by a quarter a step.
func (g *governor) step(queued int64, sent []int64, dt time.Duration) float64 {
	var total int64
	for _, n := range sent {
		total += n
	}
	drained := max(0, float64(total-(queued-g.queue))/dt.Seconds())
	g.drain += drainMemory * (drained - g.drain)
	g.queue = queued

	limit := max(queueSlack, int64(queueSeconds*g.drain))
	switch {
	case queued > limit:
		g.share = min(g.share, fairShare(0.8*g.drain, sent, dt))
	case queued < limit/2:
		g.share *= 1.25
	}
	g.share = min(max(g.share, floorRate), g.most)
	return g.share
}

// fairShare divides rate among those who send more than an even part, after the others had theirs.
func fairShare(rate float64, sent []int64, dt time.Duration) float64 {
	even := rate / float64(max(1, len(sent)))
	heavy := 0
	for _, n := range sent {
		if used := float64(n) / dt.Seconds(); used > even {
			heavy++
		} else {
			rate -= used
		}
	}
	return rate / float64(max(1, heavy))
}
