package validate

import (
	_ "embed"
	"encoding/csv"
	"strconv"
	"strings"

	"dewline/thermo/moistair"
	"dewline/thermo/plant"
	"dewline/thermo/si"
)

// targets are cells of a manufacturer's charging chart for a fixed-orifice split (14ACX, p. 26): suction
// superheat by outdoor dry bulb and return wet bulb, in °F.
//
//go:embed targets.csv
var targets string

// A Target is one cell of the chart.
type Target struct {
	OutdoorC, WetBulbC float64
	Chart, Model       float64 // K of superheat at the compressor
}

// Targets compares the chart with one fixed-orifice machine, sized for 7.5 K at the coil at the rating:
// the level is a choice, the slopes are not.
func Targets() ([]Target, error) {
	rows, err := csv.NewReader(strings.NewReader(targets)).ReadAll()
	if err != nil {
		return nil, err
	}
	m, err := plant.Design(plant.Spec{Refrigerant: "R-410A", Metering: plant.Orifice, CapacityW: 10500, SuperheatK: 7.5})
	if err != nil {
		return nil, err
	}
	var all []Target
	for _, r := range rows[1:] {
		var f [3]float64
		for k := range f {
			if f[k], err = strconv.ParseFloat(r[k], 64); err != nil {
				return nil, err
			}
		}
		c := m.Rating()
		c.OutdoorC = celsius(f[0])
		c.IndoorC = 25.5
		in, err := moistair.FromWetBulb(si.FromCelsius(c.IndoorC), si.FromFahrenheit(f[1]), 101325)
		if err != nil {
			return nil, err
		}
		c.IndoorRatio = float64(in.HumidityRatio())
		s, err := m.Solve(c)
		if err != nil {
			return nil, err
		}
		all = append(all, Target{c.OutdoorC, celsius(f[1]), f[2] / 1.8, s.SuperheatK})
	}
	return all, nil
}
