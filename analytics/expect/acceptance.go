package expect

// The largest difference from the target, in K, that the charge test of California Reference
// Appendix RA3.2 (2008) accepts. A verifier, who comes later with other instruments, grants 1 °F more.
const (
	SuperheatInstaller  = 5 / perKelvin
	SuperheatVerifier   = 6 / perKelvin
	SubcoolingInstaller = 3 / perKelvin
	SubcoolingVerifier  = 4 / perKelvin // from memory
	SplitInstaller      = 3 / perKelvin // from memory
	SplitVerifier       = 4 / perKelvin // from memory
)

// Charge is the verdict of a published charge test.
type Charge int8

// The verdicts.
const (
	Accepted     Charge = 0
	Undercharged Charge = -1 // the protocol says: add refrigerant
	Overcharged  Charge = 1  // the protocol says: recover refrigerant
)

// ChargeBySuperheat is the test of a fixed orifice: too much superheat is too little refrigerant.
// Like the protocol it takes airflow, metering device and coils for good; diagnosis must not.
func ChargeBySuperheat(actual, target, limit float64) Charge {
	return verdict(target-actual, limit)
}

// ChargeBySubcooling is the test of an expansion valve: too little subcooling is too little
// refrigerant.
func ChargeBySubcooling(actual, target, limit float64) Charge {
	return verdict(actual-target, limit)
}

func verdict(excess, limit float64) Charge {
	switch {
	case excess > limit+rounding:
		return Overcharged
	case excess < -limit-rounding:
		return Undercharged
	default:
		return Accepted
	}
}
