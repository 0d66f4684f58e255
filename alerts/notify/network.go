package notify

import (
	"context"
	"fmt"
	"net"
	"net/netip"
	"syscall"
	"time"
)

// Guard refuses connections to the local network, so that nobody can make Dewline speak to what
// only it can reach. It looks at the address that is about to be connected to, after names were
// resolved: what a name meant a moment ago does not count.
type Guard struct {
	Allow []netip.Prefix // networks that may be reached all the same
}

// special are the networks that are not the public internet: the registries of special-purpose
// addresses of IANA (RFC 6890 and its updates), and the ranges that carry an IPv4 address inside.
var special = prefixes(
	"0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16", "172.16.0.0/12", "192.0.0.0/24", "192.0.2.0/24",
	"192.88.99.0/24", "192.168.0.0/16", "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24", "224.0.0.0/4", "240.0.0.0/4",
	"::/96", "64:ff9b::/96", "64:ff9b:1::/48", "100::/64", "2001::/23", "2001:db8::/32", "2002::/16", "3fff::/20", "5f00::/16",
	"fc00::/7", "fe80::/10", "fec0::/10", "ff00::/8",
)

func prefixes(texts ...string) []netip.Prefix {
	list := make([]netip.Prefix, len(texts))
	for i, t := range texts {
		list[i] = netip.MustParsePrefix(t)
	}
	return list
}

// Check returns an error for an address that must not be connected to.
func (g Guard) Check(addr netip.Addr) error {
	addr = addr.Unmap().WithZone("")
	for _, p := range g.Allow {
		if p.Contains(addr) {
			return nil
		}
	}
	for _, p := range special {
		if p.Contains(addr) {
			return fmt.Errorf("%s is inside the local network or not on the internet, which is refused; if it is meant, allow its network in the settings", addr)
		}
	}
	return nil
}

// control is for net.Dialer: it is called for each address, just before the connection.
func (g Guard) control(_, address string, _ syscall.RawConn) error {
	target, err := netip.ParseAddrPort(address)
	if err != nil {
		return fmt.Errorf("%s is no address", address)
	}
	if err := g.Check(target.Addr()); err != nil {
		return &Failure{Err: err, ForGood: true}
	}
	return nil
}

// dial connects to what the guard lets pass.
func (g Guard) dial(ctx context.Context, network, address string) (net.Conn, error) {
	d := net.Dialer{Timeout: 10 * time.Second, Control: g.control}
	return d.DialContext(ctx, network, address)
}
