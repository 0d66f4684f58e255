package view

import (
	"strings"

	"dewline"
)

// Evidence is what the readings say of what is believed, in sentences.
type Evidence struct {
	Seen    []string // what was seen, whatever its cause
	For     []string
	Against []string // what the likeliest cause does not explain, or would move the other way
}

// EvidenceOf reads the newest evidence off the history of an alert. What people wrote into it is
// theirs and no evidence.
func EvidenceOf(history []dewline.AlertChange, u Idiom) Evidence {
	for i := len(history) - 1; i >= 0; i-- {
		if c := history[i]; c.By == dewline.ByDewline && c.Alert.Cleared == 0 && c.Why != "" {
			return evidenceIn(c.Why, u)
		}
	}
	return Evidence{}
}

// evidenceIn takes the sentences of a change apart. They are joined by semicolons, and a sentence
// may hold one itself before it says what it is against.
func evidenceIn(why string, u Idiom) (e Evidence) {
	var sentences []string
	for part := range strings.SplitSeq(why, "; ") {
		if n := len(sentences); n > 0 && speaksAgainst(part) && !startsWithQuantity(part) {
			sentences[n-1] += "; " + part
			continue
		}
		sentences = append(sentences, part)
	}
	for _, s := range sentences {
		text := sentenceCase(InUnits(underscores(s), u))
		switch {
		case speaksAgainst(s):
			e.Against = append(e.Against, text)
		case strings.HasSuffix(s, " makes it"):
			e.For = append(e.For, text)
		default:
			e.Seen = append(e.Seen, text)
		}
	}
	return e
}

func speaksAgainst(s string) bool {
	return strings.HasSuffix(s, ": against") || strings.HasSuffix(s, "does not explain it")
}

// startsWithQuantity says whether a part is a whole sentence: those of the second half begin with
// the cause that they speak of.
func startsWithQuantity(s string) bool { return strings.Contains(s, "(±") }
