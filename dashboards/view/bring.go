package view

import (
	"slices"

	"dewline"
	"dewline/thermo/si"
)

// Bring lists what to put into the van for the causes of an alert that are likely enough, beside the
// gauges and thermometers that are always there. A service call has the whole list.
func Bring(a *dewline.Alert, sys *dewline.System, u Idiom) []string {
	if sys == nil {
		if a.Condition == dewline.Silent {
			return []string{u.Say("a spare gateway")}
		}
		return nil
	}
	b := bag{}
	opens := false
	for _, c := range a.Causes {
		if c.Probability < dewline.WorthBringing {
			continue
		}
		b.forCause(c, sys, u)
		opens = opens || c.OpensCircuit()
	}
	if opens {
		charge := sys.Refrigerant
		if sys.Charge > 0 {
			charge = u.Say("{1} {2} (plate charge)", spaced(u.Mass(sys.Charge, 1)), sys.Refrigerant)
		}
		b.add(charge, u.Say("recovery and vacuum equipment"), u.Say("scale"), u.Say("drier"))
	}
	return b
}

type bag []string

func (b *bag) add(things ...string) {
	for _, t := range things {
		if !slices.Contains(*b, t) {
			*b = append(*b, t)
		}
	}
}

// forCause adds what a cause asks for beside what every opening of the circuit does.
func (b *bag) forCause(c dewline.Cause, sys *dewline.System, u Idiom) {
	switch c.Fault {
	case dewline.Undercharge:
		b.add(u.Say("leak detector"), u.Say("nitrogen"))
	case dewline.Restriction, dewline.Overfeed:
		b.metering(c, sys, u)
	case dewline.EvaporatorAirflow:
		b.add(u.Say("air filter"), u.Say("coil cleaner"))
	case dewline.CondenserAirflow:
		b.add(u.Say("coil cleaner"), u.Say("fan capacitor"))
	case dewline.DefrostFault:
		b.add(u.Say("electrical meter"))
	case dewline.SensorFault:
		if c.Detail != "" {
			b.add(u.Say("{1} sensor", u.Name(c.Detail)))
		}
	case dewline.Communication:
		b.add(u.Say("spare gateway"))
	}
}

func (b *bag) metering(c dewline.Cause, sys *dewline.System, u Idiom) {
	decimals := 2
	if u.System == si.US {
		decimals = 3
	}
	switch {
	case c.Detail == "bulb_loose":
		b.add(u.Say("bulb strap and insulation"))
	case sys.Metering == dewline.FixedOrifice && sys.Orifice > 0:
		b.add(u.Say("orifice of {1}", spaced(u.Diameter(sys.Orifice, decimals))))
	case sys.Metering == dewline.FixedOrifice:
		b.add(u.Say("orifices about the maker's size (the bore called for is not stated)"))
	case sys.Metering.HoldsSuperheat():
		b.add(u.Say("expansion valve or power element of its size"))
	}
}
