package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"text/tabwriter"

	"dewline"
	"dewline/thermo/moistair"
	"dewline/thermo/plant"
	"dewline/thermo/si"
)

// simulateCommand is the physical model as a tool.
type simulateCommand struct {
	Machine    simulateMachineCommand    `cmd:"" default:"withargs" help:"Show what a fault does to superheat, subcooling and pressures of a machine (the default)."`
	Fleet      simulateFleetCommand      `cmd:"" help:"Make the invented fleet: its file, a recording and the truth; or publish it to a broker."`
	Samples    simulateSamplesCommand    `cmd:"" hidden:"" help:"Regenerate the small recordings that the tests use."`
	Validate   simulateValidateCommand   `cmd:"" hidden:"" help:"Write the validation page of the model and its pictures."`
	Signatures simulateSignaturesCommand `cmd:"" hidden:"" help:"Write what faults do to the symptoms of diagnosis."`
}

// simulateMachineCommand solves one machine healthy and with faults.
type simulateMachineCommand struct {
	Fleet       string            `placeholder:"FLEET.yaml" help:"Take the machine from a fleet file; --system says which."`
	System      dewline.SystemID  `placeholder:"SITE/SYSTEM" help:"The system of the fleet file."`
	Kind        string            `default:"split_ac" placeholder:"KIND" help:"split_ac, heat_pump, packaged, walk_in_cooler, walk_in_freezer or display_case (${default})."`
	Refrigerant string            `default:"R-410A" help:"The refrigerant (${default})."`
	Metering    string            `default:"fixed_orifice" placeholder:"DEVICE" help:"fixed_orifice, capillary, txv or eev (${default})."`
	Capacity    string            `default:"10.5 kW" placeholder:"POWER" help:"Rated cooling capacity (${default})."`
	Outdoor     string            `placeholder:"TEMPERATURE" help:"Air entering the condenser; else that of the rating."`
	Indoor      string            `placeholder:"TEMPERATURE" help:"Air entering the indoor coil, or of the cold room; else that of the rating."`
	Humidity    string            `placeholder:"PERCENT" help:"Its relative humidity; else that of the rating."`
	Fault       map[string]string `mapsep:"," placeholder:"NAME=PERCENT" help:"A fault and its severity; several are at work together."`
	Picture     string            `placeholder:"FILE.svg" help:"Draw the course of the faults over some days, too."`
	Units       string            `default:"si" placeholder:"us|si" help:"Units of the answer (${default})."`
}

// Help is what --help adds.
func (*simulateMachineCommand) Help() string {
	return `  dewline simulate --fault undercharge=20%
  dewline simulate --metering txv --fault restriction=60% --outdoor "95 degF" --units us
  dewline simulate --fault orifice_too_small=13% --fault overcharge=30%
  dewline simulate --fleet fleet.yaml --system quay-library/hall-ac --fault condenser_airflow=40%

Faults and what their percentage is of:
` + faultList() + `
The answer is a model's, of a machine made to the rating that is given. It shows what to expect; what a
machine needs is for its data plate, its maker's instructions and a licensed technician to say.`
}

// Run writes the machine healthy and faulty side by side.
func (c *simulateMachineCommand) Run(std *streams) error {
	units, err := si.ParseSystem(c.Units)
	if err != nil {
		return fmt.Errorf("--units: %w", err)
	}
	spec, err := c.spec()
	if err != nil {
		return err
	}
	faults, err := parseFaults(c.Fault, spec.Metering)
	if err != nil {
		return err
	}
	m, err := plant.Design(spec)
	if err != nil {
		return err
	}
	conditions, err := c.conditions(m)
	if err != nil {
		return err
	}
	healthy, err := m.Solve(conditions)
	if err != nil {
		return fmt.Errorf("the healthy machine: %w", err)
	}
	faulty := conditions
	faulty.Faults = faults
	state, err := m.Solve(faulty)
	switch {
	case errors.Is(err, plant.ErrHighPressure), errors.Is(err, plant.ErrLowPressure):
		fmt.Fprintf(std.out, "The machine would not run on: %v.\n", err)
		return nil
	case err != nil:
		return err
	}
	t := sideBySide{units: units, out: tabwriter.NewWriter(std.out, 0, 4, 2, ' ', 0)}
	t.write(m, conditions, &healthy, &state, len(c.Fault) > 0)
	if err := t.out.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(std.out, "\nA model's answer: the data plate, the maker's instructions and a licensed technician decide.")
	if c.Picture == "" {
		return nil
	}
	return os.WriteFile(c.Picture, drawFault(m, faults, faultTitle(c.Fault, spec)), 0o644)
}

// spec returns what to design, from the fleet file or from the flags.
func (c *simulateMachineCommand) spec() (plant.Spec, error) {
	if (c.Fleet == "") != (c.System == "") {
		return plant.Spec{}, errors.New("--fleet and --system go together: a file, and which of its systems")
	}
	if c.Fleet != "" {
		f, err := readFleet(c.Fleet)
		if err != nil {
			return plant.Spec{}, err
		}
		s, ok := f.System(c.System)
		if !ok {
			return plant.Spec{}, fmt.Errorf("%s has no system %s", c.Fleet, c.System)
		}
		site, _ := f.Site(s.ID.Site())
		return specOf(s, site), nil
	}
	capacity, err := si.ParsePower(c.Capacity)
	if err != nil {
		return plant.Spec{}, fmt.Errorf("--capacity: %w", err)
	}
	if _, known := meterings[dewline.Metering(c.Metering)]; !known {
		return plant.Spec{}, fmt.Errorf("--metering %q: fixed_orifice, capillary, txv or eev", c.Metering)
	}
	kind := dewline.Kind(c.Kind)
	switch kind {
	case dewline.SplitAC, dewline.HeatPump, dewline.Packaged, dewline.WalkInCooler, dewline.WalkInFreezer, dewline.DisplayCase:
	default:
		return plant.Spec{}, fmt.Errorf("--kind %q: split_ac, heat_pump, packaged, walk_in_cooler, walk_in_freezer or display_case", c.Kind)
	}
	return specOf(&dewline.System{Kind: kind, Refrigerant: c.Refrigerant, Metering: dewline.Metering(c.Metering), Capacity: capacity}, nil), nil
}

var meterings = map[dewline.Metering]plant.MeteringKind{dewline.FixedOrifice: plant.Orifice, dewline.Capillary: plant.CapillaryTube,
	dewline.TXV: plant.ThermostaticValve, dewline.EEV: plant.ElectronicValve}

// specOf is the rating of an enrolled system, as far as the fleet file knows it.
func specOf(s *dewline.System, site *dewline.Site) plant.Spec {
	spec := plant.Spec{Refrigerant: s.Refrigerant, Metering: meterings[s.Metering], CapacityW: float64(s.Capacity), HeatPump: s.Kind == dewline.HeatPump,
		LineM: float64(s.LineLength), SubcoolingK: float64(s.TargetSubcooling), SuperheatK: float64(s.TargetSuperheat), Receiver: s.Receiver}
	if c := s.CompressorMap; c != nil && c.MassFlow.Stated() && c.Power.Stated() {
		spec.Map = &plant.Map{FlowKgS: c.MassFlow, PowerW: c.Power, RatedSuperheatK: float64(c.RatedSuperheat), RatedReturnK: float64(c.RatedReturnGas)}
	}
	if spec.CapacityW == 0 {
		spec.CapacityW = 10_500
	}
	if spec.Metering == plant.Orifice || spec.Metering == plant.CapillaryTube {
		spec.SuperheatK = 8
	}
	if site != nil {
		spec.AltitudeM = float64(site.Altitude)
	}
	if !s.Kind.Comfort() {
		spec.Cold, spec.Compressor, spec.RatedIndoorC = true, plant.Reciprocating, 2
		if s.Kind == dewline.WalkInFreezer {
			spec.RatedIndoorC, spec.RatedIndoorRH = -20, 80
		}
		if s.HeadControl {
			spec.HeadControlC = 28
		}
	}
	if s.CompressorSpeed == dewline.VariableSpeed {
		spec.Compressor = plant.Rotary
	}
	return spec
}

func (c *simulateMachineCommand) conditions(m *plant.Machine) (plant.Conditions, error) {
	at := m.Rating()
	rh := m.Spec.RatedIndoorRH
	for _, x := range []struct {
		flag, text string
		to         *float64
	}{{"--outdoor", c.Outdoor, &at.OutdoorC}, {"--indoor", c.Indoor, &at.IndoorC}} {
		if x.text == "" {
			continue
		}
		t, err := si.ParseTemperature(x.text)
		if err != nil {
			return at, fmt.Errorf("%s: %w", x.flag, err)
		}
		*x.to = t.Celsius()
	}
	if c.Humidity != "" {
		p, err := si.ParsePercent(c.Humidity)
		if err != nil || p < 1 || p > 100 {
			return at, fmt.Errorf("--humidity %q: a relative humidity of 1 %% to 100 %%", c.Humidity)
		}
		rh = float64(p)
	}
	if at.OutdoorC < -30 || at.OutdoorC > 60 || at.IndoorC < -35 || at.IndoorC > 45 {
		return at, errors.New("the model knows -30 to 60 °C outdoors and -35 to 45 °C indoors")
	}
	at.IndoorRatio = m.HumidityRatio(at.IndoorC, rh)
	return at, nil
}

// sideBySide writes two states of a machine.
type sideBySide struct {
	units si.System
	out   *tabwriter.Writer
}

func (t sideBySide) write(m *plant.Machine, c plant.Conditions, a, b *plant.Steady, faulty bool) {
	wet := ""
	if air, err := moistair.FromHumidityRatio(si.FromCelsius(c.IndoorC), si.KilogramPerKilogram(c.IndoorRatio), si.Pascal(m.AmbientPa())); err == nil {
		wet = ", " + t.units.Temperature(air.WetBulb(), 1) + " wet bulb"
	}
	fmt.Fprintf(t.out, "%s, %s rated, charge %s; outdoors %s, indoors %s%s\n\n", m.Spec.Refrigerant, t.units.Capacity(si.Watt(m.Spec.CapacityW), 1), t.units.Mass(si.Kilogram(m.ChargeKg), 2),
		t.units.Temperature(si.FromCelsius(c.OutdoorC), 1), t.units.Temperature(si.FromCelsius(c.IndoorC), 1), wet)
	head := "\thealthy"
	if faulty {
		head += "\twith the fault\tdifference"
	}
	fmt.Fprintln(t.out, head)
	ambient := m.AmbientPa()
	gauge := func(p float64) string { return t.units.Pressure(si.Pascal(p-ambient), 1) }
	absolute := func(k float64) string { return t.units.Temperature(si.Kelvin(k), 1) }
	difference := func(k float64) string { return t.units.Difference(si.DeltaK(k), 1) }
	signed := func(k float64) string { return fmt.Sprintf("%s%s", plus(k), difference(k)) }
	power := func(w float64) string { return t.units.Power(si.Watt(w), 2) }
	for _, row := range []struct {
		name  string
		of    func(*plant.Steady) float64
		write func(float64) string
		minus func(float64) string
	}{
		{"superheat at the compressor", func(s *plant.Steady) float64 { return s.SuperheatK }, difference, signed},
		{"subcooling at the liquid port", func(s *plant.Steady) float64 { return s.SubcoolingK }, difference, signed},
		{"suction pressure (gauge)", func(s *plant.Steady) float64 { return s.SuctionPa }, gauge, func(p float64) string { return plus(p) + t.units.Pressure(si.Pascal(p), 1) }},
		{"liquid pressure (gauge)", func(s *plant.Steady) float64 { return s.LiquidPa }, gauge, func(p float64) string { return plus(p) + t.units.Pressure(si.Pascal(p), 1) }},
		{"evaporating (dew)", func(s *plant.Steady) float64 { return s.EvaporatingK }, absolute, signed},
		{"condensing", func(s *plant.Steady) float64 { return s.CondensingK }, absolute, signed},
		{"condensing over ambient", func(s *plant.Steady) float64 { return s.CondensingK - 273.15 - c.OutdoorC }, difference, signed},
		{"discharge line", func(s *plant.Steady) float64 { return s.DischargeK }, absolute, signed},
		{"air across the indoor coil", func(s *plant.Steady) float64 { return c.IndoorC - s.SupplyC }, difference, signed},
		{"air across the outdoor coil", func(s *plant.Steady) float64 { return s.OutdoorAirOutC - c.OutdoorC }, difference, signed},
	} {
		t.row(faulty, row.name, row.write(row.of(a)), row.write(row.of(b)), row.minus(row.of(b)-row.of(a)))
	}
	share := func(x, y float64) string { return fmt.Sprintf("%s%.1f %%", plus(y-x), 100*(y/x-1)) }
	t.row(faulty, "cooling capacity", t.units.Capacity(si.Watt(a.EvaporatorW), 2), t.units.Capacity(si.Watt(b.EvaporatorW), 2), share(a.EvaporatorW, b.EvaporatorW))
	t.row(faulty, "compressor power", power(a.CompressorW), power(b.CompressorW), share(a.CompressorW, b.CompressorW))
	if b.SuctionQuality < 1 {
		fmt.Fprintf(t.out, "\nLiquid reaches the compressor: %.0f %% of what it draws.\n", math.Ceil(100*(1-b.SuctionQuality)))
	}
	if b.SubcoolingK < 0.05 {
		fmt.Fprintf(t.out, "\nThere is gas in the liquid line.\n")
	}
}

func (t sideBySide) row(faulty bool, name, a, b, difference string) {
	if faulty {
		fmt.Fprintf(t.out, "%s\t%s\t%s\t%s\n", name, a, b, difference)
		return
	}
	fmt.Fprintf(t.out, "%s\t%s\n", name, a)
}

// plus is the sign that a difference without one gets.
func plus(v float64) string {
	if v >= 0 {
		return "+"
	}
	return ""
}
