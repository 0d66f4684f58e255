package broker

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
)

const (
	// stream is where the NATS server keeps the messages of its MQTT sessions.
	stream = "$MQTT_msgs"
	// ackWait is when a message that ingest has not acknowledged is sent again though ingest is
	// still connected. Ingest drops such repeats, so it only costs traffic while a store is slow.
	ackWait = time.Minute
	// held is appended to a consumer's delivery subject while it is rewound.
	held = ".held"
	// askWithin bounds a question to JetStream, which answers in the process.
	askWithin = 5 * time.Second
)

// queue is the messages that wait for ingest, as JetStream sees them.
type queue struct {
	conn     *nats.Conn
	filter   string // subjects of ingest's subscription
	inFlight int
}

type queueState struct {
	messages, bytes int64
}

func openQueue(s *server.Server, password string, opts Options) (*queue, error) {
	conn, err := nats.Connect("", nats.InProcessServer(s), nats.UserInfo(serviceUser, password), nats.NoReconnect())
	if err != nil {
		return nil, err
	}
	q := &queue{conn: conn, filter: "$MQTT.msgs." + opts.Root + ".*.*.*", inFlight: opts.InFlight}
	if err := q.prepare(opts.MaxDisk); err != nil {
		conn.Close()
		return nil, err
	}
	return q, nil
}

func (q *queue) close() { q.conn.Close() }

// ask sends a JetStream API request. reply must embed server.ApiResponse.
func ask[T any](q *queue, subject string, request any, reply *T, failure func(*T) *server.ApiError) error {
	body, err := json.Marshal(request)
	if err != nil {
		return err
	}
	msg, err := q.conn.Request(subject, body, askWithin)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(msg.Data, reply); err != nil {
		return err
	}
	if e := failure(reply); e != nil {
		return e
	}
	return nil
}

// prepare makes the stream as the MQTT part of the server would, but for a limit of its own: at
// the limit messages are refused (the gateway gets no acknowledgement) while sessions, in another
// stream, can still be written, so that ingest can connect and take messages out.
//
// The stream's subjects are the same as the filter of ingest's subscription. Then JetStream reads
// on from message to message, where it would otherwise search an index of all systems for each: a
// fifth of all that the broker does, with 2,000 systems. The front lets nothing else in.
func (q *queue) prepare(maxBytes int64) error {
	want := server.StreamConfig{
		Name:      stream,
		Subjects:  []string{q.filter},
		Storage:   server.FileStorage,
		Retention: server.InterestPolicy,
		Discard:   server.DiscardNew,
		MaxBytes:  maxBytes,
		Replicas:  1,
	}
	var made server.JSApiStreamCreateResponse
	err := ask(q, fmt.Sprintf(server.JSApiStreamCreateT, stream), want, &made,
		func(r *server.JSApiStreamCreateResponse) *server.ApiError { return r.Error })
	if err == nil {
		return nil
	}
	var updated server.JSApiStreamUpdateResponse
	return ask(q, fmt.Sprintf(server.JSApiStreamUpdateT, stream), want, &updated,
		func(r *server.JSApiStreamUpdateResponse) *server.ApiError { return r.Error })
}

// state returns what waits in the queue.
func (q *queue) state() (queueState, error) {
	var info server.JSApiStreamInfoResponse
	err := ask(q, fmt.Sprintf(server.JSApiStreamInfoT, stream), struct{}{}, &info,
		func(r *server.JSApiStreamInfoResponse) *server.ApiError { return r.Error })
	if err != nil {
		return queueState{}, err
	}
	if info.StreamInfo == nil {
		return queueState{}, errors.New("JetStream does not describe its stream")
	}
	return queueState{messages: int64(info.State.Msgs), bytes: int64(info.State.Bytes)}, nil
}

// consumers returns JetStream's consumers that stand for ingest's subscription, one if any.
func (q *queue) consumers() ([]*server.ConsumerInfo, error) {
	var list server.JSApiConsumerListResponse
	err := ask(q, fmt.Sprintf(server.JSApiConsumerListT, stream), struct{}{}, &list,
		func(r *server.JSApiConsumerListResponse) *server.ApiError { return r.Error })
	if err != nil {
		return nil, err
	}
	var ours []*server.ConsumerInfo
	for _, c := range list.Consumers {
		if c.Config.FilterSubject == q.filter {
			ours = append(ours, c)
		}
	}
	return ours, nil
}

// awaited says whether ingest's subscription exists, from an earlier run.
func (q *queue) awaited() (bool, error) {
	ours, err := q.consumers()
	return len(ours) > 0, err
}

// rewind makes the messages that ingest had in hand the next ones, in their order.
//
// The server would send them again when ackWait is over, and newer ones before: a backlog would
// arrive out of order, and analytics would have to leave out what came late. A consumer whose
// delivery subject changes sends everything in hand again at once, oldest first and flagged as
// repeated, so the subject is changed and changed back while nobody listens to it.
func (q *queue) rewind() error {
	for range 20 {
		ours, err := q.consumers()
		if err != nil {
			return err
		}
		bound := false
		for _, c := range ours {
			if c.PushBound {
				bound = true // the earlier connection is still being closed
				continue
			}
			if err := q.rewindOne(c); err != nil {
				return err
			}
		}
		if !bound {
			return nil
		}
		time.Sleep(50 * time.Millisecond)
	}
	return errors.New("an earlier connection of ingest does not end")
}

func (q *queue) rewindOne(c *server.ConsumerInfo) error {
	config := *c.Config
	home := strings.TrimSuffix(config.DeliverSubject, held) // a crash may have left it away
	config.DeliverSubject = home + held
	if err := q.update(config); err != nil {
		return err
	}
	config.DeliverSubject = home
	config.MaxAckPending = q.inFlight
	config.AckWait = ackWait
	return q.update(config)
}

func (q *queue) update(config server.ConsumerConfig) error {
	request := server.CreateConsumerRequest{Stream: stream, Config: config, Action: server.ActionUpdate}
	var done server.JSApiConsumerCreateResponse
	return ask(q, fmt.Sprintf(server.JSApiDurableCreateT, stream, config.Durable), request, &done,
		func(r *server.JSApiConsumerCreateResponse) *server.ApiError { return r.Error })
}
