package service

import (
	"cmp"
	"math"
	"slices"

	"dewline"
)

// Outcome is what became of one prediction: an alert of a call whose system was visited.
type Outcome struct {
	Predicted dewline.Fault
	Found     dewline.Fault // NoFault where no trouble was found
	Verdict   dewline.Verdict
	Returned  bool // the condition came back within 30 days
}

// Summarise counts outcomes by predicted cause. A call for a prediction of none is in the rates and
// not among the faults.
func Summarise(outcomes []Outcome) dewline.ServiceReport {
	r := dewline.ServiceReport{Visits: len(outcomes), Faults: []dewline.FaultReport{}}
	faults := map[dewline.Fault]*dewline.FaultReport{}
	confirmed := map[dewline.Fault]int{}
	var nothing, callbacks, couldReturn, verified, told int
	for _, o := range outcomes {
		f := faults[o.Predicted]
		if f == nil {
			f = &dewline.FaultReport{Fault: o.Predicted}
			faults[o.Predicted] = f
		}
		f.Precision.Of++
		switch o.Found {
		case o.Predicted:
			confirmed[o.Predicted]++
		case dewline.NoFault:
			f.NoTrouble++
		default:
			f.Other++
		}
		if o.Found == dewline.NoFault {
			nothing++
		}
		if o.Verdict == dewline.Verified || o.Verdict == dewline.NotVerified {
			told++
			if o.Verdict == dewline.Verified {
				verified++
			}
		}
		if o.Found != dewline.NoFault {
			couldReturn++
			if o.Returned || o.Verdict == dewline.NotVerified {
				callbacks++
			}
		}
	}
	for fault, f := range faults {
		if fault != dewline.NoFault {
			f.Precision = Wilson(confirmed[fault], f.Precision.Of)
			r.Faults = append(r.Faults, *f)
		}
	}
	slices.SortFunc(r.Faults, func(a, b dewline.FaultReport) int {
		return cmp.Or(cmp.Compare(b.Precision.Of, a.Precision.Of), cmp.Compare(a.Fault, b.Fault))
	})
	r.NoTroubleFound, r.Callbacks, r.Verified = Wilson(nothing, len(outcomes)), Wilson(callbacks, couldReturn), Wilson(verified, told)
	return r
}

// Wilson returns a share with its 95 % interval after E. B. Wilson, "Probable inference, the law of
// succession, and statistical inference", JASA 22 (1927): unlike the usual one it stays inside 0 and 1
// and means something for a handful of visits. Of nothing, nothing is known: 0 to 1.
func Wilson(count, of int) dewline.Rate {
	if of == 0 {
		return dewline.Rate{High: 1}
	}
	const z = 1.959963984540054
	n, p := float64(of), float64(count)/float64(of)
	middle := p + z*z/(2*n)
	half := z * math.Sqrt(p*(1-p)/n+z*z/(4*n*n))
	scale := 1 + z*z/n
	return dewline.Rate{Count: count, Of: of, Share: p, Low: max(0, (middle-half)/scale), High: min(1, (middle+half)/scale)}
}
