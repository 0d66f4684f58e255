package main

import (
	"testing"
	"time"

	"dewline"
	"dewline/thermo"
	"dewline/thermo/si"
)

// story is a few days of three invented systems, made by hand from real properties: one floods on
// its second day and is well again, one falls silent for a night, one is always well.
type story struct {
	fleet *dewline.Fleet
	start time.Time
}

const storyFleet = `
owners: [{id: town, name: Town}]
sites:
  - id: quay
    owner: town
    altitude: 12 m
    systems:
      - id: hall
        kind: split_ac
        refrigerant: R-410A
        metering: txv
        gateway: gw
        points: &p
          suction_pressure: {accuracy: 8 kPa}
          liquid_pressure: {accuracy: 20 kPa}
          suction_temp: {accuracy: 0.5 K}
          liquid_temp: {accuracy: 0.5 K}
          compressor_on: {}
      - {id: office, kind: split_ac, refrigerant: R-454B, metering: txv, gateway: gw, points: *p}
  - id: mole
    owner: town
    altitude: 3 m
    systems:
      - {id: kiosk, kind: split_ac, refrigerant: R-32, metering: eev, gateway: gw, points: *p}
`

func newStory(t testing.TB, start time.Time) *story {
	t.Helper()
	f, err := dewline.ReadFleet("story.yaml", []byte(storyFleet), refrigerants{})
	if err != nil {
		t.Fatal(err)
	}
	return &story{f, start}
}

// frame returns the readings of a system at a minute of the story, nil where it sends nothing.
func (s *story) frame(t testing.TB, id dewline.SystemID, minute int) []dewline.Sample {
	t.Helper()
	sys, _ := s.fleet.System(id)
	site, _ := s.fleet.Site(id.Site())
	superheat, day, ofDay := 7.0, minute/1440, minute%1440
	if id == "quay/hall" && day == 1 && ofDay > 300 && ofDay < 900 {
		superheat = 0
	}
	if id == "quay/office" && day == 1 && ofDay < 400 {
		return nil
	}
	r, err := thermo.Lookup(sys.Refrigerant)
	if err != nil {
		t.Fatal(err)
	}
	ambient, err := thermo.AmbientPressure(thermo.Gauge, site.Altitude)
	if err != nil {
		t.Fatal(err)
	}
	const evaporating, condensing = 5.0, 42.0 // Cel
	low, err := r.DewAt(si.FromCelsius(evaporating))
	if err != nil {
		t.Fatal(err)
	}
	high, err := r.BubbleAt(si.FromCelsius(condensing))
	if err != nil {
		t.Fatal(err)
	}
	at := dewline.MillisOf(s.start.Add(time.Duration(minute) * time.Minute))
	wobble := float64(minute*7919%101) / 1000 // K, so that values are not all the same
	sample := func(p dewline.Point, v float64) dewline.Sample {
		return dewline.Sample{System: id, Point: p, At: at, Value: v}
	}
	return []dewline.Sample{
		sample(dewline.SuctionPressure, float64(low.Pressure-ambient)),
		sample(dewline.LiquidPressure, float64(high.Pressure-ambient)),
		sample(dewline.SuctionTemp, evaporating+superheat+wobble),
		sample(dewline.LiquidTemp, condensing-6-wobble),
		sample(dewline.CompressorOn, 1),
	}
}

// each calls do for every frame up to a minute, in order of time.
func (s *story) each(t testing.TB, minutes, every int, do func(id dewline.SystemID, frame []dewline.Sample)) {
	for minute := 0; minute < minutes; minute += every {
		for _, sys := range s.fleet.Systems() {
			if frame := s.frame(t, sys.ID, minute); frame != nil {
				do(sys.ID, frame)
			}
		}
	}
}
