package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"sync/atomic"
	"time"

	"dewline"
	"dewline/dashboards/access"
)

// accessSettings say how people sign in.
type accessSettings struct {
	Idle     time.Duration `yaml:"idle"`     // a session that nobody used for so long is over, 96h
	Lifetime time.Duration `yaml:"lifetime"` // and after so long in any case, 720h
	OIDC     struct {
		Name       string `yaml:"name"`        // for the page: "the company's sign-in"
		Issuer     string `yaml:"issuer"`      // empty: no OpenID Connect
		ClientID   string `yaml:"client_id"`   // as the provider gave it
		SecretFile string `yaml:"secret_file"` // holds the client's secret on one line
	} `yaml:"oidc"`
}

func (a accessSettings) validate() error {
	switch {
	case a.Idle < 0 || a.Lifetime < 0:
		return errors.New("sign_in: no duration may be negative")
	case a.OIDC.Issuer != "" && !strings.HasPrefix(a.OIDC.Issuer, "https://") && !strings.HasPrefix(a.OIDC.Issuer, "http://127.0.0.1:"):
		return errors.New("sign_in: oidc: the issuer is an https address")
	case a.OIDC.Issuer != "" && a.OIDC.ClientID == "":
		return errors.New("sign_in: oidc needs a client_id, as the provider gave it")
	}
	return nil
}

// openGate makes what lets people in. Cookies go by TLS alone where it is there, here or in front of here.
func (s *service) openGate(tls bool) (*access.Gate, error) {
	set := s.o.Settings
	o := access.Options{
		Store: s.relational, Book: s.relational, Now: time.Now, Log: s.log,
		Owners: func() []dewline.Owner { return s.fleet.Load().Owners },
		Secure: tls || strings.HasPrefix(set.Notify.Link, "https://"), URL: strings.TrimSuffix(set.Notify.Link, "/"),
		Idle: set.SignIn.Idle, Lifetime: set.SignIn.Lifetime,
	}
	if oidc := set.SignIn.OIDC; oidc.Issuer != "" {
		text, err := secret(oidc.SecretFile)
		if err != nil {
			return nil, fmt.Errorf("secret of the OpenID Connect client: %w", err)
		}
		o.Provider = &access.Provider{Name: oidc.Name, Issuer: oidc.Issuer, ClientID: oidc.ClientID, Secret: text}
		if o.Provider.Name == "" {
			o.Provider.Name = oidc.Issuer
		}
	}
	return access.New(o)
}

// guests says whom somebody on this machine counts as who has not signed in: whoever the caller of the
// service says, and else, until somebody can sign in, nobody by name, who may do all but say who may
// sign in.
func (s *service) guests() func(r *http.Request) (dewline.Visitor, bool) {
	var closed atomic.Bool // there are accounts, and none ever goes
	return func(r *http.Request) (dewline.Visitor, bool) {
		if !access.Local(r) {
			return dewline.Visitor{}, false
		}
		if s.o.Guest != "" {
			a, err := s.relational.AccountOf(r.Context(), s.o.Guest)
			return a.Visitor(), err == nil
		}
		if closed.Load() {
			return dewline.Visitor{}, false
		}
		all, err := s.relational.Accounts(r.Context())
		if err != nil || len(all) > 0 {
			closed.Store(err == nil)
			return dewline.Visitor{}, false
		}
		return dewline.Visitor{Role: dewline.RoleManager}, true
	}
}

// inviteFirst writes a link for the first administrator to the log, where there is no administrator.
func (s *service) inviteFirst(ctx context.Context, address string) error {
	if s.o.Guest != "" {
		return nil
	}
	all, err := s.relational.Accounts(ctx)
	if err != nil {
		return err
	}
	for _, a := range all {
		if a.Open() && a.Person.Role == dewline.RoleAdministrator {
			return nil
		}
	}
	path, err := access.Invite(ctx, s.relational, "", dewline.MillisOf(time.Now()), dewline.AuditEntry{By: dewline.ByDewline, From: "start"})
	if err != nil {
		return err
	}
	if link := strings.TrimSuffix(s.o.Settings.Notify.Link, "/"); link != "" {
		address = link
	}
	s.log.Warn("there is no administrator yet: whoever opens this link becomes the first one; it works once, and for an hour", "link", address+path)
	return nil
}
