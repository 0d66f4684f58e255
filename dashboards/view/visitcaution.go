package view

import (
	"strings"

	"dewline"
	"dewline/thermo"
)

// VisitCautions are what a technician is told where something is done, each beside it.
type VisitCautions struct {
	All         string   // on top
	Flammable   string   // "" for a refrigerant that does not burn
	Gauges      string   // before gauges are fitted
	Refrigerant []string // before any is moved
	Vacuum      string
	Electric    string
}

// CautionsFor says what is to be minded at a machine.
func CautionsFor(sys *dewline.System, u Idiom) VisitCautions {
	c := VisitCautions{
		All:    u.Say(dewline.Caution),
		Gauges: u.Say("The circuit is under pressure: glasses and gloves on, and let what is in the hoses go nowhere. Calibrated gauges decide, not these sensors."),
		Refrigerant: []string{
			u.Say("Only certified people add or recover refrigerant, and only what the scale showed counts."),
		},
		Vacuum:   u.Say("The limits are the maker's for this work on this machine: there is no usual value. Read the gauge at the machine and not at the pump."),
		Electric: u.Say("Switch off, lock out, and measure that there is no voltage; capacitors stay charged. Panels are for qualified people. Never bridge a pressure switch, a detector or a crankcase heater to make it run."),
	}
	if sys.Charge > 0 {
		c.Refrigerant = append(c.Refrigerant, u.Say("The data plate calls for {1}: never charge more.", massWords(sys.Charge, u)))
	} else {
		c.Refrigerant = append(c.Refrigerant, u.Say("The plate charge is not stated here: read it off the data plate, and never charge more."))
	}
	r, err := thermo.Lookup(sys.Refrigerant)
	if err != nil {
		c.Flammable = u.Say("What {1} does is not known here: treat it as flammable and toxic until its data sheet says otherwise.", sys.Refrigerant)
		return c
	}
	facts := r.Facts()
	if len(facts.Composition) > 1 {
		c.Refrigerant = append(c.Refrigerant, u.Say("{1} is a blend: charge it as liquid, metered so that none reaches the compressor. "+
			"After a leak what is left may not be the blend any more: recover it and weigh in fresh charge, rather than top up.", facts.Designation))
	}
	c.Flammable = flammable(facts, u)
	if facts.Designation == "R-744" {
		c.Gauges += " " + u.Say("R-744 runs at far higher pressures than others: gauges, hoses and cylinder must be made for it, and trapped liquid bursts what holds it.")
	}
	return c
}

// flammable says in which way a refrigerant of its ASHRAE 34 class burns or poisons.
func flammable(f thermo.Facts, u Idiom) string {
	if f.SafetyClass == "unknown" || f.SafetyClass == "" {
		return u.Say("The safety class of {1} is not known here: treat it as flammable and toxic until its data sheet says otherwise.", f.Designation)
	}
	var words []string
	switch {
	case strings.HasSuffix(f.SafetyClass, "2L"):
		words = append(words, u.Say("burns, if slowly"))
	case strings.HasSuffix(f.SafetyClass, "2"):
		words = append(words, u.Say("burns"))
	case strings.HasSuffix(f.SafetyClass, "3"):
		words = append(words, u.Say("burns fiercely"))
	}
	if strings.HasPrefix(f.SafetyClass, "B") {
		words = append(words, u.Say("is toxic"))
	}
	if len(words) == 0 {
		return ""
	}
	does := words[0]
	if len(words) > 1 {
		does = u.Say("{1} and {2}", words[0], words[1])
	}
	return u.Say("{1} {2} (class {3}). Ventilate, keep anything that ignites away, use tools, recovery machine and detector that are rated for it, and follow the maker's instructions and local code.",
		f.Designation, does, f.SafetyClass)
}
