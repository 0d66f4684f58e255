package dewline

import (
	"fmt"
	"strconv"
	"strings"
)

// Tongue puts what is said to people into a language. Whatever is said is written in English where it is
// said; {1} in it stands for the first argument, {2} for the second.
type Tongue interface {
	Say(english string, args ...any) string
	// SayN says one where n is exactly one, and many elsewhere.
	SayN(n int, one, many string, args ...any) string
}

// English is the language in which everything is written.
var English Tongue = english{}

type english struct{}

func (english) Say(text string, args ...any) string {
	if len(args) == 0 {
		return text
	}
	pairs := make([]string, 0, 2*len(args))
	for i, a := range args {
		pairs = append(pairs, "{"+strconv.Itoa(i+1)+"}", fmt.Sprint(a))
	}
	return strings.NewReplacer(pairs...).Replace(text)
}

func (e english) SayN(n int, one, many string, args ...any) string {
	if n == 1 {
		return e.Say(one, args...)
	}
	return e.Say(many, args...)
}

// Phrase is an English text of a table, said later by [Tongue.Say].
type Phrase string

// Said says the phrase.
func (p Phrase) Said(t Tongue) string {
	if p == "" {
		return ""
	}
	return t.Say(string(p))
}
