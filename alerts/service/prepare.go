package service

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"dewline"
	"dewline/alerts"
)

// The keys of what is brought along.
const (
	keyRefrigerant = "refrigerant:" // and the designation
	keyGauges      = "gauges"
	keyThermometer = "clamp_thermometers"
	keyCylinder    = "recovery_cylinder"
	keyRecovery    = "recovery_machine"
	keyVacuum      = "vacuum_pump_and_gauge"
	keyScale       = "scale"
	keyDrier       = "filter_drier"
	keyNitrogen    = "nitrogen"
	keyLeak        = "leak_detector"
	keyOrifice     = "orifice"
	keyValve       = "expansion_valve"
	keyFilter      = "air_filter"
	keyCleaner     = "coil_cleaner"
	keyMeter       = "electrical_meter"
	keySensor      = "sensor:" // and its point
	keyGateway     = "gateway"
)

// Prepare fills in what a call says of its alerts: briefs, priority, skills and what to bring. It is a
// pure function of the alerts and of what is enrolled. Systems that are not enrolled any more have no
// facts, and the brief says so.
func Prepare(call *dewline.ServiceCall, list []dewline.Alert, fleet *dewline.Fleet, safety dewline.SafetyClasses) {
	call.Priority, call.Caution = dewline.P4, dewline.Caution
	kit := kit{}
	for _, a := range list {
		s, _ := fleet.System(a.System)
		rank := alerts.Rank(a, s)
		call.Priority = min(call.Priority, rank.Priority)
		for _, reason := range rank.Reasons {
			if !slices.Contains(call.Reasons, reason) {
				call.Reasons = append(call.Reasons, reason)
			}
		}
		call.Briefs = append(call.Briefs, briefOf(a, s))
		systems := a.Systems
		if a.System == "" { // one visit to the gateway serves the whole site
			systems = systems[:1]
		}
		for _, id := range systems {
			if !slices.Contains(call.Systems, id) {
				call.Systems = append(call.Systems, id)
			}
		}
		if s != nil {
			kit.forAlert(a, s)
			call.Skills = addSkills(call.Skills, a, s, safety)
		}
	}
	call.Bring = kit.list()
}

func briefOf(a dewline.Alert, s *dewline.System) dewline.Brief {
	b := dewline.Brief{Alert: a.ID, System: a.System, Condition: a.Condition, Severity: a.Severity, Onset: dewline.Stamp(a.Onset), Causes: a.Causes}
	metering := dewline.Metering("")
	if s != nil {
		metering, b.Limits = s.Metering, limitsOf(s)
	} else if a.System != "" {
		b.Limits = []string{"the system is not enrolled any more: read everything off its data plate"}
	}
	for i, c := range likeliest(a.Causes) {
		advice := dewline.AdviceFor(c, metering)
		if i == 0 {
			b.Settles = advice.Settles
		}
		for _, check := range advice.Checks {
			if !slices.Contains(b.Checks, check) {
				b.Checks = append(b.Checks, check)
			}
		}
	}
	return b
}

// likeliest returns the causes worth preparing for, the likeliest first, and at least one.
func likeliest(causes []dewline.Cause) []dewline.Cause {
	list := slices.SortedStableFunc(slices.Values(causes), func(a, b dewline.Cause) int { return cmp.Compare(b.Probability, a.Probability) })
	return slices.DeleteFunc(list, func(c dewline.Cause) bool { return c != list[0] && c.Probability < dewline.WorthBringing })
}

// limitsOf returns what is stated of a system and matters on site.
func limitsOf(s *dewline.System) []string {
	var list []string
	say := func(stated bool, format string, args ...any) {
		if stated {
			list = append(list, fmt.Sprintf(format, args...))
		}
	}
	say(true, "refrigerant %s, metering %s", s.Refrigerant, s.Metering)
	say(s.Charge > 0, "plate charge %.3g kg", float64(s.Charge))
	say(s.Charge == 0, "plate charge not stated: read it off the data plate")
	say(s.Orifice > 0, "bore called for %.3g mm", 1000*float64(s.Orifice))
	say(s.OrificeInstalled > 0, "bore installed, as read off the part: %.3g mm", 1000*float64(s.OrificeInstalled))
	say(s.TargetSuperheat > 0, "target superheat %.3g K at the %s", float64(s.TargetSuperheat), s.TargetSuperheatAt)
	say(s.TargetSubcooling > 0, "target subcooling %.3g K", float64(s.TargetSubcooling))
	return list
}

func addSkills(skills []string, a dewline.Alert, s *dewline.System, safety dewline.SafetyClasses) []string {
	add := func(skill string) {
		if !slices.Contains(skills, skill) {
			skills = append(skills, skill)
		}
	}
	if !slices.ContainsFunc(likeliest(a.Causes), dewline.Cause.OpensCircuit) {
		return skills
	}
	add("certified to open the circuit and handle refrigerant")
	switch class := safety.SafetyClass(s.Refrigerant); class {
	case "A1":
	case "", "unknown":
		add("safety class of " + s.Refrigerant + " not known here: see its data sheet")
	default:
		if class[len(class)-1] != '1' {
			add(fmt.Sprintf("trained for flammable refrigerant (%s, class %s)", s.Refrigerant, class))
		}
		if class[0] == 'B' {
			add(fmt.Sprintf("trained for toxic refrigerant (%s, class %s)", s.Refrigerant, class))
		}
	}
	return skills
}

// kit gathers what to bring, each key once.
type kit map[string]dewline.StockItem

func (k kit) add(key, what, why string) { k.addAmount(key, what, why, 1, "") }

// addAmount takes the larger of two wants, for what one machine does not use another will; of
// refrigerant each machine takes its own.
func (k kit) addAmount(key, what, why string, amount float64, unit string) {
	item, there := k[key]
	switch {
	case !there:
		item = dewline.StockItem{Key: key, What: what, Why: why, Amount: amount, Unit: unit}
	default:
		item.Amount = max(item.Amount, amount)
	}
	k[key] = item
}

func (k kit) list() []dewline.StockItem {
	list := make([]dewline.StockItem, 0, len(k))
	for _, item := range k {
		list = append(list, item)
	}
	slices.SortFunc(list, func(a, b dewline.StockItem) int { return cmp.Compare(a.Key, b.Key) })
	return list
}

func (k kit) forAlert(a dewline.Alert, s *dewline.System) {
	opening := false
	for _, c := range likeliest(a.Causes) {
		k.forCause(c, s)
		opening = opening || c.OpensCircuit()
	}
	if !slices.Contains(a.Conditions, dewline.Silent) {
		k.add(keyGauges, "calibrated gauges for "+s.Refrigerant, "to confirm the readings before anything is opened")
		k.add(keyThermometer, "clamp thermometers", "to confirm the readings before anything is opened")
	}
	if opening {
		k.forOpening(s)
	}
}

// forOpening is for work on the circuit: whatever is in it is recovered and weighed, and the plate
// charge is weighed in. So an estimate of what is missing is not needed, and more than the plate
// charge is never called for.
func (k kit) forOpening(s *dewline.System) {
	k.add(keyRecovery, "recovery machine", "before the circuit is opened")
	k.add(keyScale, "scale", "only weights enter the record")
	k.add(keyVacuum, "vacuum pump and gauge", "evacuate and hold as the maker says")
	k.add(keyDrier, "filter drier", "after the circuit was open")
	key := keyRefrigerant + s.Refrigerant
	cylinder := "recovery cylinder in date, for " + s.Refrigerant + " alone"
	if s.Charge <= 0 {
		k.addAmount(key, s.Refrigerant, "the plate charge is not stated: read it off the data plate, never charge more", 0, "kg")
		k.addAmount(keyCylinder+":"+s.Refrigerant, cylinder, "filled to 80 % at most", 1, "")
		return
	}
	charge := float64(s.Charge)
	item := k[key]
	k[key] = dewline.StockItem{Key: key, What: s.Refrigerant, Unit: "kg", Amount: math.Round(1000*(item.Amount+charge)) / 1000,
		Why: "at most the plate charge of each machine; blends go in as liquid"}
	room := keyCylinder + ":" + s.Refrigerant
	k[room] = dewline.StockItem{Key: room, What: cylinder, Unit: "kg of room", Amount: math.Round(1000*(k[room].Amount+charge)) / 1000, Why: "filled to 80 % at most"}
}

func (k kit) forCause(c dewline.Cause, s *dewline.System) {
	switch c.Fault {
	case dewline.Undercharge:
		k.add(keyLeak, "leak detector and bubbles", "a leak is found before charge goes in")
		k.add(keyNitrogen, "nitrogen with regulator", "to hold pressure while searching")
	case dewline.Restriction, dewline.Overfeed:
		k.metering(c, s)
	case dewline.EvaporatorAirflow:
		k.add(keyFilter, "air filter of this machine's size", "the cheapest check first")
		k.add(keyCleaner, "coil cleaner", "")
	case dewline.CondenserAirflow:
		k.add(keyCleaner, "coil cleaner", "")
		k.add(keyMeter, "electrical meter", "fan motor and capacitor")
	case dewline.CompressorLeakage, dewline.ReversingValve, dewline.DefrostFault:
		k.add(keyMeter, "electrical meter", "")
	case dewline.SensorFault:
		if c.Detail != "" {
			k.add(keySensor+c.Detail, "sensor for "+c.Detail, "")
		}
	case dewline.Communication:
		k.add(keyGateway, "spare gateway and network cable", "")
	}
}

func (k kit) metering(c dewline.Cause, s *dewline.System) {
	switch {
	case s.Metering == dewline.FixedOrifice && s.Orifice > 0:
		key := fmt.Sprintf("%s:%.3g mm", keyOrifice, 1000*float64(s.Orifice))
		k.add(key, fmt.Sprintf("orifice of %.3g mm", 1000*float64(s.Orifice)), "what the data plate or the maker's chart calls for")
	case s.Metering == dewline.FixedOrifice:
		k.add(keyOrifice, "orifices about the maker's size", "the bore called for is not stated: look it up in the maker's chart before driving")
	case s.Metering.HoldsSuperheat() && c.Detail != "bulb_loose":
		k.add(keyValve, "expansion valve or power element of this machine's size", "")
	case c.Detail == "bulb_loose":
		k.add("bulb_strap_and_insulation", "strap and insulation for the bulb", "")
	}
}
