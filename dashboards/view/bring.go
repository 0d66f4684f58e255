package view

import (
	"regexp"
	"slices"
	"strconv"

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

// keptWords are the words with which the service keeps what a call asks for: to bring, and of who goes. {1}
// and {2} stand for a refrigerant and its safety class.
var keptWords = []dewline.Phrase{
	"calibrated gauges for {1}", "clamp thermometers", "to confirm the readings before anything is opened",
	"recovery machine", "before the circuit is opened", "scale", "only weights enter the record", "vacuum pump and gauge", "evacuate and hold as the maker says",
	"filter drier", "after the circuit was open", "recovery cylinder in date, for {1} alone", "filled to 80 % at most",
	"the plate charge is not stated: read it off the data plate, never charge more", "at most the plate charge of each machine; blends go in as liquid",
	"certified to open the circuit and handle refrigerant", "safety class of {1} not known here: see its data sheet",
	"trained for flammable refrigerant ({1}, class {2})", "trained for toxic refrigerant ({1}, class {2})",
}

var keptNames = regexp.MustCompile(`\bR-\d\w*|\b[AB][123]L?\b`)

// kept says a sentence that is kept with a call, in English where it is not one of keptWords.
func (u Idiom) kept(text string) string {
	var names []any
	pattern := dewline.Phrase(keptNames.ReplaceAllStringFunc(text, func(name string) string {
		names = append(names, name)
		return "{" + strconv.Itoa(len(names)) + "}"
	}))
	if !slices.Contains(keptWords, pattern) {
		return text
	}
	return u.Say(string(pattern), names...)
}

// known says a text that is one of a list, and any other as it is.
func (u Idiom) known(list []dewline.Phrase, text string) string {
	if slices.Contains(list, dewline.Phrase(text)) {
		return u.Say(text)
	}
	return text
}

// Kept says sentences that are kept with a call.
func (u Idiom) Kept(sentences []string) []string {
	said := make([]string, len(sentences))
	for i, s := range sentences {
		said[i] = u.kept(s)
	}
	return said
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
