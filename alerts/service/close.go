package service

import (
	"slices"
	"strings"

	"dewline"
)

// Lacks returns what a visit must still say to be closed, as sentences: what every visit records, what
// the cause that was found asks for, and what the law of most places wants of refrigerant that was
// moved (technician, certificate, kind and weight).
func Lacks(v *dewline.Visit) []string {
	var missing []string
	need := func(there bool, text string) {
		if !there {
			missing = append(missing, text)
		}
	}
	need(v.Technician != "", "technician: who did the work")
	need(v.Finished != 0, "finished: when the work was finished")
	need(v.Found != nil || v.NoTroubleFound, "found: the cause as seen on the machine, or no trouble found, which is an honest finding")
	charged, recovered := v.Net()
	moved := charged+recovered > 0
	if moved {
		need(v.Certification != "", "certification: the number of the certificate, as refrigerant was moved")
		need(has(v.AsLeft, dewline.SuctionPressure), "as_left: suction pressure after refrigerant was moved")
		need(has(v.AsLeft, dewline.LiquidPressure) || has(v.AsLeft, dewline.DischargePressure), "as_left: high-side pressure after refrigerant was moved")
	}
	if v.NoTroubleFound {
		need(strings.TrimSpace(v.Notes) != "", "notes: what was checked before no trouble was found")
		need(len(v.AsFound) > 0, "as_found: the readings that looked well")
	}
	if v.Found != nil {
		lacksFor(v, need, charged > 0, recovered > 0)
	}
	if v.Evacuation != nil {
		verdict, why := v.Evacuation.Judge()
		need(verdict != dewline.VacuumUnknown, "evacuation: "+why)
		need(verdict != dewline.VacuumFailed || strings.TrimSpace(v.Notes) != "", "notes: why the machine was left with a vacuum that failed ("+why+")")
	}
	return missing
}

// lacksFor is what each cause asks for.
func lacksFor(v *dewline.Visit, need func(bool, string), charged, recovered bool) {
	notes := strings.TrimSpace(v.Notes) != ""
	switch v.Found.Fault {
	case dewline.Undercharge:
		need(notes, "notes: where the leak was, or that none was found")
		need(charged, "refrigerant: what was weighed in")
	case dewline.Overcharge:
		need(recovered, "refrigerant: what was recovered")
	case dewline.NonCondensables:
		need(recovered && charged, "refrigerant: what was recovered and weighed in")
		need(v.Evacuation != nil, "evacuation: how far, and whether it held")
	case dewline.Restriction, dewline.Overfeed:
		need(len(v.Parts) > 0 || notes, "parts: what was changed or adjusted")
		if strings.HasPrefix(v.Found.Detail, "orifice_") {
			need(slices.ContainsFunc(v.Parts, func(p dewline.PartChanged) bool { return p.BoreWas > 0 && p.BoreNow > 0 }),
				"parts: the bore that was in it and the bore that is in it now, read off the parts")
		}
	case dewline.CompressorLeakage, dewline.ReversingValve:
		need(len(v.Parts) > 0 || notes, "parts: what was changed, or notes: why not yet")
	case dewline.SensorFault:
		need(len(v.Sensors) > 0 || notes, "sensors: which sensor was changed or refitted")
	default:
		need(notes || len(v.Parts) > 0, "notes: what was done")
	}
}

func has(readings []dewline.GaugeReading, p dewline.Point) bool {
	return slices.ContainsFunc(readings, func(r dewline.GaugeReading) bool { return r.Point == p.String() })
}

// eventsOf returns what a visit did to its machine, for analytics. A sensor that was changed does not
// touch what is known of the machine, so that visit does not restart learning.
func eventsOf(v *dewline.Visit) []dewline.Event {
	var list []dewline.Event
	taken := map[dewline.Millis]bool{}
	for _, s := range v.Sensors {
		at := dewline.Millis(s.At)
		for taken[at] { // of one kind and time there is one event
			at++
		}
		taken[at] = true
		list = append(list, dewline.Event{System: v.System, Kind: dewline.SensorReplaced, At: at, Note: s.Point})
	}
	if touched(v) {
		list = append(list, dewline.Event{System: v.System, Kind: dewline.Serviced, At: dewline.Millis(v.Finished), Note: summary(v)})
	}
	return list
}

// touched says whether the machine is another one after the visit.
func touched(v *dewline.Visit) bool {
	charged, recovered := v.Net()
	sensorOnly := v.Found != nil && (v.Found.Fault == dewline.SensorFault || v.Found.Fault == dewline.Communication)
	return charged+recovered > 0 || len(v.Parts) > 0 || v.Evacuation != nil || v.Found != nil && !sensorOnly
}

// summary is the note of the event: no names, no free text.
func summary(v *dewline.Visit) string {
	words := []string{"visit " + v.ID}
	if v.Found != nil {
		words = append(words, strings.Trim(string(v.Found.Fault)+" "+v.Found.Detail, " "))
	}
	for _, p := range v.Parts {
		words = append(words, p.Part)
	}
	return strings.Join(words, ", ")
}
