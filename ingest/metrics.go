package ingest

import (
	"dewline"

	"github.com/prometheus/client_golang/prometheus"
)

type metrics struct {
	messages, bytes, batches, events, unlisted, storeFailures, notKept prometheus.Counter
	readings                                                           [dewline.TooOld + 1]prometheus.Counter // by outcome
	refusals                                                           *prometheus.CounterVec
	appendSeconds, ackSeconds, ageSeconds                              prometheus.Histogram
}

// outcomeNames are the label values of dewline_ingest_readings_total.
var outcomeNames = [...]string{dewline.Stored: "stored", dewline.Repeated: "repeated", dewline.Conflict: "conflict", dewline.TooOld: "too_old"}

func newMetrics(reg prometheus.Registerer, waiting func() float64) *metrics {
	opts := func(name, help string) prometheus.Opts {
		return prometheus.Opts{Namespace: "dewline", Subsystem: "ingest", Name: name, Help: help}
	}
	counter := func(name, help string) prometheus.Counter {
		return prometheus.NewCounter(prometheus.CounterOpts(opts(name, help)))
	}
	seconds := func(name, help string) prometheus.Histogram {
		return prometheus.NewHistogram(prometheus.HistogramOpts{Namespace: "dewline", Subsystem: "ingest", Name: name, Help: help,
			Buckets: prometheus.ExponentialBuckets(0.001, 2, 16)}) // 1 ms to 33 s
	}
	m := &metrics{
		messages:      counter("messages_total", "Messages that were acknowledged."),
		bytes:         counter("bytes_total", "Bytes of their payloads."),
		batches:       counter("batches_total", "Batches that were stored."),
		events:        counter("events_total", "Events that were stored."),
		unlisted:      counter("unlisted_total", "Readings of points that the fleet file does not list."),
		storeFailures: counter("store_failures_total", "Attempts to store a batch that failed."),
		notKept:       counter("not_kept_total", "Refusals and statuses that could not be kept for inspection."),
		refusals:      prometheus.NewCounterVec(prometheus.CounterOpts(opts("refused_total", "Records and messages that were refused, by reason.")), []string{"reason"}),
		appendSeconds: seconds("append_seconds", "Time to store a batch."),
		ackSeconds:    seconds("ack_seconds", "Time from a message's arrival to its acknowledgement."),
		ageSeconds:    seconds("age_seconds", "How old the newest reading of a message was, by its own time, when it had been stored."),
	}
	readings := prometheus.NewCounterVec(prometheus.CounterOpts(opts("readings_total", "Readings offered to the store, by outcome.")), []string{"outcome"})
	for outcome, name := range outcomeNames {
		m.readings[outcome] = readings.WithLabelValues(name)
	}
	for _, reason := range dewline.Reasons() {
		m.refusals.WithLabelValues(string(reason))
	}
	if reg != nil {
		reg.MustRegister(m.messages, m.bytes, m.batches, m.events, m.unlisted, m.storeFailures, m.notKept,
			m.refusals, m.appendSeconds, m.ackSeconds, m.ageSeconds, readings,
			prometheus.NewGaugeFunc(prometheus.GaugeOpts(opts("waiting_messages", "Messages that wait to be decoded.")), waiting))
	}
	return m
}

func (m *metrics) refused(reason dewline.Reason) { m.refusals.WithLabelValues(string(reason)).Inc() }
