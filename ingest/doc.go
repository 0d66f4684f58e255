// Package ingest takes readings from a broker to the store and to analytics.
//
//	Deliver -> queue -> collect -> write -> finish -> Ack
//	                    decode     Append   Sink, rejects
//
// Three goroutines work on three batches at a time: while one is being written the next is being
// decoded and the one before is being handed to analytics. A batch ends with its size or after a
// short delay, and grows while the store is busy, so that a slow store gets larger batches.
//
// What holds:
//   - A message is acknowledged when its readings and events are durable and the sink has taken
//     them, in the order of arrival. A message that cannot be used is refused, counted, kept for
//     inspection and acknowledged, so that it never comes back.
//   - While the store fails nothing is acknowledged, the batch is offered again and again, and
//     Health says why. The queue fills, Deliver blocks, and the broker holds the rest.
//   - Memory is bounded by the queue and three batches.
//   - The first value of a (system, point, time) stands; a repeat changes nothing and is not
//     handed on.
//
// An external store that only overwrites remembers the times of its last day or so (see its own
// comment); a repeat that comes later than that is beyond the promise.
//
// # Handing over to analytics
//
// The sink gets what was stored, after it is durable, in the order in which it was stored. It keeps
// its own state, which may be older than the store when the process dies: readings that were stored
// and then not taken by the sink, or taken and then not saved, come only from the store. Whoever
// starts the service therefore restores the sink's state, reads from the store what is newer than
// the state's watermark in event time, and only then lets Deliver be called. Readings that the
// broker repeats because their acknowledgement was lost are in the store by then, count as
// repeated, and are not handed over a second time.
//
// One thing may be handed over twice: when the store failed midway and the same batch was offered
// again, the store cannot tell what it had taken at the first attempt from what stood there before,
// so both are handed on. A sink lets the same reading change nothing.
//
// The package does not judge readings, computes nothing from them and knows no properties. It does
// not know who may publish what; that is the broker's.
package ingest
