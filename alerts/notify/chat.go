package notify

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/nicholas-fedor/shoutrrr"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"

	"dewline"
)

// chatsElsewhere are the services of the library whose host is fixed in its code: whoever enters an
// address cannot turn them to the local network.
var chatsElsewhere = []string{"discord", "slack", "telegram", "pushover", "pushbullet"}

// chatsAnywhere are services at a host that the address names.
var chatsAnywhere = []string{"bark", "googlechat", "gotify", "matrix", "mattermost", "ntfy", "rocketchat", "signal", "zulip"}

// Chat sends to chat, push and text-message services by the shoutrrr library.
type Chat struct {
	hosts []string
}

// NewChat returns a sender. hosts are those at which services that anybody can run may be reached;
// the library resolves names out of sight of [Guard], so nothing but a list can keep it outside.
func NewChat(hosts []string) *Chat { return &Chat{hosts} }

// check returns an error for an address that is not sent to.
func (c *Chat) check(address string) error {
	u, err := url.Parse(address)
	if err != nil {
		return errors.New("the address cannot be read")
	}
	// The library takes a service's host from here alone for these services; a query could name others.
	for key := range u.Query() {
		if k := strings.ToLower(key); strings.Contains(k, "host") || strings.Contains(k, "url") || strings.Contains(k, "proxy") {
			return fmt.Errorf("the address must not set %s", line(key))
		}
	}
	switch {
	case slices.Contains(chatsElsewhere, u.Scheme):
		return nil
	case !slices.Contains(chatsAnywhere, u.Scheme):
		return fmt.Errorf("%s is not among the services that are sent to: %s", line(u.Scheme), strings.Join(slices.Concat(chatsElsewhere, chatsAnywhere), ", "))
	case !slices.Contains(c.hosts, u.Host) && !slices.Contains(c.hosts, u.Hostname()):
		return fmt.Errorf("the host %s is not allowed: add it to chat.hosts in the settings", line(u.Host))
	}
	return nil
}

// Send implements Sender. The library knows no context: an attempt that takes longer goes on behind
// and counts as failed, so that it may arrive twice, with the same words.
func (c *Chat) Send(ctx context.Context, to dewline.Contact, m dewline.Message, _ time.Time) error {
	if err := c.check(to.Address); err != nil {
		return &Failure{Err: err, ForGood: true}
	}
	sender, err := shoutrrr.CreateSender(to.Address)
	if err != nil {
		return &Failure{Err: hide(err, to.Address), ForGood: true}
	}
	done := make(chan error, 1)
	go func() { done <- errors.Join(sender.Send(m.Short, &types.Params{})...) }()
	select {
	case err := <-done:
		return hide(err, to.Address)
	case <-ctx.Done():
		return errors.New("the service did not answer in time")
	}
}

// hide takes every part of an address out of an error: most of them are tokens, and errors are
// shown and logged.
func hide(err error, address string) error {
	if err == nil {
		return nil
	}
	text := strings.ReplaceAll(err.Error(), address, "…")
	for _, part := range strings.FieldsFunc(address, func(r rune) bool { return strings.ContainsRune(":/@?&=#", r) }) {
		plain, errEscaped := url.QueryUnescape(part)
		for _, secret := range []string{part, plain} {
			if len(secret) >= 6 && errEscaped == nil {
				text = strings.ReplaceAll(text, secret, "…")
			}
		}
	}
	return errors.New(line(text))
}
