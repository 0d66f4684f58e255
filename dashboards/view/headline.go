package view

import (
	"strings"

	"dewline"
)

// Headline says in one sentence what the day asks for.
func Headline(counts map[dewline.Health]int, total int) string {
	var parts []string
	say := func(h dewline.Health, one, many string) {
		if n := counts[h]; n > 0 {
			parts = append(parts, plural(n, one, many))
		}
	}
	say(dewline.HealthUrgent, "machine needs someone today", "machines need someone today")
	say(dewline.HealthSoon, "this week", "this week")
	say(dewline.HealthSilent, "is silent", "are silent")
	say(dewline.HealthDoubtful, "gives data in doubt", "give data in doubt")
	say(dewline.HealthUnderRepair, "is under repair", "are under repair")
	say(dewline.HealthDrifting, "drifts", "drift")
	rest := counts[dewline.HealthWell] + counts[dewline.HealthLearning]
	switch {
	case len(parts) == 0 && counts[dewline.HealthWell] == 0:
		return plural(total, "machine is", "machines are") + " learning what is normal."
	case len(parts) == 0 && counts[dewline.HealthLearning] > 0:
		return "Nothing needs you. " + sentenceCase(plural(counts[dewline.HealthWell], "machine is well", "machines are well")+
			", "+plural(counts[dewline.HealthLearning], "is learning", "are learning"))
	case len(parts) == 0:
		return "Nothing needs you. " + sentenceCase(wholeFleet(total))
	}
	text := sentenceCase(strings.Join(parts, ", "))
	if rest > 0 {
		text += " Nothing is asked of the other " + Count(int64(rest)) + "."
	}
	return text
}

func wholeFleet(total int) string {
	switch total {
	case 1:
		return "the one machine is well"
	case 2:
		return "both machines are well"
	}
	return "all " + Count(int64(total)) + " machines are well"
}
