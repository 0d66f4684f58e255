package broker

import "github.com/prometheus/client_golang/prometheus"

type metrics struct {
	connections, queueMessages, queueBytes, rate prometheus.Gauge
	messages, bytes, paced, dropped              prometheus.Counter
	refused                                      *prometheus.CounterVec
}

func newMetrics(reg prometheus.Registerer) *metrics {
	counter := func(name, help string) prometheus.Counter {
		return prometheus.NewCounter(prometheus.CounterOpts{Namespace: "dewline", Subsystem: "broker", Name: name, Help: help})
	}
	gauge := func(name, help string) prometheus.Gauge {
		return prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "dewline", Subsystem: "broker", Name: name, Help: help})
	}
	m := &metrics{
		connections:   gauge("connections", "Gateways that are connected."),
		queueMessages: gauge("queue_messages", "Messages that the broker holds for ingest."),
		queueBytes:    gauge("queue_bytes", "Bytes that the broker holds for ingest."),
		rate:          gauge("gateway_rate_bytes_per_second", "What one gateway may send now."),
		messages:      counter("messages_total", "Messages from gateways."),
		bytes:         counter("bytes_total", "Bytes from gateways."),
		paced:         counter("paced_seconds_total", "Time that gateways were made to wait."),
		dropped:       counter("dropped_total", "Connections ended because the credential was removed or changed."),
		refused: prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: "dewline", Subsystem: "broker", Name: "refused_total",
			Help: "Connections refused or ended, by reason."}, []string{"reason"}),
	}
	if reg != nil {
		reg.MustRegister(m.connections, m.queueMessages, m.queueBytes, m.rate,
			m.messages, m.bytes, m.paced, m.dropped, m.refused)
	}
	return m
}
