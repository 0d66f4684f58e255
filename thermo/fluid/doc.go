// Package fluid holds the published equations of state of pure refrigerants and the compositions
// of blends, as embedded data: one file per fluid, each coefficient set with its citation.
//
// A fluid is data, not code. Adding one means adding a file to data/; the tests open every file
// and check it against values computed from the equation by others.
//
// The package offers what the files say and does not solve anything.
package fluid
