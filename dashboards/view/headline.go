package view

import (
	"strings"

	"dewline"
)

// Headline says in one sentence what the day asks for.
func (u Idiom) Headline(counts map[dewline.Health]int, total int) string {
	var parts []string
	some := func(h dewline.Health, say func(n int, count string) string) {
		if n := counts[h]; n > 0 {
			parts = append(parts, say(n, Count(int64(n))))
		}
	}
	some(dewline.HealthUrgent, func(n int, count string) string {
		return u.SayN(n, "1 machine needs someone today", "{1} machines need someone today", count)
	})
	some(dewline.HealthSoon, func(_ int, count string) string { return u.Say("{1} this week", count) })
	some(dewline.HealthSilent, func(n int, count string) string { return u.SayN(n, "1 is silent", "{1} are silent", count) })
	some(dewline.HealthDoubtful, func(n int, count string) string {
		return u.SayN(n, "1 gives data in doubt", "{1} give data in doubt", count)
	})
	some(dewline.HealthUnderRepair, func(n int, count string) string {
		return u.SayN(n, "1 is under repair", "{1} are under repair", count)
	})
	some(dewline.HealthDrifting, func(n int, count string) string { return u.SayN(n, "1 drifts", "{1} drift", count) })
	well, learning := counts[dewline.HealthWell], counts[dewline.HealthLearning]
	rest := well + learning
	switch {
	case len(parts) == 0 && counts[dewline.HealthWell] == 0:
		return u.SayN(total, "1 machine is learning what is normal.", "{1} machines are learning what is normal.", Count(int64(total)))
	case len(parts) == 0 && counts[dewline.HealthLearning] > 0:
		return u.Say("Nothing needs you.") + " " + sentenceCase(u.SayN(well, "1 machine is well", "{1} machines are well", Count(int64(well)))+
			", "+u.SayN(learning, "1 is learning", "{1} are learning", Count(int64(learning))))
	case len(parts) == 0:
		return u.Say("Nothing needs you.") + " " + u.wholeFleet(total)
	}
	text := sentenceCase(strings.Join(parts, ", "))
	if rest > 0 {
		text += " " + u.Say("Nothing is asked of the other {1}.", Count(int64(rest)))
	}
	return text
}

func (u Idiom) wholeFleet(total int) string {
	switch total {
	case 1:
		return u.Say("The one machine is well.")
	case 2:
		return u.Say("Both machines are well.")
	}
	return u.Say("All {1} machines are well.", Count(int64(total)))
}
