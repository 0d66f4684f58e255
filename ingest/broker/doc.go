// Package broker runs an MQTT broker inside the process: a NATS server with JetStream keeps the
// messages in files, and a front of our own stands between it and the gateways.
//
//	gateways --MQTT, TLS--> front --loopback--> NATS server (JetStream files) --> ingest
//
// The front exists for what the NATS server cannot do. It checks who connects and that a gateway
// publishes below its own site only, closing the connection otherwise: MQTT 3.1.1 can refuse a
// message in no other way, and acknowledging what is then thrown away would be a lie. It paces
// every gateway, and all of them together when ingest falls behind, by reading more slowly, so
// that a gateway with a day's backlog cannot delay the others' live readings. It drops a gateway
// whose credential was removed or changed. The NATS server holds the same rights as permissions
// of its own (a second fence), and its loopback port takes nobody but the front and ingest.
//
// A message is acknowledged to the gateway when JetStream has it in its file. That survives the
// death of the process. What a power cut can cost is set by Options.SyncEvery.
//
// JetStream keeps a message as long as a subscription waits for it, and none at all before the
// first subscription. The front therefore lets gateways in only after Server.Admit, or at once
// when the subscription of an earlier run is on disk.
//
// There is no subject mapping: one worker needs no partitions, and with a mapping permissions
// would have to be written for the mapped subjects. There is no `$share` either: the server grants
// it and then delivers nothing. Clusters are for a NATS server that runs on its own; ingest then
// uses it as an external broker.
//
// The package does not look into payloads and does not keep credentials; see Credentials for what
// it expects of them.
package broker
