package view

import (
	"slices"

	"dewline"
)

// Diagnosis is what is believed of an alert, why, and what to do about it.
type Diagnosis struct {
	Causes   []CauseBar
	Evidence Evidence
	Settles  string
	Checks   []string
	Second   string   // the second cause in words, where it is likely enough to prepare for
	Others   []string // its checks, as far as they are not among Checks
	Steps    []Step   // what became of the alert, oldest first
	Caution  string
}

// CauseBar is a cause as a sentence and a bar.
type CauseBar struct {
	Words   string
	Percent string
	Width   float64 // of 100
}

// Step is one change of an alert.
type Step struct {
	Time  Age
	By    string
	State string
	Why   string
}

// NewDiagnosis puts an alert and its history into words. The history may be missing.
func NewDiagnosis(a *dewline.Alert, history []dewline.AlertChange, sys *dewline.System, r Reader) Diagnosis {
	d := Diagnosis{Evidence: EvidenceOf(history, r.Idiom), Caution: r.Say(dewline.Caution)}
	ranked := slices.Clone(a.Causes)
	slices.SortStableFunc(ranked, func(x, y dewline.Cause) int {
		switch {
		case x.Probability > y.Probability:
			return -1
		case x.Probability < y.Probability:
			return 1
		}
		return 0
	})
	for _, c := range ranked {
		d.Causes = append(d.Causes, CauseBar{r.causeWords(c), percent(c.Probability), 100 * min(1, max(0, c.Probability))})
	}
	d.advise(ranked, sys.Metering, r.Idiom)
	for _, c := range history {
		d.Steps = append(d.Steps, stepOf(c, r))
	}
	return d
}

// advise says what settles the likeliest cause and what to check, and what else the second one asks
// for where it is likely enough to prepare for.
func (d *Diagnosis) advise(ranked []dewline.Cause, metering dewline.Metering, u Idiom) {
	faults := slices.DeleteFunc(slices.Clone(ranked), func(c dewline.Cause) bool { return c.Fault == dewline.NoFault })
	if len(faults) == 0 {
		return
	}
	first := dewline.AdviceFor(faults[0], metering)
	d.Settles, d.Checks = u.Say(first.Settles), u.all(first.Checks)
	if len(faults) < 2 || faults[1].Probability < dewline.WorthBringing {
		return
	}
	d.Second = u.causeWords(faults[1])
	for _, check := range dewline.AdviceFor(faults[1], metering).Checks {
		if !slices.Contains(first.Checks, check) {
			d.Others = append(d.Others, u.Say(check))
		}
	}
}

func stepOf(c dewline.AlertChange, r Reader) Step {
	s := Step{Time: r.Age(c.At), By: c.By, State: r.StateWordOf(&c.Alert), Why: c.Why}
	if c.By == dewline.ByDewline {
		s.By, s.Why = "Dewline", InUnits(underscores(c.Why), r.Idiom)
	}
	return s
}

// all says every one of a list of whole sentences.
func (u Idiom) all(sentences []string) []string {
	said := make([]string, len(sentences))
	for i, s := range sentences {
		said[i] = u.Say(s)
	}
	return said
}

// causeWords says a cause with its detail.
func (u Idiom) causeWords(c dewline.Cause) string {
	words := u.FaultWord(c.Fault)
	if c.Detail == "" {
		return words
	}
	if near, ok := faultsNear[c.Fault]; ok {
		words = near.Said(u)
	}
	return words + ": " + u.Name(c.Detail)
}
