package dewline

// RefrigerantFacts answers what the vocabulary must know of refrigerants without computing with
// them. The thermodynamics fill it (cmd joins the two).
type RefrigerantFacts interface {
	// Designation returns the ASHRAE 34 designation that name stands for ("410a" is R-410A).
	// For an unknown name it returns an error that suggests the nearest ones.
	Designation(name string) (string, error)
}
