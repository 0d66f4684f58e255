package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"syscall"

	"dewline"
)

// serveCommand runs the service.
type serveCommand struct {
	Fleet     string `placeholder:"FLEET.yaml" help:"The fleet file. It is the truth: reread on SIGHUP. Without it the service keeps its own, which pages change."`
	Data      string `required:"" placeholder:"DIR" help:"The folder for everything that is kept."`
	HTTP      string `name:"http" default:"127.0.0.1:8080" placeholder:"ADDR" help:"Where pages and API answer (default ${default})."`
	MQTT      string `name:"mqtt" default:"127.0.0.1:1883" placeholder:"ADDR" help:"Where gateways connect (default ${default})."`
	OpenMQTT  bool   `name:"open-mqtt" help:"Take any MQTT client, on loopback addresses only."`
	Plaintext bool   `help:"Let MQTT and HTTP cross the network without TLS. Every page says so."`
	Config    string `placeholder:"FILE" help:"The rest of the settings (see deploy/dewline.yaml)."`
	Verbose   bool   `help:"Log more."`
}

// Run runs the service until the process is told to end.
func (c *serveCommand) Run(ctx context.Context, std *streams) error {
	set, err := readSettings(c.Config)
	if err != nil {
		return err
	}
	fleet, err := c.readFleet()
	if err != nil {
		return err
	}
	level := slog.LevelInfo
	if c.Verbose {
		level = slog.LevelDebug
	}
	o := serviceOptions{
		Fleet: fleet, FleetFile: c.Fleet, Data: c.Data, HTTP: c.HTTP, MQTT: c.MQTT, OpenMQTT: c.OpenMQTT, Plaintext: c.Plaintext,
		Settings: set, Log: slog.New(slog.NewTextHandler(std.err, &slog.HandlerOptions{Level: level})),
	}
	for {
		again, err := c.runOnce(ctx, o, std)
		if err != nil || !again {
			return err
		}
		if o.Fleet, err = c.readFleet(); err != nil { // it may have come with what was restored
			return err
		}
	}
}

// runOnce runs the service until it is told to end, or to start again with restored data.
func (c *serveCommand) runOnce(ctx context.Context, o serviceOptions, std *streams) (again bool, err error) {
	s, err := startService(ctx, o)
	if err != nil {
		if ctx.Err() != nil {
			return false, nil // told to end before it had begun
		}
		return false, err
	}
	fmt.Fprintf(std.out, "pages at %s\n", s.PagesURL())
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP)
	defer signal.Stop(hup)
	for {
		select {
		case <-ctx.Done():
			return false, s.Stop()
		case archive := <-s.control.restores:
			if err := s.Stop(); err != nil {
				archive.done <- err
				return false, err
			}
			archive.done <- restoreFolder(o.Data, archive.path)
			return true, nil
		case <-hup:
			f, err := c.readFleet()
			if err != nil {
				o.Log.Error("the fleet file is not taken, the fleet stays as it was", "err", err)
				continue
			}
			s.SetFleet(f)
			o.Log.Info("the fleet file is taken", "systems", len(f.Systems()))
		}
	}
}

func (c *serveCommand) readFleet() (*dewline.Fleet, error) {
	path := c.Fleet
	if path == "" {
		path = fleetPath(c.Data)
	}
	f, err := readFleet(path)
	if c.Fleet == "" && errors.Is(err, os.ErrNotExist) {
		return dewline.NewFleet(nil, nil), nil
	}
	if problems, ok := errors.AsType[dewline.FleetErrors](err); ok {
		return nil, fmt.Errorf("the fleet file has mistakes:\n%w", problems)
	}
	return f, err
}
