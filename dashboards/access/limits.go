package access

import (
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// How often somebody may fail to sign in. Those of a login are few, since a person knows theirs; those
// of an address are more, since a whole office may share one. Who signs in rightly is not counted.
const (
	loginBurst   = 10
	loginEvery   = time.Minute
	addressBurst = 30
	addressEvery = 10 * time.Second
	mostCounted  = 20_000 // logins, and addresses: the oldest are forgotten
)

// limits counts failures. It forgets everything with the process, which costs a guesser a restart
// that is not theirs to make.
type limits struct {
	mu                sync.Mutex
	logins, addresses counters
}

func newLimits() *limits {
	return &limits{
		logins:    counters{burst: loginBurst, every: loginEvery, of: map[string]*counter{}},
		addresses: counters{burst: addressBurst, every: addressEvery, of: map[string]*counter{}},
	}
}

// attempt counts one attempt, and says whether it may be made. Where no login is known beforehand it is
// "", and only the address counts.
func (l *limits) attempt(login, address string, now time.Time) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	counted := []*counter{l.addresses.get(network(address), now)}
	if login != "" {
		counted = append(counted, l.logins.get(login, now))
	}
	for _, c := range counted {
		if c.TokensAt(now) < 1 {
			return false
		}
	}
	for _, c := range counted {
		c.AllowN(now, 1)
	}
	return true
}

// right takes back what an attempt counted, since it was right.
func (l *limits) right(login, address string, now time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.logins.of, login)
	l.addresses.get(network(address), now).AllowN(now, -1)
}

// network returns what counts as one address: of IPv6 the half that a provider gives to one customer.
func network(address string) string {
	ip, err := netip.ParseAddr(address)
	if err != nil {
		return address
	}
	if ip = ip.Unmap().WithZone(""); ip.Is6() {
		if p, err := ip.Prefix(64); err == nil {
			return p.String()
		}
	}
	return ip.String()
}

type counter struct {
	*rate.Limiter
	seen time.Time
}

type counters struct {
	burst int
	every time.Duration
	of    map[string]*counter
}

func (c *counters) get(key string, now time.Time) *counter {
	found := c.of[key]
	if found == nil {
		if len(c.of) >= mostCounted {
			c.forget(now)
		}
		found = &counter{Limiter: rate.NewLimiter(rate.Every(c.every), c.burst)}
		c.of[key] = found
	}
	found.seen = now
	return found
}

// forget drops those that count nothing any more, and where there are none, the one that was seen
// longest ago.
func (c *counters) forget(now time.Time) {
	oldest := ""
	for key, counter := range c.of {
		if counter.TokensAt(now) >= float64(c.burst) {
			delete(c.of, key)
		} else if oldest == "" || counter.seen.Before(c.of[oldest].seen) {
			oldest = key
		}
	}
	if len(c.of) >= mostCounted {
		delete(c.of, oldest)
	}
}
