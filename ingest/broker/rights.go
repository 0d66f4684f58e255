package broker

import (
	"bytes"

	"dewline"

	"github.com/nats-io/nats-server/v2/server"
)

// rights are what one connection may publish. An empty site stands for any, as on a broker that
// is open to all.
type rights struct {
	root, site, gateway string
}

// mayPublish says whether topic is the readings of a system of the site, or the gateway's own
// status.
func (r rights) mayPublish(topic []byte) bool {
	root, rest, _ := bytes.Cut(topic, []byte("/"))
	site, rest, _ := bytes.Cut(rest, []byte("/"))
	name, leaf, _ := bytes.Cut(rest, []byte("/"))
	if string(root) != r.root || !dewline.ValidID(site) || !dewline.ValidID(name) {
		return false
	}
	if r.site != "" && string(site) != r.site {
		return false
	}
	switch string(leaf) {
	case "readings":
		return true
	case "status":
		return r.gateway == "" || string(name) == r.gateway
	}
	return false
}

// permissions are the same rights in the terms of the NATS server.
func (r rights) permissions() *server.Permissions {
	site, gateway := r.site, r.gateway
	if site == "" {
		site, gateway = "*", "*"
	}
	return &server.Permissions{
		Publish: &server.SubjectPermission{Allow: []string{
			r.root + "." + site + ".*.readings",
			r.root + "." + site + "." + gateway + ".status",
		}},
		Subscribe: &server.SubjectPermission{Deny: []string{">"}},
	}
}
