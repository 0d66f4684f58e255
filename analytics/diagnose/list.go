package diagnose

import (
	"cmp"
	"math"
	"slices"

	"dewline"
)

const (
	// mention is how likely a cause must be to be listed.
	mention = 0.02
	// surely is the share of a fault's probability that its likeliest detail must hold to be named.
	surely = 0.45
	// ofPair is the share of a pair's probability that goes to the fault that came first and that has
	// to be looked at first.
	ofPair = 0.55
)

// calibrate takes from the likeliest cause what the posterior is too sure of, and gives it to the others:
// on the fleets that the analysis was tuned on, causes given as 90 to 100 % were right in about 70 %,
// because no table of signatures is complete. A calibration curve by bins, as Zadrozny and Elkan (2001)
// have it; it is straight between two of its points.
func calibrate(list []dewline.Cause, total *float64) {
	const knee, top = 0.6, 0.9
	if len(list) < 2 {
		return
	}
	p := list[0].Probability / *total
	if p <= knee {
		return
	}
	left := 1 - (knee + (top-knee)*(p-knee)/(1-knee))
	sum := 0.0
	for i := range list[1:] {
		list[i+1].Probability = math.Pow(list[i+1].Probability, 0.3)
		sum += list[i+1].Probability
	}
	for i := range list[1:] {
		list[i+1].Probability *= left / sum
	}
	list[0].Probability, *total = 1-left, 1
}

// List returns the causes as an alert has them: each fault once, with its detail where one detail
// stands out, and each sensor; probabilities of two decimals that sum to one, likeliest first.
func (j *Judgement) List() []dewline.Cause {
	type part struct {
		cause  dewline.Cause
		detail float64 // the probability of the likeliest detail
	}
	var parts []part
	put := func(f dewline.Fault, detail string, p float64) {
		i := slices.IndexFunc(parts, func(x part) bool {
			return x.cause.Fault == f && (f != dewline.SensorFault || x.cause.Detail == detail)
		})
		if i < 0 {
			parts = append(parts, part{dewline.Cause{Fault: f, Detail: detail, Probability: p}, p})
			return
		}
		x := &parts[i]
		x.cause.Probability += p
		if p > x.detail {
			x.cause.Detail, x.detail = detail, p
		}
	}
	for i := range j.Causes {
		c := &j.Causes[i]
		if c.Also != "" {
			put(c.Fault, c.Detail, ofPair*c.Probability)
			put(c.Also, "", (1-ofPair)*c.Probability)
			continue
		}
		if j.ice > 0 && c.Fault == dewline.EvaporatorAirflow {
			// A coil that ices by design: a defrost that fails looks as dirt or a weak fan does.
			put(c.Fault, c.Detail, (1-j.ice)*c.Probability)
			put(dewline.DefrostFault, "", j.ice*c.Probability)
			continue
		}
		put(c.Fault, c.Detail, c.Probability)
	}
	put(dewline.NoFault, "", j.NoFault)
	slices.SortStableFunc(parts, func(a, b part) int { return cmp.Compare(b.cause.Probability, a.cause.Probability) })
	var list []dewline.Cause
	total := 0.0
	for i, x := range parts {
		if i > 1 && x.cause.Probability < mention {
			break
		}
		if x.detail < surely*x.cause.Probability {
			x.cause.Detail = ""
		}
		list = append(list, x.cause)
		total += x.cause.Probability
	}
	calibrate(list, &total)
	// Rounded to hundredths by the largest remainders, so that they sum to one.
	left := 100
	rest := make([]float64, len(list))
	for i := range list {
		whole, part := math.Modf(100 * list[i].Probability / total)
		list[i].Probability, rest[i] = whole, part
		left -= int(whole)
	}
	for range left {
		i := 0
		for k := range rest {
			if rest[k] > rest[i] {
				i = k
			}
		}
		list[i].Probability++
		rest[i] = -1
	}
	for i := range list {
		list[i].Probability /= 100
	}
	return list
}
