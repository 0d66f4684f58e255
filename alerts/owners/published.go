package owners

import "dewline"

// Figure is what is published of a fault's cost: the energy for the same cooling over that of the same
// machine without the fault, from a slight to a grave one.
type Figure struct {
	Low, High float64
	Sources   []string
}

// Where the figures stand. All are of air conditioners while they cool.
const (
	rooftop = "Cheung and Braun 2015, NREL/SR-5500-65030, appendix D: rooftop units at 35 °C outdoors, fault intensity 10 % to "
	goswami = "Goswami and others 1997: at 90 % of the charge efficiency did not fall"
	farzad  = "Farzad, dissertation, Texas A&M: seasonal efficiency at 80 % and 120 % of the charge, with a capillary and with a TXV"
	nist    = "charge correlation of NIST (Domanski and others), a heat pump with TXV at 35 °C outdoors, 70 % of the charge"
	lab     = "laboratory tests summed up in Home Energy, May 2002: charge 10 % to 15 % too high"
	txv2021 = "Applied Thermal Engineering 184 (2021) 116116: a restriction takes up to 18 % of the efficiency"
)

// Published returns the figure for a fault, false where none is published that fits. Both ends are
// taken over severities, for how grave a fault is is not known well enough to choose between them.
func Published(f dewline.Fault, m dewline.Metering) (Figure, bool) {
	valve := m.HoldsSuperheat()
	switch {
	case f == dewline.Undercharge && valve:
		return Figure{1, 0.964 / 0.798, []string{goswami, nist}}, true // power over capacity
	case f == dewline.Undercharge:
		return Figure{1, 1 / 0.79, []string{goswami, farzad}}, true
	case f == dewline.Overcharge && valve:
		return Figure{1, 1 / 0.92, []string{farzad}}, true
	case f == dewline.Overcharge:
		return Figure{1, 1 / 0.89, []string{lab, farzad}}, true
	case f == dewline.CondenserAirflow:
		return Figure{1.028, 1.276, []string{rooftop + "50 %"}}, true
	case f == dewline.EvaporatorAirflow:
		return Figure{1.076, 1.159, []string{rooftop + "50 %"}}, true
	case f == dewline.Restriction:
		return Figure{1.027, 1 / 0.82, []string{rooftop + "20 %", txv2021}}, true
	case f == dewline.NonCondensables:
		return Figure{1.009, 1.051, []string{rooftop + "50 %"}}, true
	}
	return Figure{}, false
}

// Excess returns how much of the energy that was taken goes to a fault which multiplies by ratio what
// the same cooling needs.
func Excess(taken, ratio float64) float64 { return taken * (1 - 1/ratio) }
