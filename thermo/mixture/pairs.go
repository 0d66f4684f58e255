package mixture

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"sync"

	"dewline/thermo/helmholtz"
)

//go:embed data/pairs.json
var pairData []byte

// Pair holds the published reducing parameters of a binary pair in the order I, J (beta is its
// reciprocal in the other order) and the weight F of its departure function.
type Pair struct {
	I         string  `json:"i"`
	J         string  `json:"j"`
	BetaT     float64 `json:"beta_T"`
	GammaT    float64 `json:"gamma_T"`
	BetaV     float64 `json:"beta_V"`
	GammaV    float64 `json:"gamma_V"`
	F         float64 `json:"F"`
	Departure string  `json:"departure"`
	Source    string  `json:"source"`   // citation, "" where no fit is published
	Estimate  string  `json:"estimate"` // what stands in for a missing fit
}

type departure struct {
	Name string `json:"name"`
	helmholtz.Residual
}

type pairKey struct{ i, j string }

type pairLibrary struct {
	gasConstant float64
	pairs       map[pairKey]Pair
	departures  map[string]*helmholtz.Residual
}

// loadPairs reads the embedded data once; a fault in them is a programming error.
var loadPairs = sync.OnceValue(func() *pairLibrary {
	var doc struct {
		GasConstant float64 `json:"gas_constant_J_mol_K"`
		Pairs       []Pair
		Departures  []*departure
	}
	if err := json.Unmarshal(pairData, &doc); err != nil {
		panic(fmt.Sprintf("mixture data: %v", err))
	}
	lib := &pairLibrary{doc.GasConstant, map[pairKey]Pair{}, map[string]*helmholtz.Residual{}}
	for _, p := range doc.Pairs {
		lib.pairs[pairKey{p.I, p.J}] = p
	}
	for _, d := range doc.Departures {
		d.Prepare()
		lib.departures[d.Name] = &d.Residual
	}
	return lib
})

// FindPair returns the parameters of the pair i, j in that order.
func FindPair(i, j string) (Pair, bool) {
	lib := loadPairs()
	if p, ok := lib.pairs[pairKey{i, j}]; ok {
		return p, true
	}
	p, ok := lib.pairs[pairKey{j, i}]
	if !ok {
		return Pair{}, false
	}
	p.I, p.J = i, j
	p.BetaT, p.BetaV = 1/p.BetaT, 1/p.BetaV
	return p, true
}
