package main

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"dewline/thermo/plant"
	"dewline/thermo/si"
)

// modelFault is a fault that the model knows, by the contract's word or, where that is too wide, by its
// detail.
type modelFault struct {
	of     string // what its severity is a percentage of
	most   float64
	valves bool // only a valve can have it
	fixed  bool // only a fixed orifice or capillary can have it
	set    func(*plant.Faults, float64)
}

var modelFaults = map[string]modelFault{
	"undercharge":        {"the design charge", 0.6, false, false, func(f *plant.Faults, s float64) { f.Charge -= s }},
	"overcharge":         {"the design charge", 0.6, false, false, func(f *plant.Faults, s float64) { f.Charge += s }},
	"restriction":        {"the drop from condenser to evaporator, added in the liquid line", 3, false, false, func(f *plant.Faults, s float64) { f.LineRestriction = s }},
	"plugged":            {"the metering device's area, lost", 0.8, false, false, func(f *plant.Faults, s float64) { f.Plugged = s }},
	"orifice_too_small":  {"the bore", 0.4, false, true, func(f *plant.Faults, s float64) { f.Bore = -s }},
	"orifice_too_large":  {"the bore", 0.6, false, true, func(f *plant.Faults, s float64) { f.Bore = s }},
	"valve_stuck":        {"full opening, where it is stuck", 1, true, false, func(f *plant.Faults, s float64) { f.StuckAt = s }},
	"bulb_loose":         {"the bulb's contact, lost", 0.95, true, false, func(f *plant.Faults, s float64) { f.BulbLoose = s }},
	"evaporator_airflow": {"the indoor coil's air, lost", 0.9, false, false, func(f *plant.Faults, s float64) { f.EvaporatorAir = s }},
	"condenser_airflow":  {"the outdoor coil's air, lost", 0.9, false, false, func(f *plant.Faults, s float64) { f.CondenserAir = s }},
	"noncondensables":    {"the condenser's volume, of air at one atmosphere", 3, false, false, func(f *plant.Faults, s float64) { f.NonCondensables = s }},
	"compressor_leakage": {"the compressor's flow, lost inside", 0.7, false, false, func(f *plant.Faults, s float64) { f.CompressorLeak = s }},
	"reversing_valve":    {"the discharge, leaking across to suction", 0.4, false, false, func(f *plant.Faults, s float64) { f.ReversingLeak = s }},
	"frost":              {"the indoor coil's face, closed", 0.9, false, false, func(f *plant.Faults, s float64) { f.Frost = s }},
}

// faultList is the faults for a help text.
func faultList() string {
	var b strings.Builder
	for _, name := range slices.Sorted(maps.Keys(modelFaults)) {
		fmt.Fprintf(&b, "  %-20s %s\n", name, modelFaults[name].of)
	}
	return b.String()
}

// parseFaults reads faults as they are typed.
func parseFaults(typed map[string]string, metering plant.MeteringKind) (plant.Faults, error) {
	var f plant.Faults
	valve := metering == plant.ThermostaticValve || metering == plant.ElectronicValve
	for _, name := range slices.Sorted(maps.Keys(typed)) {
		known, ok := modelFaults[name]
		if !ok {
			return f, fmt.Errorf("--fault %s: the model knows %s", name, strings.Join(slices.Sorted(maps.Keys(modelFaults)), ", "))
		}
		p, err := si.ParsePercent(typed[name])
		if err != nil {
			return f, fmt.Errorf("--fault %s: %w", name, err)
		}
		switch s := float64(p) / 100; {
		case known.valves && !valve:
			return f, fmt.Errorf("--fault %s: only a valve (txv, eev) can have it", name)
		case known.fixed && valve:
			return f, fmt.Errorf("--fault %s: only a fixed orifice or capillary can have it; for a valve use plugged or valve_stuck", name)
		case s <= 0 || s > known.most:
			return f, fmt.Errorf("--fault %s=%s: give more than 0 and at most %.0f %% of %s", name, typed[name], 100*known.most, known.of)
		default:
			known.set(&f, s)
		}
	}
	return f, nil
}

func faultTitle(typed map[string]string, spec plant.Spec) string {
	var words []string
	for _, name := range slices.Sorted(maps.Keys(typed)) {
		words = append(words, strings.ReplaceAll(name, "_", " ")+" "+typed[name])
	}
	if len(words) == 0 {
		words = []string{"healthy"}
	}
	return spec.Refrigerant + ": " + strings.Join(words, ", ")
}
