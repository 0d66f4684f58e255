package words

import (
	"embed"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/leonelquinteros/gotext"
	"golang.org/x/text/language"

	"dewline"
)

//go:embed messages.pot *.po
var files embed.FS

// Language is one of those that pages speak. The zero value and nil speak English. It is not changed once
// it is made.
type Language struct {
	tag    language.Tag
	texts  map[string]string   // by their English text
	po     *gotext.Po          // decides between plurals
	invent func(string) string // makes texts instead; for tests
}

// Source is the language in which everything is written.
var Source = &Language{tag: language.English}

// All returns every language, English first.
func All() ([]*Language, error) {
	names, err := files.ReadDir(".")
	if err != nil {
		return nil, err
	}
	all := []*Language{Source}
	for _, f := range names {
		name, isPO := strings.CutSuffix(f.Name(), ".po")
		if !isPO {
			continue
		}
		l, err := read(name)
		if err != nil {
			return nil, err
		}
		all = append(all, l)
	}
	return all, nil
}

func read(name string) (*Language, error) {
	tag, err := language.Parse(name)
	if err != nil {
		return nil, fmt.Errorf("words: %s.po: %w", name, err)
	}
	text, err := files.ReadFile(name + ".po")
	if err != nil {
		return nil, err
	}
	l := &Language{tag: tag, texts: map[string]string{}, po: gotext.NewPo()}
	l.po.Parse(text)
	for id, m := range l.po.GetDomain().GetTranslations() {
		if id == "" {
			continue
		}
		for n, translation := range m.Trs {
			if translation == "" {
				continue
			}
			if err := fits(id, translation, m.PluralID != ""); err != nil {
				return nil, fmt.Errorf("words: %s.po: %w", name, err)
			}
			if n == 0 {
				l.texts[id] = translation
			}
		}
	}
	return l, nil
}

var placeholder = regexp.MustCompile(`\{[0-9]\}`)

// fits says what is wrong with a translation: it holds each placeholder of its message once. In a plural,
// one may stand without its number.
func fits(id, translation string, plural bool) error {
	want, has := placeholder.FindAllString(id, -1), placeholder.FindAllString(translation, -1)
	if plural {
		return nil
	}
	slices.Sort(want)
	slices.Sort(has)
	if !slices.Equal(want, has) {
		return fmt.Errorf("%q has the placeholders %v, its message %q %v", translation, has, id, want)
	}
	return nil
}

// Invented returns a language whose texts are made from the English ones, for tests that look whether all
// comes through here.
func Invented(tag language.Tag, from func(english string) string) *Language {
	return &Language{tag: tag, invent: from}
}

// Tag is the BCP 47 name of the language, such as "de".
func (l *Language) Tag() string {
	if l == nil {
		return language.English.String()
	}
	return l.tag.String()
}

// text returns the translation of a text, and whether there is one.
func (l *Language) text(english string) (string, bool) {
	switch {
	case l == nil:
		return english, false
	case l.invent != nil:
		return l.invent(english), true
	}
	text, ok := l.texts[english]
	if !ok {
		return english, false
	}
	return text, true
}

// Say says an English text, in which {1} stands for the first argument, {2} for the second.
func (l *Language) Say(english string, args ...any) string {
	text, _ := l.text(english)
	return dewline.English.Say(text, args...)
}

// SayN is Say for a count: one stands for exactly one thing. The count is no argument by itself.
func (l *Language) SayN(n int, one, many string, args ...any) string {
	english := many
	if n == 1 {
		english = one
	}
	switch {
	case l == nil || l.po == nil:
		return l.Say(english, args...)
	case !l.po.IsTranslatedN(one, n):
		return dewline.English.Say(english, args...)
	}
	return dewline.English.Say(l.po.GetN(one, many, n), args...)
}

// Names are the names of months and days, long and short, as package time writes them.
func Names() (all []string) {
	for m := time.January; m <= time.December; m++ {
		all = append(all, m.String(), m.String()[:3])
	}
	for d := time.Sunday; d <= time.Saturday; d++ {
		all = append(all, d.String(), d.String()[:3])
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// Time writes an instant in a layout of package time, which is a message like any other: its order is the
// language's, and so are the names of months and days.
func (l *Language) Time(t time.Time, layout string) string {
	if l == nil || l == Source {
		return t.Format(layout)
	}
	if l.invent == nil {
		layout, _ = l.text(layout)
	}
	var out strings.Builder
	for layout != "" {
		at, long, name := strings.Index(layout, "Jan"), "January", t.Month().String()
		if day := strings.Index(layout, "Mon"); day >= 0 && (at < 0 || day < at) {
			at, long, name = day, "Monday", t.Weekday().String()
		}
		if at < 0 {
			out.WriteString(t.Format(layout))
			break
		}
		out.WriteString(t.Format(layout[:at]))
		layout = layout[at:]
		whole := len(long)
		if !strings.HasPrefix(layout, long) {
			name, whole = name[:3], 3
		}
		said, _ := l.text(name)
		out.WriteString(said)
		layout = layout[whole:]
	}
	return out.String()
}
