package validate

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"math"
	"strconv"
	"strings"

	"dewline/thermo"
	"dewline/thermo/moistair"
	"dewline/thermo/plant"
	"dewline/thermo/si"
)

// nistTests are the no-fault tests of NISTIR 7350 (2006), appendix D: an R-410A split heat pump with a
// TXV in cooling, in the report's own units.
//
//go:embed nistir7350.csv
var nistTests string

// calibration is the test that the machine is sized by; the others are predicted.
const calibration = "NISTIR7350-NF-15"

// A Prediction is one quantity of one test.
type Prediction struct {
	Test, Quantity  string
	Measured, Model float64
}

// Quantities are what is compared, with the unit.
var Quantities = []string{"evaporating, °C", "coil superheat, K", "condensing, °C", "subcooling, K", "discharge, °C", "flow, g/s", "compressor, W", "supply air, °C"}

type test map[string]float64

// RMS returns the root mean square of model less measurement, by quantity.
func RMS(all []Prediction) map[string]float64 {
	sum, n := map[string]float64{}, map[string]float64{}
	for _, p := range all {
		sum[p.Quantity] += (p.Model - p.Measured) * (p.Model - p.Measured)
		n[p.Quantity]++
	}
	for q := range sum {
		sum[q] = math.Sqrt(sum[q] / n[q])
	}
	return sum
}

// NIST sizes a machine by one test of the report and predicts all.
func NIST() ([]Prediction, error) {
	rows, err := csv.NewReader(strings.NewReader(nistTests)).ReadAll()
	if err != nil {
		return nil, err
	}
	tests := map[string]test{}
	var names []string
	for _, r := range rows[1:] {
		t := test{}
		for k, head := range rows[0][1:] {
			if t[head], err = strconv.ParseFloat(r[k+1], 64); err != nil {
				return nil, fmt.Errorf("%s, %s: %w", r[0], head, err)
			}
		}
		tests[r[0]] = t
		names = append(names, r[0])
	}
	m, err := machineOf(tests[calibration])
	if err != nil {
		return nil, err
	}
	var all []Prediction
	for _, name := range names {
		t := tests[name]
		c, err := t.conditions()
		if err != nil {
			return nil, err
		}
		s, err := m.Solve(c)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		model := []float64{m.EvaporatorOutletDewC(&s), s.CoilSuperheatK, s.CondensingK - 273.15, s.SubcoolingK, s.DischargeK - 273.15, 1000 * s.FlowKgS, s.CompressorW, s.SupplyC}
		for i, v := range t.measured() {
			all = append(all, Prediction{name, Quantities[i], v, model[i]})
		}
	}
	return all, nil
}

func celsius(f float64) float64 { return (f - 32) / 1.8 }

const psi = 6894.757

// measured returns the quantities in the order of Quantities. The condensing temperature is that at the
// liquid valve, where the subcooling is counted from; the printed supply temperature includes the fan.
func (t test) measured() []float64 {
	const fanW = 440 // an estimate: the report has both fans and controls as 560 to 620 W
	air := t["airflow_scfm"] * 0.00047195 * 1.2
	return []float64{celsius(t["evap_exit_sat_F"]), t["evap_exit_superheat_F"] / 1.8, celsius(t["unit_liquid_T_F"] + t["subcooling_F"]),
		t["subcooling_F"] / 1.8, celsius(t["comp_discharge_T_F"]), t["mass_flow_lbmh"] * 0.45359237 / 3.6, t["comp_power_W"],
		celsius(t["supply_DB_F"]) - fanW/(air*1006)}
}

func (t test) conditions() (plant.Conditions, error) {
	in, err := moistair.FromDewPoint(si.FromFahrenheit(t["indoor_DB_F"]), si.FromFahrenheit(t["indoor_DP_F"]), si.Pascal(t["baro_inHg"]*3386.389))
	if err != nil {
		return plant.Conditions{}, err
	}
	return plant.Conditions{OutdoorC: celsius(t["outdoor_DB_F"]), OutdoorRatio: 0.010, IndoorC: celsius(t["indoor_DB_F"]), IndoorRatio: float64(in.HumidityRatio())}, nil
}

// machineOf sizes a machine by a test.
func machineOf(t test) (*plant.Machine, error) {
	r, err := thermo.Lookup("R-410A")
	if err != nil {
		return nil, err
	}
	exit, err := r.AtPT(si.Pascal(t["evap_exit_psia"]*psi), si.FromFahrenheit(t["evap_exit_T_F"]))
	if err != nil {
		return nil, err
	}
	liquidK := si.FromFahrenheit(t["unit_liquid_T_F"])
	liquid, err := r.AtPT(si.Pascal(t["unit_liquid_psia"]*psi), liquidK)
	if err != nil {
		return nil, err
	}
	cond, err := thermo.CondensingTemperature(r, si.Pascal((t["cond_inlet_psia"]+t["cond_exit_psia"])/2*psi))
	if err != nil {
		return nil, err
	}
	c, err := t.conditions()
	if err != nil {
		return nil, err
	}
	in, err := moistair.FromHumidityRatio(si.FromCelsius(c.IndoorC), si.KilogramPerKilogram(c.IndoorRatio), 101325)
	if err != nil {
		return nil, err
	}
	flow := t["mass_flow_lbmh"] * 0.45359237 / 3600
	return plant.Design(plant.Spec{
		Refrigerant: "R-410A", Metering: plant.ThermostaticValve, CapacityW: flow * float64(exit.Enthalpy-liquid.Enthalpy),
		RatedOutdoorC: c.OutdoorC, RatedIndoorC: c.IndoorC, RatedIndoorRH: math.Max(float64(in.RelativeHumidity()), 1),
		EvaporatingC: celsius(t["evap_exit_sat_F"]), SuperheatK: t["evap_exit_superheat_F"] / 1.8,
		CondensingC: cond.Celsius(), SubcoolingK: t["subcooling_F"]/1.8 + 0.35, // at the coil, whose drop lies between
		IndoorAirM3S: t["airflow_scfm"] * 0.00047195, CondenserRiseK: t["cond_air_rise_F"] / 1.8, CompressorW: t["comp_power_W"],
		LineGainK: (t["comp_suction_T_F"] - t["evap_exit_T_F"]) / 1.8,
	})
}
