package words

import (
	"strings"

	"golang.org/x/text/language"
	"golang.org/x/text/language/display"
)

// longestAccept is how much of what a browser asks for is read.
const longestAccept = 200

// Chooser finds the language of a reader among those that there are.
type Chooser struct {
	all     []*Language
	matcher language.Matcher
}

// NewChooser returns a chooser among languages, of which the first is for whoever reads none of them.
func NewChooser(all []*Language) Chooser {
	tags := make([]language.Tag, len(all))
	for i, l := range all {
		tags[i] = l.tag
	}
	return Chooser{all, language.NewMatcher(tags)}
}

// All are the languages to choose from.
func (c Chooser) All() []*Language { return c.all }

// Choose returns the language that a person has set or, where that says nothing, what their browser asks
// for by Accept-Language.
func (c Chooser) Choose(set, accept string) *Language {
	if len(accept) > longestAccept {
		accept = accept[:max(0, strings.LastIndexByte(accept[:longestAccept], ','))]
	}
	_, i := language.MatchStrings(c.matcher, set, accept)
	return c.all[i]
}

// Endonym is the name of the language in itself.
func (l *Language) Endonym() string { return display.Self.Name(l.tag) }
