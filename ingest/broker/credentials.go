package broker

// Credentials knows the gateways and their passwords. dewline.Gateways is one. The user name of a
// gateway is its dewline.GatewayID, which is its MQTT client id as well. (A dot in place of the
// slash would not do: the NATS server takes none in a client id.)
//
// Passwords should be made by the service, from at least 128 random bits, and kept as an HMAC or
// SHA-256. A slow hash protects passwords that people choose; for random ones it protects nothing
// and makes five hundred gateways that reconnect at once burn both cores for minutes.
//
// Verify must answer from memory, in constant time for the comparison, and at once with what
// changed: it is called for every login, and once a second for every gateway that is connected, so
// that a removed or changed credential ends the connection.
type Credentials interface {
	Verify(user, password string) (site, gateway string, ok bool)
}
