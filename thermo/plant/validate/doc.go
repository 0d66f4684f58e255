// Package validate holds the plant's model against what others have published: ratings, the no-fault
// tests of a laboratory, the direction and the size of what faults do. Its tests are the acceptance of
// the model; Page writes the same numbers as VALIDATION.md, with the differences discussed.
//
// The package does not tune the model: every number of it is fixed before.
package validate
