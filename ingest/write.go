package ingest

import (
	"context"
	"errors"
	"fmt"
	"time"

	"dewline"
	"dewline/ingest/store"
)

const (
	// appendWithin bounds one attempt to store a batch, lest a database that neither answers nor
	// fails stops everything without a word.
	appendWithin = 30 * time.Second
	retryAtFirst = 100 * time.Millisecond
	retryAtMost  = 5 * time.Second
)

// write makes batches durable, one after the other. A batch that fails is offered again until it
// succeeds or Close gives up; then nothing behind it is written either.
func (p *Pipeline) write() {
	defer close(p.stored)
	for b := range p.filled {
		if !p.store(b) {
			p.abandon() // the first stage waits for no batch any more
			return
		}
		p.stored <- b
	}
}

// store tries until the batch is durable. It returns false when p.ctx ends before.
func (p *Pipeline) store(b *batch) bool {
	for wait := retryAtFirst; ; wait = min(2*wait, retryAtMost) {
		err := p.try(b)
		if err == nil {
			p.recovered()
			return true
		}
		if p.ctx.Err() != nil {
			return false
		}
		if refused(err) != "" && p.weed(b) {
			continue
		}
		p.failed(err)
		select {
		case <-p.ctx.Done():
			return false
		case <-time.After(wait):
		}
	}
}

// try makes one attempt to store what b holds.
func (p *Pipeline) try(b *batch) error {
	ctx, cancel := context.WithTimeout(p.ctx, appendWithin)
	defer cancel()
	if !b.appended {
		if err := p.append(ctx, b); err != nil {
			b.again = true
			return err
		}
		b.appended = true
	}
	if len(b.Events) > 0 {
		return p.opts.Events.RecordEvents(ctx, b.Events)
	}
	return nil
}

func (p *Pipeline) append(ctx context.Context, b *batch) error {
	if b.outcomes = b.outcomes[:0]; len(b.Samples) == 0 {
		return nil
	}
	began := time.Now()
	var err error
	b.outcomes, err = p.opts.Readings.Append(ctx, b.Samples, b.outcomes)
	p.metrics.appendSeconds.Observe(time.Since(began).Seconds())
	if err == nil && len(b.outcomes) != len(b.Samples) {
		err = fmt.Errorf("the store gave %d outcomes for %d readings", len(b.outcomes), len(b.Samples))
	}
	return err
}

// refused returns the reason for which a store will never take a batch, "" for an error that may
// pass.
func refused(err error) dewline.Reason {
	switch {
	case errors.Is(err, store.ErrInvalid):
		return dewline.ReasonMalformed
	case errors.Is(err, store.ErrFuture):
		return dewline.ReasonFuture
	}
	return ""
}

// weed takes out of b the messages that the store will never take, so that one of them cannot hold
// up all others for ever. It says whether there were any. What the decoder lets pass should be fit for every store; that this runs
// means a mistake or a clock that was set back.
func (p *Pipeline) weed(b *batch) bool {
	before := len(b.Samples)
	b.drop(func(samples []dewline.Sample) bool {
		if len(samples) == 0 {
			return false
		}
		ctx, cancel := context.WithTimeout(p.ctx, appendWithin)
		defer cancel()
		_, err := p.opts.Readings.Append(ctx, samples, nil)
		reason := refused(err)
		if reason == "" {
			return false
		}
		p.log.Error("the store refuses a message that was decoded", "system", samples[0].System, "err", err)
		b.refuse(reason, samples[0].System, "", err.Error())
		return true
	})
	return len(b.Samples) < before
}

func (p *Pipeline) failed(err error) {
	p.metrics.storeFailures.Inc()
	t := p.trouble.Load()
	if t == nil {
		p.log.Error("readings cannot be stored; nothing is acknowledged until they can", "err", err)
		t = &trouble{since: time.Now()}
	}
	p.trouble.Store(&trouble{since: t.since, err: err})
}

func (p *Pipeline) recovered() {
	if t := p.trouble.Swap(nil); t != nil {
		p.log.Info("readings are stored again", "after", time.Since(t.since).Round(time.Millisecond))
	}
}
