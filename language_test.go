package dewline_test

import (
	"testing"
	"time"

	"dewline"
)

func TestEnglish(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{dewline.English.Say("{1} of {2}", 3, "four"), "3 of four"},
		{dewline.English.Say("{2} and {1}, {1}", "{2}", "b"), "b and {2}, {2}"}, // what is put in is not looked at again
		{dewline.English.Say("{3} {0} {x} {1", "a", "b"), "{3} {0} {x} {1"},
		{dewline.English.Say("{1}", time.UTC), "UTC"},
		{dewline.English.Say("{1} stays"), "{1} stays"},
		{dewline.English.Say("", 1), ""},
		{dewline.English.SayN(1, "1 day", "{1} days", 1), "1 day"},
		{dewline.English.SayN(0, "1 day", "{1} days", 0), "0 days"},
		{dewline.Phrase("a {1}").Said(dewline.English), "a {1}"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}

func TestLanguageOfAPerson(t *testing.T) {
	for tag, good := range map[string]bool{"": true, "de": true, "pt-BR": true, "zh-Hant-TW": true, "d": false, "de_AT": false, "de-": false, "de\n": false, "<b>": false} {
		p := dewline.Person{ID: "ana-p", Name: "Ana", Role: dewline.RoleTechnician, Language: tag}
		if err := p.Validate(); (err == nil) != good {
			t.Errorf("%q: %v", tag, err)
		}
	}
}
