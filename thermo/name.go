package thermo

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"sync"

	"dewline/thermo/fluid"
)

// oneFluidSuffix marks the one-fluid equation of a blend (Lemmon 2003), offered beside the mixture
// model for comparison.
const oneFluidSuffix = ".pp"

// commonNames are the names beside the number that the trade uses for pure fluids (common practice).
var commonNames = map[string]string{
	"ammonia": "R-717", "nh3": "R-717", "co2": "R-744", "carbondioxide": "R-744",
	"propane": "R-290", "butane": "R-600", "isobutane": "R-600a", "ethane": "R-170",
	"propylene": "R-1270", "propene": "R-1270", "ethylene": "R-1150", "dimethylether": "R-E170",
	"pentane": "R-601", "isopentane": "R-601a",
	// The isomer sold as a refrigerant is meant where none is written.
	"1234ze": "R-1234ze(E)", "1233zd": "R-1233zd(E)",
}

// names maps what people write, reduced by nameKey, to designations.
var names = sync.OnceValue(func() map[string]string {
	m := map[string]string{}
	for _, d := range fluid.Names() {
		m[nameKey(d)] = d
		if _, ok := fluid.GetOneFluid(d); ok {
			m[nameKey(d)+oneFluidSuffix] = d + oneFluidSuffix
		}
	}
	for k, d := range commonNames {
		m[k] = d
	}
	return m
})

// nameKey drops what people write differently: case, spaces, hyphens, brackets and the leading R.
func nameKey(name string) string {
	key := strings.NewReplacer(" ", "", "-", "", "(", "", ")", "", "_", "").Replace(strings.ToLower(name))
	for _, prefix := range []string{"hcfc", "cfc", "hfc", "hfo", "hc"} {
		if rest, ok := strings.CutPrefix(key, prefix); ok && rest != "" && rest[0] >= '0' && rest[0] <= '9' {
			return rest
		}
	}
	if rest, ok := strings.CutPrefix(key, "r"); ok && rest != "" {
		return rest
	}
	return key
}

// Names returns the designations of all refrigerants in the order of their numbers.
func Names() []string { return fluid.Names() }

// maxNameLen bounds what is worth comparing with the names that exist.
const maxNameLen = 64

// Designation returns the ASHRAE 34 designation of the refrigerant that name stands for: "410a",
// "R410A" and "r 410a" are R-410A. An unknown name is an ErrUnknown that suggests the nearest.
func Designation(name string) (string, error) {
	if len(name) > maxNameLen {
		return "", fmt.Errorf("%w: the name has %d characters, expected one such as R-410A", ErrUnknown, len(name))
	}
	key := nameKey(name)
	if d, ok := names()[key]; ok {
		return d, nil
	}
	return "", fmt.Errorf("%w %q; nearest are %s", ErrUnknown, name, strings.Join(nearest(key, 3), ", "))
}

// nearest returns the n designations whose keys are closest to key.
func nearest(key string, n int) []string {
	type candidate struct {
		name     string
		distance int
	}
	var all []candidate
	for _, d := range fluid.Names() {
		all = append(all, candidate{d, editDistance(key, nameKey(d))})
	}
	slices.SortStableFunc(all, func(a, b candidate) int { return cmp.Compare(a.distance, b.distance) })
	out := make([]string, n)
	for i := range out {
		out[i] = all[i].name
	}
	return out
}

// editDistance counts the insertions, deletions and replacements between a and b. A replaced
// figure counts double: R-410A is nearer to R-410B than to R-417A.
func editDistance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = 2 * j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] += 2
		for j := range len(b) {
			replace := diagonal
			if a[i] != b[j] {
				replace += 2
				if isDigit(a[i]) || isDigit(b[j]) {
					replace++
				}
			}
			diagonal = row[j+1]
			row[j+1] = min(replace, row[j]+2, row[j+1]+2)
		}
	}
	return row[len(b)]
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }
