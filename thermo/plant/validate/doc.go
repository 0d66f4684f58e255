// Package validate holds the plant's model against what others have published: ratings, the no-fault
// tests of a laboratory, the direction and the size of what faults do. Its tests are the acceptance of
// the model; Page writes the same numbers as VALIDATION.md, with the differences discussed.
//
// The comparisons are not blind. What was chosen with sight of some of these tables is listed on the
// page, so that a reader can tell a prediction from an agreement that was made.
package validate
