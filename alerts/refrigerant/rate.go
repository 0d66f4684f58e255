package refrigerant

import (
	"fmt"
	"math"

	"dewline"
	"dewline/thermo/si"
)

// yearDays is the year of both formulas.
const yearDays = 365

// AnnualizedPercent is the leak rate by the annualizing method of 40 CFR 82.152 and 84.102 (from
// memory, agrees with a public summary): what was added over the full charge, times 365 over the days
// since the addition before or 365, whichever is fewer. Both days and charge must be above zero.
func AnnualizedPercent(added, fullCharge si.Kilogram, days int) float64 {
	return rounded(float64(added/fullCharge) * (yearDays / float64(min(days, yearDays))) * 100)
}

// RollingPercent is the leak rate by the rolling average method of 40 CFR 82.152 and 84.102 (from
// memory): what was added in the last 365 days, or since the last successful follow-up test after
// which all leaks were repaired where that is shorter, over the full charge.
func RollingPercent(added, fullCharge si.Kilogram) float64 {
	return rounded(float64(added/fullCharge) * 100)
}

// rounded takes away what arithmetic adds in the last bits, so that a rate that is the trigger is not
// taken for one above it.
func rounded(percent float64) float64 { return math.Round(percent*1e6) / 1e6 }

// setRates computes a rate for each addition that counts.
func (k *reckoning) setRates(rule Rule) {
	for i, a := range k.account.Additions {
		if a.Net <= 0 || a.Excluded != "" {
			continue
		}
		charge, _, _ := k.charge(dewline.Millis(a.At))
		r := dewline.LeakRate{Visit: a.Visit, Day: a.Day, At: a.At, Added: a.Net, FullCharge: charge}
		r.Annualizing = k.annualizing(i, charge)
		r.Rolling = k.rolling(i, charge)
		if k.exceeds(rule, r) {
			r.Over = []string{rule.Name}
		}
		if i > 0 && k.account.Additions[i-1].Net < 0 {
			k.remark("%s: the visit before took out more than it put in; an addition is net of its own visit only", a.Day)
		}
		k.account.Rates = append(k.account.Rates, r)
	}
}

const noCharge = "the full charge is not known: enter it with how it was determined"

// annualizing looks back to the addition before, one that the rules leave out among them: refrigerant
// was added then, and fewer days never make a rate too small.
func (k *reckoning) annualizing(i int, charge si.Kilogram) dewline.LeakFigure {
	a := k.account.Additions[i]
	f := dewline.LeakFigure{Added: a.Net}
	before := -1
	for j := range i {
		if k.account.Additions[j].Net > 0 {
			before = j
		}
	}
	if before < 0 {
		f.Missing = "no earlier addition is known, so the days since it are not"
		return f
	}
	f.Days = a.Day.Sub(k.account.Additions[before].Day)
	switch {
	case charge <= 0:
		f.Missing = noCharge
	case f.Days <= 0:
		f.Missing = "the addition before was on the same day: there are no days to annualize over"
	default:
		percent := AnnualizedPercent(a.Net, charge, f.Days)
		f.Percent = &percent
	}
	return f
}

func (k *reckoning) rolling(i int, charge si.Kilogram) dewline.LeakFigure {
	a := k.account.Additions[i]
	f := dewline.LeakFigure{Since: a.Day.Add(-yearDays)}
	var test dewline.Stamp
	if e, ok := k.last(dewline.Millis(a.At)-1, func(e dewline.LedgerEntry) bool {
		return e.Kind == dewline.LedgerFollowUp && e.Passed && e.AllRepaired
	}); ok && k.day(e.At) >= f.Since {
		f.Since, test = k.day(e.At), e.At
	}
	for _, b := range k.account.Additions[:i+1] {
		if b.Day >= f.Since && b.At > test && b.Net > 0 && b.Excluded == "" {
			f.Added += b.Net
		}
	}
	f.Added = settled(f.Added)
	if charge <= 0 {
		f.Missing = noCharge
		return f
	}
	percent := RollingPercent(f.Added, charge)
	f.Percent = &percent
	return f
}

// exceeds says whether a rate is above the trigger by the facility's method. The category and the
// size that count are those of now, the rate's own charge is that of its day.
func (k *reckoning) exceeds(rule Rule, r dewline.LeakRate) bool {
	standing := k.account.Rules[0]
	figure := r.Figure(k.account.Method)
	if standing.Rule != rule.Name || !standing.Applies || r.Day < rule.From {
		return false
	}
	if figure.Percent == nil {
		k.remark("%s: by the facility's method, %s, the leak rate cannot be computed: %s", r.Day, words(k.account.Method), figure.Missing)
		return false
	}
	return *figure.Percent > *standing.Trigger
}

func percentText(p float64) string { return fmt.Sprintf("%.1f %%", p) }
