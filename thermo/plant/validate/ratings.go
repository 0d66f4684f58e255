package validate

import (
	"cmp"
	"fmt"
	"slices"

	"dewline/thermo/plant"
)

// An Archetype is a kind of machine with the ranges that its rating must land in.
type Archetype struct {
	Name   string
	Spec   plant.Spec
	Ranges map[string]Range
}

// Range is what the trade takes for usual.
type Range struct{ Low, High float64 }

// Rated are the quantities of a rating, in order.
var Rated = []string{"capacity over nominal", "COP", "evaporating under air, K", "superheat at compressor, K", "subcooling, K", "condensing over ambient, K", "air split, K", "charge, kg/kW"}

// comfort, cooler and freezer are the ranges of sections 1 and 4 of ASHRAE-style rules of the trade (common practice):
// condensing 15 to 25 °F over ambient, evaporating 30 to 40 °F under the return air, air split 16 to 22 °F,
// superheat at the compressor 8 to 20 °F, subcooling 8 to 12 °F, EER 9.5 to 14 with the fans.
var (
	comfort = map[string]Range{"capacity over nominal": {0.9, 1.1}, "COP": {2.8, 4.2}, "evaporating under air, K": {16, 22}, "superheat at compressor, K": {4.4, 11},
		"subcooling, K": {4.4, 6.7}, "condensing over ambient, K": {8.3, 13.9}, "air split, K": {8.9, 12.2}, "charge, kg/kW": {0.15, 0.4}}
	cooler = map[string]Range{"capacity over nominal": {0.9, 1.1}, "COP": {1.9, 3.2}, "evaporating under air, K": {4.4, 8}, "superheat at compressor, K": {4.4, 12},
		"subcooling, K": {1.5, 6}, "condensing over ambient, K": {8.3, 16.7}, "charge, kg/kW": {0.3, 1.2}}
	freezer = map[string]Range{"capacity over nominal": {0.9, 1.1}, "COP": {1.0, 1.9}, "evaporating under air, K": {5.5, 8.5}, "superheat at compressor, K": {4.4, 14},
		"subcooling, K": {1.5, 6}, "condensing over ambient, K": {8.3, 16.7}, "charge, kg/kW": {0.3, 1.4}}
)

// Archetypes are the machines that the ratings are checked on.
func Archetypes() []Archetype {
	return []Archetype{
		{"split, R-410A, fixed orifice", plant.Spec{Refrigerant: "R-410A", Metering: plant.Orifice, CapacityW: 10500, SuperheatK: 8}, comfort},
		{"split heat pump, R-410A, TXV", plant.Spec{Refrigerant: "R-410A", Metering: plant.ThermostaticValve, CapacityW: 10500, HeatPump: true}, comfort},
		{"split heat pump, R-454B, TXV", plant.Spec{Refrigerant: "R-454B", Metering: plant.ThermostaticValve, CapacityW: 8000, HeatPump: true}, comfort},
		{"variable split, R-32, EEV", plant.Spec{Refrigerant: "R-32", Metering: plant.ElectronicValve, Compressor: plant.Rotary, CapacityW: 7000}, comfort},
		{"packaged, R-407C, TXV", plant.Spec{Refrigerant: "R-407C", Metering: plant.ThermostaticValve, CapacityW: 21000}, comfort},
		{"wall unit, R-407C, capillary", plant.Spec{Refrigerant: "R-407C", Metering: plant.CapillaryTube, Compressor: plant.Rotary, CapacityW: 5000, SuperheatK: 7}, comfort},
		{"walk-in cooler, R-134a, TXV", plant.Spec{Refrigerant: "R-134a", Metering: plant.ThermostaticValve, Compressor: plant.Reciprocating, CapacityW: 4000, Cold: true, RatedIndoorC: 2, Receiver: true, HeadControlC: 29}, cooler},
		{"vaccine store, R-290, capillary", plant.Spec{Refrigerant: "R-290", Metering: plant.CapillaryTube, Compressor: plant.Reciprocating, CapacityW: 1600, Cold: true, RatedIndoorC: 4, SuperheatK: 6, SubcoolingK: 5}, without(cooler, "charge, kg/kW")},
		{"walk-in freezer, R-449A, TXV", plant.Spec{Refrigerant: "R-449A", Metering: plant.ThermostaticValve, Compressor: plant.Reciprocating, CapacityW: 6000, Cold: true, RatedIndoorC: -20, RatedIndoorRH: 80, Receiver: true, HeadControlC: 27, MaxEvapC: -12}, freezer},
	}
}

func without(r map[string]Range, key string) map[string]Range {
	c := map[string]Range{}
	for k, v := range r {
		if k != key {
			c[k] = v
		}
	}
	return c
}

// Rate returns the quantities of Rated at the machine's rating.
func Rate(a Archetype) (map[string]float64, error) {
	m, err := plant.Design(a.Spec)
	if err != nil {
		return nil, err
	}
	c := m.Rating()
	s, err := m.Solve(c)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", a.Name, err)
	}
	return map[string]float64{"capacity over nominal": s.EvaporatorW / a.Spec.CapacityW, "COP": (s.EvaporatorW - m.Indoor.FanW) / (s.CompressorW + s.FanW),
		"evaporating under air, K": c.IndoorC - (s.EvaporatingK - 273.15), "superheat at compressor, K": s.SuperheatK, "subcooling, K": s.SubcoolingK,
		"condensing over ambient, K": s.CondensingK - 273.15 - c.OutdoorC, "air split, K": c.IndoorC - s.SupplyC, "charge, kg/kW": m.ChargeKg / a.Spec.CapacityW * 1000}, nil
}

func percent(f float64) string { return fmt.Sprintf("%.0f %%", 100*f) }

func charge(f float64) string {
	if f < 0 {
		return "undercharge"
	}
	return "overcharge"
}

func sorted(all []Size) []Size {
	slices.SortStableFunc(all, func(a, b Size) int { return cmp.Compare(a.Fault, b.Fault) })
	return all
}
