package ingest

import (
	"time"

	"dewline"
	"dewline/ingest/mqtt"
	"dewline/ingest/senml"
)

// batch is what a number of messages said, on its way through the pipeline.
type batch struct {
	senml.Pack // samples, events and refusals, in the order of the messages

	messages []message
	statuses []dewline.GatewayStatus
	outcomes []dewline.Outcome // of the samples, once they are stored
	rejects  []dewline.Reject  // scratch of the last stage
	unlisted int               // samples of points that the fleet does not list
	bytes    int

	appended bool // the samples are stored, events perhaps not yet
	again    bool // an attempt to store the samples failed, and may have stored some
}

// message is what must be known of a message once it is decoded.
type message struct {
	ack      func()
	received time.Time
	newest   dewline.Millis // of its samples, 0 without any
	samples  int            // index behind its last sample
	refused  int            // index behind its last refusal
}

func (b *batch) reset() {
	b.Pack.Reset()
	clear(b.messages) // they hold functions
	b.messages = b.messages[:0]
	b.statuses = b.statuses[:0]
	b.outcomes = b.outcomes[:0]
	clear(b.rejects) // they hold texts
	b.rejects = b.rejects[:0]
	b.unlisted, b.bytes = 0, 0
	b.appended, b.again = false, false
}

// size is what the batch is limited by: whatever a message may hold in number.
func (b *batch) size() int {
	return len(b.Samples) + len(b.Events) + len(b.Refused) + len(b.messages)
}

// close notes the end of what message m said.
func (b *batch) close(m *mqtt.Message) {
	from, newest := 0, dewline.Millis(0)
	if n := len(b.messages); n > 0 {
		from = b.messages[n-1].samples
	}
	for i := from; i < len(b.Samples); i++ {
		newest = max(newest, b.Samples[i].At)
	}
	b.bytes += len(m.Payload)
	b.messages = append(b.messages, message{
		ack: m.Ack, received: m.Received, newest: newest, samples: len(b.Samples), refused: len(b.Refused),
	})
}

// drop removes the samples of messages for which bad returns true, in place.
func (b *batch) drop(bad func(samples []dewline.Sample) bool) {
	kept, from := 0, 0
	for i := range b.messages {
		m := &b.messages[i]
		samples := b.Samples[from:m.samples]
		from = m.samples
		if !bad(samples) {
			kept += copy(b.Samples[kept:], samples)
		}
		m.samples = kept
	}
	b.Samples = b.Samples[:kept]
}
