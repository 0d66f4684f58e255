// Package mqtt is ingest's connection to a broker, the embedded one or any MQTT 3.1.1 server.
//
// The session is persistent and the client id fixed, so the broker holds what arrives while ingest
// is away. Every message comes with an Ack to call when its readings are durable; until then the
// broker keeps it and sends it again after an interruption. Messages come one at a time and in the
// broker's order, and while the caller holds one up nothing more is read. A broker that repeats
// what is still in hand, as some do on a timer, is not passed on.
//
// Under the paho client stands a connection of our own: it reads through a buffer (paho reads
// every packet in four pieces) and gathers acknowledgements that are due together into one write.
//
// External brokers. Mosquitto keeps the queue of an absent subscriber in memory between its
// autosaves, and drops beyond max_queued_messages (1000 by default): raise it, and know what a
// crash of the broker loses. `$share` groups (Options.Group) are for brokers that deliver to them;
// the embedded one does not.
//
// The package does not know what is in a message.
package mqtt
