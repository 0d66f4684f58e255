package view

import (
	"cmp"
	"fmt"
	"slices"

	"dewline"
)

// Assessment is a system's health and why it is said.
type Assessment struct {
	Health dewline.Health
	Reason string         // a sentence
	Alert  *dewline.Alert // the one that decided, nil where none did
}

// Assess derives the health of a system from its alerts that have not ended and its latest state.
// The gravest word wins. An alert whose repair is under way or being proved no longer asks for
// anybody, so that it counts as under repair whatever its severity; another one beside it still
// counts for itself. Alerts about data never count by severity: they say doubtful or silent.
func Assess(state dewline.SystemState, known bool, alerts []dewline.Alert) Assessment {
	best := assessState(state, known)
	for i := range alerts {
		if a := &alerts[i]; !a.State.Ended() {
			h := healthOf(a)
			if best.Alert == nil && rank(h) <= rank(best.Health) || rank(h) < rank(best.Health) {
				best = Assessment{h, reasonOf(a), a}
			}
		}
	}
	return best
}

func healthOf(a *dewline.Alert) dewline.Health {
	switch {
	case a.State == dewline.AlertDispatched || a.State == dewline.AlertVerifying:
		return dewline.HealthUnderRepair
	case a.Condition == dewline.Silent:
		return dewline.HealthSilent
	case a.Condition == dewline.SensorDoubt:
		return dewline.HealthDoubtful
	case a.Severity == dewline.Urgent:
		return dewline.HealthUrgent
	case a.Severity == dewline.Soon:
		return dewline.HealthSoon
	}
	return dewline.HealthDrifting
}

func reasonOf(a *dewline.Alert) string {
	text := sentenceCase(ConditionWord(a.Condition) + ": " + wordOr(conditionMeanings, a.Condition))
	if causes := LikelyCauses(a, ""); len(causes) > 0 && a.Condition != dewline.Silent {
		text += " Likely: " + causes[0].String() + "."
	}
	if a.State != dewline.AlertOpen {
		text += " " + sentenceCase(StateWord(a.State))
	}
	return text
}

// assessState is what the state alone says, without any alert.
func assessState(s dewline.SystemState, known bool) Assessment {
	superheat := s.Values[dewline.Superheat]
	switch {
	case (!known || s.At == 0) && s.Received == 0:
		return Assessment{Health: dewline.HealthLearning, Reason: "No reading has arrived yet."}
	case s.At == 0:
		return Assessment{Health: dewline.HealthLearning, Reason: "Readings arrive; the first are analysed once late ones may no longer come."}
	case s.Running && !superheat.OK():
		return Assessment{Health: dewline.HealthDoubtful, Reason: "It runs, and superheat is unknown: " + superheat.Missing + "."}
	case s.Rolling24H[dewline.Superheat].Count == 0:
		return Assessment{Health: dewline.HealthLearning, Reason: "It has not run steadily in its last 24 hours of data, so there is nothing to judge by."}
	}
	return Assessment{Health: dewline.HealthWell, Reason: "No alert is open."}
}

// LikelyCause is a cause in words with the percentage that people read.
type LikelyCause struct {
	Words   string // "the metering device passes too much, orifice too large"
	Percent int
	Check   string // what to look at first
}

// String returns the words and the percentage.
func (c LikelyCause) String() string { return fmt.Sprintf("%s (%d %%)", c.Words, c.Percent) }

// LikelyCauses ranks the causes of an alert, the likeliest first, with what to look at first on a
// machine with this metering device. That there is no fault at all is no cause and is left out.
func LikelyCauses(a *dewline.Alert, metering dewline.Metering) []LikelyCause {
	ranked := slices.Clone(a.Causes)
	slices.SortStableFunc(ranked, func(x, y dewline.Cause) int { return cmp.Compare(y.Probability, x.Probability) })
	var all []LikelyCause
	for _, c := range ranked {
		if c.Fault == dewline.NoFault {
			continue
		}
		words := FaultWord(c.Fault)
		if c.Detail != "" {
			words = cmp.Or(faultsNear[c.Fault], words) + ": " + underscores(c.Detail)
		}
		all = append(all, LikelyCause{words, int(c.Probability*100 + 0.5), Check(c.Fault, metering)})
	}
	return all
}
