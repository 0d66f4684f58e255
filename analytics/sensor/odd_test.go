package sensor_test

import (
	"testing"

	"dewline"
	"dewline/analytics/sensor"
	"dewline/thermo/plant"
)

// TestMachineFaultsAreNotTakenForSensors lets machines go wrong, some at once and badly: no sensor may be
// believed to be wrong.
func TestMachineFaultsAreNotTakenForSensors(t *testing.T) {
	from := july + 3*86400
	for name, c := range map[string]struct {
		site    site
		courses []plant.Course
	}{
		"charge lost at once":       {comfortSplit, []plant.Course{{Fault: plant.Charge, Severity: -0.35, From: from}}},
		"overcharged at once":       {comfortSplit, []plant.Course{{Fault: plant.Charge, Severity: 0.35, From: from}}},
		"drier blocked":             {comfortSplit, []plant.Course{{Fault: plant.LineRestriction, Severity: 1.5, From: from}}},
		"bore plugged":              {comfortSplit, []plant.Course{{Fault: plant.Plugged, Severity: 0.5, From: from}}},
		"no air over the coil":      {comfortSplit, []plant.Course{{Fault: plant.EvaporatorAir, Severity: 0.6, From: from}}},
		"condenser blocked":         {comfortSplit, []plant.Course{{Fault: plant.CondenserAir, Severity: 0.5, From: from}}},
		"air in the circuit":        {comfortSplit, []plant.Course{{Fault: plant.NonCondensables, Severity: 1.2, From: from}}},
		"compressor leaks":          {comfortSplit, []plant.Course{{Fault: plant.CompressorLeak, Severity: 0.4, From: from}}},
		"charge lost at once, bare": {bare(comfortSplit), []plant.Course{{Fault: plant.Charge, Severity: -0.2, From: from}}},
		"drier blocked, bare":       {bare(comfortSplit), []plant.Course{{Fault: plant.LineRestriction, Severity: 0.15, From: from}}},
		"bore plugged, bare":        {bare(comfortSplit), []plant.Course{{Fault: plant.Plugged, Severity: 0.12, From: from}}},
		"condenser blocked, bare":   {bare(comfortSplit), []plant.Course{{Fault: plant.CondenserAir, Severity: 0.3, From: from}}},
		"cold room nearly empty":    {walkIn, []plant.Course{{Fault: plant.Charge, Severity: -0.9, From: from}}},
		"cold room, bulb loose":     {walkIn, []plant.Course{{Fault: plant.BulbLoose, Severity: 0.6, From: from}}},
		"cold room, valve sticks":   {walkIn, []plant.Course{{Fault: plant.StuckAt, Severity: 0.15, From: from}}},
		"cold room, drier clogging": {walkIn, []plant.Course{{Fault: plant.LineRestriction, Shape: plant.Ramp, Severity: 2, From: from, Full: from + 5*86400}}},
	} {
		t.Run(name, func(t *testing.T) {
			s := c.site
			s.courses, s.days, s.every = c.courses, 10, 300
			s.see = func(at dewline.Millis, w *sensor.Watch) {
				if d := believed(w); len(d) > 0 {
					t.Fatalf("%s: %+v", at.Time(), d)
				}
			}
			s.run(t)
		})
	}
}
