package main

import (
	"context"
	"fmt"
	"text/tabwriter"
	"time"

	"dewline"
	"dewline/alerts/sqlstore"
)

// gatewayCommand keeps the credentials of gateways. It works beside a running service, which sees a
// change within a second and ends the connections that no longer hold.
type gatewayCommand struct {
	Add    gatewayAdd    `cmd:"" help:"Make a credential and print it once."`
	List   gatewayList   `cmd:"" help:"List the gateways that have one."`
	Rotate gatewayRotate `cmd:"" help:"Replace the password and print it once."`
	Remove gatewayRemove `cmd:"" help:"End a credential."`
}

type gatewayData struct {
	Data string `required:"" placeholder:"DIR" help:"The service's data folder."`
}

type gatewayOne struct {
	gatewayData
	Gateway string `arg:"" name:"SITE/GATEWAY" help:"The gateway."`
}

type (
	gatewayAdd    struct{ gatewayOne }
	gatewayRotate struct{ gatewayOne }
	gatewayRemove struct{ gatewayOne }
	gatewayList   struct{ gatewayData }
)

func (c *gatewayData) open(ctx context.Context) (*sqlstore.Store, error) {
	return openDatabase(ctx, c.Data, sqlstore.Options{})
}

// with opens the store, checks the id and does what is to be done.
func (c *gatewayOne) with(ctx context.Context, do func(*sqlstore.Store, dewline.GatewayID) error) error {
	id := dewline.GatewayID(c.Gateway)
	if !id.Valid() {
		return fmt.Errorf("%q is no gateway: write SITE/GATEWAY, each of a-z, 0-9 and -", c.Gateway)
	}
	store, err := c.open(ctx)
	if err != nil {
		return err
	}
	defer store.Close()
	return do(store, id)
}

// Run makes a credential.
func (c *gatewayAdd) Run(ctx context.Context, std *streams) error {
	return c.with(ctx, func(s *sqlstore.Store, id dewline.GatewayID) error {
		password, err := s.AddGateway(ctx, id, dewline.MillisOf(time.Now()))
		return printCredential(std, id, password, err)
	})
}

// Run replaces the password.
func (c *gatewayRotate) Run(ctx context.Context, std *streams) error {
	return c.with(ctx, func(s *sqlstore.Store, id dewline.GatewayID) error {
		password, err := s.RotateGateway(ctx, id, dewline.MillisOf(time.Now()))
		return printCredential(std, id, password, err)
	})
}

func printCredential(std *streams, id dewline.GatewayID, password string, err error) error {
	if err != nil {
		return err
	}
	fmt.Fprintf(std.out, "user and client id: %s\npassword:           %s\n", id, password)
	fmt.Fprintln(std.err, "The password is shown this once and kept nowhere.")
	return nil
}

// Run ends the credential.
func (c *gatewayRemove) Run(ctx context.Context, std *streams) error {
	return c.with(ctx, func(s *sqlstore.Store, id dewline.GatewayID) error {
		if err := s.RemoveGateway(ctx, id); err != nil {
			return err
		}
		fmt.Fprintf(std.out, "%s is removed\n", id)
		return nil
	})
}

// Run lists the gateways.
func (c *gatewayList) Run(ctx context.Context, std *streams) error {
	store, err := c.open(ctx)
	if err != nil {
		return err
	}
	defer store.Close()
	list, err := store.ListGateways(ctx)
	if err != nil {
		return err
	}
	table := tabwriter.NewWriter(std.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "gateway\tcreated\trotated\tlast status")
	for _, g := range list {
		status := "none yet"
		if g.Status != nil {
			word := "offline"
			if g.Status.Online {
				word = "online"
			}
			status = word + " since " + stamp(g.Status.Received)
		}
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\n", g.ID, stamp(g.Created), stamp(g.Rotated), status)
	}
	return table.Flush()
}

// stamp writes a time for people, in UTC.
func stamp(m dewline.Millis) string {
	if m == 0 {
		return "-"
	}
	return m.Time().Format("2006-01-02 15:04:05Z")
}
