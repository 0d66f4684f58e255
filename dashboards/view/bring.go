package view

import (
	"slices"

	"dewline"
	"dewline/thermo/si"
)

// worthBringing is the probability from which something is brought for a cause: driving back for a
// drier costs more than carrying one. The same share decides what a service call lists.
const worthBringing = 0.15

// Bring lists what to put into the van for the causes of an alert that are likely enough, beside the
// gauges and thermometers that are always there. A service call has the whole list.
func Bring(a *dewline.Alert, sys *dewline.System, u si.System) []string {
	if sys == nil {
		if a.Condition == dewline.Silent {
			return []string{"a spare gateway"}
		}
		return nil
	}
	b := bag{}
	opens := false
	for _, c := range a.Causes {
		if c.Probability < worthBringing {
			continue
		}
		opens = b.forCause(c, sys, u) || opens
	}
	if opens {
		charge := sys.Refrigerant
		if sys.Charge > 0 {
			charge = spaced(u.Mass(sys.Charge, 1)) + " " + sys.Refrigerant + " (plate charge)"
		}
		b.add(charge, "recovery and vacuum equipment", "scale", "drier")
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

// forCause adds what a cause asks for and says whether its repair opens the circuit.
func (b *bag) forCause(c dewline.Cause, sys *dewline.System, u si.System) (opens bool) {
	switch c.Fault {
	case dewline.Undercharge:
		b.add("leak detector", "nitrogen")
	case dewline.Overcharge, dewline.NonCondensables, dewline.CompressorLeakage, dewline.ReversingValve:
	case dewline.Restriction, dewline.Overfeed:
		return b.metering(c, sys, u)
	case dewline.EvaporatorAirflow:
		b.add("air filter", "coil cleaner")
		return false
	case dewline.CondenserAirflow:
		b.add("coil cleaner", "fan capacitor")
		return false
	case dewline.DefrostFault:
		b.add("electrical meter")
		return false
	case dewline.SensorFault:
		if c.Detail != "" {
			b.add(underscores(c.Detail) + " sensor")
		}
		return false
	case dewline.Communication:
		b.add("spare gateway")
		return false
	default:
		return false
	}
	return true
}

func (b *bag) metering(c dewline.Cause, sys *dewline.System, u si.System) (opens bool) {
	decimals := 2
	if u == si.US {
		decimals = 3
	}
	switch {
	case c.Detail == "bulb_loose":
		b.add("bulb strap and insulation")
		return false
	case sys.Metering == dewline.FixedOrifice && sys.Orifice > 0:
		b.add("orifice of " + spaced(u.Diameter(sys.Orifice, decimals)))
	case sys.Metering == dewline.FixedOrifice:
		b.add("orifices about the maker's size (the bore called for is not stated)")
	case sys.Metering.HoldsSuperheat():
		b.add("expansion valve or power element of its size")
	}
	return true
}
