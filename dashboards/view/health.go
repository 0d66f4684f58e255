package view

import (
	"fmt"

	"dewline"
)

// Assessment is a system's health and why it is said.
type Assessment struct {
	Health dewline.Health
	Alert  *dewline.Alert // the one that decided, nil where none did

	why  dewline.Phrase // where no alert decided
	with string         // what stands for {1} in it
}

// Reason says in a sentence why the system has its health.
func (a Assessment) Reason(u Idiom) string {
	if a.Alert != nil {
		return reasonOf(a.Alert, u)
	}
	return u.Say(string(a.why), u.Say(a.with))
}

// NeverHeard says whether the system is enrolled and has never sent.
func (a Assessment) NeverHeard() bool { return a.Alert == nil && a.why == NeverHeard }

// Assess derives the health of a system from its alerts that have not ended and its latest state.
// The gravest word wins. An alert whose repair is under way or being proved no longer asks for
// anybody, so that it counts as under repair whatever its severity; another one beside it still
// counts for itself. Alerts about data never count by severity: they say doubtful or silent.
func Assess(state dewline.SystemState, known bool, alerts []dewline.Alert) Assessment {
	best := assessState(state, known)
	for i := range alerts {
		if a := &alerts[i]; !a.State.Ended() {
			h := a.Health()
			if best.Alert == nil && rank(h) <= rank(best.Health) || rank(h) < rank(best.Health) {
				best = Assessment{Health: h, Alert: a}
			}
		}
	}
	return best
}

func reasonOf(a *dewline.Alert, u Idiom) string {
	text := conditionSays(a.Condition, u)
	if likely := likelySays(a, u); likely != "" {
		text += " " + likely
	}
	if a.State != dewline.AlertOpen {
		text += " " + sentenceCase(u.StateWordOf(a))
	}
	return text
}

// NeverHeard is the reason of a system that is enrolled and has never sent.
const NeverHeard dewline.Phrase = "No reading has arrived yet."

// assessState is what the state alone says, without any alert.
func assessState(s dewline.SystemState, known bool) Assessment {
	superheat := s.Values[dewline.Superheat]
	switch {
	case (!known || s.At == 0) && s.Received == 0:
		return Assessment{Health: dewline.HealthLearning, why: NeverHeard}
	case s.At == 0:
		return Assessment{Health: dewline.HealthLearning, why: dewline.Phrase("Readings arrive; the first are analysed once late ones may no longer come.")}
	case s.Running && !superheat.OK():
		return Assessment{Health: dewline.HealthDoubtful, why: dewline.Phrase("It runs, and superheat is unknown: {1}."), with: superheat.Missing}
	case s.Health == dewline.HealthLearning && s.Windows > 0:
		return learningOf(s.Windows)
	case s.Rolling24H[dewline.Superheat].Count == 0:
		return Assessment{Health: dewline.HealthLearning, why: dewline.Phrase("It has not run steadily in its last 24 hours of data, so there is nothing to judge by.")}
	}
	return Assessment{Health: dewline.HealthWell, why: dewline.Phrase("No alert is open.")}
}

// What analytics needs before it compares a machine with its own past: half hours of steady running.
const learnWindows = 20

// learningOf says how much steady running is still needed.
func learningOf(windows int) Assessment {
	if left := learnWindows - windows; left > 0 {
		return Assessment{Health: dewline.HealthLearning, with: Decimal(float64(left)/2, 1),
			why: dewline.Phrase("Learning what is normal for it: {1} h more of steady running are needed, over five days at least.")}
	}
	return Assessment{Health: dewline.HealthLearning, why: dewline.Phrase("Learning what is normal for it: it has run steadily long enough, but on fewer than five days.")}
}

// likelySays says the likeliest cause of an alert, "" where it has none; where no fault is likelier still, as in many a watch,
// that comes first. A silence says no more than itself.
func likelySays(a *dewline.Alert, u Idiom) string {
	c, ok := likeliest(a)
	if !ok || a.Condition == dewline.Silent {
		return ""
	}
	says := u.likelyWords(c)
	for _, none := range a.Causes {
		if none.Fault == dewline.NoFault && none.Probability > c.Probability {
			return u.Say("Most likely no fault ({1}), otherwise {2}.", percent(none.Probability), says)
		}
	}
	return u.Say("Likely: {1}.", says)
}

// likelyWords says a cause and how likely it is.
func (u Idiom) likelyWords(c dewline.Cause) string {
	return u.causeWords(c) + " (" + percent(c.Probability) + ")"
}

// Word is what people read: the API has one word for a repair that is under way and for one that is
// being proved, people need two.
func (a Assessment) Word(u Idiom) string {
	if a.Health == dewline.HealthUnderRepair && a.Alert != nil && a.Alert.State == dewline.AlertVerifying {
		return u.StateWord(dewline.AlertVerifying)
	}
	return u.HealthWord(a.Health)
}

// percent writes a probability.
func percent(p float64) string { return fmt.Sprintf("%d\u00a0%%", int(p*100+0.5)) }
