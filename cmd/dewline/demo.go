package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync/atomic"
	"time"

	"dewline"
	"dewline/alerts/sqlstore"
	"dewline/cmd/dewline/simfleet"
	"dewline/dashboards"
	"dewline/dashboards/access/password"
)

// demoCommand runs the whole service on an invented fleet: history first, as gateways send a
// backlog, then live.
type demoCommand struct {
	HTTP string        `name:"http" default:"127.0.0.1:8080" placeholder:"ADDR" help:"Where pages and API answer (default ${default})."`
	MQTT string        `name:"mqtt" default:"127.0.0.1:0" placeholder:"ADDR" help:"Where the invented gateways connect (default: a free port)."`
	Data string        `placeholder:"DIR" help:"An empty folder to keep the data in; without it they go when the demo ends."`
	Days int           `default:"45" help:"Days of history (default ${default})."`
	Seed uint64        `default:"7" help:"Another seed makes other weather and other faults (default ${default})."`
	For  time.Duration `placeholder:"DURATION" help:"End by itself after this long; without it the demo runs until it is interrupted."`
}

// Run runs the demo.
func (c *demoCommand) Run(ctx context.Context, std *streams) (err error) {
	if c.Days < 4 || c.Days > 365 {
		return fmt.Errorf("--days %d: give 4 to 365", c.Days)
	}
	if c.For > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, c.For)
		defer cancel()
	}
	data, remove, err := c.folder()
	if err != nil {
		return err
	}
	defer remove()

	d := &demo{std: std, begin: time.Now()}
	present := d.begin.Truncate(time.Minute)
	d.fleet = dewline.NewFleet(nil, nil)
	set := settings{MaxAge: time.Duration(c.Days+5) * 24 * time.Hour}
	set.Store.Block = 12 * time.Hour // a small fleet: fewer files, and history comes in faster
	s, err := startService(ctx, serviceOptions{
		Fleet: d.fleet, Data: data, HTTP: c.HTTP, MQTT: c.MQTT, Settings: set,
		Guest: demoAdministrator.ID,
		Notices: []string{"Demo: an invented harbour town. Machines, people and readings are made up. Whoever opens it on this machine is signed in as " +
			demoAdministrator.Name + ", dispatcher and administrator."},
		Progress: d.progress, Log: slog.New(slog.NewTextHandler(std.err, &slog.HandlerOptions{Level: slog.LevelWarn})),
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Stop()) }()
	if err := d.admit(ctx, s, demoAdministrator, ""); err != nil {
		return ignoreEnd(ctx, err)
	}
	fmt.Fprintf(std.out, "Pages at %s (Ctrl-C ends the demo)\n", s.PagesURL())
	fmt.Fprintf(std.out, "Building an invented fleet ...\n")
	sim, err := simfleet.New(simfleet.Options{Seed: c.Seed, Start: present.AddDate(0, 0, -c.Days), Present: present})
	if err != nil {
		return err
	}
	if err := s.WaitReady(ctx); err != nil {
		return ignoreEnd(ctx, err)
	}
	s.SetFleet(sim.Config())
	d.fleet = sim.Config()
	if err := d.admitOthers(ctx, s); err != nil {
		return ignoreEnd(ctx, err)
	}
	d.expect(present.AddDate(0, 0, -c.Days), present)
	gateways, err := connectGateways(ctx, s, sim.Config())
	if err != nil {
		return err
	}
	defer gateways.close()
	fmt.Fprintf(std.out, "Sending %d days of readings of %d systems through MQTT at %s ...\n", c.Days, len(d.fleet.Systems()), s.MQTTAddr())
	if err := d.history(ctx, sim, gateways, present); err != nil {
		return ignoreEnd(ctx, err)
	}
	if err := d.settle(ctx, s); err != nil {
		return ignoreEnd(ctx, err)
	}
	return ignoreEnd(ctx, d.live(ctx, sim, gateways))
}

// ignoreEnd is nil for an error that only says that the demo was ended.
func ignoreEnd(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return err
}

func (c *demoCommand) folder() (path string, remove func(), err error) {
	if c.Data == "" {
		path, err = os.MkdirTemp("", "dewline-demo-")
		return path, func() { os.RemoveAll(path) }, err
	}
	if entries, err := os.ReadDir(c.Data); err == nil && len(entries) > 0 {
		return "", nil, fmt.Errorf("the folder %s is not empty: the demo begins anew, give an empty one", c.Data)
	}
	return c.Data, func() {}, nil
}

// demo is one run.
type demo struct {
	std   *streams
	begin time.Time
	fleet *dewline.Fleet
	sent  atomic.Int64 // readings that were acknowledged
	total atomic.Int64 // readings of the history, 0 when it is over
}

// demoAdministrator is who everybody is taken for.
var demoAdministrator = dewline.Person{ID: "rosa", Name: "Rosa Vale", Role: dewline.RoleAdministrator}

// admit gives an invented person a sign-in, which without a password is nobody's to use.
func (d *demo) admit(ctx context.Context, s *service, p dewline.Person, hash string) error {
	if err := s.relational.PutPerson(ctx, p); err != nil {
		return err
	}
	signIn := dewline.SignIn{Person: p.ID, Login: p.ID, Hash: hash, Changed: dewline.StampOf(d.begin)}
	return s.relational.PutSignIn(ctx, signIn, byCommand(dewline.AuditAccount, p.ID, string(p.Role)))
}

// admitOthers lets people with fewer rights in, to see what they see.
func (d *demo) admitOthers(ctx context.Context, s *service) error {
	others := []dewline.Person{{ID: "tomas", Name: "Tomas Reed", Role: dewline.RoleTechnician}}
	if len(d.fleet.Owners) > 0 {
		others = append(others, dewline.Person{ID: "marta", Name: "Marta Quill", Role: dewline.RoleOwner, Owner: d.fleet.Owners[0].ID})
	}
	text := rand.Text()[:16]
	hash, err := password.New(1).Hash(ctx, text)
	if err != nil {
		return err
	}
	for _, p := range others {
		if err := d.admit(ctx, s, p, hash); err != nil {
			return err
		}
		fmt.Fprintf(d.std.out, "To see what the %s sees, sign in as %s with the password %s\n", p.Role, p.ID, text)
	}
	return nil
}

// expect estimates how many readings the history has.
func (d *demo) expect(from, to time.Time) {
	points := 0
	for _, s := range d.fleet.Systems() {
		points += len(s.Points)
	}
	const fine = 72 * time.Hour
	frames := to.Sub(from)/(5*time.Minute) + fine/time.Minute - fine/(5*time.Minute)
	d.total.Store(int64(points) * int64(frames))
}

func (d *demo) progress() []dashboards.Progress {
	total := d.total.Load()
	if total == 0 {
		return nil
	}
	return []dashboards.Progress{{Label: "History is arriving", Unit: "readings", Done: min(d.sent.Load(), total), Total: total}}
}

// history sends everything up to the present, as fast as it is taken.
func (d *demo) history(ctx context.Context, sim *simfleet.Fleet, gateways *gateways, present time.Time) error {
	meter := newMeter(d.std.err, "history")
	for pack := range sim.Packs(present) {
		if err := gateways.send(ctx, pack, &d.sent); err != nil {
			return err
		}
		meter.readings(d.sent.Load(), d.total.Load())
	}
	meter.end()
	return gateways.drain(ctx)
}

// settle waits until the history has been stored and analysed, and says how long it took.
func (d *demo) settle(ctx context.Context, s *service) error {
	for {
		if waiting, err := s.Waiting(); err != nil || waiting == 0 {
			break
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(50 * time.Millisecond):
		}
	}
	d.total.Store(0)
	took := time.Since(d.begin)
	fmt.Fprintf(d.std.out, "%d readings stored and analysed in %.0f s. Live from now on, a reading a minute.\n", d.sent.Load(), took.Seconds())
	return nil
}

// live goes on minute by minute.
func (d *demo) live(ctx context.Context, sim *simfleet.Fleet, gateways *gateways) error {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case now := <-tick.C:
			for pack := range sim.Packs(now) {
				if err := gateways.send(ctx, pack, &d.sent); err != nil {
					return err
				}
			}
		}
	}
}

// credentialsFor makes a credential for each gateway of a fleet.
func credentialsFor(ctx context.Context, db *sqlstore.Store, fleet *dewline.Fleet) (map[dewline.GatewayID]string, error) {
	passwords := map[dewline.GatewayID]string{}
	now := dewline.MillisOf(time.Now())
	for _, s := range fleet.Systems() {
		name, ok := fleet.Gateway(s)
		if !ok {
			return nil, fmt.Errorf("%s has no gateway", s.ID)
		}
		id := dewline.NewGatewayID(s.ID.Site(), name)
		if _, done := passwords[id]; done {
			continue
		}
		password, err := db.AddGateway(ctx, id, now)
		if err != nil {
			return nil, err
		}
		passwords[id] = password
	}
	return passwords, nil
}
