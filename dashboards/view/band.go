package view

import (
	"math"

	"dewline"
)

// Band is where a quantity is expected, in K, ends included. A side that nothing bounds is infinite;
// a band that is open on both sides expects nothing.
type Band struct {
	Low, High float64
	Basis     dewline.Phrase // what the band rests on, for people
}

// open is the band of a quantity of which nothing is expected.
func open(why dewline.Phrase) Band { return Band{math.Inf(-1), math.Inf(1), why} }

// Stated says whether the band bounds anything.
func (b Band) Stated() bool { return !math.IsInf(b.Low, -1) || !math.IsInf(b.High, 1) }

// Outside returns how far v lies outside the band: negative below it, positive above it, 0 inside.
func (b Band) Outside(v float64) float64 {
	switch {
	case v < b.Low:
		return v - b.Low
	case v > b.High:
		return v - b.High
	}
	return 0
}

// The limits that stand until analytics knows what the conditions of the moment make right.
const (
	floodingK = 2.8  // below it liquid is reaching the compressor; 5 degF, common practice
	starvingK = 11.0 // above it a comfort coil behind a valve is starved; 20 degF, common practice

	// A valve's superheat is right within ±5 degF of its setting (common practice; the same width
	// that RA3.2.2 below allows a fixed orifice around the target of the moment).
	superheatSwingK = 5 * 5.0 / 9

	// Charging by subcooling is right within ±3 degF of the maker's target: California Energy
	// Commission, 2008 Reference Appendices, RA3.2.2 (installer's limit).
	subcoolingSwingK = 3 * 5.0 / 9
)

// ExpectedSuperheat returns where the superheat of s at the compressor is expected.
//
// Only a stated target narrows it from both sides. A fixed orifice and a capillary have no constant
// target: theirs moves with weather and load, so that only the limit of liquid reaching the
// compressor is left.
func ExpectedSuperheat(s *dewline.System) Band {
	target := float64(s.TargetSuperheat)
	switch {
	case target > 0 && s.TargetSuperheatAt == dewline.AtCompressor:
		return Band{max(floodingK, target-superheatSwingK), target + superheatSwingK, dewline.Phrase("target of the equipment, within 2.8 K")}
	case target > 0:
		// The suction line adds heat between coil and compressor, by an amount nobody has stated.
		return Band{floodingK, math.Inf(1), dewline.Phrase("liquid must not reach the compressor; the target holds at the coil, not here")}
	case s.Metering.HoldsSuperheat() && s.Kind.Comfort():
		return Band{floodingK, starvingK, dewline.Phrase("common practice for a comfort machine with a valve")}
	}
	return Band{floodingK, math.Inf(1), dewline.Phrase("liquid must not reach the compressor; no constant target with this metering device")}
}

// ExpectedSubcooling returns where the subcooling of s is expected. Without a stated target nothing
// is: what is common differs too much between machines to call any value wrong.
func ExpectedSubcooling(s *dewline.System) Band {
	target := float64(s.TargetSubcooling)
	if target <= 0 {
		return open(dewline.Phrase("the equipment states no target"))
	}
	return Band{max(0, target-subcoolingSwingK), target + subcoolingSwingK, dewline.Phrase("target of the equipment, within 1.7 K")}
}
