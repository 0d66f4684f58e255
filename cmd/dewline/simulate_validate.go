package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"dewline/cmd/dewline/simfleet"
	"dewline/thermo/plant"
	"dewline/thermo/plant/validate"
)

// simulateValidateCommand writes VALIDATION.md beside the model.
type simulateValidateCommand struct {
	Out string `default:"thermo/plant" placeholder:"DIR" help:"Where VALIDATION.md and the folder pictures go (${default})."`
}

// picture is a picture of the page.
type picture struct {
	name, title string
	valve       bool
	faults      plant.Faults
	minutes     bool
	bare        bool // nothing wrong
}

var pagePictures = []picture{
	{name: "healthy-orifice", title: "Healthy, fixed orifice", bare: true},
	{name: "healthy-txv", title: "Healthy, TXV", valve: true, bare: true},
	{name: "leak-orifice", title: "Leak of 25 % over eight days, fixed orifice", faults: plant.Faults{Charge: -0.25}},
	{name: "leak-txv", title: "Leak of 40 % over eight days, TXV", valve: true, faults: plant.Faults{Charge: -0.40}},
	{name: "overcharge-orifice", title: "Overcharge of 20 %, fixed orifice", faults: plant.Faults{Charge: 0.20}},
	{name: "overcharge-txv", title: "Overcharge of 25 %, TXV", valve: true, faults: plant.Faults{Charge: 0.25}},
	{name: "restriction-orifice", title: "Liquid line restricted, growing over eight days, fixed orifice", faults: plant.Faults{LineRestriction: 0.6}},
	{name: "restriction-txv", title: "Liquid line restricted, growing over eight days, TXV", valve: true, faults: plant.Faults{LineRestriction: 0.9}},
	{name: "plugged-orifice", title: "Metering device plugging by a third, fixed orifice", faults: plant.Faults{Plugged: 0.33}},
	{name: "bore-small", title: "Bore 12 % too small", faults: plant.Faults{Bore: -0.12}},
	{name: "bore-large", title: "Bore 12 % too large", faults: plant.Faults{Bore: 0.12}},
	{name: "bore-small-overcharged", title: "Bore 15 % too small, then overcharged by 45 %", faults: plant.Faults{Bore: -0.15, Charge: 0.45}},
	{name: "bore-small-overcharged-minutes", title: "Bore 15 % too small, overcharged by 45 %: swinging", faults: plant.Faults{Bore: -0.15, Charge: 0.52}, minutes: true},
	{name: "valve-stuck-open", title: "TXV stuck open", valve: true, faults: plant.Faults{StuckAt: 0.95}},
	{name: "valve-stuck-closed", title: "TXV stuck nearly closed", valve: true, faults: plant.Faults{StuckAt: 0.42}},
	{name: "bulb-loose", title: "TXV bulb loose", valve: true, faults: plant.Faults{BulbLoose: 0.35}},
	{name: "bulb-loose-minutes", title: "TXV bulb loose: hunting", valve: true, faults: plant.Faults{BulbLoose: 0.35}, minutes: true},
	{name: "evaporator-air-orifice", title: "Evaporator air down by 45 %, growing, fixed orifice", faults: plant.Faults{EvaporatorAir: 0.45}},
	{name: "evaporator-air-txv", title: "Evaporator air down by 45 %, growing, TXV", valve: true, faults: plant.Faults{EvaporatorAir: 0.45}},
	{name: "condenser-air-orifice", title: "Condenser air down by 50 %, growing, fixed orifice", faults: plant.Faults{CondenserAir: 0.5}},
	{name: "condenser-air-txv", title: "Condenser air down by 50 %, growing, TXV", valve: true, faults: plant.Faults{CondenserAir: 0.5}},
	{name: "noncondensables-txv", title: "Air in the circuit, TXV", valve: true, faults: plant.Faults{NonCondensables: 0.7}},
	{name: "compressor-leak-orifice", title: "Compressor leaking by 30 %, growing, fixed orifice", faults: plant.Faults{CompressorLeak: 0.3}},
	{name: "reversing-valve-txv", title: "Reversing valve leaking across, TXV", valve: true, faults: plant.Faults{ReversingLeak: 0.1}},
}

// Run writes the page.
func (c *simulateValidateCommand) Run(ctx context.Context, std *streams) error {
	folder := filepath.Join(c.Out, "pictures")
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	orifice, valve, err := validate.Machines()
	if err != nil {
		return err
	}
	var listed []validate.Picture
	for _, p := range pagePictures {
		if err := ctx.Err(); err != nil {
			return err
		}
		m := orifice
		if p.valve {
			m = valve
		}
		file := p.name + ".svg"
		if err := os.WriteFile(filepath.Join(folder, file), p.draw(m), 0o644); err != nil {
			return err
		}
		listed = append(listed, validate.Picture{File: "pictures/" + file, Caption: p.title})
	}
	measured, err := measureFleet()
	if err != nil {
		return err
	}
	var page bytes.Buffer
	if err := validate.Page(&page, measured, listed); err != nil {
		return err
	}
	file := filepath.Join(c.Out, "VALIDATION.md")
	if err := os.WriteFile(file, page.Bytes(), 0o644); err != nil {
		return err
	}
	fmt.Fprintf(std.out, "%s and %s written\n", file, counted(len(listed), "picture"))
	return nil
}

func (p *picture) draw(m *plant.Machine) []byte {
	c := courseOf{machine: m, days: 17, onset: 5, use: pictureUse(m), minutes: p.minutes}
	if p.bare {
		c.onset = 0
	}
	if p.minutes {
		c.days, c.onset = 1, 0
	}
	c.courses = coursesOf(p.faults, pictureStart+c.onset*86400)
	return c.draw(p.title)
}

// measureFleet runs the whole town once and counts processor time.
func measureFleet() (validate.Measure, error) {
	before := processorSeconds()
	present := time.Date(2031, 8, 20, 9, 30, 0, 0, time.UTC)
	const days = 45
	f, err := simfleet.New(simfleet.Options{Seed: 7, Start: present.AddDate(0, 0, -days), Present: present})
	if err != nil {
		return validate.Measure{}, err
	}
	for range f.Packs(present) {
	}
	took := processorSeconds() - before
	return validate.Measure{SystemHours: float64(len(f.Config().Systems())) * days * 24 / took, FleetSeconds: took}, nil
}
