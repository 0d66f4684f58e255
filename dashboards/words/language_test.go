package words_test

import (
	"bytes"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/text/language"

	"dewline"
	"dewline/dashboards/words"
)

func german(t *testing.T) (*words.Language, []*words.Language) {
	t.Helper()
	all, err := words.All()
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(all, func(l *words.Language) bool { return l.Tag() == "de" })
	if i < 0 {
		t.Fatal("there is no German")
	}
	return all[i], all
}

func TestSay(t *testing.T) {
	de, _ := german(t)
	for _, c := range []struct{ got, want string }{
		{de.Say("{1} of {2}", "3", "{1}"), "3 von {1}"}, // what is put in is not looked at again
		{de.Say("Superheat"), "Überhitzung"},
		{de.Say("nobody says this {1}", 7), "nobody says this 7"},
		{de.SayN(1, "1 machine is well", "{1} machines are well", "1"), "1 Anlage ist in Ordnung"},
		{de.SayN(4, "1 machine is well", "{1} machines are well", "4"), "4 Anlagen sind in Ordnung"},
		{de.Time(time.Date(2031, 3, 4, 15, 6, 0, 0, time.UTC), "Monday 2 January"), "Dienstag, 4. März"},
		{de.Time(time.Date(2031, 5, 1, 15, 6, 0, 0, time.UTC), "2 Jan 15:04"), "1. Mai 15:06"},
		{de.Endonym(), "Deutsch"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
	for _, en := range []dewline.Tongue{(*words.Language)(nil), words.Source, dewline.English} {
		if got := en.SayN(2, "1 machine", "{1} machines of {2}", 2, "x"); got != "2 machines of x" {
			t.Errorf("%q", got)
		}
		if got := en.Time(time.Date(2031, 5, 1, 15, 6, 0, 0, time.UTC), "2 Jan 15:04"); got != "1 May 15:06" {
			t.Errorf("%q", got)
		}
	}
}

// TestChoose: the person's setting comes before what their browser asks for, and English before a language
// that there is not.
func TestChoose(t *testing.T) {
	_, all := german(t)
	chooser := words.NewChooser(all)
	for _, c := range []struct{ set, accept, want string }{
		{"", "", "en"}, {"", "de-AT,en;q=0.8", "de"}, {"", "fr;q=0.9,de;q=0.3", "de"}, {"", "fr", "en"}, {"de", "en", "de"}, {"en", "de", "en"},
		{"xx", "de", "de"}, {"", "en-GB,de", "en"}, {"\"<", "%%%;q=,", "en"}, {"", strings.Repeat("de,", 9000), "de"},
	} {
		if got := chooser.Choose(c.set, c.accept).Tag(); got != c.want {
			t.Errorf("%q, %q: %s, want %s", c.set, c.accept, got, c.want)
		}
	}
}

// cautious are messages that tell people to mind something. They are said in a language as a whole or in
// English: never half.
var cautious = regexp.MustCompile(`(?i)never |caution|burns|toxic|under pressure|licensed|certified people|lock out|can injure`)

// TestEveryCautionIsWhole holds that a language has every caution once it has any: half a list of cautions
// would read like the whole one.
func TestEveryCautionIsWhole(t *testing.T) {
	_, all := german(t)
	catalogue, err := words.Said()
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range all[1:] {
		for _, m := range catalogue.Missing(l) {
			if cautious.MatchString(m.English) && !slices.ContainsFunc(m.Where, func(w string) bool { return strings.Contains(w, "setup") }) {
				t.Errorf("%s lacks %q", l.Tag(), m.English)
			}
		}
	}
	if de, _ := german(t); de.Say(dewline.Caution) == dewline.Caution {
		t.Error("the caution of all cautions is not said in German")
	}
}

// TestFilesAreKept holds that a language file is as Write writes it, and says nothing that no page says: a
// translation whose English has changed shows up here.
func TestFilesAreKept(t *testing.T) {
	_, all := german(t)
	catalogue, err := words.Said()
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range all[1:] {
		file, err := os.ReadFile(l.Tag() + ".po")
		if err != nil {
			t.Fatal(err)
		}
		var again bytes.Buffer
		if err := words.Write(&again, catalogue.Messages(), l); err != nil {
			t.Fatal(err)
		}
		id := regexp.MustCompile(`(?m)^msgid .+$`)
		known := id.FindAllString(again.String(), -1)
		for _, id := range id.FindAllString(string(file), -1) {
			if !slices.Contains(known, id) {
				t.Errorf("%s.po translates what no page says any more: %s\nrun dewline strings %s > dashboards/words/%s.po", l.Tag(), id, l.Tag(), l.Tag())
			}
		}
	}
}

func TestNew(t *testing.T) {
	if _, err := words.New("not a language"); err == nil {
		t.Error("anything is taken for a language")
	}
	l, err := words.New("pt-BR")
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	if err := words.Write(&out, []words.Message{{English: "Say \"{1}\"", Where: []string{"a"}}, {English: "1 day", Many: "{1} days"}}, l); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"Language: pt-BR\n"`, `msgid "Say \"{1}\""`, "#: a\n", "msgid_plural \"{1} days\"\nmsgstr[0] \"\"\nmsgstr[1] \"\""} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %s in\n%s", want, out.String())
		}
	}
	if language.MustParse(l.Tag()) != language.BrazilianPortuguese {
		t.Error(l.Tag())
	}
}
