package dewline

import (
	"cmp"
	"strconv"
	"strings"
)

// FleetError is one thing that is wrong in a fleet file.
type FleetError struct {
	File    string
	Line    int
	Key     string // as the file writes it, or the key that is missing there
	Problem string // what is wrong, and where it helps what would be right
}

// Error returns "file:line: key: what is wrong".
func (e FleetError) Error() string {
	return e.File + ":" + strconv.Itoa(e.Line) + ": " + e.Key + ": " + e.Problem
}

// FleetErrors is everything that is wrong in a fleet file, in the order of its lines.
type FleetErrors []FleetError

// Error returns one line for each problem.
func (all FleetErrors) Error() string {
	lines := make([]string, len(all))
	for i, e := range all {
		lines[i] = e.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap returns the problems one by one.
func (all FleetErrors) Unwrap() []error {
	each := make([]error, len(all))
	for i, e := range all {
		each[i] = e
	}
	return each
}

// byLine orders problems as the file does, and those of one line by key.
func byLine(a, b FleetError) int {
	return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Key, b.Key), cmp.Compare(a.Problem, b.Problem))
}
