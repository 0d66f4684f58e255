package validate

import "dewline/thermo/plant"

// A Size is one published magnitude beside the model's.
type Size struct {
	Fault, Case, Quantity string
	Low, High             float64 // published, equal for a single figure
	Model                 float64
	Source                string
}

// run is a machine at its rating, healthy and with a fault, as ratios and differences.
type run struct {
	capacity, power, eir               float64 // faulty over healthy; power and EIR with the fans
	compressor                         float64
	superheat, subcooling, overAmbient float64 // K, faulty less healthy
}

func with(m *plant.Machine, f plant.Faults, change func(*plant.Conditions)) (run, error) {
	c := m.Rating()
	if change != nil {
		change(&c)
	}
	a, err := m.Solve(c)
	if err != nil {
		return run{}, err
	}
	c.Faults = f
	b, err := m.Solve(c)
	if err != nil {
		return run{}, err
	}
	useful := func(s *plant.Steady) float64 {
		if c.Heating {
			return s.CondenserW
		}
		return s.EvaporatorW
	}
	power := (b.CompressorW + b.FanW) / (a.CompressorW + a.FanW)
	capacity := useful(&b) / useful(&a)
	return run{capacity: capacity, power: power, eir: power / capacity, compressor: b.CompressorW / a.CompressorW,
		superheat: b.SuperheatK - a.SuperheatK, subcooling: b.SubcoolingK - a.SubcoolingK, overAmbient: b.CondensingK - a.CondensingK}, nil
}

const (
	rooftop  = "NREL/SR-5500-65030 (Cheung and Braun 2015), rooftop fit at 19.4 °C wet bulb, 35 °C outdoors"
	nistFit  = "NIST charge correlation (Domanski), 26.7 °C indoors, 35 °C outdoors"
	nistHeat = "NIST charge correlation (Domanski), 21.1 °C indoors, 8.3 °C outdoors"
	field    = "rooftop unit on a field research platform, 2017, 22 °C outdoors"
	homes    = "Home Energy 5/2002, summary of laboratory work"
)

// Sizes compares what faults cost with what has been published.
func Sizes() ([]Size, error) {
	orifice, valve, err := Machines()
	if err != nil {
		return nil, err
	}
	capillary, err := plant.Design(plant.Spec{Refrigerant: "R-410A", Metering: plant.CapillaryTube, CapacityW: 5000, SuperheatK: 8, Compressor: plant.Rotary})
	if err != nil {
		return nil, err
	}
	pump, err := plant.Design(plant.Spec{Refrigerant: "R-410A", Metering: plant.ThermostaticValve, CapacityW: 8800, HeatPump: true})
	if err != nil {
		return nil, err
	}
	var all []Size
	add := func(m *plant.Machine, name, at string, f plant.Faults, change func(*plant.Conditions), source string, quantity func(run) []Size) {
		if err != nil {
			return
		}
		var r run
		if r, err = with(m, f, change); err != nil {
			return
		}
		for _, s := range quantity(r) {
			s.Fault, s.Case, s.Source = name, at, source
			all = append(all, s)
		}
	}
	ratios := func(capacity, eir float64) func(run) []Size {
		return func(r run) []Size {
			return []Size{{Quantity: "capacity ratio", Low: capacity, High: capacity, Model: r.capacity}, {Quantity: "EIR ratio", Low: eir, High: eir, Model: r.eir}}
		}
	}
	powers := func(capacity, power float64) func(run) []Size {
		return func(r run) []Size {
			return []Size{{Quantity: "capacity ratio", Low: capacity, High: capacity, Model: r.capacity}, {Quantity: "power ratio", Low: power, High: power, Model: r.power}}
		}
	}
	for _, x := range []struct{ f, q, eir float64 }{{0.1, 0.948, 1.022}, {0.2, 0.880, 1.076}, {0.3, 0.797, 1.170}} {
		add(orifice, "undercharge, fixed orifice", percent(x.f), plant.Faults{Charge: -x.f}, nil, rooftop, ratios(x.q, x.eir))
	}
	for _, x := range []struct{ f, q, p float64 }{{-0.1, 0.956, 0.990}, {-0.2, 0.888, 0.978}, {-0.3, 0.798, 0.964}, {0.1, 1.012, 1.015}, {0.2, 1.021, 1.035}, {0.3, 1.028, 1.062}} {
		add(valve, charge(x.f)+", TXV", percent(x.f), plant.Faults{Charge: x.f}, nil, nistFit, powers(x.q, x.p))
	}
	heat := func(c *plant.Conditions) { *c = pump.HeatingRating() }
	for _, x := range []struct{ f, q, p float64 }{{-0.2, 0.868, 0.970}, {-0.1, 0.960, 0.988}, {0.1, 1.000, 1.026}, {0.2, 1.000, 1.090}} {
		add(pump, charge(x.f)+", TXV, heating", percent(x.f), plant.Faults{Charge: x.f}, heat, nistHeat, powers(x.q, x.p))
	}
	eer := func(capacityLow, capacityHigh, eerLow, eerHigh float64) func(run) []Size {
		return func(r run) []Size {
			return []Size{{Quantity: "capacity, %", Low: capacityLow, High: capacityHigh, Model: 100 * (r.capacity - 1)},
				{Quantity: "EER, %", Low: eerLow, High: eerHigh, Model: 100 * (1/r.eir - 1)}}
		}
	}
	add(capillary, "undercharge, capillary", "15 %", plant.Faults{Charge: -0.15}, nil, homes, eer(-22, -8, -6, -4))
	add(capillary, "overcharge, capillary", "10 %", plant.Faults{Charge: 0.10}, nil, homes, eer(-9, -1, -11, -4))
	add(orifice, "undercharge, fixed orifice", "25 %", plant.Faults{Charge: -0.25}, nil, "Kim and Braun 2012, mean of several machines", func(r run) []Size {
		return []Size{{Quantity: "capacity, %", Low: -20, High: -20, Model: 100 * (r.capacity - 1)}, {Quantity: "efficiency, %", Low: -15, High: -15, Model: 100 * (1/r.eir - 1)}}
	})
	for _, x := range []struct{ f, q, eir float64 }{{0.3, 0.997, 1.090}, {0.5, 0.956, 1.276}} {
		add(orifice, "condenser air lost, fixed orifice", percent(x.f), plant.Faults{CondenserAir: x.f}, nil, rooftop, ratios(x.q, x.eir))
	}
	mild := func(c *plant.Conditions) { c.OutdoorC = 22.5 }
	for _, x := range []struct{ f, over, sc, sh, power float64 }{{0.28, 3.2, -0.1, -2.4, 1.13}, {0.58, 10.7, -0.6, -6.1, 1.35}} {
		add(orifice, "condenser face blocked, fixed orifice", percent(x.f), plant.Faults{CondenserAir: x.f}, mild, field, func(r run) []Size {
			return []Size{{Quantity: "condensing over ambient, K", Low: x.over, High: x.over, Model: r.overAmbient}, {Quantity: "subcooling, K", Low: x.sc, High: x.sc, Model: r.subcooling},
				{Quantity: "superheat, K", Low: x.sh, High: x.sh, Model: r.superheat}, {Quantity: "compressor power ratio", Low: x.power, High: x.power, Model: r.compressor}}
		})
	}
	for name, m := range map[string]*plant.Machine{"fixed orifice": orifice, "TXV": valve} {
		add(m, "evaporator air lost, "+name, "50 %", plant.Faults{EvaporatorAir: 0.5}, nil, "Rodriguez, O'Neal et al. 1996", func(r run) []Size {
			return []Size{{Quantity: "compressor power, %", Low: -4, High: 0, Model: 100 * (r.compressor - 1)}}
		})
	}
	for _, x := range []struct{ f, q, eir float64 }{{0.1, 0.966, 1.027}, {0.2, 0.895, 1.124}} {
		add(orifice, "liquid line restricted, fixed orifice", percent(x.f), plant.Faults{LineRestriction: x.f}, nil, rooftop, ratios(x.q, x.eir))
	}
	add(orifice, "non-condensables, fixed orifice", "half a condenser of air", plant.Faults{NonCondensables: 0.5}, nil, rooftop+", at its 50 %", ratios(1.025, 1.051))
	return sorted(all), err
}
