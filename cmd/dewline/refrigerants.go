package main

import "dewline/thermo"

// refrigerants is what the vocabulary asks of refrigerants, answered by the properties.
type refrigerants struct{}

// Designation returns the ASHRAE 34 designation that name stands for.
func (refrigerants) Designation(name string) (string, error) { return thermo.Designation(name) }
