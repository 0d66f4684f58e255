package dewline

import (
	"context"
	"strings"
	"time"
)

// GatewayID is a gateway's full id, "<site>/<gateway>". It is also the user name and the MQTT
// client id that the gateway connects with, so that none can take over another's session.
type GatewayID string

// NewGatewayID joins a site's and a gateway's id.
func NewGatewayID(site, gateway string) GatewayID { return GatewayID(site + "/" + gateway) }

// Site returns the part before the slash.
func (id GatewayID) Site() string {
	site, _, _ := strings.Cut(string(id), "/")
	return site
}

// Gateway returns the part after the slash.
func (id GatewayID) Gateway() string {
	_, gateway, _ := strings.Cut(string(id), "/")
	return gateway
}

// Valid says whether both parts are valid ids.
func (id GatewayID) Valid() bool { return SystemID(id).Valid() }

// Gateway is one gateway that may connect.
type Gateway struct {
	ID      GatewayID
	Created Millis         // when its credential was first made
	Rotated Millis         // when its password was last changed, 0 if never
	Status  *GatewayStatus // what it last said of its connection, nil if nothing yet
}

// GatewayStatus is what a gateway says of its connection, or its last will of it. It explains a
// silence and never creates one.
type GatewayStatus struct {
	Gateway  GatewayID `json:"gateway"`
	Online   bool      `json:"online"`
	At       Millis    `json:"-"` // when the message was composed; of a will that is when it connected
	Received Millis    `json:"-"` // when it arrived first, which dates a loss
}

// Gateways keeps the credentials of gateways. It is safe for concurrent use, also by several
// processes: the command line changes credentials while the service runs.
type Gateways interface {
	// AddGateway makes a credential and returns its password, which is shown once and kept
	// nowhere. A bad id, or one that has a credential already, is an error with code Invalid.
	AddGateway(ctx context.Context, id GatewayID, now Millis) (password string, err error)
	// RotateGateway replaces the password. A gateway without credential is an error with code
	// NotFound.
	RotateGateway(ctx context.Context, id GatewayID, now Millis) (password string, err error)
	// RemoveGateway ends a credential. A gateway without one is an error with code NotFound.
	RemoveGateway(ctx context.Context, id GatewayID) error
	// ListGateways returns every gateway that has a credential, in the order of ids.
	ListGateways(ctx context.Context) ([]Gateway, error)
	// Verify says whether user, a GatewayID, has this password, and takes the id apart. It answers
	// from memory; WatchGateways keeps the memory up to date with other processes.
	Verify(user, password string) (site, gateway string, ok bool)
	// WatchGateways looks for changes of credentials, this process's and others', as often as
	// every, and calls changed after each, until ctx ends. It returns nil then, and an error when
	// credentials can no longer be read.
	WatchGateways(ctx context.Context, every time.Duration, changed func()) error
}

// GatewayStatuses keeps the last status of each gateway, with or without a credential: those that
// connect to an external broker have none here.
type GatewayStatuses interface {
	// RecordGatewayStatus keeps of each gateway the status that was received last. The same message
	// again (a broker repeats retained ones to every subscriber) changes nothing, so Received stays
	// that of the first.
	RecordGatewayStatus(ctx context.Context, statuses ...GatewayStatus) error
	// ReadGatewayStatus returns the last status, or an error with code NotFound.
	ReadGatewayStatus(ctx context.Context, id GatewayID) (GatewayStatus, error)
}
