package validate

import (
	_ "embed"
	"encoding/csv"
	"strings"

	"dewline/thermo/plant"
)

// signatures is the reference of directions: fault, metering device, feature, direction, status. It
// condenses the sources that each row of the wider table names: a Purdue rooftop report (rule table),
// the re-analysis of a NIST fault campaign, and memory of the trade.
//
//go:embed signatures.csv
var signatures string

// A Sign is one published direction and the model's answer.
type Sign struct {
	Fault, Device, Feature string
	Want                   string // +, -, 0
	Status                 string
	Got                    float64 // K
	Agrees                 bool
}

// features are what the directions are about, in kelvin.
var features = []string{"evap_sat", "superheat", "cond_sat", "subcooling", "discharge_temp", "cond_air_rise", "evap_air_drop"}

func featuresOf(c plant.Conditions, s *plant.Steady) map[string]float64 {
	return map[string]float64{"evap_sat": s.EvaporatingK, "superheat": s.SuperheatK, "cond_sat": s.CondensingK, "subcooling": s.SubcoolingK,
		"discharge_temp": s.DischargeK, "cond_air_rise": s.OutdoorAirOutC - c.OutdoorC, "evap_air_drop": c.IndoorC - s.SupplyC}
}

// neutral is how far a feature may move and still count as unmoved.
var neutral = map[string]float64{"evap_sat": 1, "superheat": 1.5, "cond_sat": 1, "subcooling": 1.2, "discharge_temp": 3,
	"cond_air_rise": 0.6, "evap_air_drop": 0.7}

// severities are the cases that the directions are tried at.
var severities = map[string]plant.Faults{
	"undercharge":                        {Charge: -0.15},
	"undercharge_valve_in_range":         {Charge: -0.12},
	"undercharge_valve_open":             {Charge: -0.38},
	"overcharge":                         {Charge: 0.12},
	"liquid_line_restriction":            {LineRestriction: 0.3},
	"liquid_line_restriction_in_range":   {LineRestriction: 0.22},
	"liquid_line_restriction_valve_open": {LineRestriction: 0.7},
	"condenser_fouling":                  {CondenserAir: 0.45},
	"evaporator_airflow_low":             {EvaporatorAir: 0.35},
	"compressor_valve_leak":              {CompressorLeak: 0.2},
	"non_condensables":                   {NonCondensables: 0.5},
	"orifice_oversize":                   {Bore: 0.06},
	"orifice_undersize":                  {Bore: -0.06},
	"reversing_valve_leak":               {ReversingLeak: 0.06},
	"valve_stuck_closed":                 {StuckAt: 0.45},
	"valve_stuck_open":                   {StuckAt: 0.85},
}

// Machines are the two that directions and sizes are tried on: equal but for the metering device.
func Machines() (orifice, valve *plant.Machine, err error) {
	orifice, err = plant.Design(plant.Spec{Refrigerant: "R-410A", Metering: plant.Orifice, CapacityW: 10500, SuperheatK: 8})
	if err != nil {
		return nil, nil, err
	}
	valve, err = plant.Design(plant.Spec{Refrigerant: "R-410A", Metering: plant.ThermostaticValve, CapacityW: 10500, SuperheatK: 5.5})
	return orifice, valve, err
}

// Signs tries every direction of the reference.
func Signs() ([]Sign, error) {
	orifice, valve, err := Machines()
	if err != nil {
		return nil, err
	}
	rows, err := csv.NewReader(strings.NewReader(signatures)).ReadAll()
	if err != nil {
		return nil, err
	}
	var all []Sign
	moved := map[string]map[string]float64{} // by device and fault
	for _, r := range rows[1:] {
		s := Sign{Fault: r[0], Device: r[1], Feature: r[2], Want: r[3], Status: r[4]}
		m := orifice
		if s.Device == "txv" {
			m = valve
		}
		by := moved[s.Device+s.Fault]
		if by == nil {
			if by, err = moves(m, severities[s.Fault]); err != nil {
				return nil, err
			}
			moved[s.Device+s.Fault] = by
		}
		s.Got = by[s.Feature]
		switch s.Want {
		case "+":
			s.Agrees = s.Got > 0
		case "-":
			s.Agrees = s.Got < 0
		default:
			s.Agrees = max(s.Got, -s.Got) < neutral[s.Feature]
		}
		all = append(all, s)
	}
	return all, nil
}

// moves returns how far a fault moves each feature at 33 °C outdoors and the rating's air indoors.
func moves(m *plant.Machine, f plant.Faults) (map[string]float64, error) {
	c := m.Rating()
	c.OutdoorC = 33
	healthy, err := m.Solve(c)
	if err != nil {
		return nil, err
	}
	faulty := c
	faulty.Faults = f
	s, err := m.Solve(faulty)
	if err != nil {
		return nil, err
	}
	a, b := featuresOf(c, &healthy), featuresOf(c, &s)
	by := map[string]float64{}
	for _, k := range features {
		by[k] = b[k] - a[k]
	}
	return by, nil
}
